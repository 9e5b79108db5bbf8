"""What the sensor did in an attempt, from levels and readings without noise: what is cut out, and why it is refused."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.calibration.attempt_sensor import Seen, see_sensor
from biofeedback.calibration.attempt_values import Samples
from biofeedback.model import Channel, Flag

FORCE = Channel(name="force", kind="force", unit="N")
ENVELOPE = Channel(name="emg", kind="emg", unit="mV", envelope=True)
RAW = Channel(name="emg", kind="emg", unit="mV")
N_BASELINE = 100  # levels of the countdown's last second, so 100 a second
RISING = np.linspace(0.0, 50.0, 500)


def see(
    channel: Channel = FORCE, *, levels: np.ndarray = RISING, samples: Samples | None = None, **marked: slice
) -> Seen:
    """With these flags at these levels."""
    flags = np.zeros(len(levels), np.uint16)
    for name, where in marked.items():
        flags[where] |= np.uint16(Flag[name])
    return see_sensor(levels, flags, N_BASELINE, channel=channel, samples=samples)


def test_nothing_wrong_leaves_the_levels_as_they_are() -> None:
    seen = see()
    assert (seen.reason, seen.told, seen.look) == ("", "", None)
    np.testing.assert_array_equal(seen.levels, RISING)


@pytest.mark.parametrize(("channel", "ring"), [(FORCE, 10), (ENVELOPE, 25)])
def test_a_jump_is_cut_out_from_before_its_flag_until_its_filter_has_settled(channel: Channel, ring: int) -> None:
    """The flag comes four levels late, one before may be half of it; a filter rings for 0.1 s, an envelope's longer."""
    first, end = 245, 253 + ring
    jumps = RISING.copy()
    jumps[first:end] = 9999.0
    seen = see(channel, levels=jumps, SPIKE=slice(250, 253))
    np.testing.assert_allclose(seen.levels, RISING, atol=1e-9)
    assert seen.told == f"{(end - first) / 100:.2f} s with a jump that no muscle makes cut out"
    assert seen.reason == ""
    for beside in (first - 1, end):
        kept = RISING.copy()
        kept[beside] = 9999.0
        assert see(channel, levels=kept, SPIKE=slice(250, 253)).levels[beside] == 9999.0


def test_a_jump_before_the_push_is_bridged_and_not_counted() -> None:
    assert see(SPIKE=slice(20, 22)).told == ""
    assert see(SPIKE=slice(88, 90)).told == ""  # until 99
    assert see(SPIKE=slice(89, 91)).told == "0.01 s with a jump that no muscle makes cut out"


def test_more_than_a_fifth_of_the_push_in_jumps_is_no_attempt() -> None:
    """Of 4 s of push 0.8 s: one stretch of flags, five levels before it and ten after."""
    assert see(SPIKE=slice(200, 265)).reason == ""
    seen = see(SPIKE=slice(200, 266))
    assert seen.reason.startswith("0.8 s of the push are jumps that no muscle makes; fasten cable")


def test_a_reading_that_stands_still_is_told_of_the_push_alone() -> None:
    assert see(FLAT=slice(0, 100)).reason == ""
    assert see(FLAT=slice(0, 101)).reason.startswith("the reading did not change for a second during the push")


@pytest.mark.parametrize(
    ("flag", "said"),
    [
        ("HUM", "mains hum carries most of the push"),
        ("ELECTRODE", "most of the push lies below 20 Hz: an electrode is loose"),
    ],
)
def test_without_samples_flags_tell_of_raw_emg_from_a_second_after_the_push_began(flag: str, said: str) -> None:
    assert see(RAW, **{flag: slice(0, 200)}).reason == ""
    assert see(RAW, **{flag: slice(0, 201)}).reason.startswith(said)
    assert see(FORCE, **{flag: slice(0, 500)}).reason == ""


