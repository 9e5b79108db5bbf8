"""Flags come up for what they name, stay down for ordinary signals, and have words."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.model import Channel, Chunk, Flag, FlagArray, FloatArray, Gap
from biofeedback.signal.levels import LevelStream, Mains
from biofeedback.signal.quality import explain
from biofeedback.signal.rails import RailCheck

RATE_HZ = 1000
FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
SEEN = Flag.FLAT | Flag.HUM | Flag.ELECTRODE | Flag.SPIKE | Flag.CLIPPED


def flags_of(channel: Channel, counts: FloatArray, *, mains_hz: float | None = None) -> FlagArray:
    return LevelStream([channel], RATE_HZ, mains_hz=mains_hz).push(Chunk(0, counts[:, None])).flags[:, 0]


def time_s(seconds: float) -> FloatArray:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def emg(seconds: float, rms: float, *, seed: int = 3) -> FloatArray:
    """Noise with the shape of a muscle's spectrum, f * exp(-f / 60 Hz)."""
    n = round(seconds * RATE_HZ)
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    white = np.fft.rfft(np.random.default_rng(seed).normal(size=n))
    shaped = np.fft.irfft(white * np.sqrt(frequency_hz * np.exp(-frequency_hz / 60)), n)
    return np.asarray(rms * shaped / shaped.std())


def test_ordinary_force_and_emg_raise_no_flag() -> None:
    rng = np.random.default_rng(5)
    press = 50 * np.clip(np.sin(2 * np.pi * time_s(20) / 4), 0, 0.7) + rng.normal(0, 0.3, 20000)
    assert not (flags_of(FORCE, np.round(press, 2)) & SEEN).any()
    effort = 5 + 200 * (np.sin(2 * np.pi * time_s(20) / 6) > 0)
    assert not (flags_of(EMG, emg(20, 1.0) * effort) & SEEN).any()


def test_flat_after_a_second_without_one_count_of_change() -> None:
    counts = np.round(np.random.default_rng(1).normal(500, 5, 5000))
    counts[1500:3500] = 512
    assert np.flatnonzero(flags_of(FORCE, counts) & Flag.FLAT).tolist() == list(range(250, 350))


def test_hum_is_named_while_it_carries_most_of_the_signal() -> None:
    quiet = emg(6, 10)
    hum = 30 * np.sin(2 * np.pi * 50.3 * time_s(6) + 1)
    assert not (flags_of(EMG, quiet) & Flag.HUM).any()
    flagged = (flags_of(EMG, quiet + hum) & Flag.HUM) > 0
    assert flagged[100:].all()
    assert not flagged[:100].any(), "a verdict holds for the stretch after the one it was made on"


@pytest.mark.parametrize("mains_hz", [50.0, 60.0, 50.4, 59.3])  # the odd ones: a clock a hundredth off
def test_hum_found_for_two_seconds_switches_the_notch_on_for_good(mains_hz: float) -> None:
    muscle = emg(12, 10)
    hum = np.where(time_s(12) < 8, 20 * np.sin(2 * np.pi * mains_hz * time_s(12)), 0)
    harmonics = 5 * np.sin(2 * np.pi * 3 * mains_hz * time_s(12))
    stream = LevelStream([EMG], RATE_HZ)
    levels = stream.push(Chunk(0, (muscle + hum + harmonics)[:, None]))
    rms, settling = levels.values[:, 0], np.flatnonzero(levels.flags[:, 0] & Flag.SETTLING)
    assert stream.mains_hz == pytest.approx(mains_hz, abs=0.11)
    assert rms[50:190].mean() > 16
    assert settling[settling > 100].tolist() == list(range(200, 300)), "the notch settles in the second it came on"
    assert 9.2 < rms[400:1200].mean() < 10.2, "the comb takes a few percent of the muscle as well"


def test_muscle_activity_alone_never_switches_the_notch_on() -> None:
    for seed in range(5):
        stream = LevelStream([EMG], RATE_HZ)
        stream.push(Chunk(0, emg(30, 10, seed=seed)[:, None]))
        assert stream.mains_hz is None


