"""One session from counts to an answer, on sessions whose truth is known."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest

from biofeedback.account.fold import fold
from biofeedback.account.kinds import PlanBegun
from biofeedback.account.values import Maximum
from biofeedback.analysis.answer import analyse_recording, explain_maximum, list_attempts, rank_drawn_levels
from biofeedback.analysis.randomisation import DrawnLevels
from biofeedback.analysis.response import RatedPhase, compute_response
from biofeedback.model import Channel, Event
from biofeedback.report.figuring import format_clock

from .made_session import MadeSession, make_check, make_maximum


def test_a_response_check_is_answered_with_its_own_numbers() -> None:
    analysis = analyse_recording(make_check(passive=(6, 6, 6, 6, 6, 6), contract=(4, 4, 3, 4, 4)))
    assert len(analysis.phases) == 11
    assert [c.change for c in analysis.response.contrasts] == [-2, -2, -3, -2, -2]
    assert analysis.response.word == "less"
    summary = analysis.phases[1].summary
    assert summary.mean_percent == pytest.approx(70, abs=0.5)
    assert summary.in_band_percent == 100.0
    assert analysis.marked == ()
    assert analysis.doubts == ()


def test_a_pure_drift_is_no_answer_and_worse_is_told_as_readily() -> None:
    falling = analyse_recording(make_check(passive=(8, 7, 6, 5, 4, 3), contract=(7.5, 6.5, 5.5, 4.5, 3.5)))
    assert falling.response.word == "no clear difference"
    assert falling.response.mean_change == pytest.approx(0.0)
    worse = analyse_recording(make_check(passive=(5, 5, 5, 5, 5, 5), contract=(7, 8, 7, 7, 8)))
    assert worse.response.word == "more"


def test_doubtful_ratings_are_kept_marked_and_left_out_once() -> None:
    session = MadeSession()
    session.calibrate()
    for cycle in range(4):
        session.phase("passive", 6.0, rating=6)
        session.phase("contract", 6.0, 40.0 if cycle == 0 else 70.0, rating=8 if cycle == 0 else 4)
    session.phase("passive", 6.0, rating=6)
    session.end()
    analysis = analyse_recording(session)
    marks = {row.phase.index: row.marks for row in analysis.marked}
    assert set(marks) == {1}
    assert "out of band (0 %" in marks[1][0]
    assert len(analysis.response.contrasts) == 4
    assert analysis.response.without_marked is not None
    assert analysis.response.without_marked.n_contrasts == 3


def test_effort_in_a_relaxed_phase_is_marked() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 3.0, rating=6)
    session.phase("contract", 6.0, 70.0, rating=4)
    session.happen("phase", index=2, kind="passive", title="relax", band=None, duration_s=6.0)
    session.hold(6.0, 25.0)  # no "relaxed" event: the baseline is not learnt from a contraction
    session.happen("rating", value=5, phase_index=2, ask_id=None, by="coach")
    session.end()
    (row,) = [row for row in analyse_recording(session).marked if row.phase.kind == "passive"]
    assert "not relaxed" in row.marks[0]


def test_a_lost_signal_marks_the_rating() -> None:
    session = make_check()
    session.happen("phase", index=11, kind="contract", band=[60, 80], duration_s=9.0)
    session.happen("relaxed", on=False)
    session.hold(5.0, 70.0)
    session.lose(3.0)
    session.hold(1.0, 70.0)
    session.happen("rating", value=5, phase_index=11, by="coach")
    session.hold(1.0, 70.0)
    row = analyse_recording(session).phases[-1]
    assert any("bad signal" in mark for mark in row.marks)


def test_rests_leave_the_position_and_so_the_comparison() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 6.0, rating=6)
    session.phase("contract", 6.0, 70.0, rating=4)
    session.phase("rest", 6.0, rating=0)
    session.phase("passive", 6.0, rating=6)
    session.end()
    (contrast,) = analyse_recording(session).response.contrasts
    assert contrast.change == -2.0


@pytest.mark.parametrize(("percent", "is_doubted"), [(104.5, False), (106.0, True)])
def test_half_a_second_more_than_five_percent_above_the_maximum_raises_a_doubt(percent, is_doubted) -> None:
    session = MadeSession()
    session.calibrate()
    session.hold(2.0, percent)
    session.hold(1.0)
    doubts = analyse_recording(session).doubts
    assert bool(doubts) == is_doubted
    if is_doubted:
        assert doubts[0].strength == pytest.approx(400 * percent / 100, rel=0.01)


def test_muscle_activity_above_its_maximum_is_ordinary() -> None:
    session = MadeSession(channels=(Channel(name="emg", kind="emg", unit="uV", envelope=True),))
    session.calibrate()
    session.hold(3.0, 245.0)  # 245 % has been recorded in a published set
    analysis = analyse_recording(session)
    assert np.nanmax(analysis.trace.percent) > 200
    assert analysis.doubts == ()


def test_attempts_of_the_last_search_with_the_coach_s_word() -> None:
    def attempt(number: int, value: float) -> Event:
        data = {
            "channel": "force", "unit": "N", "value": value, "peak": value, "baseline": 0.0, "baseline_sd": 0.1,
            "best_from_s": 1.0, "duration_s": 3.5, "accepted": True, "reason": "",
        }  # fmt: skip
        return Event(number, "attempt", {"number": number, "channels": {"force": data}})

    earlier = [attempt(1, 100.0), attempt(2, 101.0)]
    last = [attempt(1, 400.0), attempt(2, 390.0), attempt(3, 500.0)]
    events = [*earlier, *last, Event(9, "reject_attempt", {"number": 3, "reason": "slipped"})]
    channels = (Channel(name="force", kind="force", unit="N"),)
    rows = list_attempts(fold(events, channels=channels, settings={}), "force")
    assert [row.attempt.value for row in rows] == [400.0, 390.0, 500.0]
    assert [row.attempt.accepted for row in rows] == [True, True, False]
    assert rows[2].attempt.reason == "slipped"


def test_the_maximum_says_where_it_comes_from() -> None:
    assert "typed" in analyse_recording(make_check()).maximum_reason
    nothing = MadeSession()
    nothing.hold(3.0)
    analysis = analyse_recording(nothing)
    assert analysis.maximum is None
    assert "no maximum" in analysis.maximum_reason
    taken = MadeSession()
    taken.hold(2.0)
    taken.happen("maximum", **make_maximum(method="attempts", n_attempts=2), settled=False)
    assert "by hand" in analyse_recording(taken).maximum_reason


def test_dose_takes_every_complete_contrast_with_its_own_effort() -> None:
    analysis = analyse_recording(make_check(passive=(6, 6, 6, 6, None, 6), contract=(4, 4, 3, 4, 4)))
    assert analysis.dose.n_points == 5  # the last two have a relaxed rating on both sides all the same
    assert analysis.dose.at(70).change < -1


def test_holds_report_leaving_the_band_and_the_slope_of_effort() -> None:
    session = MadeSession()
    session.calibrate()
    session.happen("phase", index=0, kind="contract", band=[60, 80], duration_s=16.0)
    session.happen("relaxed", on=False)
    for percent in (75, 73, 71, 69, 67, 65, 63, 61):
        session.hold(1.0, percent)
    session.hold(8.0, 50.0)
    session.end()
    (hold,) = analyse_recording(session).holds
    assert hold.exit.held_s == pytest.approx(8.0, abs=0.2)
    assert hold.slope.slope < -60
    assert hold.emg == ()


def test_clock() -> None:
    assert format_clock(187.4) == "3:07"
    assert format_clock(59.6) == "1:00"


def test_drawn_efforts_get_a_p_and_fixed_ones_do_not() -> None:
    changes = [-0.5, -1.0, -2.0, -0.5, -1.5, -2.5]
    ratings = [6.0]
    for change in changes:
        ratings += [6.0 + change, 6.0]
    kinds = ["passive", "contract"] * 6 + ["passive"]
    phases = [RatedPhase(k, r, 20.0 * i) for i, (k, r) in enumerate(zip(kinds, ratings, strict=True))]
    response = compute_response(phases)
    drawn = asdict(DrawnLevels((25.0, 50.0, 75.0), 2, 1, (25.0, 50.0, 75.0, 25.0, 50.0, 75.0)))
    test = rank_drawn_levels(PlanBegun(drawn={"levels": drawn}), response)
    assert test is not None
    assert test.n_orders == 36
    assert test.p_less == pytest.approx(1 / 36)  # the order held fits best of the 36 that could have been drawn
    assert rank_drawn_levels(PlanBegun(), response) is None
    assert rank_drawn_levels(None, response) is None


def test_a_revised_maximum_is_not_called_the_best_of_the_attempts():
    maximum = Maximum.from_dict({**make_maximum(), "method": "attempts", "n_attempts": 3})
    assert explain_maximum(maximum.revised(450.0), ()).startswith("changed afterwards")


def test_phases_before_and_after_a_stop_are_no_neighbours() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 6.0, rating=6)
    session.phase("contract", 6.0, 70.0, rating=4)
    session.happen("stop", reason="pause")
    session.hold(60.0)
    session.phase("passive", 6.0, rating=9)  # further into the stretch
    session.phase("contract", 6.0, 70.0, rating=5)
    session.phase("passive", 6.0, rating=9)
    session.end()
    first, second = analyse_recording(session).response.contrasts
    assert (first.change, first.reason) == (None, "no closing passive phase after it")
    assert second.change == -4.0


def test_a_rating_off_the_scale_is_left_out_and_said() -> None:
    analysis = analyse_recording(make_check((6, 45, 6, 6, 6), (4, 4, 4, 4)))
    assert analysis.response.n_contrasts == 4
    assert analysis.response.n_rated == 8
    assert any(warning.startswith("1 rating outside 0-10") for warning in analysis.warnings)