def samples(push: np.ndarray, rate_hz: float = 1000.0, *, sign: int = 1) -> Samples:
    """A second of rest near 0 that flickers by a count, then the push, in counts; 100 levels a second."""
    rest = np.tile([0.0, 1.0], round(rate_hz / 2))
    return Samples(sign * np.concatenate([rest, push]), rate_hz, round(rate_hz / 100))


def plateau(slope_percent: float, *, wobble_percent: float = 0.0, seconds: float = 3.0) -> np.ndarray:
    """1000 counts reached within half a second, then a second's line with this slope, and a hold that shakes by 2 %."""
    t = np.arange(round(1000 * seconds)) / 1000.0
    shaky = 1000.0 + 20.0 * np.sin(2 * np.pi * 3.1 * t) + 7.0 * np.sin(2 * np.pi * 1.3 * t)
    line = 1000.0 + 10.0 * slope_percent * (np.arange(1200) / 1000.0 - 0.6)
    line += 10.0 * wobble_percent * np.sqrt(2) * np.sin(2 * np.pi * 4.0 * np.arange(1200) / 1000.0)
    shaky[1000:2200] = line
    shaky[:500] *= np.linspace(0, 1, 500)
    return shaky


@pytest.mark.parametrize(
    ("slope_percent", "wobble_percent", "is_line"),
    [
        (1.0, 0.0, True),
        (-1.0, 0.0, True),
        (0.05, 0.0, False),  # a level line is a heap at an end: another check's
        (0.15, 0.0, True),
        (1.0, 0.04, True),
        (1.0, 0.08, False),  # an effort shakes by more than 0.05 %
        (0.15, 0.045, False),  # less than five times as much as it shakes
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_second_at_the_top_that_is_a_sloping_line_is_an_end_that_drifts(
    slope_percent: float, wobble_percent: float, is_line: bool, sign: int
) -> None:
    push = plateau(slope_percent, wobble_percent=wobble_percent)
    channel = Channel(name="force", kind="force", unit="N", factor=float(sign))
    levels = np.concatenate([np.zeros(100), push.reshape(-1, 10).mean(axis=1)])
    seen = see(channel, levels=levels, samples=samples(push, sign=sign))
    assert seen.reason.startswith("a second of the push is a straight line") is is_line


def test_a_line_far_below_the_top_is_a_build_up() -> None:
    """At 80 % of what is reached: whoever builds up evenly is at no end."""
    push = plateau(1.0)
    push[1000:2200] *= 0.8
    levels = np.concatenate([np.zeros(100), push.reshape(-1, 10).mean(axis=1)])
    assert see(levels=levels, samples=samples(push)).reason == ""


def test_a_slow_board_is_not_judged_by_a_line() -> None:
    slow = plateau(1.0)[::100]
    levels = np.concatenate([np.zeros(10), slow])
    found = see_sensor(levels, np.zeros(len(levels), np.uint16), 10, channel=FORCE, samples=Samples(levels, 10.0, 1))
    assert "straight line" not in found.reason


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(
    ("declared", "n_beyond", "said"),
    [
        (1200.0, 0, "for 0.30 s the sensor was at its end"),
        (1200.0, 3, "for 0.30 s the sensor was at its end"),  # a few beyond may be glitches
        (1200.0, 4, "the sensor sent {}1201, and its converter was said to end at {}1200"),
    ],
)
def test_declared_ends_are_looked_at_on_both_sides(side: int, declared: float, n_beyond: int, said: str) -> None:
    push = plateau(0.0, wobble_percent=3.0)
    push[2300:2600] = 1200.0
    push[2400 : 2400 + n_beyond] = 1201.0
    rails = {"rail_high_counts" if side > 0 else "rail_low_counts": side * declared}
    channel = Channel(name="force", kind="force", unit="N", factor=float(side), **rails)
    levels = np.concatenate([np.zeros(100), push.reshape(-1, 10).mean(axis=1)])
    found = see(channel, levels=levels, samples=samples(push, sign=side))
    assert found.reason.startswith(said.format(*["-" if side < 0 else ""] * 2))