def test_the_notch_costs_a_few_percent_of_the_amplitude() -> None:
    muscle = emg(30, 10)[:, None]
    plain = LevelStream([EMG], RATE_HZ, mains_hz=None).push(Chunk(0, muscle)).values[100:].mean()
    notched = LevelStream([EMG], RATE_HZ, mains_hz=50).push(Chunk(0, muscle)).values[100:].mean()
    assert 0.95 < notched / plain < 1.0


def test_a_loose_electrode_drifts_more_than_the_muscle_speaks() -> None:
    drift = np.cumsum(np.random.default_rng(2).normal(0, 2.0, 8000))
    flagged = (flags_of(EMG, emg(8, 5) + drift) & Flag.ELECTRODE) > 0
    assert flagged[100:].all()


@pytest.mark.parametrize("unit_in_uv", [1.0, 1000.0, 1e6])  # a board that prints volts sends very small numbers
def test_a_loose_electrode_is_one_in_whatever_unit_the_board_prints(unit_in_uv: float) -> None:
    """A muscle that has spoken is known: as much drift as half of its voice is enough then, and a tenth is not."""
    rests, holds = emg(8, 2), emg(4, 60, seed=4)
    slow = np.sin(2 * np.pi * 3 * time_s(8)) * np.sqrt(2)
    counts = np.concatenate((rests, holds, rests + 9 * slow, rests + 50 * slow)) / unit_in_uv
    flagged = (flags_of(EMG, counts) & Flag.ELECTRODE) > 0
    assert not flagged[:2000].any(), "any baseline drifts more than a muscle at rest"
    assert flagged[2400:].all()


def test_a_radio_that_loses_a_few_readings_does_not_blind_the_check() -> None:
    counts = emg(8, 5) + np.cumsum(np.random.default_rng(2).normal(0, 2.0, 8000))
    counts[10::50] = np.nan
    assert (flags_of(EMG, counts)[100:] & Flag.ELECTRODE).all()
    counts[10::5] = np.nan
    assert not (flags_of(EMG, counts) & Flag.ELECTRODE).any(), "too many are held to judge"


def test_a_jerk_on_the_sensor_is_a_spike_and_a_quick_press_is_not() -> None:
    rng = np.random.default_rng(4)
    force = 100 + rng.normal(0, 0.5, 6000)
    force[2000:4000] += 60 * np.sin(np.pi * np.arange(2000) / 200).clip(0)  # ten presses of 0.2 s, one after the other
    assert not (flags_of(FORCE, force) & Flag.SPIKE).any()
    force[5000:5015] += 80
    spiked = np.flatnonzero(flags_of(FORCE, force) & Flag.SPIKE)
    assert spiked.size
    assert 500 < spiked[0] <= 506
    assert spiked[-1] < 515


def test_a_pop_in_the_emg_is_a_spike_and_the_start_of_a_contraction_is_not() -> None:
    muscle = emg(8, 1.0) * np.where(time_s(8) < 4, 3, 300)
    assert not (flags_of(EMG, muscle) & Flag.SPIKE).any()
    muscle[2000:2005] += 500
    spiked = np.flatnonzero(flags_of(EMG, muscle) & Flag.SPIKE)
    assert spiked.size
    assert 200 < spiked[0] <= 215
    assert spiked[-1] < 245


def test_the_flicker_of_one_count_is_no_spike() -> None:
    counts = np.full(8000, 512.0)
    counts[np.random.default_rng(6).integers(0, 8000, 40)] = 513
    assert not (flags_of(FORCE, counts) & Flag.SPIKE).any()


@pytest.mark.parametrize("flag", [flag for flag in Flag if flag])
def test_every_flag_has_words_and_a_cure_without_jargon_left_open(flag: Flag) -> None:
    what, cure = explain(flag, EMG)
    assert "emg" in what
    assert cure
    assert "{" not in what + cure


