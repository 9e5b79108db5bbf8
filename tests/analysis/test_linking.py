"""Every rating beside what went before it."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.linking import link_ratings, list_doubts, tabulate_links
from biofeedback.analysis.trace import compute_trace
from biofeedback.calibration.attempts import judge_attempt
from biofeedback.model import Channel, Chunk
from biofeedback.session.view import describe_problem

from .made_session import FORCE, RATE_HZ, ZERO_N, MadeSession, make_check

POSITION = Channel(name="position", kind="position", unit="cm")


def hold_with_position(session: MadeSession, seconds: float, newton: float, position_cm: float) -> None:
    n = round(seconds * RATE_HZ)
    noise = np.random.default_rng(session.frame).normal(0, 0.02, (n, 2))
    session.chunks.append(Chunk(session.frame, np.array([ZERO_N + newton, position_cm]) + noise))
    session.frame += n


def test_effort_and_times_are_those_before_the_rating() -> None:
    links = link_ratings(compute_trace(make_check()))
    assert len(links) == 11
    first, second = links[0], links[1]
    assert (first.kind, second.kind) == ("passive", "contract")
    assert second.mean_percent == pytest.approx(70, abs=0.5)
    assert (second.band_low_percent, second.band_high_percent) == (60, 80)
    assert second.in_phase_s == pytest.approx(5.5)  # rated half a second before the end of 6 s
    assert second.in_stretch_s == pytest.approx(11.5)
    assert links[-1].in_stretch_s == pytest.approx(65.5)
    assert all(link.marks == () for link in links)


def test_a_rest_begins_a_new_stretch() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 6.0, rating=5)
    session.phase("rest", 6.0)
    session.phase("passive", 6.0, rating=5)
    session.end()
    first, second = link_ratings(compute_trace(session))
    assert first.in_stretch_s == second.in_stretch_s == pytest.approx(5.5)


@pytest.mark.parametrize("relaxes_first", [False, True])
def test_a_contraction_without_a_relaxed_stretch_before_is_marked_on_page_and_report(relaxes_first: bool) -> None:
    session = MadeSession()
    session.calibrate()
    if relaxes_first:
        session.phase("passive", 10.0, 10.0, rating=6)
    session.phase("contract", 8.0, 80.0, rating=4)
    session.end()
    trace = compute_trace(session)
    contraction = next(phase for phase in trace.phases if phase.meaning.contracts)
    flags = trace.flags[contraction.first_level : contraction.end_level, trace.guide]
    assert ("the effort includes the position's own tension" in list_doubts(flags)) is not relaxes_first
    told = describe_problem(int(flags[len(flags) // 2]), FORCE)
    assert (told is not None and "includes the position's own tension" in told["what"]) is not relaxes_first
    marks = next(row.marks for row in analyse_recording(session).phases if row.phase.meaning.contracts)
    assert any("own tension" in mark for mark in marks) is not relaxes_first


def test_passive_tension_is_the_learnt_baseline_above_zero() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 10.0, 10.0, rating=6)  # 40 N of tension from the position alone
    session.phase("contract", 6.0, 80.0, rating=4)
    session.end()
    link = link_ratings(compute_trace(session))[1]
    assert link.passive_tension == pytest.approx(40, abs=1)
    assert link.tension_unit == "N"
    assert link.mean_percent == pytest.approx(70, abs=1)


@pytest.mark.parametrize(("moved_cm", "word"), [(2.0, None), (3.0, "drifted"), (-6.0, "lost")])
def test_position_drift_marks_from_the_limits_on(moved_cm: float, word: str | None) -> None:
    session = MadeSession(channels=(FORCE, POSITION))
    hold_with_position(session, 2.0, 0.0, 40.0)
    zero = {"level": ZERO_N, "sd": 0.1}
    session.happen("zero", channels={"force": zero, "position": {"level": 40.0, "sd": 0.1}})
    session.happen("maximum", channel="force", strength=400.0, baseline=ZERO_N, unit="N", method="typed")
    session.happen("phase", index=0, kind="passive", band=None, duration_s=10.0)
    hold_with_position(session, 6.0, 0.0, 40.0)
    hold_with_position(session, 4.0, 0.0, 40.0 + moved_cm)
    session.happen("rating", value=6, phase_index=0, by="coach")
    hold_with_position(session, 1.0, 0.0, 40.0)
    (link,) = link_ratings(compute_trace(session))
    assert link.position_drift == pytest.approx(moved_cm, abs=0.05)
    assert link.position_unit == "cm"
    assert [word in mark for mark in link.marks] == ([True] if word else [])


@pytest.mark.parametrize(
    ("said", "marks"),
    [
        ({"state": "held", "largest": None}, ()),
        ({"state": "drifted", "largest": None}, ("position drifted",)),
        ({"state": "lost", "largest": None}, ("position lost",)),
        ({"state": "unknown", "largest": None}, ()),
    ],
)
def test_without_a_position_channel_the_coach_s_word_counts(said, marks) -> None:
    session = make_check(passive=(6, 6), contract=(4,))
    session.happen("position", phase_index=1, by="coach", **said)
    assert link_ratings(compute_trace(session))[1].marks == marks


def test_a_phase_judged_as_not_relaxed_marks_its_rating() -> None:
    session = make_check(passive=(6, 6), contract=(4,))
    session.happen("relaxation", phase_index=2, is_relaxed=False, by="emg", reason="")
    session.happen("relaxation", phase_index=0, is_relaxed=None, by="", reason="")
    assert [link.marks for link in link_ratings(compute_trace(session))] == [(), (), ("not relaxed",)]


def test_a_rating_outside_any_phase_is_kept_with_what_is_known() -> None:
    session = MadeSession()
    session.calibrate()
    session.hold(6.0, 40.0)
    session.happen("rating", value=3, phase_index=None, by="athlete")
    session.hold(1.0)
    (link,) = link_ratings(compute_trace(session))
    assert (link.phase_index, link.kind, link.in_phase_s, link.marks) == (None, "", None, ())
    assert link.mean_percent == pytest.approx(40, abs=2)


def test_the_second_run_of_a_plan_does_not_take_the_first_one_s_ratings() -> None:
    session = make_check(passive=(6, 6), contract=(4,))
    session.phase("passive", 6.0, rating=9)
    session.events[-3].data["index"] = 0  # the plan again, from its first phase
    rating = session.events[-1]
    rating.data["phase_index"] = 0
    links = link_ratings(compute_trace(session))
    assert links[-1].value == 9
    assert links[-1].in_phase_s == pytest.approx(5.5)
    assert links[0].in_phase_s == pytest.approx(5.5)


def test_the_table_has_a_cell_for_everything() -> None:
    session = make_check(passive=(6, None), contract=(4,))
    session.happen("rating", corrects=1, value=5.5, phase_index=0, by="coach")
    head, rows = tabulate_links(link_ratings(compute_trace(session)))
    assert len({len(row) for row in rows} | {len(head)}) == 1
    cells = [dict(zip(head, row, strict=True)) for row in rows]
    assert cells[0]["value"] == 5.5
    assert cells[0]["originals"] == "6.0"
    assert cells[2]["value"] == ""


def test_a_zero_that_has_moved_is_marked_on_ratings_and_attempts() -> None:
    """20 N is 5 % of the maximum of 400 N; the board reads so much less after the second rating."""
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 6.0, 0.0, rating=6)
    session.phase("contract", 6.0, 70.0, rating=4)
    session.phase("passive", 12.0, -5.0, rating=6)
    session.happen("attempt", number=1, accepted=True, reason="", channels={"force": make_attempt()})
    session.end()
    assert [link.marks for link in link_ratings(compute_trace(session))] == [(), (), ("the zero had moved",)]
    (attempt,) = analyse_recording(session).attempts
    assert attempt.marks == ("the zero had moved",)


def make_attempt() -> dict[str, object]:
    n = np.full(500, ZERO_N)
    n[150:] += 400.0
    return judge_attempt(n, np.zeros(500, np.uint16), RATE_HZ, channel=FORCE).to_dict()
