"""A real contraction that nobody here recorded: ramp-hold-ramp near 25 % (source in tests/opendata.py)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from biofeedback.model import Channel, Chunk, Flag, FloatArray, Levels
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.spectrum import track_median_frequency

from ..opendata import RampHold, load_ramp_hold

pytestmark = pytest.mark.network
HOLD_S = (8.0, 25.0)


@pytest.fixture(scope="module")
def recording() -> RampHold:
    return load_ramp_hold()


@pytest.fixture(scope="module")
def stream(recording: RampHold) -> tuple[LevelStream, Levels]:
    """Everything through the level stream, in chunks of 33 frames (16 ms)."""
    channels = [Channel(name="force", kind="force", unit="%")]
    channels += [Channel(name=f"emg{i}", kind="emg", unit="uV") for i in range(64)]
    counts = np.column_stack((recording.force_percent, recording.emg_microvolt))
    stream = LevelStream(channels, recording.rate_hz)
    done = [stream.push(Chunk(at, counts[at : at + 33])) for at in range(0, len(counts), 33)]
    return stream, Levels(0, np.concatenate([d.values for d in done]), np.concatenate([d.flags for d in done]))


def shown_s(stream: LevelStream, levels: Levels, channel: int) -> FloatArray:
    """When the effort was that each level shows."""
    return (np.arange(levels.n_levels) + 1) * stream.hop / stream.rate_hz - stream.delay_s[channel]


def describe_hold(force: FloatArray, time_s: FloatArray) -> tuple[float, float, float, float]:
    """Mean, SD and CV in the hold, and time between 23.75 and 26.25 % in percent."""
    held = force[(time_s >= HOLD_S[0]) & (time_s < HOLD_S[1])]
    in_band = 100 * np.mean((held >= 23.75) & (held <= 26.25))
    return float(held.mean()), float(held.std(ddof=1)), float(100 * held.std(ddof=1) / held.mean()), float(in_band)


def test_the_force_as_recorded(recording):
    assert recording.rate_hz == 2048
    assert recording.emg_microvolt.shape == (66560, 64)
    mean, sd, cv_percent, in_band = describe_hold(recording.force_percent, np.arange(66560) / 2048)
    assert mean == pytest.approx(25.98, abs=0.005)
    assert sd == pytest.approx(0.347, abs=0.0005)
    assert cv_percent == pytest.approx(1.3343, abs=0.0005), "what that library's own steadiness function gives"
    assert in_band == pytest.approx(77.0, abs=0.05)


def test_the_live_levels_tell_the_same_hold(stream):
    """The mean is the same; 15 Hz and 20 ms take 3 % of the scatter (tremor)."""
    levels = stream[1]
    mean, sd, cv_percent, in_band = describe_hold(levels.values[:, 0], shown_s(*stream, 0))
    assert mean == pytest.approx(25.98, abs=0.01)
    assert sd == pytest.approx(0.347 * 0.972, rel=0.01)
    assert cv_percent == pytest.approx(1.3343 * 0.972, rel=0.01)
    assert in_band == pytest.approx(77.0, abs=0.3)


def test_live_and_afterwards_are_the_same_bits(stream, recording):
    counts = np.column_stack((recording.force_percent, recording.emg_microvolt))
    once = LevelStream(stream[0].channels, recording.rate_hz).push(Chunk(0, counts))
    assert once.values.tobytes() == stream[1].values.tobytes()
    assert once.flags.tobytes() == stream[1].flags.tobytes()


def test_levels_lag_the_delay_free_force_by_the_stated_delay_only(stream, recording):
    twice = signal.butter(2, 15 / 0.802, fs=recording.rate_hz, output="sos")  # 15 Hz after both ways
    smooth = signal.sosfiltfilt(twice, recording.force_percent)
    at_s = shown_s(*stream, 0)
    expected = np.interp(at_s, np.arange(smooth.size) / recording.rate_hz, smooth)
    held = (at_s > 1) & (at_s < 32)
    assert np.abs(stream[1].values[held, 0] - expected[held]).max() < 0.4, "% of the maximum, ramps included"


def test_emg_levels_equal_a_plain_computation_over_the_whole_array(stream, recording):
    """scipy's filter in one call and plain slices for the RMS."""
    rate_hz, hop, n_window = 2048, 20, 26
    once = LevelStream(stream[0].channels, rate_hz, mains_hz=None)
    counts = np.column_stack((recording.force_percent, recording.emg_microvolt))
    levels = once.push(Chunk(0, counts))
    band = signal.butter(4, [20, 450], "bandpass", fs=rate_hz, output="sos")
    x = signal.sosfilt(band, recording.emg_microvolt - recording.emg_microvolt[0], axis=0)
    for level in (1000, 2000, 3000):
        plain = np.sqrt(np.mean(x[(level + 1 - n_window) * hop : (level + 1) * hop] ** 2, axis=0))
        np.testing.assert_allclose(levels.values[level, 1:], plain, rtol=1e-6)


