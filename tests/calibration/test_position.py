import numpy as np
import pytest

from biofeedback.calibration.position import (
    PositionLimits,
    judge_position,
    limits_for,
    read_limits,
    recorded_limits,
    take_coachs_word,
)
from biofeedback.model import Flag

RATE = 100.0


def judge(offset, flags=None, limits=None):
    offset = np.asarray(offset, float)
    flags = np.zeros(len(offset), np.uint16) if flags is None else flags
    return judge_position(offset, flags, RATE, limits=limits or limits_for("cm"), at_s=10.0)


# 2.5 cm warns and 5 cm fails: common practice, no source.
@pytest.mark.parametrize(
    ("offset_cm", "state"),
    [(2.49, "held"), (2.5, "drifted"), (-2.5, "drifted"), (4.99, "drifted"), (5.0, "lost"), (-5.0, "lost")],
)
def test_limits_in_cm(offset_cm, state):
    series = np.zeros(500)
    series[200:300] = offset_cm
    result = judge(series)
    assert result.state == state
    assert result.largest == pytest.approx(offset_cm)
    assert result.at_s == pytest.approx(12.0, abs=0.51)
    assert (result.reason == "") == (state == "held")


def test_a_jolt_is_not_a_drift():
    series = np.zeros(500)
    series[200:210] = 20.0
    assert judge(series).state == "drifted"  # 4 cm as a half-second mean
    series[203:210] = 0.0
    assert judge(series).state == "held"


def test_missing_levels_are_left_out():
    series = np.full(500, 1.0)
    series[100:400] = np.nan
    flags = np.where(np.isnan(series), Flag.MISSING, Flag.GOOD).astype(np.uint16)
    assert judge(series, flags).state == "held"
    series[:] = np.nan
    assert judge(series, np.full(500, Flag.MISSING, np.uint16)).state == "unknown"
    assert judge([]).state == "unknown"


def test_own_limits_for_degrees_and_none_for_strange_units():
    assert judge(np.full(100, 3.0), limits=PositionLimits(2.0, 4.0, "deg")).state == "drifted"
    assert limits_for("°") == limits_for("deg")
    assert limits_for("mm") == PositionLimits(25.0, 50.0, "mm")
    assert limits_for("count") is None
    with pytest.raises(ValueError, match="below fail"):
        PositionLimits(5.0, 2.5, "cm")


def test_the_coach_answers_where_there_is_no_sensor():
    assert take_coachs_word("held").reason == ""
    lost = take_coachs_word("lost")
    assert (lost.state, lost.by, lost.reason) == ("lost", "coach", "coach: lost")
    with pytest.raises(ValueError, match="'gone' is not one of"):
        take_coachs_word("gone")


def test_a_position_that_comes_every_other_level_is_judged():
    flags = np.where(np.arange(600) % 2 == 0, 0, int(Flag.MISSING)).astype(np.uint16)
    result = judge(np.full(600, 9.0), flags)
    assert (result.state, result.largest) == ("lost", 9.0)


def test_a_position_that_comes_one_level_in_three_is_not_called_held():
    flags = np.where(np.arange(600) % 3 == 0, 0, int(Flag.MISSING)).astype(np.uint16)
    result = judge(np.full(600, 9.0), flags)
    assert (result.state, result.largest) == ("unknown", None)


@pytest.mark.parametrize("lever_m", [0.21, 0.5, 0.9])
@pytest.mark.parametrize(("moved_cm", "state"), [(2.4, "held"), (2.6, "drifted"), (4.9, "drifted"), (5.1, "lost")])
def test_tape_and_angle_judge_the_same_movement_alike(lever_m, moved_cm, state):
    """A limb of that length turned about its joint: the chord by the law of cosines, worked out here."""
    angle = np.degrees(np.arccos(1 - (moved_cm / 100) ** 2 / (2 * lever_m**2)))
    by_tape = judge(np.full(200, moved_cm), limits=limits_for("cm", lever_m))
    by_angle = judge(np.full(200, angle), limits=limits_for("deg", lever_m))
    assert by_tape.state == by_angle.state == state


OWN = PositionLimits(3.0, 6.0, "deg")


@pytest.mark.parametrize("lever_m", [0.21, 0.9])
@pytest.mark.parametrize(("degrees", "state"), [(2.9, "held"), (3.1, "drifted"), (5.9, "drifted"), (6.1, "lost")])
def test_own_limits_in_degrees_judge_tape_and_angle_alike(lever_m, degrees, state):
    moved_cm = 100 * np.sqrt(2 * lever_m**2 * (1 - np.cos(np.radians(degrees))))  # the chord, law of cosines
    assert judge(np.full(200, degrees), limits=limits_for("deg", lever_m, OWN)).state == state
    assert judge(np.full(200, moved_cm), limits=limits_for("cm", lever_m, OWN)).state == state


def test_own_limits_in_cm_become_degrees_at_the_lever():
    limits = limits_for("deg", 0.4, PositionLimits(2.0, 4.0, "cm"))
    assert limits is not None
    assert limits.warn == pytest.approx(2 * np.degrees(np.arcsin(1.0 / 40)))
    assert limits_for("mm", 0.4, PositionLimits(2.0, 4.0, "cm")) == PositionLimits(20.0, 40.0, "mm")


@pytest.mark.parametrize(
    ("text", "limits"),
    [
        ("2.5 and 5 cm", (2.5, 5.0, "cm")),
        ("2,5 to 5cm", (2.5, 5.0, "cm")),
        (" 3 - 6 degrees ", (3.0, 6.0, "deg")),
        ("3 6 °", (3.0, 6.0, "deg")),
    ],
)
def test_limits_are_read_as_people_write_them(text, limits):
    assert read_limits(text) == PositionLimits(*limits)


@pytest.mark.parametrize(
    "text", ["", "5 cm", "6 and 3 deg", "0 and 5 cm", "3 and 6", "35 cm", "2 and 600 cm", "3 and 6 m"]
)
def test_limits_that_cannot_be_are_refused_with_what_is_wanted(text):
    with pytest.raises(ValueError, match=r"3 and 6 deg|2\.5 and 5 cm"):
        read_limits(text)


@pytest.mark.parametrize(
    "drift", ["x", {"warn": 3}, {"warn": 6, "fail": 3, "unit": "deg"}, {"warn": 1, "fail": 2, "unit": "mile"}]
)
def test_settings_that_no_exercise_can_have_are_as_if_not_set(drift):
    assert recorded_limits({"lever_m": 0.4, "drift": drift}, "deg") == limits_for("deg", 0.4)
    assert recorded_limits({"lever_m": "x"}, "deg") == limits_for("deg")
    assert recorded_limits({"lever_m": 0.4, "drift": OWN.to_dict()}, "deg") == OWN


def test_recordings_without_a_lever_are_judged_as_they_were():
    assert limits_for("deg") == PositionLimits(5.0, 10.0, "deg")
    assert np.radians(5.0) * 90 == pytest.approx(7.85, abs=0.01)  # cm at 0.9 m: "lost" by tape, only "drifted" by angle
    with pytest.raises(ValueError, match="lever"):
        limits_for("deg", 0.0)
