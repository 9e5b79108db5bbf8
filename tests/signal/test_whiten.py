"""What makes a muscle's level steadier: less random error where it acts, nothing at rest, refused if of no use."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from biofeedback.model import Channel, Chunk
from biofeedback.signal.emg import band_pass, mains_notch
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.whiten import (
    PLAIN_BELOW,
    WHOLE_ABOVE,
    WhiteningFilter,
    learn_whitening,
    measure_bandwidth,
    whiten,
)

from ..opendata import load_ramp_hold

RATE_HZ = 1000
EMG = Channel(name="emg", kind="emg", unit="uV")


def colour(rng: np.random.Generator, seconds: float, edge_hz: float) -> np.ndarray:
    """Unit-variance noise with the spectrum f exp(-f / edge), band-passed."""
    n = round(seconds * RATE_HZ)
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    x = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) * np.sqrt(frequency_hz * np.exp(-frequency_hz / edge_hz)), n)
    x = signal.sosfilt(band_pass(RATE_HZ), x)
    return x / x.std()


def white(rng: np.random.Generator, seconds: float) -> np.ndarray:
    x = signal.sosfilt(band_pass(RATE_HZ), rng.normal(size=round(seconds * RATE_HZ)))
    return x / x.std()


def test_the_bandwidth_of_a_flat_band_is_its_width() -> None:
    """By its definition (sum P)^2 / sum P^2; Bendat & Piersol's statistical bandwidth (from memory)."""
    x = signal.sosfilt(
        signal.butter(10, [100, 300], "bandpass", fs=RATE_HZ, output="sos"),
        np.random.default_rng(1).normal(size=200_000),
    )
    assert measure_bandwidth(x, RATE_HZ) == pytest.approx(200, rel=0.05)


def test_an_autoregressive_signal_gets_its_own_innovations_back() -> None:
    """The textbook case: x[t] = 1.2 x[t-1] - 0.5 x[t-2] + e[t] is whitened by 1, -1.2, 0.5."""
    e = np.random.default_rng(2).normal(size=60_000)
    x = signal.lfilter([1], [1, -1.2, 0.5], e)
    learnt = learn_whitening(x, 1e-3 * e[:1000], RATE_HZ)
    assert learnt is not None
    shape = learnt.coefficients / learnt.coefficients[0]
    np.testing.assert_allclose(shape[:3], [1, -1.2, 0.5], atol=0.03)
    np.testing.assert_allclose(shape[3:], 0, atol=0.03)


def test_what_is_white_already_is_refused() -> None:
    rng = np.random.default_rng(3)
    assert learn_whitening(white(rng, 4), 0.01 * white(rng, 1), RATE_HZ) is None


def test_too_little_to_learn_from_is_refused() -> None:
    rng = np.random.default_rng(3)
    assert learn_whitening(colour(rng, 0.8, 25), 0.01 * white(rng, 1), RATE_HZ) is None
    assert learn_whitening(colour(rng, 3, 25), 0.01 * white(rng, 0.3), RATE_HZ) is None
    assert learn_whitening(np.zeros(3000), np.zeros(1000), RATE_HZ) is None


@pytest.mark.parametrize("noise", [0.002, 0.02, 0.08])
def test_steadier_where_it_acts_and_plain_at_rest(noise: float) -> None:
    rng = np.random.default_rng(4)
    learnt = learn_whitening(colour(rng, 4, 25), noise * white(rng, 1), RATE_HZ)
    if learnt is None:
        assert noise == 0.08, "so much noise that nothing is to be won"
        return
    rest = noise * white(rng, 1)
    excess = max(0.0, float(np.mean(whiten(rest, learnt.coefficients) ** 2) - np.mean(rest**2)))
    one = WhiteningFilter(tuple(learnt.coefficients.tolist()), excess, PLAIN_BELOW, WHOLE_ABOVE)
    for effort in (0.0, 0.15, 0.25, 0.8):
        x = effort * colour(rng, 40, 25) + noise * white(rng, 40)
        plain, better = LevelStream([EMG], RATE_HZ, mains_hz=None), LevelStream([EMG], RATE_HZ, mains_hz=None)
        better.whiten(0, one, 0)
        before, after = (stream.push(Chunk(0, x[:, None])).values[100:, 0] for stream in (plain, better))
        if not effort:
            if noise < PLAIN_BELOW / 1.6:
                np.testing.assert_array_equal(before, after)
            continue
        assert np.mean(after**2) == pytest.approx(np.mean(before**2), rel=0.05), effort
        assert after.std() / after.mean() < 0.9 * before.std() / before.mean(), effort


