"""The last seconds for the screen against a plain list that keeps everything, and what a phase tells of its levels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.calibration.effort import Effort
from biofeedback.model import Channel, Flag
from biofeedback.session.setup import Setup
from biofeedback.session.strip import Strip
from biofeedback.session.watch import PhaseWatch

FORCE = Channel(name="force", kind="force", unit="N")
POSITION = Channel(name="position", kind="position", unit="cm")
TAPE = Channel(name="tape", kind="position", unit="mm")


@given(st.lists(st.integers(0, 23), max_size=12), st.integers(0, 60))
def test_whatever_comes_the_last_levels_are_kept_and_addressed_by_their_index(sizes: list[int], level: int) -> None:
    strip = Strip(10, 2)
    assert np.isnan(strip.now).all()
    kept = np.empty((0, 2))
    for size in sizes:
        new = len(kept) + np.arange(size)[:, None] + np.array([0.0, 0.5])
        strip.push(new, -new, new.astype(np.uint16))
        kept = np.concatenate((kept, new))
        assert strip.end == len(kept)
        first, (percent, values) = strip.since(level)
        assert first == min(max(level, len(kept) - 10, 0), len(kept))
        np.testing.assert_array_equal(percent, kept[first:])
        np.testing.assert_array_equal(values, -kept[first:])
        if len(kept):
            assert strip.now == tuple(kept[-1])
        for n in (1, 3, 10, 15):
            recent = kept[-min(n, 10) :].astype(np.uint16)
            np.testing.assert_array_equal(strip.recent_flags(n), np.bitwise_or.reduce(recent, axis=0))
            odd = [float(share) for share in (recent & 1).sum(axis=0) / n]
            assert strip.recent_share(n, Flag(1)) == odd


def watch(*channels: Channel, setup: Setup | None = None, **columns: list[float]) -> PhaseWatch:
    """A phase at 10 levels a second, in two parts; a column for each channel."""
    made = PhaseWatch(channels, 10.0, setup)
    percent = np.column_stack([columns[channel.name] for channel in channels])
    flags = np.zeros(percent.shape, np.uint16)
    for part in (slice(0, 7), slice(7, None)):
        made.take(Effort(0, percent[part], np.zeros_like(percent[part]), np.zeros_like(percent[part]), flags[part]))
    return made


def test_the_mean_of_a_phase_is_of_its_known_levels_after_the_grace() -> None:
    nan = float("nan")
    phase = watch(FORCE, force=[90.0] * 5 + [20.0, nan, 30.0, 40.0])
    assert phase.find_mean(0, 0.5) == 30.0
    assert phase.find_mean(0, 0.6) is None  # two levels are next to no signal
    assert PhaseWatch([FORCE], 10.0).find_mean(0, 0.0) is None


def test_the_best_of_a_phase_is_its_best_half_second() -> None:
    nan = float("nan")
    assert watch(FORCE, force=[0.0, 10, 20, 30, 40, 50, 0, 0, 0, 0]).find_best(0) == pytest.approx(30.0)
    assert watch(FORCE, force=[nan] * 4 + [10.0] * 5 + [nan]).find_best(0) == pytest.approx(10.0)
    assert watch(FORCE, force=[nan, 10.0, 10.0, nan, 10.0, 10.0, 10.0, nan]).find_best(0) is None
    assert watch(FORCE, force=[0.0, 30.0, 20.0]).find_best(0) is None
    assert watch(FORCE, force=[0.0, 30.0, 20.0]).find_best(0, 0.2) == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("position", "tape", "state"),
    [
        (1.0, 10.0, "held"),
        (3.0, 10.0, "drifted"),
        (3.0, 60.0, "lost"),
        (6.0, 30.0, "lost"),
        (1.0, float("nan"), "unknown"),
        (3.0, float("nan"), "drifted"),
    ],
)
def test_the_worst_of_the_position_channels_tells(position: float, tape: float, state: str) -> None:
    """In centimetres 2.5 and 5, in millimetres 25 and 50."""
    found = watch(POSITION, TAPE, position=[position] * 20, tape=[tape] * 20).judge_position()
    assert found is not None
    assert found.state == state


def test_a_position_without_limits_is_for_the_coach_to_tell() -> None:
    strange = Channel(name="position", kind="position", unit="turns")
    assert watch(strange, position=[9.0] * 20).judge_position() is None
    assert watch(FORCE, force=[9.0] * 20).judge_position() is None
