"""Weeks, a trial and a group in words, figures and tables: findings made up one by one, so that each rule is seen."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from biofeedback.analysis.history import HistoryGroup, Measure, SideRow, compare_sessions, summarise_session
from biofeedback.analysis.people import People, Person
from biofeedback.analysis.reliability import Change, RepeatError, SideDifference
from biofeedback.analysis.trends import FIRM, Trend
from biofeedback.analysis.trial import CONFIDENCE, LOOK_P, TrialAnswer, TrialEvening, WayDifference
from biofeedback.report.figure_files import Picture, list_group_pictures, list_pictures, write_picture
from biofeedback.report.figures import PALETTE
from biofeedback.report.history import (
    BORROWED,
    SIMULATED,
    SINGLE,
    build_history,
    describe_apart,
    describe_group,
    describe_history,
    describe_measure,
    describe_repeats,
    describe_side,
    describe_together,
    draw_history,
    explain_change,
    name_before,
    name_group,
    name_side,
    tabulate_measures,
)
from biofeedback.report.people import describe_people
from biofeedback.report.people_figure import draw_people
from biofeedback.report.trial import (
    NO_LICENCE,
    TrialReport,
    build_trial,
    describe_answer,
    describe_difference,
    describe_trial,
    list_items,
    tabulate_differences,
    tabulate_evenings,
)

from .test_figures import drawn, lines_of, marks_of
from .test_tables import make

# -- weeks ------------------------------------------------------------------------------------------------------------


def measure_of(name="maximum", unit="N", values=(400.0, 410.0), **changes) -> Measure:
    facts = {
        "days": tuple(20_000.0 + 7 * k for k in range(len(values))), "values": values,
        "trend_per_week": make(Trend, slope=5.04, low=1.25, high=9.0, intercept=400.0, n=2, reason=""),
        "error": RepeatError(3.0, 11.52, 4), "change": Change(12.34, "up", "the order rises"), "strength": 1.5,
        "correlation": None,
    }  # fmt: skip
    return Measure(name=name, unit=unit, **(facts | changes))


@pytest.fixture(scope="module")
def group(check) -> HistoryGroup:
    point = replace(summarise_session(check, "a"), simulated=False)
    points = [replace(point, name=str(n), started_utc=f"2026-03-{n + 1:02d}") for n in range(3)]
    (found,) = compare_sessions("A01", points).groups
    return found


def test_a_measure_is_told_from_first_to_last_with_its_verdict() -> None:
    told = measure_of()
    assert describe_measure(told) == "400.0 to 410.0 N: higher (the order rises)"
    assert describe_measure(replace(told, unit="")) == "400.0 to 410.0: higher (the order rises)"
    assert describe_measure(replace(told, values=(400.0,), change=None)) == "400.0 N, measured once"
    unknown = Change(1.0, "unknown", "6 sessions; 7 are needed")
    assert describe_measure(replace(told, change=unknown)) == "400.0 to 410.0 N; 6 sessions; 7 are needed"
    small = replace(told, unit="kN", values=(0.4, 0.411))
    assert describe_measure(small) == "0.400 to 0.411 kN: higher (the order rises)"
    for unit in ("points", "%"):
        assert describe_measure(replace(small, unit=unit)).startswith("0.4 to 0.4 ")
    turned = replace(told, unit="cm", values=(-0.2, 0.05))
    assert describe_measure(turned).startswith("−0.200 to 0.050 cm"), "by the larger of both ends, whatever its sign"


@pytest.mark.parametrize(
    ("word", "strength", "is_doubted"),
    [("up", FIRM, False), ("up", FIRM - 0.01, True), ("down", FIRM - 0.01, True), ("down", None, False),
     ("within measurement error", 0.5, False), ("not decided", 1.1, False)],
)  # fmt: skip
def test_what_a_real_change_would_not_withstand_is_said(word, strength, is_doubted) -> None:
    told = measure_of(change=Change(1.0, word, "why"), strength=strength)
    assert explain_change(told).startswith("why")
    assert ("very alike" in explain_change(told)) == is_doubted
    assert explain_change(replace(told, change=None)) == ""


def test_measures_that_were_judged_side_by_side_or_hang_together_say_so(group) -> None:
    alike = measure_of(values=(5.0, 5.0), name="range")
    unjudged = measure_of(strength=None, name="time in band")
    two = replace(group, measures=(measure_of(), measure_of(name="b"), alike, unjudged))
    (said,) = describe_together(two)
    assert said.startswith("2 measures were judged side by side")
    assert describe_together(replace(group, measures=(measure_of(), alike, unjudged))) == []
    bound = 4**-0.5
    for correlation, is_tied in ((bound, False), (bound + 0.01, True), (None, False)):
        tied = replace(group, measures=(measure_of(values=(1.0, 2.0, 3.0, 4.0), correlation=correlation),))
        assert describe_together(tied) == (
            ["Neighbouring sessions hang together in maximum: more than scatter was asked of a trend."] * is_tied
        )


def test_attempts_repeat_with_their_error_and_tell_sessions_apart(group) -> None:
    assert describe_repeats(replace(group, repeats=RepeatError(None, None, 0, "none"))) == []
    plain = replace(group, repeats=RepeatError(3.456, 10.0, 4), agreement=None, measures=(measure_of(),))
    assert describe_repeats(plain) == ["Maximal attempts within a session repeat with a standard error of 3.46 N."]
    icc = SimpleNamespace(low=-0.2, high=0.987, value=0.654)
    agreement = SimpleNamespace(icc=lambda name: icc, n_subjects=4, n_trials=3)
    said = describe_repeats(replace(plain, agreement=agreement))[1]
    assert said.startswith(
        "One attempt tells sessions apart with ICC(2,1) 0.65 (95 % interval 0.00 to 0.99; 4 sessions of 3 attempts): "
    )
    icc.value = -0.1
    assert "ICC(2,1) 0.00 (" in describe_repeats(replace(plain, agreement=agreement))[1]


def test_the_table_of_measures_has_one_digit_more_for_its_trend() -> None:
    group = SimpleNamespace(
        measures=(
            measure_of(),
            measure_of(
                "reach", "cm", (41.26,), change=None, error=RepeatError(None, None, 0),
                trend_per_week=make(Trend, n=1, reason="one"),
            ),
            measure_of("share", "", change=Change(-3.0, "within measurement error", "")),
        )
    )  # fmt: skip
    table = tabulate_measures(group)
    assert table.rows == (
        ("maximum, N", "2", "400.0", "410.0", "+12.3", "11.5", "+5.04", "+1.25 to +9.00", "higher"),
        ("reach, cm", "1", "41.3", "41.3", "–", "–", "–", "–", "measured once"),
        ("share", "2", "400.0", "410.0", "−3.0", "11.5", "+5.04", "+1.25 to +9.00", "no real change"),
    )
    assert table.text_columns == (0, 8)
    half = make(Trend, slope=5.0, low=1.0, n=2, reason="")
    assert tabulate_measures(SimpleNamespace(measures=(measure_of(trend_per_week=half),))).rows[0][7] == "–"


def test_groups_and_sides_are_named_by_what_they_have_in_common(group) -> None:
    assert name_group(group) == "hurdle seat · left · floor, 90 degrees"
    warm = replace(group, before=("massage", "warmth"), simulated=True, side="")
    assert name_group(warm) == "hurdle seat · floor, 90 degrees · after massage and warmth · simulated"
    assert name_group(replace(group, exercise="", side="", position="")) == "no exercise named"
    assert (name_before(group), name_before(warm)) == ("", "after massage and warmth")
    difference = SideDifference(-12.4, -20.0, -5.0, "right higher", "two sessions each")
    row = SideRow("hurdle seat", "floor", difference)
    assert (name_side(row), name_side(replace(row, exercise="", position=""))) == (
        "hurdle seat · floor",
        "no exercise named",
    )
    assert describe_side(difference) == "left is −12 % against right: right higher (two sessions each)"
    unknown = replace(difference, left_minus_right_percent=None)
    assert describe_side(unknown) == "left against right is not known: two sessions each"


def test_sessions_that_are_kept_apart_are_named_only_of_the_same_stretch(group, check) -> None:
    point = replace(summarise_session(check, "a"), simulated=False, started_utc="2026-03-01")
    warm = replace(point, before=("warmth",))
    other_side = replace(warm, side="right")
    elsewhere = replace(warm, position="wall")
    played = replace(warm, simulated=True)
    history = compare_sessions("A01", [point, warm, warm, other_side, elsewhere, played])
    plain = next(one for one in history.groups if not one.before)
    (said,) = describe_apart(history, plain)
    assert said.startswith("Kept apart: 2 sessions after warmth. Warmth, massage")
    lonely = next(one for one in history.groups if one.side == "right")
    assert describe_apart(history, lonely) == []


def test_one_session_has_no_advice_and_several_have_unless_simulated(group) -> None:
    assert describe_group(replace(group, points=group.points[:1])) == (SINGLE,)
    said = describe_group(group)
    assert any(text.startswith("The newest session: There was less discomfort") for text in said)
    assert any(text.startswith(("Train at", "Not decided", "Next time")) for text in said)
    assert SIMULATED not in said
    assert (BORROWED in said) == group.latest.borrowed
    for borrowed in (True, False):
        lent = replace(group, latest=replace(group.latest, borrowed=borrowed))
        assert (BORROWED in describe_group(lent)) == borrowed
    played = describe_group(replace(group, simulated=True))
    assert played[-1] == SIMULATED
    assert not any(text.startswith("Train at") for text in played)
    empty = describe_group(replace(group, dose=replace(group.dose, n_points=0)))
    assert not any(text.startswith(("Train at", "Not decided", "Next time")) for text in empty)


def test_the_page_of_weeks_says_what_was_left_out_and_whose_it_is(group, check) -> None:
    point = replace(summarise_session(check, "a"), simulated=False, started_utc="2026-03-01")
    later = replace(point, started_utc="2026-03-08", name="b")
    lost = replace(point, started_utc="", name="lost.hold")
    history = compare_sessions("A01", [point, later, lost])
    page = build_history(history)
    assert "A01 over 2 sessions" in page
    assert "Left out, without a date: lost.hold." in page
    assert "Simulated athlete" not in page
    assert "<svg" in page
    assert "Left and right" not in page
    assert describe_history(history)[-1] == "left out, without a date: lost.hold"
    text = describe_history(compare_sessions("A01", [point, later]))
    assert text[0] == "hurdle seat · left · floor, 90 degrees: 2 sessions"
    assert any(line.startswith("  discomfort while relaxed: 6.0 to 6.0 points") for line in text)
    assert not any("left out" in line for line in text)
    single = build_history(compare_sessions("A01", [point, replace(point, side="right")]))
    assert "<svg" not in single
    bare = replace(history.groups[0], measures=tuple(replace(m, values=m.values[:1], days=m.days[:1], change=None) for m in history.groups[0].measures))  # fmt: skip  # noqa: E501
    assert "Dashed: the trend" not in build_history(replace(history, groups=(bare,)))


@pytest.mark.parametrize(("word", "is_drawn"), [("up", True), ("down", True), ("within measurement error", False)])
def test_a_trend_is_drawn_only_where_it_is_real_at_its_height_on_every_day(word, is_drawn) -> None:
    told = measure_of(values=(400.0, 404.0, 409.0), change=Change(10.0, word, ""))
    (axis,) = drawn(draw_history, SimpleNamespace(measures=(told,)), (8.6, 1.7))
    trend = [line for line in axis.lines if line.get_color() == PALETTE["edge"]]
    assert [line.get_xydata().tolist() for line in trend] == [
        [[told.days[k], 400.0 + 5.04 * k] for k in range(3)]
    ] * is_drawn
    dots = [line for line in axis.lines if line.get_marker() == "o"]
    assert [dot.get_xydata().tolist() for dot in dots] == [
        [[d, v] for d, v in zip(told.days, told.values, strict=True)]
    ]
    assert axis.get_ylabel() == "maximum\n(N)"
    assert axis.get_xlabel() == "date of the session"
    assert axis.get_axisbelow() is True, "the grid lies below the dots"
    formatter = axis.xaxis.get_major_formatter()
    assert formatter(told.days[0], 0) == f"{datetime.fromtimestamp(86_400 * told.days[0], UTC):%d %b %y}"
    none = replace(told, change=None, unit="", name="change while contracting")
    (axis,) = drawn(draw_history, SimpleNamespace(measures=(none,)), (8.6, 1.7))
    assert axis.get_ylabel() == "change\nwhile contracting"
    assert not [line for line in axis.lines if line.get_color() == PALETTE["edge"]]


@pytest.mark.parametrize(
    ("values", "span"),
    [((400.0, 401.0), 40.0), ((-400.0, -401.0), 40.0), ((4.0, 4.1), 1.0), ((400.0, 300.0), None), ((5.0, 5.0), 1.0)],
)
def test_noise_does_not_look_large_for_want_of_room(values, span) -> None:
    """A tenth of the first value at least, or one unit; what moves further fills its panel with room around it."""
    told = measure_of(values=values, change=None)
    (axis,) = drawn(draw_history, SimpleNamespace(measures=(told,)), (8.6, 1.7))
    low, high = axis.get_ylim()
    middle = sum(values) / 2
    assert (low + high) / 2 == pytest.approx(middle, abs=0.01)
    if span:
        assert high - low == pytest.approx(span, rel=0.01)
    else:
        assert 100 < high - low < 200


# -- a trial ----------------------------------------------------------------------------------------------------------


def difference(first="warmth", second="nothing", **changes) -> WayDifference:
    facts = {
        "difference": -1.26,
        "low": -2.04,
        "high": -0.46,
        "p": 0.0312,
        "word": "lower",
        "reason": "why",
        "n_missing": 0,
    }
    return WayDifference(first, second, **(facts | changes))


def answer_of(*differences, **changes) -> TrialAnswer:
    facts = {"means": {}, "n_by_way": {}, "n_blocks": 6, "sd": 0.76, "lowest": "", "highest": "", "n_schedules": 64,
             "is_enumerated": True}  # fmt: skip
    return TrialAnswer(differences, **(facts | changes))


def test_a_pair_of_ways_in_a_sentence() -> None:
    def told(**changes) -> str:
        return describe_difference(difference(**changes), "points")

    assert told() == "warmth against nothing: −1.3 points, lower (why; p over the schedules 0.031)"
    assert told(word="higher", difference=1.26).startswith("warmth against nothing: +1.3 points, higher (")
    assert told(p=None) == "warmth against nothing: −1.3 points, lower (why)"
    assert told(p=None, n_missing=4).endswith("(why; 4 blocks are missing for the yardstick)")
    assert told(p=None, n_missing=None).endswith("(why; more blocks than can be asked for are missing)")
    assert told(difference=None) == "warmth against nothing: why"
    assert told(word="no clear difference").startswith("warmth against nothing: −1.3 points, no clear difference (")


def test_which_way_stands_out() -> None:
    few = difference(word="too few evenings to say")
    for changes, said in (
        ({"lowest": "warmth"}, "warmth is lowest of all, beyond what chance brings at any look"),
        ({"highest": "nothing"}, "nothing is highest of all, beyond what chance brings at any look"),
        ({"lowest": "warmth", "highest": "nothing"}, "warmth is lowest of all and nothing is highest of all, beyond"),
        ({}, "no way stands out from every other one"),
    ):
        told = describe_answer(answer_of(difference(), few, **changes), "points")
        assert told[0].startswith(said)
        assert told[1:] == [describe_difference(difference(), "points"), describe_difference(few, "points")]
    assert describe_answer(answer_of(few, few), "points")[0] == "too few evenings to say"


def report_of(**changes) -> TrialReport:
    evenings = [TrialEvening(1, "warmth", "warmth", 4.0), TrialEvening(2, "nothing", "", None)]
    facts = {
        "name": "A01-1", "athlete": "A01", "stretch": "split", "drawn_utc": "2026-01-05T18:00:59.123",
        "ways": {"nothing": "as it is", "warmth": "ten minutes"}, "n_blocks": 6, "seed": 5,
        "answers": [("Discomfort", "points", evenings, answer_of(difference())), ("Range", "", evenings, answer_of())],
        "said": ["evening 2 was missed"], "harms": [],
    }  # fmt: skip
    return TrialReport(**(facts | changes))


def test_a_trial_in_lines_tables_and_items() -> None:
    report = report_of()
    lines = describe_trial(report)
    assert lines[0] == "Trial A01-1: nothing, warmth in 6 blocks (split)"
    assert lines[1] == "Discomfort:"
    assert lines[2].startswith("  ")
    assert lines[-2:] == ["said: evening 2 was missed", NO_LICENCE]
    assert "(no stretch named)" in describe_trial(report_of(stretch=""))[0]
    rows = tabulate_differences(report.answers[0][3], "points").rows
    assert rows == (("warmth against nothing", "−1.26", "−2.04 to −0.46", "0.031", "lower", "0"),)
    unknown = answer_of(difference(difference=None, low=None, p=None, n_missing=None))
    assert tabulate_differences(unknown, "points").rows[0][1:] == ("–", "–", "–", "lower", "–")
    assert tabulate_differences(answer_of(difference(high=None)), "").rows[0][2] == "–"
    table = tabulate_evenings(report)
    assert table.head == ("evening", "drawn", "done", "discomfort, points", "range, –")
    assert table.rows == (("1", "warmth", "warmth", "4.0", "4.0"), ("2", "nothing", "nothing of it", "–", "–"))
    items = dict(list_items(report))
    assert items["Design"] == "single-person trial, 2 ways in 6 blocks, each way once a block"
    assert items["Order by lot"] == "drawn 2026-01-05T18:00 UTC with seed 5, stored before the first evening"
    assert items["Evenings planned"] == "12, held 2"
    assert items["Scatter"] == "0.76 points from evening to evening in a block"
    assert items["Test"] == "p over the 64 schedules that could have been drawn (all of them), of all as drawn"
    assert f"at most {LOOK_P[2]:g} and of the draw at most {1 - CONFIDENCE:.2f}" in items["Several looks"]
    assert (items["Harms"], items["Deviations and missing"]) == ("none was told", "evening 2 was missed")
    drawn_ = answer_of(sd=None, is_enumerated=False)
    items = dict(
        list_items(report_of(answers=[("Discomfort", "points", [], drawn_)], said=[], harms=["soreness"], stretch=""))
    )
    assert items["Scatter"] == "not known"
    assert "(10,000 of them, drawn with the same seed)" in items["Test"]
    assert (items["Harms"], items["Deviations and missing"]) == ("soreness", "none")
    assert items["Participant"] == "A01; no stretch named"
    assert "Simulated athlete" not in build_trial(report)
    assert "Simulated athlete" in build_trial(report_of(simulated=True))


# -- a group ----------------------------------------------------------------------------------------------------------


def people_of(*persons, **changes) -> People:
    facts = {"mean": -1.24, "low": -2.0, "high": -0.5, "between_sd": 1.04, "sd_low": 0.36, "sd_high": 2.44,
             "next_low": -3.6, "next_high": 1.1, "shrunk": tuple(p.change / 2 for p in persons)}  # fmt: skip
    return People(persons, **(facts | changes))


def person(code: str, change: float, half: float, n: int = 2) -> Person:
    return Person(code, n, change, half / 1.96, change - half, change + half)


PERSONS = (person("A01", -3.0, 1.0), person("A02", 3.0, 1.0, 1), person("A03", 0.0, 1.9), person("A04", 0.0, 2.0))


def test_a_group_in_lines() -> None:
    lines = describe_people("Split", people_of(*PERSONS), shrink=True)
    assert lines == (
        "Split: 4 athletes, 7 sessions with an answer",
        "  on average 1.2 points lower while contracting (95 % interval: 2.0 points lower to 0.5 points lower)",
        "  true responses differ from person to person by an SD of 1.0 points, beyond the scatter of ratings, 95 % "
        "interval 0.4 to 2.4",
        "  the next athlete may expect anything from 3.6 points lower to 1.1 points higher (95 % prediction interval)",
        "  clearly less discomfort: A01",
        "  clearly more discomfort: A02",
        "  no change of 2 points, clearly: A03",
        "  not decided: A04",
        "  each athlete by own ratings alone, at 95 %: one in twenty is called clear by chance",
        "  drawn towards the group, best guesses: A01 -1.5 (own ratings -3.0), A02 +1.5 (own ratings +3.0), "
        "A03 +0.0 (own ratings +0.0), A04 +0.0 (own ratings +0.0)",
    )
    unsure = describe_people("Split", people_of(*PERSONS, sd_low=0.0))
    assert unsure[2].endswith(
        "1.0 points, 95 % interval 0.0 to 2.4 (the scatter of ratings alone could look like this)"
    )
    assert "drawn towards" not in "".join(unsure)
    for name in ("mean", "low", "high", "between_sd"):
        few = describe_people("Split", people_of(PERSONS[0], reason="one athlete", **{name: None}))
        assert few == (
            "Split: 1 athlete, 2 sessions with an answer",
            "  how responses differ is not known: one athlete",
        )
    for name in ("next_low", "next_high"):
        assert not any("next athlete" in line for line in describe_people("Split", people_of(*PERSONS, **{name: None})))


@pytest.mark.parametrize(
    ("half", "next_high", "reach"),
    [(0.1, 1.1, 3.96), (2.0, 1.1, 5.5), (0.1, 8.0, 8.8), (0.1, 9.5, 10.0), (8.0, 1.0, 10.0)],
)
def test_the_group_figure_reaches_as_far_as_anything_in_it_up_to_the_whole_scale(half, next_high, reach) -> None:
    people = people_of(person("A01", -3.0, half), next_high=next_high)
    (axis,) = drawn(lambda figure, _: draw_people(figure, people), None, (6.4, 3.0))
    assert axis.get_xlim() == pytest.approx((-reach, reach))
    assert axis.get_axisbelow() is True
    small = people_of(person("A01", -0.5, 0.5), low=-1.0, high=0.0, next_low=-1.0, next_high=1.0)
    (axis,) = drawn(lambda figure, _: draw_people(figure, small), None, (6.4, 3.0))
    assert axis.get_xlim() == pytest.approx((-3.3, 3.3))


def test_the_group_figure_leaves_out_what_is_not_known() -> None:
    for name in ("mean", "low", "high"):
        people = people_of(*PERSONS, **{name: None})
        (axis,) = drawn(lambda figure, _, people=people: draw_people(figure, people), None, (6.4, 3.0))
        assert [label.get_text() for label in axis.get_yticklabels()] == ["A01", "A02", "A03", "A04"]
        assert marks_of(axis, "s") == []
    for name in ("next_low", "next_high"):
        people = people_of(*PERSONS, **{name: None})
        (axis,) = drawn(lambda figure, _, people=people: draw_people(figure, people), None, (6.4, 3.0))
        assert [label.get_text() for label in axis.get_yticklabels()] == ["A01", "A02", "A03", "A04", "mean"]
        assert lines_of(axis, "ink", dashed=True) == []


# -- pictures as files ------------------------------------------------------------------------------------------------


def test_a_picture_is_made_of_what_there_is(check, empty) -> None:
    pictures = {one.name: one for one in list_pictures(check)}
    assert list(pictures) == ["ratings", "trace", "contrasts", "dose"]
    assert all(one.head.endswith(" · simulated") for one in pictures.values())
    real = replace(check, settings={**check.settings, "simulated": False})
    assert not any("simulated" in one.head for one in list_pictures(real))
    silent = tuple(replace(row, rating=replace(row.rating, value=None)) for row in check.phases)
    assert "ratings" not in [one.name for one in list_pictures(replace(check, phases=silent))]
    one_rated = replace(check, phases=(*silent[:-1], check.phases[-1]))
    assert "ratings" in [one.name for one in list_pictures(one_rated)]
    unrated = replace(check, phases=tuple(replace(row, rating=None) for row in check.phases))
    assert "ratings" not in [one.name for one in list_pictures(unrated)]
    one_known = tuple(replace(c, change=c.change if c.cycle == 1 else None) for c in check.response.contrasts)
    some = replace(check, response=replace(check.response, contrasts=one_known))
    assert "contrasts" in [one.name for one in list_pictures(some)]
    none = replace(check, response=replace(check.response, contrasts=tuple(replace(c, change=None) for c in one_known)))
    assert "contrasts" not in [one.name for one in list_pictures(none)]
    assert "dose" not in [one.name for one in list_pictures(replace(check, dose=replace(check.dose, n_points=0)))]
    assert [one.name for one in list_pictures(empty)] == ["trace"]


def test_group_pictures_are_numbered_and_grow_with_the_group() -> None:
    groups = [("Split", people_of(*PERSONS)), ("Bridge", people_of()), ("Pike", people_of(PERSONS[0]))]
    pictures = list(list_group_pictures(groups))
    assert [(one.name, one.head) for one in pictures] == [("responses-1", "Split"), ("responses-3", "Pike")]
    assert pictures[0].size_inch[1] - pictures[1].size_inch[1] == pytest.approx(3 * 0.24)


def test_a_picture_has_its_head_above_it_in_lines_that_fit_and_200_dots_an_inch(tmp_path) -> None:
    seen = []

    def draw(figure):
        box, dots = figure.bbox, figure.figure.dpi
        seen.append((figure.figure, box.width / dots, box.height / dots, box.y0, list(figure.figure.texts)))

    for words, n_lines in ((3, 1), (40, 5)):
        picture = Picture("a", "whose " * words, draw, (4.0, 3.0))
        write_picture(picture, tmp_path / "a.png")
        figure, width, height, bottom, (head,) = seen[-1]
        assert (width, height, bottom) == pytest.approx((4.0, 3.0, 0.0))
        lines = head.get_text().split("\n")
        assert len(lines) == n_lines
        assert all(len(line) <= 14 * 4 for line in lines)
        whole = figure.get_size_inches()[1]
        assert whole == pytest.approx(3.0 + 0.14 * (n_lines + 1))
        figure.set_dpi(200)  # as it was written
        box = head.get_window_extent()
        assert 3.0 * 200 <= box.y0 < box.y1 <= whole * 200
        assert 0 < box.x0 < box.x1 < 4.0 * 200
        png = (tmp_path / "a.png").read_bytes()
        assert int.from_bytes(png[16:20], "big") == 800  # PNG, section 11.2.2: the width comes first in IHDR
    for ending, begin in ((".svg", b"<?xml"), (".pdf", b"%PDF")):
        first, again = tmp_path / f"a{ending}", tmp_path / f"b{ending}"
        for path in (first, again):
            write_picture(Picture("a", "whose", lambda figure: figure.subplots(), (4.0, 3.0)), path)
        assert first.read_bytes().startswith(begin)
        assert first.read_bytes() == again.read_bytes(), "the same figure gives the same bytes"
    assert np.isfinite(seen[-1][1])


def test_words_stand_to_the_left_and_numbers_to_the_right_in_the_tables_of_a_trial() -> None:
    report = report_of()
    pairs, evenings = tabulate_differences(report.answers[0][3], "points"), tabulate_evenings(report)
    assert pairs.head == (
        "ways", "difference, points", "95 % interval", "p over the schedules", "verdict", "blocks missing",
    )  # fmt: skip
    assert [pairs.head[k] for k in pairs.text_columns] == ["ways", "verdict"]
    assert [evenings.head[k] for k in evenings.text_columns] == ["drawn", "done"]