def test_a_filter_that_changes_nothing_leaves_every_bit() -> None:
    x = np.random.default_rng(5).normal(0, 50, (5000, 2))
    channels = [EMG, Channel(name="emg_2", kind="emg")]
    plain, other = LevelStream(channels, RATE_HZ), LevelStream(channels, RATE_HZ)
    other.whiten(0, WhiteningFilter((1.0,)), 100)
    other.whiten(1, WhiteningFilter((1.0,)), 200)
    assert plain.push(Chunk(0, x)).values.tobytes() == other.push(Chunk(0, x)).values.tobytes()


@pytest.mark.parametrize("size", [1, 13, 100, 999, 1000])
def test_chunk_sizes_and_gaps_leave_no_trace(size: int) -> None:
    x = np.random.default_rng(6).normal(0, 50, (9000, 2))
    x[3000:3050] = np.nan
    x[5000:5400] = np.nan
    one = WhiteningFilter((1.3, -0.9, 0.3), 4.0, 5.0, 20.0)

    def make() -> LevelStream:
        stream = LevelStream([EMG, Channel(name="emg_2", kind="emg")], RATE_HZ)
        stream.whiten(1, one, 200)
        stream.whiten(0, one, 600)
        return stream

    whole, cut = make(), make()
    expected = whole.push(Chunk(0, x))
    parts = [cut.push(Chunk(at, x[at : at + size])) for at in range(0, len(x), size)]
    assert np.concatenate([part.values for part in parts]).tobytes() == expected.values.tobytes()
    assert np.concatenate([part.flags for part in parts]).tobytes() == expected.flags.tobytes()


def test_the_next_turn_is_a_stretch_that_no_frame_has_entered() -> None:
    stream = LevelStream([EMG], RATE_HZ)
    assert stream.find_turn(0) == 0
    stream.push(Chunk(0, np.zeros((1001, 1))))
    assert stream.find_turn(0) == 200


def test_counts_are_recalled_as_they_were_sent() -> None:
    x = np.random.default_rng(7).normal(size=(4000, 2))
    x[2100:2400, 1] = np.nan
    stream = LevelStream([EMG, Channel(name="force", kind="force", clock=1)], RATE_HZ)
    stream.keep(2.0)
    for at in range(0, 4000, 77):
        stream.push(Chunk(at, x[at : at + 77]))
    for column in (0, 1):
        recalled = stream.recall(column, 210, 390)
        assert recalled is not None
        np.testing.assert_array_equal(recalled[0], x[2100:3900, column])
        assert recalled[1:] == (1000, 10)
    assert stream.recall(0, 100, 300) is None, "too long ago"
    assert LevelStream([EMG], RATE_HZ).recall(0, 0, 0) is None


@pytest.mark.network
def test_real_muscle_is_steadier_by_a_quarter_and_more() -> None:
    """31 pairs of one vastus lateralis at 26 % of the maximum: learnt from four seconds, judged on the twelve after."""
    recording = load_ramp_hold()
    rate_hz = recording.rate_hz
    sections = np.concatenate((band_pass(rate_hz), mains_notch(50.2, rate_hz)))
    pairs = recording.emg_microvolt[:, 0:62:2] - recording.emg_microvolt[:, 1:62:2]
    shares, after = [], []
    for pair in pairs.T:
        filtered = signal.sosfilt(sections, pair - pair[0])
        taught = filtered[round(8 * rate_hz) : round(12 * rate_hz)]
        n = round(0.5 * rate_hz)
        rest = min((filtered[at : at + n] for at in range(400, len(filtered) - n, n // 4)), key=np.std)
        maximum = float(taught.std()) / 0.26
        learnt = learn_whitening(taught, rest, rate_hz, maximum=maximum)
        assert learnt is not None
        excess = max(0.0, float(np.mean(learnt.rest**2) - np.mean(rest**2)))
        one = WhiteningFilter(tuple(learnt.coefficients.tolist()), excess, PLAIN_BELOW * maximum, WHOLE_ABOVE * maximum)
        cvs = []
        for filters in ((), (one,)):
            stream = LevelStream([EMG], rate_hz, mains_hz=50.2)
            for each in filters:
                stream.whiten(0, each, 0)
            held = stream.push(Chunk(0, pair[:, None])).values[round(13 * 102.4) : round(25 * 102.4), 0]
            cvs.append(100 * signal.detrend(held).std() / held.mean())
        shares.append(cvs[1] / cvs[0])
        after.append(cvs[1])
    assert np.median(shares) < 0.75
    assert np.median(after) < 8.2, "% of the level; 11.2 without"
    assert max(shares) < 1.03, "never worth mentioning worse"
