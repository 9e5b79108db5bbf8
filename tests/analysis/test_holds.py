"""Fatigue carried from contraction to contraction by the three-compartment model."""

import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.holds import suggest_next_set
from biofeedback.joints import predict_fatigue, predict_recovery

from .made_session import MadeSession, make_check


def test_fatigue_adds_up_over_contractions_and_eases_between_them():
    first, second, *_, last = analyse_recording(make_check()).holds
    alone = predict_fatigue(70.0, 6.0)
    assert first.tired_percent == pytest.approx(alone, rel=0.02)
    assert first.left_percent == pytest.approx(predict_recovery(first.tired_percent, 6.0))
    assert second.tired_percent > first.tired_percent
    assert last.tired_percent < 5 * alone  # less than without any rest
    assert last.left_percent is None


def test_an_unknown_effort_predicts_nothing():
    session = MadeSession()
    session.hold(2.0)
    session.phase("contract", 6.0, 70.0)
    session.end()
    (row,) = analyse_recording(session).holds
    assert (row.tired_percent, row.left_percent) == (None, None)


def test_a_hard_hold_that_failed_says_nothing_about_a_light_one():
    session = MadeSession()
    session.calibrate()
    session.phase("contract", 8.0, 70.0)
    session.hold(4.0, 30.0)  # below the band before the phase is over
    session.end()
    holds = analyse_recording(session).holds
    assert holds[0].exit.held_s == pytest.approx(8.0, abs=0.5)
    assert "own hold" not in suggest_next_set(25.0, "knee", holds).reason
    assert "own hold of 8 s" in suggest_next_set(70.0, "knee", holds).reason


def test_after_a_contraction_of_unknown_effort_tiredness_is_unknown():
    session = MadeSession()
    session.calibrate()
    session.phase("contract", 6.0, 70.0)
    session.happen("phase", index=1, kind="contract", title="contract", band=[60, 80], duration_s=20.0)
    session.lose(20.0)
    session.phase("contract", 6.0, 70.0)
    session.end()
    first, _, last = analyse_recording(session).holds
    assert first.tired_percent > 0
    assert last.tired_percent is None  # it was not rested for all that is known


def test_the_shortest_own_hold_is_what_the_next_set_goes_by():
    session = MadeSession()
    session.calibrate()
    for held_s in (12.0, 7.0, 9.0):
        session.phase("contract", held_s, 70.0, band=[60, 80])
        session.hold(4.0, 30.0)  # out of the band before the phase is over
        session.phase("passive", 20.0)
    session.end()
    holds = analyse_recording(session).holds
    assert [row.exit.held_s for row in holds] == [pytest.approx(s, abs=0.5) for s in (12.0, 7.0, 9.0)]
    suggestion = suggest_next_set(70.0, "knee", holds)
    assert "own hold of 7 s" in suggestion.reason
    assert suggestion == suggest_next_set(70.0, "knee", holds[1:2])
    for edge in (60.0, 80.0):  # a band counts with its edges
        assert "own hold of 7 s" in suggest_next_set(edge, "knee", holds).reason
    assert "own hold" not in suggest_next_set(81.0, "knee", holds).reason


def test_only_contractions_with_a_band_are_held():
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 6.0, band=[0, 10])
    session.phase("contract", 6.0, 70.0, band=None)
    session.phase("contract", 6.0, 70.0)
    session.end()
    (row,) = analyse_recording(session).holds
    assert (row.phase.number, row.phase.kind, row.phase.band.low_percent) == (3, "contract", 60)


def test_tiredness_goes_by_the_effort_within_what_a_person_can_give():
    """By the published equations: below nothing is nothing, above the maximum is the maximum."""
    for effort, as_if in ((118.0, 100.0), (-5.0, 0.0), (40.0, 40.0)):
        session = MadeSession()
        session.calibrate()
        session.phase("contract", 6.0, effort, band=[30, 50])
        session.end()
        (row,) = analyse_recording(session).holds
        assert row.tired_percent == pytest.approx(predict_fatigue(as_if, 6.0), rel=0.02, abs=0.05)
