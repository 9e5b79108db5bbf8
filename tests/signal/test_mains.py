"""Hum wherever a board's clock shows it, by its harmonics too; an electrode off and a baseline at rest."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.model import Channel, Chunk, Flag
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.mains import WEAK, find_hum, read_search

from .test_quality import EMG, RATE_HZ, emg, time_s


def hum(mains_hz: float, seconds: float, *, harmonics: dict[int, float]) -> np.ndarray:
    """Sines at multiples of the mains with the given amplitudes, each with a phase of its own."""
    return sum(a * np.sin(2 * np.pi * n * mains_hz * time_s(seconds) + n) for n, a in harmonics.items())


@pytest.mark.parametrize("mains_hz", [49.0, 49.5, 50.0, 50.2, 51.0, 58.8, 59.9, 61.0])
@pytest.mark.parametrize("harmonics", [{1: 1.0}, {1: 1.0, 3: 0.5}, {2: 1.0}, {2: 0.6, 4: 0.8}, {3: 1.0}])
def test_hum_is_taken_out_wherever_it_lies(mains_hz: float, harmonics: dict[int, float]) -> None:
    muscle = emg(12, 10)
    counts = muscle + 10 * hum(mains_hz, 12, harmonics=harmonics)
    stream = LevelStream([EMG], RATE_HZ)
    levels = stream.push(Chunk(0, counts[:, None])).values[400:, 0]
    plain = LevelStream([EMG], RATE_HZ, mains_hz=mains_hz).push(Chunk(0, muscle[:, None])).values[400:, 0]
    assert stream.mains_hz == pytest.approx(mains_hz, abs=0.11)
    assert np.sqrt(np.mean(levels**2) / np.mean(plain**2)) == pytest.approx(1.0, abs=0.03), "11 to 104 % once"


def test_the_notch_follows_a_line_that_turns_out_to_lie_elsewhere() -> None:
    """A board that warms up: 50.0 Hz at first, 50.8 Hz later; without muscle activity to hide in."""
    slow, later = 30 * hum(50.0, 10, harmonics={1: 1}), 30 * hum(50.8, 20, harmonics={1: 1})
    stream = LevelStream([EMG], RATE_HZ)
    levels = stream.push(Chunk(0, (emg(30, 2) + np.concatenate((slow, later)))[:, None]))
    assert stream.mains_hz == pytest.approx(50.8, abs=0.11)
    assert levels.values[1600:, 0].mean() < 2.3


def test_chunk_sizes_leave_no_trace_while_the_notch_is_moved() -> None:
    counts = emg(30, 2) + np.concatenate((30 * hum(50.0, 10, harmonics={1: 1}), 30 * hum(50.8, 20, harmonics={1: 1})))
    whole = LevelStream([EMG], RATE_HZ).push(Chunk(0, counts[:, None]))
    stream = LevelStream([EMG], RATE_HZ)
    parts = [stream.push(Chunk(at, counts[at : at + 137, None])) for at in range(0, len(counts), 137)]
    assert np.concatenate([p.values for p in parts]).tobytes() == whole.values.tobytes()
    assert np.concatenate([p.flags for p in parts]).tobytes() == whole.flags.tobytes()


def test_a_line_outside_the_mains_is_no_hum() -> None:
    for frequency_hz in (45.0, 65.0, 75.0, 90.0):
        stream = LevelStream([Channel(name="emg", kind="emg")], RATE_HZ)
        stream.push(Chunk(0, (emg(8, 10) + 20 * np.sin(2 * np.pi * frequency_hz * time_s(8)))[:, None]))
        assert stream.mains_hz is None, frequency_hz


def test_a_line_is_located_to_a_tenth_of_a_hertz() -> None:
    """A Hann window tells the place of a pure sine exactly."""
    window = np.hanning(1001)[:-1]
    for mains_hz in np.arange(49.0, 61.0, 0.37):
        power = np.abs(np.fft.rfft(np.sin(2 * np.pi * mains_hz * time_s(1) + 0.3) * window)) ** 2
        found_hz, share = find_hum(np.arange(501.0), power, RATE_HZ)
        assert found_hz == pytest.approx(mains_hz, abs=0.02)
        assert share > 0.95


def weak_hum(mains_hz: float, seconds: float) -> np.ndarray:
    """Hum of 0.2 times a steady contraction's size: a twenty-fifth of the power, too little for single seconds."""
    return emg(seconds, 10) + 2 * np.sqrt(2) * hum(mains_hz, seconds, harmonics={1: 1.0})


