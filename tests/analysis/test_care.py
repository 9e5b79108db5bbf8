import pytest

from biofeedback.account.fold import fold
from biofeedback.account.kinds import (
    Aftermath,
    AttemptFelt,
    Expected,
    MaximumSet,
    RangeRead,
    RatingGiven,
    Screened,
    make_event,
)
from biofeedback.account.values import Maximum
from biofeedback.analysis.care import UNLABELLED, describe_protocol, find_fall, list_care
from biofeedback.model import Channel


@pytest.mark.parametrize(
    ("efforts", "fall"),
    [
        ([50, 50, 50], None),
        ([50, 47.6, 45.2], None),  # 4.8 points
        ([50, 47.4, 44.8], 5.2),
        ([70, 66, 58, 50, 46], 24.8),
        ([50, 40], None),  # two say nothing of a trend
        ([45, 50, 55], None),
    ],
)
def test_effort_that_falls_by_over_five_points_is_flagged(efforts, fall):
    assert find_fall(efforts) == (None if fall is None else pytest.approx(fall, abs=1.3))


def rows_of(*payloads, **settings):
    events = [make_event(payload, frame) for frame, payload in enumerate(payloads)]
    channels = (Channel(name="force", kind="force", unit="N"),)
    return dict(list_care(fold(events, channels=channels, settings=settings), settings, has_attempts=True))


def test_a_recording_from_before_names_its_protocol_and_its_scale_without_ends():
    rows = rows_of(RatingGiven(value=5.0))
    assert rows["Protocol of the maximum"].startswith("earlier: ")
    assert rows["Rating scale"] == UNLABELLED
    assert set(rows) == {"Protocol of the maximum", "Rating scale"}


def test_what_was_asked_today_is_told():
    rows = rows_of(
        Screened(applies=False),
        Expected(expects="same"),
        RangeRead(when="before", at="first discomfort", value=70, unit="deg", method="phone"),
        RatingGiven(value=5.0),
        Aftermath(when="end", new_pain=False, walks_normally=True),
        Aftermath(when="next", soreness=2),
        protocol="graded",
        rating_scale="0 none, 10 the worst",
    )
    assert rows["Protocol of the maximum"].startswith("graded: ")
    assert rows["Who tests no maximum"] == "none hold"
    assert rows["Expected beforehand"] == "no difference"
    assert rows["Range"] == "before, at first discomfort: 70 deg (phone)"
    assert rows["At the end"] == "no new pain, walks normally"
    assert rows["Since last time"] == "soreness 2 of 10"
    assert rows["Rating scale"] == "0 none, 10 the worst"


def test_how_an_attempt_felt_without_an_attempt_changes_nothing():
    assert "How attempts felt" not in rows_of(AttemptFelt(number=3, discomfort=9))


@pytest.mark.parametrize(("method", "words"), [("typed", "typed in"), ("carried", "taken over")])
def test_a_maximum_that_was_not_tested_here_does_not_borrow_a_protocol(method, words):
    maximum = Maximum(channel="force", strength=400.0, baseline=0.0, unit="N", method=method)
    events = [make_event(MaximumSet(maximum=maximum), 0)]
    channels = (Channel(name="force", kind="force", unit="N"),)
    rows = dict(list_care(fold(events, channels=channels, settings={}), {}, has_attempts=False))
    assert words in rows["Protocol of the maximum"]


def test_the_two_protocols_differ():
    assert describe_protocol({}) != describe_protocol({"protocol": "graded"})
