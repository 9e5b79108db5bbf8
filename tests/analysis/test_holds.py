"""Fatigue carried from contraction to contraction by the three-compartment model."""

import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.endurance import predict_fatigue, predict_recovery

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