def humming(gap: tuple[int, int] | None, mains_hz: Mains) -> dict[Flag, list[tuple[int, int]]]:
    """Nine seconds of a muscle under three times its hum, without the frames of ``gap``; where each flag is up."""
    counts = (emg(9, 10) + 30 * np.sin(2 * np.pi * 50 * time_s(9) + 1))[:, None]
    stream = LevelStream([EMG], RATE_HZ, mains_hz=mains_hz)
    items: list[Chunk | Gap] = [Chunk(0, counts)]
    if gap:
        items = [Chunk(0, counts[: gap[0]]), Gap(gap[0], gap[1] - gap[0], ""), Chunk(gap[1], counts[gap[1] :])]
    flags = np.concatenate([stream.push(item).flags[:, 0] for item in items])
    found = {}
    for flag in Flag:
        up = np.flatnonzero(flags & flag)
        runs = np.split(up, np.flatnonzero(np.diff(up) > 1) + 1) if len(up) else []
        found[flag] = [(int(run[0]), int(run[-1]) + 1) for run in runs]
    return found


def test_a_second_with_a_hole_is_not_judged_and_its_verdict_is_not_guessed() -> None:
    """100 levels a second: the hole from 3.3 to 3.7 s leaves the second from 4 to 5 s without a verdict."""
    found = humming((3300, 3700), None)
    assert found[Flag.HUM] == [(100, 330), (370, 400), (500, 900)]
    assert found[Flag.MISSING] == [(330, 370)]
    (_, begin), (again, settled) = found[Flag.SETTLING]  # the filters start again behind a hole
    assert (again, settled - again) == (370, begin)
    assert found[Flag.SPIKE] == found[Flag.ELECTRODE] == found[Flag.FLAT] == []


def test_a_hole_that_is_bridged_costs_no_verdict() -> None:
    found = humming((3300, 3350), None)
    assert found[Flag.HUM] == [(100, 900)]
    assert found[Flag.MISSING] == []


def test_a_hole_on_the_border_of_two_seconds_costs_the_verdict_of_both() -> None:
    """7 % of each is missing, less than the tenth that is let pass; but the filters started again behind the hole."""
    found = humming((2930, 3070), None)
    assert found[Flag.MISSING] == [(293, 307)]
    assert found[Flag.HUM] == [(100, 293), (500, 900)]


def test_where_the_notch_comes_on_the_numbers_settle_and_the_hum_is_named_until_it_is_out() -> None:
    """Hum in two seconds running: the notch works from 2 s on, marked as settling to the end of that second."""
    found = humming(None, "auto")
    (_, begin), notch = found[Flag.SETTLING]
    assert begin < 100
    assert notch == (200, 300)
    assert found[Flag.HUM] == [(100, 300)]


def test_behind_a_hole_the_notch_settles_as_long_as_it_must() -> None:
    """A notch 2 Hz wide leaves 1 % of the hum after ln(100) / (2 pi) s, 0.73 s; the band-pass alone is faster."""
    found = humming((2300, 2700), "auto")
    assert found[Flag.SETTLING][-1][0] == 270
    assert 0.73 <= (found[Flag.SETTLING][-1][1] - 270) / 100 <= 0.78


@pytest.mark.parametrize("seed", range(6))
def test_ends_of_the_range_are_the_same_however_many_seconds_are_looked_at_together(seed: int) -> None:
    rng = np.random.default_rng(seed)
    channels = [Channel(name="emg", kind="emg"), Channel(name="force", kind="force")]
    turning = np.clip(rng.normal(0, rng.uniform(200, 900), (3000, 10)), -512, 511)
    staying = np.clip(np.cumsum(rng.normal(0, 10, 30000)).reshape(3000, 10), 0, 1023)
    readings = np.round(np.array((turning, staying)))
    low, high = readings.min(axis=2), readings.max(axis=2)
    found = []
    for steps in ([1600, 1400], [100] * 30, [300, 700, 1600, 400], [37, 63] * 30):
        check, at = RailCheck(channels, 100), 0
        parts = []
        for n in steps:
            told = check.push(low[:, at : at + n], high[:, at : at + n], None)
            parts.append(np.zeros((2, n), dtype=bool) if told is None else told)
            at += n
        found.append(np.concatenate(parts, axis=1))
    assert found[0].any()
    assert all((one == found[0]).all() for one in found)