def test_the_hum_of_the_resting_muscle_is_found_and_a_contraction_is_not_taken_for_hum(recording):
    """At rest half of the power lies at 50.2 Hz and its double: both from the recording's own spectrum."""
    rest = recording.emg_microvolt[:2040, 4] - recording.emg_microvolt[:2040, 4].mean()
    power = np.abs(np.fft.rfft(rest * np.hanning(2040), 2040 * 16)) ** 2
    frequency_hz = np.fft.rfftfreq(2040 * 16, 1 / 2048)
    near = (frequency_hz > 95) & (frequency_hz < 105)
    own_hz = frequency_hz[near][power[near].argmax()] / 2
    channels = [Channel(name=f"emg{i}", kind="emg", unit="uV") for i in range(64)]
    whole = LevelStream(channels, 2048)
    whole.push(Chunk(0, recording.emg_microvolt))
    assert whole.mains_hz == pytest.approx(own_hz, abs=0.1)
    contraction = LevelStream(channels, 2048)
    contraction.push(Chunk(0, recording.emg_microvolt[3 * 2048 : 30 * 2048]))
    assert contraction.mains_hz is None


def test_emg_follows_the_force(stream):
    levels = stream[1]
    force = np.interp(shown_s(*stream, 1), shown_s(*stream, 0), levels.values[:, 0])
    emg = np.median(levels.values[:, 1:], axis=1)
    at_s = shown_s(*stream, 1)
    held, rest = (at_s > HOLD_S[0]) & (at_s < HOLD_S[1]), (at_s > 0.3) & (at_s < 1)
    assert emg[held].mean() > 8 * emg[rest].mean()
    assert emg[held].std() < 0.15 * emg[held].mean(), "steady while the force is"
    assert np.corrcoef(force[at_s > 0.5], emg[at_s > 0.5])[0, 1] > 0.9


def test_good_electrodes_are_not_called_loose(stream):
    """At rest any baseline drifts more than the muscle speaks: in the first second up to 87 % of the power is slow."""
    assert not (stream[1].flags[:, 1:] & Flag.ELECTRODE).any()
    assert not (stream[1].flags & (Flag.SPIKE | Flag.FLAT | Flag.CLIPPED | Flag.MISSING)).any()


def test_bipolar_pairs_at_rest_are_not_called_loose(recording):
    """31 pairs along the muscle; one of them was really pulled at, three seconds in."""
    pairs = recording.emg_microvolt[:, 0:62:2] - recording.emg_microvolt[:, 1:62:2]
    stream = LevelStream([Channel(name=f"emg{i}", kind="emg", unit="uV") for i in range(31)], recording.rate_hz)
    loose = (stream.push(Chunk(0, pairs)).flags & Flag.ELECTRODE) > 0
    assert set(np.flatnonzero(loose.any(axis=0)).tolist()) <= {8}


def test_median_frequency_agrees_with_a_welch_estimate(recording):
    rate_hz = recording.rate_hz
    for electrode in (5, 30, 60):
        emg = recording.emg_microvolt[:, electrode]
        ours_hz = np.mean(track_median_frequency(emg, rate_hz).median_hz[8:25])
        hold = emg[round(8 * rate_hz) : round(25 * rate_hz)]
        frequency_hz, power = signal.welch(hold, rate_hz, nperseg=2048)
        inside = (frequency_hz >= 20) & (frequency_hz <= 450)
        share = np.cumsum(power[inside]) / power[inside].sum()
        assert ours_hz == pytest.approx(frequency_hz[inside][np.searchsorted(share, 0.5)], abs=3)
        assert 40 < ours_hz < 110, "vastus lateralis, monopolar; common practice, no source"
