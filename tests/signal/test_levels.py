"""The level stream: the same bits however the frames are cut, and honest about what is missing."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel, Chunk, Flag, FloatArray, Gap, Levels, count_readings, place_reading
from biofeedback.signal.emg import find_wandering_percent
from biofeedback.signal.levels import LevelStream

FORCE = Channel(name="force", kind="force", unit="N", factor=0.1, rail_high_counts=30000)
EMG = Channel(name="emg", kind="emg", unit="uV")
ENVELOPE = Channel(name="envelope", kind="emg", envelope=True)
POSITION = Channel(name="position", kind="position", unit="cm")
ALL = (FORCE, EMG, POSITION, ENVELOPE, Channel(name="emg2", kind="emg"))


def make_counts(n_frames: int, n_channels: int, *, seed: int = 1, hum: float = 0.0) -> FloatArray:
    rng = np.random.default_rng(seed)
    mains = hum * np.sin(2 * np.pi * 50 * np.arange(n_frames) / 1000)[:, None]
    return np.round(rng.normal(500, 100, (n_frames, n_channels)) + mains)


def run(stream: LevelStream, items: Iterable[Chunk | Gap]) -> Levels:
    done = [stream.push(item) for item in items]
    assert [d.first for d in done] == [0, *(d.end for d in done[:-1])]
    return Levels(0, np.concatenate([d.values for d in done]), np.concatenate([d.flags for d in done]))


def cut(counts: FloatArray, sizes: list[int], gaps: list[tuple[int, int]]) -> list[Chunk | Gap]:
    """Chunks of the given sizes in turn, with ``(first, length)`` gaps punched out."""
    present = np.ones(len(counts), dtype=bool)
    for first, length in gaps:
        present[first : first + length] = False
    items: list[Chunk | Gap] = []
    at, k = 0, 0
    while at < len(counts):
        end = min(at + sizes[k % len(sizes)], len(counts))
        while at < end:
            stop = at + 1
            while stop < end and present[stop] == present[at]:
                stop += 1
            items.append(Chunk(at, counts[at:stop]) if present[at] else Gap(at, stop - at, "lost"))
            at = stop
        k += 1
    return items


@settings(max_examples=15, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 700), min_size=1, max_size=8),
    gaps=st.lists(st.tuples(st.integers(0, 2999), st.integers(1, 400)), max_size=4),
    rate_hz=st.sampled_from([400.0, 1000.0, 1017.3, 2048.0]),
    hum=st.sampled_from([0.0, 400.0]),
)
def test_any_cutting_gives_the_same_bits(
    sizes: list[int], gaps: list[tuple[int, int]], rate_hz: float, hum: float
) -> None:
    counts = make_counts(3000, len(ALL), hum=hum)
    once = run(LevelStream(ALL, rate_hz), cut(counts, [3000], gaps))
    pieces = run(LevelStream(ALL, rate_hz), cut(counts, sizes, gaps))
    assert pieces.values.tobytes() == once.values.tobytes()
    assert pieces.flags.tobytes() == once.flags.tobytes()
    np.testing.assert_array_equal(np.isnan(once.values), (once.flags & Flag.MISSING) > 0)


@pytest.mark.parametrize("gaps", [[], [(14_500, 60), (20_300, 300)]])
def test_seconds_judged_together_get_the_verdicts_they_get_one_by_one(gaps: list[tuple[int, int]]) -> None:
    counts = make_counts(40_000, len(ALL))
    t_s = np.arange(len(counts)) / 1000
    counts[:, 1] += 400 * np.sin(2 * np.pi * 50 * t_s) * (t_s > 22)
    counts[8000:12_000, 4] += np.cumsum(np.random.default_rng(3).normal(0, 50, 4000)).round()
    counts[5000:7000, 0] = 500
    counts[30_000:30_015, 0] += 3000
    streams = [LevelStream(ALL, 1000) for _ in range(3)]
    results = [run(s, cut(counts, sizes, gaps)) for s, sizes in zip(streams, ([40_000], [10_000], [16]), strict=True)]
    assert [s.mains_hz for s in streams] == [50.0] * 3
    for flag in (Flag.HUM, Flag.ELECTRODE, Flag.FLAT, Flag.SPIKE):
        assert (results[0].flags & flag).any(), flag
    for other in results[1:]:
        assert other.values.tobytes() == results[0].values.tobytes()
        assert other.flags.tobytes() == results[0].flags.tobytes()


@pytest.mark.parametrize("channels", [[FORCE], [FORCE, POSITION, ENVELOPE]])
@pytest.mark.parametrize("rate_hz", [40.0, 100.0, 1000.0])
def test_frames_are_left_as_they_came(channels: list[Channel], rate_hz: float) -> None:
    """They are recorded as well; and may not be written to at all."""
    counts = make_counts(4000, len(channels))
    before = counts.copy()
    LevelStream(channels, rate_hz).push(Chunk(0, counts))
    assert np.array_equal(counts, before)
    counts.setflags(write=False)
    LevelStream(channels, rate_hz).push(Chunk(0, counts))


@given(sizes=st.lists(st.integers(1, 9), min_size=1), rate_hz=st.sampled_from([9.0, 10.0, 80.0, 128.0]))
@settings(max_examples=15, deadline=None)
def test_any_cutting_gives_the_same_bits_on_slow_boards(sizes: list[int], rate_hz: float) -> None:
    channels = (FORCE, POSITION, ENVELOPE)
    counts = make_counts(300, 3)
    gaps = [(50, 1), (100, 30), (200, 4)]
    once = run(LevelStream(channels, rate_hz), cut(counts, [300], gaps))
    pieces = run(LevelStream(channels, rate_hz), cut(counts, sizes, gaps))
    assert pieces.values.tobytes() == once.values.tobytes()
    assert pieces.flags.tobytes() == once.flags.tobytes()


@pytest.mark.parametrize(("rate_hz", "hop"), [(10, 1), (80, 1), (100, 1), (500, 5), (1000, 10), (2048, 20)])
def test_grid_is_about_a_hundred_levels_a_second(rate_hz: float, hop: int) -> None:
    stream = LevelStream([FORCE], rate_hz)
    assert (stream.hop, stream.level_rate_hz) == (hop, rate_hz / hop)
    levels = stream.push(Chunk(0, np.zeros((10 * hop + hop - 1, 1))))
    assert (levels.first, levels.n_levels, stream.next_level) == (0, 10, 10)


@pytest.mark.parametrize("rate_hz", [10.0, 26.0, 80.0, 320.0, 1000.0, 2000.0])
@pytest.mark.parametrize("channel", [FORCE, ENVELOPE, POSITION], ids=lambda c: c.name)
def test_a_steady_ramp_comes_out_late_by_the_stated_delay(rate_hz: float, channel: Channel) -> None:
    stream = LevelStream([channel], rate_hz)
    counts = np.arange(round(4 * rate_hz), dtype=np.float64)[:, None]
    levels = stream.push(Chunk(0, counts))
    known_s = (np.arange(levels.n_levels) + 1) * stream.hop / rate_hz
    expected = channel.scaled((known_s - stream.delay_s[0]) * rate_hz)
    settled = levels.flags[:, 0] == 0
    assert settled[-10:].all()
    np.testing.assert_allclose(levels.values[settled, 0][-10:], expected[settled][-10:], rtol=1e-6)


def test_an_emg_burst_is_centred_after_the_stated_delay() -> None:
    stream = LevelStream([EMG], 1000, mains_hz=None)
    t_s = np.arange(4000) / 1000
    burst = np.exp(-0.5 * ((t_s - 2) / 0.05) ** 2) * np.sin(2 * np.pi * 95 * t_s)
    power = stream.push(Chunk(0, burst[:, None])).values[:, 0] ** 2
    centre_s = np.sum(power * (np.arange(power.size) + 1) * 0.01) / power.sum()
    assert centre_s - 2 == pytest.approx(stream.delay_s[0], abs=0.002)


def test_settling_ends_when_a_step_would_be_within_one_percent() -> None:
    stream = LevelStream([FORCE], 1000)
    n = int(np.sum(stream.push(Chunk(0, np.zeros((1000, 1)))).flags & Flag.SETTLING > 0))
    step = stream.push(Chunk(1000, np.full((1000, 1), 1000.0))).values[:, 0] / 100
    assert abs(step[n:] - 1).max() <= 0.0101
    assert abs(step[n - 5] - 1) > 0.005
    assert n < 20


def test_an_offset_makes_no_step_at_the_start() -> None:
    levels = LevelStream([FORCE, EMG], 1000).push(Chunk(0, np.full((500, 2), 12345.0)))
    np.testing.assert_allclose(levels.values, [[1234.5, 0]] * 50, atol=1e-6)


def test_a_short_gap_is_held_and_a_long_one_is_missing() -> None:
    counts = np.full((2000, 2), 700.0)
    stream = LevelStream([FORCE, POSITION], 1000)
    levels = run(stream, cut(counts, [100], [(503, 100), (1203, 101)]))
    missing = (levels.flags & Flag.MISSING) > 0
    assert np.flatnonzero(missing[:, 0]).tolist() == list(range(120, 131))
    np.testing.assert_allclose(levels.values[~missing[:, 0]], [[70.0, 700.0]] * (200 - 11))
    bridged = np.flatnonzero(levels.flags[:, 0] & Flag.BRIDGED)
    assert bridged.tolist() == list(range(50, 61 + 1))
    assert levels.flags[131, 0] & Flag.SETTLING


def test_levels_wait_until_a_gap_is_known_to_be_short() -> None:
    stream = LevelStream([FORCE], 1000)
    stream.push(Chunk(0, np.zeros((100, 1))))
    assert stream.push(Gap(100, 60, "lost")).n_levels == 0
    assert stream.push(Gap(160, 40, "lost")).n_levels == 0
    late = stream.push(Gap(200, 1, "lost"))
    assert late.n_levels == 10
    assert np.isnan(late.values).all()


def test_bridged_frames_do_not_lower_the_rms() -> None:
    t = np.arange(3000)
    sine = 100 * np.sin(2 * np.pi * 100 * t / 1000)[:, None]
    stream = LevelStream([EMG], 1000, mains_hz=None)
    levels = run(stream, cut(sine, [100], [(1500, 90)]))
    bridged = (levels.flags[:, 0] & Flag.BRIDGED) > 0
    assert bridged.any()
    np.testing.assert_allclose(levels.values[100:, 0], 100 / np.sqrt(2), rtol=0.05)


def test_skipped_frames_and_readings_that_are_no_numbers_count_as_missing() -> None:
    counts = make_counts(1000, 1)
    holes = counts.copy()
    holes[300:600] = np.nan
    punched = run(LevelStream([FORCE], 1000), [Chunk(0, holes)])
    skipped = run(LevelStream([FORCE], 1000), [Chunk(0, counts[:300]), Chunk(600, counts[600:])])
    declared = run(LevelStream([FORCE], 1000), cut(counts, [1000], [(300, 300)]))
    for other in (skipped, declared):
        assert other.values.tobytes() == punched.values.tobytes()
        assert other.flags.tobytes() == punched.flags.tobytes()


def test_a_reading_on_the_rail_marks_every_level_it_enters() -> None:
    counts = make_counts(1000, 1)
    counts[505] = 30000
    flags = run(LevelStream([FORCE], 1000), [Chunk(0, counts)]).flags[:, 0]
    assert np.flatnonzero(flags & Flag.CLIPPED).tolist() == [50, 51]


def test_raw_emg_below_400_hz_is_refused_with_the_way_out() -> None:
    with pytest.raises(BiofeedbackError) as caught:
        LevelStream([EMG], 200)
    assert str(caught.value) == "sampled at 200 Hz; raw EMG needs 1000 Hz; use the board's envelope output"
    assert LevelStream([ENVELOPE], 200).warnings == ()


def test_raw_emg_below_1_khz_is_taken_with_a_warning() -> None:
    (warning,) = LevelStream([FORCE, EMG], 500).warnings
    assert warning.startswith("emg: sampled at 500 Hz")
    assert LevelStream([FORCE, EMG], 1000).warnings == ()


def test_misuse_is_a_value_error() -> None:
    stream = LevelStream([FORCE], 1000)
    stream.push(Chunk(0, np.zeros((10, 1))))
    with pytest.raises(ValueError, match="frame 5 comes after frame 9"):
        stream.push(Chunk(5, np.zeros((10, 1))))
    with pytest.raises(ValueError, match="for 1 channels"):
        stream.push(Chunk(10, np.zeros((10, 2))))
    with pytest.raises(ValueError, match="positive rate"):
        LevelStream([FORCE], 0)


def test_importing_the_room_does_not_import_the_slow_filter_library() -> None:
    code = "import sys, biofeedback.signal.levels; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


SLOW = Channel(name="force", kind="force", unit="N", factor=0.1, rate_hz=100.0)
APART = Channel(name="angle", kind="position", unit="deg", clock=1)


@settings(max_examples=15, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 700), min_size=1, max_size=8),
    slow_hz=st.sampled_from([10.0, 80.0, 100.0, 166.6]),
    gaps=st.lists(st.tuples(st.integers(0, 2999), st.integers(1, 400)), max_size=4),
)
def test_any_cutting_gives_the_same_bits_with_channels_of_their_own_rate_and_clock(
    sizes: list[int], slow_hz: float, gaps: list[tuple[int, int]]
) -> None:
    channels = (EMG, replace(SLOW, rate_hz=slow_hz), APART)
    counts = make_counts(3000, 3)
    rows = [place_reading(j, 1000 / slow_hz) for j in range(count_readings(3000, 1000 / slow_hz))]
    counts[np.setdiff1d(np.arange(3000), rows), 1] = np.nan
    counts[1200:1700, 2] = np.nan
    once = run(LevelStream(channels, 1000.0), cut(counts, [3000], gaps))
    pieces = run(LevelStream(channels, 1000.0), cut(counts, sizes, gaps))
    n = min(once.n_levels, pieces.n_levels)
    assert once.n_levels == pieces.n_levels
    assert pieces.values[:n].tobytes() == once.values[:n].tobytes()
    assert pieces.flags.tobytes() == once.flags.tobytes()
    np.testing.assert_array_equal(np.isnan(once.values), (once.flags & Flag.MISSING) > 0)


def test_what_one_channel_misses_costs_the_others_nothing() -> None:
    """A goniometer that ends at 4 s beside EMG and force that go on: their bits are those of a recording without it."""
    counts = make_counts(12_000, 3)
    counts[4000:, 2] = np.nan
    together = run(LevelStream((EMG, FORCE, APART), 1000.0), cut(counts, [700], []))
    alone = run(LevelStream((EMG, FORCE), 1000.0), cut(counts[:, :2], [700], []))
    assert together.values[:, :2].tobytes() == alone.values.tobytes()
    assert together.flags[:, :2].tobytes() == alone.flags.tobytes()
    assert np.isfinite(together.values[1:400, 2]).all()
    assert (together.flags[401:, 2] == Flag.MISSING).all()


@pytest.mark.parametrize("slow_hz", [100.0, 50.0, 80.0, 1000.0 / 12])
def test_a_slow_channel_is_filtered_at_its_own_rate_and_held_on_the_grid(slow_hz: float) -> None:
    n = int(12 * slow_hz)
    readings = make_counts(n, 1, seed=5)
    counts = np.full((12_000, 2), np.nan)
    counts[:, 0] = make_counts(12_000, 1)[:, 0]
    counts[[place_reading(j, 1000 / slow_hz) for j in range(n)], 1] = readings[:, 0]
    channel = replace(SLOW, rate_hz=slow_hz)
    beside = run(LevelStream((EMG, channel), 1000.0), cut(counts, [333], []))
    alone = run(LevelStream((replace(SLOW, rate_hz=None),), slow_hz), [Chunk(0, readings)])
    ended = np.floor((np.arange(beside.n_levels) + 1) * (alone.n_levels / 12) / 100 + 1e-9).astype(int) - 1
    known = ended >= 0
    np.testing.assert_array_equal(beside.values[known, 1], alone.values[ended[known], 0])
    np.testing.assert_array_equal(beside.flags[known, 1], alone.flags[ended[known], 0])
    assert beside.n_levels == 1200


def test_raw_emg_slower_than_the_frames_is_judged_by_its_own_rate() -> None:
    slow = replace(EMG, rate_hz=200.0)
    with pytest.raises(BiofeedbackError, match=r"sampled at 200 Hz; raw EMG needs 1000 Hz"):
        LevelStream((FORCE, slow), 1000.0)
    assert "sampled at 500 Hz" in LevelStream((FORCE, replace(EMG, rate_hz=500.0)), 1000.0).warnings[0]


@pytest.mark.parametrize(
    ("channel", "gain"),
    [
        (Channel(name="emg", kind="emg", unit="mV", envelope=True), 2**-0.5),
        (Channel(name="gravity_x", kind="gravity", unit="m/s²"), 2**-0.5),
        (Channel(name="angle", kind="position", unit="deg"), 0.96),
        (Channel(name="rating", kind="rating"), 0.96),
    ],
)
def test_a_sine_of_six_hertz_loses_three_decibels_where_that_is_the_edge(channel, gain):
    """Where half the power is left, by a Butterworth filter's definition; a position is only freed of single jumps."""
    time_s = np.arange(10000) / 1000.0
    levels = LevelStream([channel], 1000.0).push(Chunk(0, 50 + 10 * np.sin(2 * np.pi * 6.0 * time_s)[:, None]))
    values = levels.values[-500:, 0] - 50
    assert np.sqrt(2 * np.mean(values**2)) == pytest.approx(10 * gain, rel=0.03)


@pytest.mark.parametrize(
    ("bandwidth_hz", "percent"), [(1.0, 100.0), (4.0, 50.0), (16.0, 25.0), (100.0, 10.0), (400.0, 5.0)]
)
def test_how_far_a_level_wanders_by_the_bandwidth_of_what_it_is_made_of(bandwidth_hz: float, percent: float) -> None:
    """1 / (2 sqrt(B T)), the random error of an RMS (Bendat & Piersol, Random Data, from memory), over a quarter of a
    second. A second derivation: 2 B T independent values have a mean square that scatters by sqrt(2 / (2 B T)), and
    its root by half as much."""
    assert find_wandering_percent(bandwidth_hz) == pytest.approx(percent)
    n_independent = 2 * bandwidth_hz * 0.25
    assert find_wandering_percent(bandwidth_hz) == pytest.approx(100 * (2 / n_independent) ** 0.5 / 2)
