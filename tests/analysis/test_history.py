"""Weeks of sessions: a change is real only beyond the person's own error, and only like is compared with like."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from biofeedback.account.words import name_easing
from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.history import SessionPoint, compare_sessions, find_decline_percent, summarise_session
from biofeedback.report.history import describe_history

from .made_session import make_check, make_maximum, make_settings


@pytest.fixture(scope="module")
def point() -> SessionPoint:
    return summarise_session(analyse_recording(make_check()), "a.hold")


def make_points(point: SessionPoint, maxima, **changes) -> list[SessionPoint]:
    return [
        replace(
            point, name=f"{n}.hold", started_utc=f"2026-01-{1 + n:02d}T18:00:00+00:00", maximum=value,
            maximum_unit="N", **changes,
        )
        for n, value in enumerate(maxima)
    ]  # fmt: skip


def test_a_session_contributes_what_was_measured(point) -> None:
    assert point.passive_discomfort == pytest.approx(6.0)
    assert point.change == pytest.approx(-2.2, abs=0.05)
    assert point.in_band_percent == 100.0
    assert point.steadiness_cv_percent == pytest.approx(1.0 / np.sqrt(2) / 70 * 100, rel=0.1)
    assert point.maximum is None  # typed in, not measured
    session = make_check()
    session.events[1].data.update(make_maximum(method="attempts", n_attempts=3))
    assert summarise_session(analyse_recording(session), "b").maximum == 400.0


def test_minimal_detectable_change_from_the_person_s_own_steps(point) -> None:
    # Weir, J Strength Cond Res 19 (2005) 231: MDC = 1.96 sqrt(2) SEM; SEM here from successive differences, and t for
    # 1.96 as EA-4/02 M:2022 asks where an error has few degrees of freedom (2.7764 is the tabled t of 4)
    maxima = [400.0, 410.0, 398.0, 412.0, 520.0]
    (group,) = compare_sessions("A01", make_points(point, maxima)).groups
    measure = group.measures[0]
    sem = np.sqrt(np.sum(np.diff(maxima) ** 2) / 2 / 4)
    assert measure.error.mdc95 == pytest.approx(2.7764 * np.sqrt(2) * sem, rel=1e-4)


def test_a_steady_rise_is_real_and_scatter_is_not(point) -> None:
    rise = compare_sessions("A01", make_points(point, [400, 410, 420, 430, 440, 450, 460])).groups[0].measures[0]
    assert rise.change.word == "up"
    assert rise.change.difference == pytest.approx(60.0)
    assert rise.trend_per_week.slope == pytest.approx(70.0)
    scatter = compare_sessions("A01", make_points(point, [400, 430, 390, 425, 395, 420, 405])).groups[0].measures[0]
    assert scatter.change.word == "within measurement error"


def test_what_is_a_change_by_itself_may_be_luck_as_one_of_several(point) -> None:
    """Seven sessions in perfect order pass the limit of one measure, and not that of two that differ (Holm)."""
    rise = make_points(point, [400, 410, 420, 430, 440, 450, 460])
    several = [replace(p, in_band_percent=80.0 + n % 3) for n, p in enumerate(rise)]
    assert compare_sessions("A01", rise).groups[0].measures[0].change.word == "up"
    change = compare_sessions("A01", several).groups[0].measures[0].change
    assert change.word == "not decided"
    assert "as one of 2 measures it may be luck" in change.reason
    longer = [replace(p, in_band_percent=80.0 + n % 3) for n, p in enumerate(make_points(point, range(400, 500, 10)))]
    assert compare_sessions("A01", longer).groups[0].measures[0].change.word == "up"


def test_one_odd_session_at_either_end_changes_nothing(point) -> None:
    for odd in ([900, 400, 410, 402, 408, 404, 406], [400, 410, 402, 408, 404, 406, 900]):
        measure = compare_sessions("A01", make_points(point, odd)).groups[0].measures[0]
        assert measure.change.word == "within measurement error"
        assert abs(measure.change.difference) < 20


def test_fewer_than_seven_sessions_make_no_change_real(point) -> None:
    measure = compare_sessions("A01", make_points(point, [400, 500, 600, 700, 800, 900])).groups[0].measures[0]
    assert measure.change.word == "unknown"
    assert measure.change.reason == "6 sessions; 7 are needed to tell a trend"


def test_a_run_of_good_sessions_that_may_resemble_each_other_is_not_decided(point) -> None:
    order = [2.0, 0, 5, 3, 1, 8, 4, 7, 11, 6, 10, 9]
    measure = compare_sessions("A01", make_points(point, [400 + 5 * rank for rank in order])).groups[0].measures[0]
    assert measure.change.word == "not decided"
    assert "resemble each other" in measure.change.reason


def test_simulated_sessions_are_never_pooled_with_real_ones(point) -> None:
    real = make_points(point, [400, 410, 405], simulated=False)
    played = make_points(point, [500, 510, 505], simulated=True)
    groups = compare_sessions("A01", [*real, *played]).groups
    assert [(g.simulated, len(g.points), g.dose.n_points) for g in groups] == [(False, 3, 15), (True, 3, 15)]


def test_the_newest_session_borrows_scatter_from_earlier_ones(point) -> None:
    (group,) = compare_sessions("A01", make_points(point, [400, 410, 405])).groups
    assert group.latest.mean_change == point.response.mean_change
    assert group.latest.borrowed
    assert group.latest.high - group.latest.low < point.response.high - point.response.low


def test_positions_and_sides_are_kept_apart_and_sides_compared(point) -> None:
    left = make_points(point, [400, 410, 405], side="left")
    right = make_points(point, [500, 510, 505], side="right")
    elsewhere = make_points(point, [300], side="left", position="heel on floor")
    history = compare_sessions("A01", [*left, *right, *elsewhere])
    assert [(g.side, g.position, len(g.points)) for g in history.groups] == [
        ("left", point.position, 3),
        ("left", "heel on floor", 1),
        ("right", point.position, 3),
    ]
    assert len(history.sides) == 1


def test_units_are_not_mixed_and_undated_sessions_are_named(point) -> None:
    points = make_points(point, [400.0, 40.0, 41.0])
    points[1] = replace(points[1], maximum_unit="kg")
    points[2] = replace(points[2], maximum_unit="kg")
    history = compare_sessions("A01", [*points, replace(point, name="lost.hold", started_utc="yesterday")])
    assert history.groups[0].measures[0].values == (40.0, 41.0)
    assert history.groups[0].measures[0].unit == "kg"
    assert history.undated == ("lost.hold",)


def test_sessions_are_ordered_by_date_whatever_the_time_zone(point) -> None:
    late = replace(point, name="late", started_utc="2026-01-02T01:00:00+05:00")  # 1 January, 20:00 UTC
    early = replace(point, name="early", started_utc="2026-01-01T19:00:00+00:00")
    assert [p.name for p in compare_sessions("A01", [late, early]).groups[0].points] == ["early", "late"]


def test_the_answer_over_sessions_is_that_of_all_responses(point) -> None:
    (group,) = compare_sessions("A01", make_points(point, [400, 400, 400, 400])).groups
    assert group.answer.n_sessions == 4
    assert group.answer.word == "less"
    assert group.answer.mean_change == pytest.approx(point.change)


def test_settings_without_anything_still_make_a_history() -> None:
    bare = make_check()
    bare.settings = {key: make_settings()[key] for key in ("channels", "rate_hz", "started_utc")}
    history = compare_sessions("?", [summarise_session(analyse_recording(bare), "x")])
    assert (history.groups[0].exercise, history.groups[0].side) == ("", "")


def test_error_of_repeats_comes_from_attempts_within_sessions(point) -> None:
    first, second = make_points(point, [400.0, 420.0])
    points = [replace(first, attempts=(400.0, 390.0, 395.0)), replace(second, attempts=(420.0, 410.0))]
    repeats = compare_sessions("A01", points).groups[0].repeats
    assert repeats.df == 3  # derived: pooled within-session SD, squares 25+25+0 and 25+25
    assert repeats.sem == pytest.approx(np.sqrt(100 / 3))


def test_attempts_of_several_sessions_tell_what_one_attempt_is_worth(point) -> None:
    steady = make_points(point, [400, 440, 480, 520])
    apart = [replace(p, attempts=(p.maximum, p.maximum - 4.0 - k, p.maximum + 4.0)) for k, p in enumerate(steady)]
    group = compare_sessions("A01", apart).groups[0]
    assert group.agreement.n_subjects == 4
    assert group.agreement.icc("ICC(2,1)").value > 0.95
    assert 0 < group.agreement.sem < group.repeats.sem  # the steady difference between attempts is taken out
    alike = [replace(p, attempts=(380.0 + 10 * k, 401.0 + k % 2, 420.0 - 10 * k)) for k, p in enumerate(steady)]
    assert compare_sessions("A01", alike).groups[0].agreement.icc("ICC(2,1)").value < 0.3
    assert compare_sessions("A01", apart[:2]).groups[0].agreement is None


def test_sides_are_compared_in_the_same_position_only(point) -> None:
    left = make_points(point, [400, 410, 405], side="left", position="heel on a box, 60 cm")
    right = make_points(point, [500, 510, 505], side="right", position="floor")
    assert compare_sessions("A01", [*left, *right]).sides == ()
    same = make_points(point, [500, 510, 505], side="right", position="heel on a box, 60 cm")
    (row,) = compare_sessions("A01", [*left, *right, *same]).sides
    assert row.position == "heel on a box, 60 cm"
    assert row.difference.word == "right higher"


def test_what_hardly_ever_moved_is_no_change_although_its_order_rises(point) -> None:
    """Eight sessions at 400 and three at 410: most pairs say that nothing changed, and so does the verdict."""
    measure = compare_sessions("A01", make_points(point, [400.0] * 8 + [410.0] * 3)).groups[0].measures[0]
    assert measure.change.difference == 0
    assert measure.change.word == "within measurement error"


def test_one_exercise_is_one_thing_however_it_was_written(point) -> None:
    points = make_points(point, [400, 410])
    points = [
        replace(points[0], exercise="Standing  Hamstring stretch", position="Heel on a box"),
        replace(points[1], exercise="standing hamstring stretch", position="heel on a box "),
    ]
    (group,) = compare_sessions("A01", points).groups
    assert len(group.points) == 2
    assert group.exercise == "standing hamstring stretch"


def test_evenings_with_and_without_warmth_are_never_pooled_and_that_is_said(point) -> None:
    cold, warm, again = make_points(point, [400, 410, 420])
    history = compare_sessions("A01", [cold, replace(warm, before=("warmth",)), again])
    assert [(group.before, len(group.points)) for group in history.groups] == [((), 2), (("warmth",), 1)]
    lines = "\n".join(describe_history(history))
    assert "after warmth" in lines
    assert "Kept apart: 1 session after warmth" in lines
    assert "Kept apart: 2 sessions with nothing before" in lines
    assert "Kept apart" not in "\n".join(describe_history(compare_sessions("A01", [cold, again])))


@pytest.mark.parametrize(
    ("said", "named"),
    [
        (["heat", "long walk"], ("warmth",)),
        ("Massage, 5 min", ("massage",)),
        ({"heat": True, "warm-up": "10 min", "massage": False}, ("warm-up", "warmth")),
        (None, ()),
        (["slept badly"], ()),
    ],
)
def test_what_eases_by_itself_is_known_by_its_words(said, named) -> None:
    assert name_easing(said) == named


def test_the_last_set_is_told_against_the_first() -> None:
    assert find_decline_percent([20.0, 26.0, 15.0]) == pytest.approx(-25)
    assert find_decline_percent([0.5, 1.0]) == pytest.approx(100)
    for few in ([], [20.0], [0.0, 20.0]):
        assert find_decline_percent(few) is None
