"""Sentences follow from the numbers: worse and nothing are told as plainly as better, and nobody is told to push on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from biofeedback.account.kinds import PlanBegun
from biofeedback.account.values import Attempt
from biofeedback.analysis.answer import AttemptRow, SessionAnalysis, analyse_recording
from biofeedback.analysis.trace import compute_trace
from biofeedback.model import Channel, name_unit
from biofeedback.report.figuring import number
from biofeedback.report.tables import list_settings, list_tables
from biofeedback.report.words import (
    describe_done,
    describe_effect,
    describe_maximum,
    describe_next,
    describe_zeros,
    summarise_advice,
    title_answer,
)

from ..analysis.made_session import MadeSession, make_check, make_settings


def answer(passive, contract) -> SessionAnalysis:
    session = make_check(passive=passive, contract=contract)
    session.settings = make_settings(simulated=False)
    return analyse_recording(session)


@pytest.mark.parametrize(("written", "read"), [("uV", "µV"), ("mV", "mV"), ("N", "N"), ("deg", "deg")])
def test_a_unit_is_printed_as_people_read_it(written, read):
    assert name_unit(written) == read


def test_worse_is_told_and_the_effort_is_not_offered_again() -> None:
    """Only 70 % was tried: it is not to be used, and of lighter effort nothing is known."""
    analysis = answer((5,) * 6, (8, 8, 9, 8, 8))
    assert "more" in describe_effect(analysis)[0]
    steps = " ".join(describe_next(analysis))
    assert "Do not contract at 60–80 % in this stretch" in steps
    assert "Next time, try 20–30 %" in steps
    assert "light effort was not tried" in steps
    assert "Train at" not in steps
    assert "Leave contraction out" not in steps


def test_what_was_held_and_eased_is_offered_first_and_then_less() -> None:
    steps = describe_next(answer((8,) * 6, (3, 3, 2, 3, 3)))
    assert steps[0].startswith("Train at 60–80 %, as it was held: held 5 times")
    assert steps[1].startswith("Next time, try 20–30 %")
    assert not any("not decided" in step.lower() or "80–100" in step for step in steps)


def test_a_little_easing_is_neither_denied_nor_sold() -> None:
    analysis = answer((6,) * 9, (5.5, 5.5, 5.5, 5.5, 5, 5.5, 5.5, 5.5))
    assert analysis.response.word == "less"
    steps = " ".join(describe_next(analysis))
    assert "Not decided: what was held eases it by less than 1.8 points" in steps
    assert "Leave contraction out" not in steps
    assert "Train at" not in steps


def test_full_relief_is_full_relief() -> None:
    steps = " ".join(describe_next(answer((2,) * 6, (0,) * 5)))
    assert "Train at 60–80 %" in steps
    assert "80–100" not in steps


def test_where_there_is_nothing_to_ease_nothing_is_decided() -> None:
    steps = " ".join(describe_next(answer((1, 0, 1, 0, 1, 1), (0, 1, 0, 1, 0))))
    assert "too little discomfort for an easing to show" in steps
    assert "Leave contraction out" not in steps


def test_an_easing_that_comes_late_is_not_decided() -> None:
    analysis = answer((8, 6, 6, 6), (8, 8, 8))
    assert analysis.response.word == "not decided, may come late"
    assert title_answer(analysis) == "Not decided: a change may come late"
    effect = " ".join(describe_effect(analysis))
    assert "so harm is not shown" in effect
    assert "yardstick" not in effect
    steps = " ".join(describe_next(analysis))
    assert "two relaxed phases before the first contraction" in steps
    assert "Do not contract" not in steps
    assert dict(summarise_advice(analysis))["advice"].startswith("not decided")


def test_a_worsening_that_comes_late_is_no_easing() -> None:
    """4 4 6 4 6 4 6: contracting is rated lower only because every contraction left more discomfort behind."""
    analysis = answer((4, 6, 6, 6), (4, 4, 4))
    assert title_answer(analysis) == "Not decided: a change may come late"
    effect, steps = say(analysis)
    assert "no easier than the relaxed phase before it" in effect
    assert "an easing is not shown" in effect
    assert "Train at" not in steps
    assert analysis.dose.advice == "not decided"


def test_expectation_is_said_once_and_only_where_there_is_an_effect() -> None:
    said = describe_effect(answer((8,) * 6, (3, 3, 2, 3, 3)))
    assert sum("may feel what is expected" in sentence for sentence in said) == 1
    assert not any("may feel" in s for s in describe_effect(answer((6,) * 6, (6,) * 5)))


def say(analysis) -> tuple[str, str]:
    return " ".join(describe_effect(analysis)), " ".join(describe_next(analysis))


@pytest.mark.parametrize("value", [0, 10])
def test_all_ratings_at_one_end_say_that_nothing_can_show(value) -> None:
    effect, steps = say(answer((value,) * 6, (value,) * 5))
    assert effect.startswith("Every rating stands at an end of the scale")
    assert "imitate" not in effect
    assert "Leave contraction out" not in steps
    assert "Train at" not in steps
    assert ("go less far" in steps) == (value == 10)
    assert "drift" not in effect  # where no change can show, none is denied


def test_all_ratings_equal_decide_nothing_of_what_was_not_tried() -> None:
    effect, steps = say(answer((6,) * 6, (6,) * 5))
    assert "discomfort while contracting was the same" in effect
    assert "Not decided: nothing that was held eased it (60–80 %: the same)" in steps
    assert "light effort was not tried" in steps


@pytest.mark.parametrize(
    ("passive", "contract"), [((None,) * 6, (None,) * 5), ((45,) * 6, (4,) * 5), ((6, 6), (4,)), ((6,), ())]
)
def test_missing_off_scale_and_single_cycles_ask_for_a_check(passive, contract) -> None:
    effect, steps = say(answer(passive, contract))
    assert "Too few ratings" in effect or "nothing to compare" in effect
    assert "Run the response check" in steps
    assert "Train at" not in steps


def test_ratings_without_phases_are_told_as_that() -> None:
    session = MadeSession()
    session.hold(5.0)
    for value in (6, 5, 4):
        session.hold(5.0)
        session.happen("rating", value=value, by="athlete", phase_index=None)
    session.settings = make_settings(simulated=False)
    analysis = analyse_recording(session)
    effect, steps = say(analysis)
    assert "too few" not in (effect + steps).lower()
    assert "given outside any phase" in steps
    assert title_answer(analysis) == "No contraction to compare"


def test_a_stop_half_way_a_second_plan_and_corrections_of_corrections_are_all_heard() -> None:
    session = make_check(passive=(6, 6, 6, 6), contract=(3, 3, 3))
    for value in (9, 4, 3):
        session.happen("rating", value=value, phase_index=1, ask_id=None, by="coach", corrects=1)
    session.happen("plan", name="light-hold", title="Light hold")
    for rating in (6, 5.5):
        session.phase("passive", 6.0, rating=rating)
        session.phase("contract", 6.0, 25.0, band=[20, 30], ripple_percent=1.0, rating=rating)
    session.happen("stop", reason="cramp")
    session.end()
    session.settings = make_settings(simulated=False)
    analysis = analyse_recording(session)
    assert [held.name for held in analysis.dose.held] == ["20–30 %", "60–80 %"]
    assert analysis.response.contrasts[0].during == 3
    steps = describe_next(analysis)
    assert steps[0] == "The session was stopped: find out why before the next one."
    assert "Leave contraction out" not in " ".join(steps)


@pytest.mark.parametrize(("band", "held", "said"), [([80, 100], 118.0, "not decided"), ([80, 100], 62.0, "55–65 %")])
def test_a_band_above_the_maximum_or_never_reached_is_told_by_what_was_held(band, held, said) -> None:
    session = MadeSession()
    session.calibrate()
    for _ in range(5):
        session.phase("passive", 6.0, rating=7)
        session.phase("contract", 6.0, held, band=band, ripple_percent=1.0, rating=3)
    session.phase("passive", 6.0, rating=7)
    session.end()
    session.settings = make_settings(simulated=False)
    steps = " ".join(describe_next(analyse_recording(session)))
    assert said in steps or said.capitalize() in steps
    assert "80–100 %" not in steps
    assert "Leave contraction out" not in steps


def test_what_eases_above_the_maximum_is_not_told_to_be_open_but_beyond_what_may_be_asked_for() -> None:
    session = MadeSession()
    session.calibrate()
    for _ in range(5):
        session.phase("passive", 6.0, rating=7)
        session.phase("contract", 6.0, 118.0, band=[100, 120], ripple_percent=1.0, rating=3)
    session.phase("passive", 6.0, rating=7)
    session.end()
    session.settings = make_settings(simulated=False)
    steps = " ".join(describe_next(analyse_recording(session)))
    assert (
        "what was rated as easing it lies above 100 %, the most that may be asked for (100–120 %: 4.0 points lower)"
        in steps
    )
    assert "leave open" not in steps
    assert "find a new maximum" in steps


def test_full_relief_of_a_little_discomfort_leaves_no_drift_of_nothing_open() -> None:
    effect, _ = say(answer((2,) * 6, (0,) * 5))
    assert "to +0.0 a minute" not in effect


def test_contractions_that_were_rated_are_counted_although_no_relaxed_rating_follows() -> None:
    effect, _ = say(answer((6, 6), (3, 3)))
    assert "1 of 2 rated contractions lies between rated relaxed phases, 3 are needed" in effect


def test_no_report_contradicts_itself() -> None:
    """One advice, said once, whatever was rated."""
    for easing in (-3, -2, -1, 0, 1, 2):
        analysis = answer((6, 5, 6, 6, 5, 6), tuple(6 + easing + (i % 2) for i in range(5)))
        steps = " ".join(describe_next(analysis))
        heads = ("Train at", "Leave contraction out", "Not decided", "Do not contract", "eases this stretch a little")
        assert sum(steps.count(head) for head in heads) == 1
        assert "chance" not in steps
        assert "Train at" not in steps or analysis.response.word == "less"


def test_too_few_ratings_ask_for_a_whole_check() -> None:
    steps = " ".join(describe_next(answer((6, 6), (4,))))
    assert "five cycles" in steps
    assert "Train in" not in steps


def test_a_drift_is_named_and_taken_out() -> None:
    sentences = " ".join(describe_effect(answer((8, 7.5, 7, 6.5, 6, 5.5), (7.75, 7.25, 6.75, 6.25, 5.75))))
    assert "fell by 2.5 a minute by themselves" in sentences  # 0.5 points every 12 s
    assert "No clear difference" in sentences


def test_what_was_done_names_plan_phases_effort_and_ratings(check, troubled) -> None:
    done = " ".join(describe_done(check))
    assert "Response check: 11 phases" in done
    assert "5 of them contracting" in done
    assert "averaged 70 % of maximum" in done
    assert "11 discomfort ratings" in done
    assert "Stopped at 0:26: cramp" in " ".join(describe_done(troubled))


def test_simulated_and_shortened_sessions_say_so_first(troubled, check) -> None:
    assert "simulated" in describe_next(check)[0]
    assert "shortened" in describe_next(troubled)[0]


def test_several_plans_are_all_named(check) -> None:
    both = replace(check, plans=(PlanBegun(title="Response check"), PlanBegun(title="Light hold")))
    assert "Response check, then Light hold" in describe_done(both)[0]


@pytest.mark.parametrize("name", ["Athlete", "Source", "Channels", "Sample rate", "Baseline", "Software", "Simulated"])
def test_settings_are_all_there(check, name: str) -> None:
    assert dict(list_settings(check))[name]


def test_every_row_of_every_table_is_as_wide_as_its_head(any_analysis) -> None:
    for table in list_tables(any_analysis):
        assert {len(row) for row in table.rows} <= {len(table.head)}


def test_a_recording_without_ratings_says_so() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("contract", 6.0, 70.0)
    session.end()
    analysis = analyse_recording(session)
    assert "No discomfort ratings were given." in describe_done(analysis)
    assert "Too few ratings" in describe_effect(analysis)[0]


def test_how_far_the_zero_had_moved_is_said_when_it_is_set_again() -> None:
    session = make_check()
    assert describe_zeros(compute_trace(session)) == ""
    session.happen("zero", channels={"force": {"level": 14.5, "sd": 0.1, "n_levels": 200}})
    assert describe_zeros(compute_trace(session)).startswith("force +4.50 N from 0:02 to 1:")


def test_an_interval_that_leaves_zero_out_does_not_end_at_zero_in_the_table() -> None:
    check = answer((5,) * 6, (3,) * 5)
    analysis = replace(check, response=replace(check.response, low=-1.2, high=-0.03))
    assert -0.05 < analysis.response.high < 0
    (table,) = [t for t in list_tables(analysis) if t.title.startswith("Each contraction")]
    assert "to −0.0" in table.note
    assert "+0.0" not in table.note.split(";")[0]


def test_a_typed_maximum_says_nothing_of_a_display(check) -> None:
    assert "typed in by hand" in describe_maximum(check)
    assert "display" not in describe_maximum(check)


def test_relaxed_phases_have_no_coefficient_of_variation(check) -> None:
    table = list_tables(check)[0]
    place = table.head.index("CV, %")
    summaries = [replace(row.summary, mean_percent=1.4, cv_percent=470.0) for row in check.phases]
    noisy = replace(
        check, phases=tuple(replace(row, summaries=(s,)) for row, s in zip(check.phases, summaries, strict=True))
    )
    cells = {row[0].split()[1]: row[place] for row in list_tables(noisy)[0].rows}
    assert cells == {"relax": "–", "contract": "470.0"}


def test_a_slope_comes_with_its_interval_and_none_is_made_of_a_few_seconds() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("contract", 12.0, 70.0, ripple_percent=1.0)
    session.phase("contract", 6.0, 70.0, ripple_percent=1.0)
    session.end()
    analysis = analyse_recording(session)
    (table,) = [t for t in list_tables(analysis) if t.title == "How the contractions lasted"]
    slope = analysis.holds[0].slope
    assert slope.low < slope.slope < slope.high
    assert table.rows[0][2] == f"{number(slope.slope, 1)} ({number(slope.low, 1)} to {number(slope.high, 1)})"
    assert table.rows[1][2] == "–"


def test_without_a_maximum_no_band_is_proposed() -> None:
    session = MadeSession(settings=make_settings(simulated=False))
    session.hold(2.0)
    for _ in range(3):
        session.phase("passive", 6.0, rating=6)
        session.phase("contract", 6.0, 70.0, rating=4)
    session.phase("passive", 6.0, rating=6)
    session.end()
    analysis = analyse_recording(session)
    (step,) = describe_next(analysis)
    assert step.startswith("Find the maximum first")
    assert summarise_advice(analysis) == [("advice", "find the maximum first")]


def test_ratings_at_ten_hide_easing_so_contraction_is_not_ruled_out() -> None:
    analysis = answer((10,) * 6, (10,) * 5)
    (step,) = describe_next(analysis)
    assert "go less far into the stretch" in step
    assert "less far" in dict(summarise_advice(analysis))["advice"]
    assert "less far" not in " ".join(describe_next(answer((0,) * 6, (0,) * 5)))


def test_the_page_does_not_deny_the_little_easing_that_the_report_tells() -> None:
    analysis = answer((6,) * 9, (5.5, 5.5, 5.5, 5.5, 5, 5.5, 5.5, 5.5))
    assert "eases it by less than" in " ".join(describe_next(analysis))
    assert dict(summarise_advice(analysis))["advice"] != "no contraction"


def test_a_maximum_in_a_large_unit_keeps_its_digits(check) -> None:
    small = replace(check, maximum=replace(check.maximum, unit="mV", strength=0.3521))
    assert describe_maximum(small).startswith("Maximum 0.352 mV above rest")
    assert describe_maximum(check).startswith("Maximum 400.0 N above rest")
    attempts = tuple(
        AttemptRow(n, Attempt("emg", "mV", value, value * 1.05, 0.01, 0.001, 1.0, 3.5, True, ""))
        for n, value in enumerate((0.3521, 0.3184, 0.2961), start=1)
    )
    (table,) = [t for t in list_tables(replace(small, attempts=attempts)) if t.title == "Attempts"]
    assert [row[1] for row in table.rows] == ["0.352 mV", "0.318 mV", "0.296 mV"]


def test_a_drift_that_may_be_none_is_told_as_one(check) -> None:
    unsure = " ".join(describe_effect(answer((5.5, 6, 6, 5, 5, 5), (7.5, 7.5, 7, 7.5, 7.5))))
    assert "drifted by themselves is open: anything from" in unsure
    assert "did not drift" not in unsure
    sure = " ".join(describe_effect(answer((8, 7.5, 7, 6.5, 6, 5.5), (5, 5, 5, 5, 5))))
    assert "by themselves; this is taken out" in sure


def test_a_contraction_without_a_band_is_not_counted_as_outside() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("contract", 6.0, 70.0)
    session.phase("contract", 6.0, 40.0, band=None)
    session.end()
    assert "100 % of the counted time was inside" in " ".join(describe_done(analyse_recording(session)))


def test_the_first_page_points_to_warnings(check, troubled) -> None:
    assert troubled.warnings
    assert "read “Warnings”" in describe_done(troubled)[-1]
    assert not check.warnings
    assert "Warnings" not in " ".join(describe_done(check))


def test_a_session_led_by_emg_has_no_column_of_passive_tension() -> None:
    session = MadeSession(channels=(Channel(name="emg", kind="emg", unit="uV", envelope=True),))
    session.calibrate()
    session.phase("contract", 6.0, 70.0, rating=4)
    session.end()
    (table,) = [t for t in list_tables(analyse_recording(session)) if t.title.startswith("Each rating")]
    assert not [name for name in table.head if "tension" in name]
    assert "tension" not in table.note


def test_how_well_the_share_of_pairs_is_known_is_said_within_what_a_share_can_be() -> None:
    analysis = answer((6,) * 6, (4, 8, 3, 7, 5))
    response = analysis.response
    assert response.nap == pytest.approx(0.6)
    low = 0.6 - 1.96 * response.nap_error
    assert low > 0
    assert 0.6 + 1.96 * response.nap_error > 1
    (note,) = [
        table.note for table in list_tables(analysis) if table.title == "Each contraction against its neighbours"
    ]
    assert f"0.60, roughly {low:.2f} to 1.00" in note
