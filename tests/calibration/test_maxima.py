import re

import pytest

from biofeedback.account.values import Maximum
from biofeedback.calibration.maxima import END_RANGE_CV_PERCENT, REPEATS_PERCENT, carry_maximum, type_maximum
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel

FORCE = Channel(name="force", kind="force", unit="N")
TORQUE = Channel(name="force", kind="force", unit="N·m")
EMG = Channel(name="emg", kind="emg", unit="uV")
TAKEN = "2026-01-05T18:00:00+00:00"


def stored(**changes):
    return Maximum(**{"channel": "force", "strength": 400.0, "baseline": 50.0, "unit": "N", "utc": TAKEN, **changes})


def test_typed_reading_is_converted_and_marked():
    typed = type_maximum(40.0, "kg", channel=FORCE, utc=TAKEN, side="left")
    assert typed.strength == pytest.approx(392.266)
    assert (typed.method, typed.side, typed.utc) == ("typed", "left", TAKEN)
    assert type_maximum(40.0, "kg", channel=TORQUE, utc=TAKEN, lever_arm_m=0.5).strength == pytest.approx(196.133)


@pytest.mark.parametrize(
    ("reading", "unit", "channel", "message"),
    [
        (0.0, "kg", FORCE, "reading is 0 kg; type the number"),
        (40.0, "kg", EMG, "emg is emg; find its maximum by attempts"),
        (40.0, "kg", TORQUE, "without a lever arm"),
        (40.0, "pood", FORCE, "'pood' is not known"),
    ],
)
def test_typed_reading_refusals(reading, unit, channel, message):
    with pytest.raises(CalibrationError, match=message):
        type_maximum(reading, unit, channel=channel, utc=TAKEN)


@pytest.mark.parametrize(
    ("now", "words"),
    [
        ("2026-01-05T20:00:00+00:00", "from earlier today"),
        ("2026-01-06T06:00:00+00:00", "from earlier today"),  # twelve hours
        ("2026-01-06T06:01:00+00:00", "1 day old: .* 22 %"),
        ("2026-01-06T09:00:00+00:00", "1 day old: .* 22 %"),
        ("2026-01-12T18:01:00+00:00", "7 days old: training changes strength"),
        ("2026-02-02T18:01:00+00:00", "28 days old, more than 28: find a new one before"),
        ("2026-01-05T18:00:00", "from earlier today"),  # without a zone it is that of all recordings
        ("yesterday", "the maximum has no date"),
        ("2026-01-06T18:00:00+00:00", "1 day old: .* 22 %"),
        ("2026-01-05T17:00:00+00:00", "dated later than now: check the computer's clock"),
        ("2026-01-12T18:00:00+00:00", "7 days old: .* 22 %"),
        ("2026-01-13T18:00:00+00:00", "8 days old: training changes strength"),
        ("2026-02-02T18:00:00+00:00", "28 days old: training"),
        ("2026-02-03T18:00:00+00:00", "29 days old, more than 28: find a new one before"),
    ],
)
def test_force_carries_over_with_a_warning_that_grows(now, words):
    carried = carry_maximum(stored(), channel=FORCE, now_utc=now)
    assert carried.maximum.method == "carried"
    assert carried.maximum.utc == TAKEN  # its age stays visible
    assert len(carried.warnings) == 1
    assert re.search(words, carried.warnings[0])


def test_emg_does_not_carry_over_to_another_day():
    emg = stored(channel="emg", unit="uV")
    with pytest.raises(CalibrationError, match=r"from 2026-01-05, and electrodes .*; find a new EMG maximum today"):
        carry_maximum(emg, channel=EMG, now_utc="2026-01-06T08:00:00+00:00")
    with pytest.raises(CalibrationError, match="an unknown day"):
        carry_maximum(stored(channel="emg", unit="uV", utc=""), channel=EMG, now_utc=TAKEN)
    assert carry_maximum(emg, channel=EMG, now_utc="2026-01-06T06:00:00+00:00").maximum.strength == 400.0
    with pytest.raises(CalibrationError, match="electrodes"):
        carry_maximum(emg, channel=EMG, now_utc="2026-01-06T06:00:01+00:00")
    same_day = carry_maximum(emg, channel=EMG, now_utc="2026-01-05T19:00:00+00:00")
    assert "no electrode was moved" in same_day.warnings[0]


def test_another_position_or_side_is_a_warning_and_another_unit_a_refusal():
    carried = carry_maximum(
        stored(position="heel on box, 60 cm", side="left"), channel=FORCE, now_utc=TAKEN, position="80 cm", side="right"
    )
    assert [("position" in w, "side" in w) for w in carried.warnings[1:]] == [(True, False), (False, True)]
    with pytest.raises(CalibrationError, match="is in N, force reads N·m"):
        carry_maximum(stored(), channel=TORQUE, now_utc=TAKEN)


def test_the_same_place_in_other_words_is_no_difference_and_none_is_one():
    taken = stored(position="Heel on box", side="left", exercise="x")
    same = carry_maximum(taken, channel=FORCE, now_utc=TAKEN, position="heel  on BOX", side="left", exercise="x")
    assert len(same.warnings) == 1
    unsaid = carry_maximum(taken, channel=FORCE, now_utc=TAKEN, position="heel on box", side="left")
    assert unsaid.warnings[1:] == (
        "maximum was taken with exercise x, now it is not noted: strength depends on it, find a new one there",
    )


def test_typed_stays_typed_and_undated_says_so():
    assert carry_maximum(stored(method="typed"), channel=FORCE, now_utc=TAKEN).maximum.method == "typed"
    assert "no date" in carry_maximum(stored(utc=""), channel=FORCE, now_utc=TAKEN).warnings[0]


def test_emg_goes_by_hours_not_by_the_date_in_utc():
    evening = stored(channel="emg", unit="uV", utc="2026-01-06T01:00:00+00:00")  # 17:00 the day before, 8 h west
    with pytest.raises(CalibrationError, match="electrodes"):
        carry_maximum(evening, channel=EMG, now_utc="2026-01-06T17:00:00+00:00")  # 9:00 the next morning there
    morning = stored(channel="emg", unit="uV", utc="2026-01-05T23:00:00+00:00")  # 9:00, 10 h east
    late = carry_maximum(morning, channel=EMG, now_utc="2026-01-06T01:00:00+00:00")  # two hours later
    assert "no electrode was moved" in late.warnings[0]
    with pytest.raises(CalibrationError, match="electrodes"):
        carry_maximum(morning, channel=EMG, now_utc="2026-01-05T22:00:00+00:00")


def test_what_repeats_follows_from_the_published_coefficient_at_the_end_of_the_range(published):
    data = published("end_range_maximum")
    assert pytest.approx(data["cv_percent"]["end_range"]) == END_RANGE_CV_PERCENT
    assert round(REPEATS_PERCENT) == data["change_percent"]["end_range"]
    assert round(1.96 * 2**0.5 * data["cv_percent"]["mid_range"], 1) == data["change_percent"]["mid_range"]
