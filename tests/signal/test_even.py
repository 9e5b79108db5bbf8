"""A board that reads unevenly gives the signal that an even one would."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.model import Channel, Chunk, Flag, Gap
from biofeedback.signal.even import EvenSpacing
from biofeedback.signal.levels import LevelStream

FORCE = Channel(name="force", kind="force", unit="N")
ALTERNATING_S = np.cumsum(np.tile([0.010, 0.015], 1600))  # 40 s at 80 readings a second


def sine(times_s: np.ndarray, hz: float = 1.0) -> np.ndarray:
    return 100.0 + 50.0 * np.sin(2 * np.pi * hz * times_s)


def fit_sine(times_s: np.ndarray, x: np.ndarray, hz: float = 1.0) -> tuple[float, float, float]:
    """Amplitude, delay in ms and RMS of what is left of the least-squares sine."""
    angle = 2 * np.pi * hz * times_s
    design = np.stack((np.sin(angle), np.cos(angle), np.ones_like(angle)), axis=1)
    (a, b, c), *_ = np.linalg.lstsq(design, x, rcond=None)
    left = x - design @ np.array([a, b, c])
    return float(np.hypot(a, b)), float(-np.arctan2(b, a) / (2 * np.pi * hz) * 1e3), float(np.sqrt(np.mean(left**2)))


def cut(times_s: np.ndarray, counts: np.ndarray, sizes: list[int]) -> list[Chunk]:
    chunks, at = [], 0
    while at < len(times_s):
        end = at + sizes[len(chunks) % len(sizes)]
        chunks.append(Chunk(at, counts[at:end, None], times_s[at:end] * 1e6))
        at = end
    return chunks


def test_ten_and_fifteen_milliseconds_in_turn_give_the_sine_that_was_there() -> None:
    """Linear interpolation over 15 ms leaves at most (2 pi 0.015)^2 / 8 = 0.11 % of a 1 Hz sine."""
    even = EvenSpacing(80.0)
    parts = [part for chunk in cut(ALTERNATING_S, sine(ALTERNATING_S), [1, 2]) for part in even.push(chunk)]
    x = np.concatenate([part.counts[:, 0] for part in parts])
    grid_s = np.arange(len(x)) / 80.0
    late = slice(800, None)
    _, _, left_raw = fit_sine(grid_s[late], sine(ALTERNATING_S)[: len(x)][late])
    amplitude, _, left = fit_sine(grid_s[late], x[late])
    assert amplitude == pytest.approx(50.0, rel=0.0011)
    assert left < 0.0011 * 50.0 < 0.2 * left_raw
    assert "10.0 to 15.0 ms apart (SD 2.50 ms)" in even.words


def test_levels_of_an_uneven_board_have_the_right_amplitude_and_phase() -> None:
    stream = LevelStream([FORCE], 80.0)
    levels = [stream.push(chunk) for chunk in cut(ALTERNATING_S, sine(ALTERNATING_S), [1])]
    values = np.concatenate([part.values[:, 0] for part in levels])
    shown_s = (np.arange(len(values)) + 1) / stream.level_rate_hz - stream.delay_s[0]  # of the effort in each level
    # readings are at 10, 25, 35, 50 ms ...: frame 0 of the even grid lies at 11.25 ms
    amplitude, delay_ms, left = fit_sine(shown_s[800:] + 0.01125, values[800:])
    assert amplitude == pytest.approx(50.0, rel=0.005)
    assert abs(delay_ms) < 0.1
    assert left < 0.05
    assert "resampled" in stream.resampling


def test_even_readings_pass_unchanged() -> None:
    times_s = np.arange(2000) / 80.0
    even = EvenSpacing(80.0)
    parts = [part for chunk in cut(times_s, sine(times_s), [7]) for part in even.push(chunk)]
    x = np.concatenate([part.counts[:, 0] for part in parts])
    assert x == pytest.approx(sine(times_s)[: len(x)], abs=1e-6)
    assert len(x) >= 1998


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.integers(1, 60), min_size=1, max_size=8),
    st.integers(0, 99),
    st.floats(0.98, 1.02),
    st.lists(st.integers(1, 590), max_size=3, unique=True),
)
def test_the_cutting_leaves_no_trace(sizes: list[int], seed: int, pace: float, glitches: list[int]) -> None:
    rng = np.random.default_rng(seed)
    times_s = np.cumsum(rng.uniform(0.008, 0.017, 600)) * pace
    times_s[glitches] += 3e3  # a broken number among them
    counts = rng.normal(0, 10, 600)

    def run(sizes: list[int]) -> tuple[bytes, bytes]:
        stream = LevelStream([FORCE], 80.0)
        parts = [stream.push(chunk) for chunk in cut(times_s, counts, sizes)]
        parts.append(stream.push(Gap(600, 40, "no data")))
        return tuple(np.concatenate([getattr(part, name) for part in parts]).tobytes() for name in ("values", "flags"))

    assert run(sizes) == run([600])


def test_nothing_is_interpolated_across_a_gap() -> None:
    even = EvenSpacing(80.0)
    times_s = np.arange(200) * 0.0125
    items = [
        *even.push(Chunk(0, np.zeros((100, 1)), times_s[:100] * 1e6)),
        *even.push(Gap(100, 40, "no data")),
        *even.push(Chunk(140, np.ones((60, 1)), times_s[140:] * 1e6)),
    ]
    frames = [(item.first_frame, item.end_frame) for item in items]
    assert [b for _, b in frames][:-1] == [a for a, _ in frames][1:]
    assert {float(x) for item in items if isinstance(item, Chunk) for x in item.counts[:, 0]} == {0.0, 1.0}


def test_a_clock_that_breaks_does_not_stop_the_levels() -> None:
    times_s = np.arange(800) * 0.0125
    times_s[400] = 1e6
    stream = LevelStream([FORCE], 80.0)
    levels = [stream.push(chunk) for chunk in cut(times_s, np.zeros(800) + 5.0, [3])]
    values = np.concatenate([part.values[:, 0] for part in levels])
    assert len(values) > 790
    assert np.isfinite(values).all()
    assert not (np.concatenate([part.flags for part in levels]) & Flag.MISSING).any()


def test_a_chunk_without_times_among_others_is_a_mistake() -> None:
    even = EvenSpacing(80.0)
    even.push(Chunk(0, np.zeros((2, 1)), np.array([0.0, 12500.0])))
    with pytest.raises(ValueError, match="no device times"):
        even.push(Chunk(2, np.zeros((2, 1))))