@pytest.mark.parametrize("mains_hz", [49.0, 50.0, 51.0, 59.6])
def test_hum_too_weak_for_single_seconds_is_found_in_the_mean_of_some(mains_hz: float) -> None:
    counts = weak_hum(mains_hz, 30)[:, None]
    stream = LevelStream([EMG], RATE_HZ)
    levels = stream.push(Chunk(0, counts)).values[2000:, 0]
    plain = LevelStream([EMG], RATE_HZ, mains_hz=mains_hz).push(Chunk(0, emg(30, 10)[:, None])).values[2000:, 0]
    assert stream.mains_hz == pytest.approx(mains_hz, abs=0.35), "muscle beside so weak a line draws at it"
    assert np.sqrt(np.mean(levels**2) / np.mean(plain**2)) == pytest.approx(1.0, abs=0.01), "4 to 6 % once"
    alone = LevelStream([EMG], RATE_HZ, hum_search=None)
    alone.push(Chunk(0, counts))
    assert alone.mains_hz is None


def test_weak_hum_is_told_by_the_means_of_eight_seconds_twice_running() -> None:
    counts = emg(20, 10) + 3 * np.sqrt(2) * hum(50.0, 20, harmonics={1: 1.0})
    stream = LevelStream([EMG], RATE_HZ)
    settling = np.flatnonzero(stream.push(Chunk(0, counts[:, None])).flags[200:, 0] & Flag.SETTLING) + 200
    assert settling[0] == 900, "after the ninth second, and no sooner"
    alone = LevelStream([EMG], RATE_HZ, hum_search=None)
    alone.push(Chunk(0, counts[:9000, None]))
    assert alone.mains_hz is None, "single seconds do not tell it"


@pytest.mark.parametrize("size", [37, 640, 1000, 9000, 17000])
def test_chunk_sizes_leave_no_trace_where_weak_hum_is_found(size: int) -> None:
    channels, rng = [EMG, Channel(name="other", kind="emg")], np.random.default_rng(8)
    counts = np.column_stack((weak_hum(50.4, 40), emg(40, 5, seed=9) + rng.normal(0, 1, 40000)))
    counts[4200:5000] = np.nan  # a second that cannot be judged: the search begins anew
    counts[25000:25400] = np.nan
    whole = LevelStream(channels, RATE_HZ)
    once = whole.push(Chunk(0, counts))
    stream = LevelStream(channels, RATE_HZ)
    parts = [stream.push(Chunk(at, counts[at : at + size])) for at in range(0, len(counts), size)]
    assert whole.mains_hz == stream.mains_hz == pytest.approx(50.4, abs=0.35)
    settling = np.flatnonzero(once.flags[:2400, 0] & Flag.SETTLING)
    assert settling[-1] > 1400, "nine seconds behind the hole at the earliest"
    same_values = np.concatenate([p.values for p in parts]).tobytes() == once.values.tobytes()
    assert same_values
    assert np.concatenate([p.flags for p in parts]).tobytes() == once.flags.tobytes()


@pytest.mark.parametrize("pattern_s", [1.0, 5.0, 20.0])
def test_one_strong_second_among_quiet_ones_is_not_taken_for_a_mean(pattern_s: float) -> None:
    """A plain mean of four seconds found hum in 5 of 6 such sessions of ten minutes."""
    for seed in range(3):
        effort = np.where(time_s(300) // pattern_s % 2 > 0, 100.0, 2.0)
        stream = LevelStream([EMG], RATE_HZ)
        stream.push(Chunk(0, (emg(300, 1.0, seed=seed) * effort)[:, None]))
        assert stream.mains_hz is None


def test_the_search_of_a_recording_is_the_one_on_record() -> None:
    assert read_search({"hum_search": WEAK.to_dict()}) == WEAK
    assert read_search({}) is None, "recordings from before"
    for said in (4, "8", {}, {"n_together": 8}, {"n_together": 1, "prominence": 5.0}, {"n_together": True}):
        assert read_search({"hum_search": said}) is None
    assert read_search({"hum_search": {"n_together": 8, "prominence": float("nan")}}) is None
