"""What a person is told, case by case: findings made up one by one, so that each rule and its border is seen alone."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from biofeedback.account.kinds import Aftermath, BandChosen, Noted, PlanBegun, PlanPhase
from biofeedback.account.records import StopOnRecord
from biofeedback.account.values import Doubt
from biofeedback.account.words import STOP_REASONS
from biofeedback.acquisition.felt_source import RATING
from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.analysis.dose import Dose
from biofeedback.analysis.held import DoseLevel, HeldBand
from biofeedback.analysis.holds import suggest_next_set
from biofeedback.cautions import SORE_CAUTION
from biofeedback.model import Band
from biofeedback.report.outcome import compares_phases, describe_outcome
from biofeedback.report.words import (
    CAREFUL,
    EXPECTATION,
    FURTHER,
    HARDER_START,
    HURT_AT_END,
    LATE,
    MILDER,
    MILDER_THOUGH_CLEAR,
    NO_MAXIMUM,
    NO_PHASES,
    REPEAT,
    SENSOR_ADDS,
    advise_effort,
    depends_on_effort,
    describe_answer,
    describe_done,
    describe_doubts,
    describe_effect,
    describe_maximum,
    describe_next,
    describe_notes,
    describe_said,
    describe_setting,
    explain_set,
    find_next_band,
    format_start,
    sign_answer,
    summarise_advice,
    title_answer,
)


def held(low: float, high: float, rated: float = -2.5, *, at: float | None = None, n: int = 3) -> HeldBand:
    middle = (low + high) / 2 if at is None else at
    return HeldBand(Band(low, high), middle, n, rated, DoseLevel(middle, rated, rated - 1, rated + 1, 95.0))


def dose_of(*bands: HeldBand, **changes: Any) -> Dose:
    facts: dict[str, Any] = {
        "n_points": 3 * len(bands), "wanted_points": 1.8, "held": bands, "curve": (), "advice": "not decided",
        "band": None, "reason": "because", "least_percent": None, "least_chance_percent": None, "next_percent": None,
        "next_reason": "it would teach most", "is_worse": False, "relaxed_too_low": False, "saturation": None,
        "misfit": "",
    }  # fmt: skip
    return Dose(**(facts | changes))


def measured(check: SessionAnalysis, **settings: Any) -> SessionAnalysis:
    """The check as if a person had done it."""
    return replace(check, settings={**check.settings, "simulated": False, **settings})


def say(check: SessionAnalysis, word: str, dose: Dose, **changes: Any) -> SessionAnalysis:
    """The check with another answer and dose."""
    return replace(measured(check), dose=dose, response=replace(check.response, word=word, **changes))


def remember(check: SessionAnalysis, **changes: Any) -> SessionAnalysis:
    """The check with something else in its account."""
    account = replace(check.trace.account, **changes)
    return replace(measured(check), trace=replace(check.trace, account=account))


# -- one advice about effort ------------------------------------------------------------------------------------------


def test_each_finding_has_its_one_advice() -> None:
    light, hard = held(20, 30), held(60, 80, 1.5)
    enough = dose_of(light, advice="enough", band=light.band, least_percent=25.0)
    assert advise_effort(enough, "less") == ["Train at 20–30 %, as it was held: because."]
    assert advise_effort(enough, "not decided, may come late") == [LATE]
    neither = dose_of(light, advice="neither")
    (said,) = advise_effort(neither, "less")
    assert said.startswith("Contraction eases this stretch a little, but because")
    (said,) = advise_effort(neither, "no clear difference")
    assert said == "Leave contraction out of this stretch: because. More than 30 % was not tried."
    worse = dose_of(light, hard, is_worse=True)
    assert advise_effort(worse, "more") == ["Do not contract at 20–30 % or 60–80 % in this stretch: because."]
    assert advise_effort(dose_of(light), "more") == ["Not decided: because."]


@pytest.mark.parametrize(("top", "is_hard"), [(80, False), (80.5, True), (100, True)])
def test_a_hard_effort_comes_with_its_caution(top: float, is_hard: bool) -> None:
    band = held(60, top)
    steps = advise_effort(dose_of(band, advice="enough", band=band.band), "less")
    assert (CAREFUL in steps) == is_hard
    assert len(steps) == 1 + is_hard
    for word in ("no clear difference", "more"):
        steps = advise_effort(dose_of(band, next_percent=band.effort_percent), word)
        assert steps[1] == f"Next time, try 60–{top:g} % in the same kind of check: it would teach most."
        assert steps[2:] == [CAREFUL] * is_hard


@pytest.mark.parametrize(("top", "said"), [(79, " More than 79 % was not tried."), (80, ""), (100, "")])
def test_leaving_contraction_out_says_what_was_not_tried(top: float, said: str) -> None:
    for bands in ((held(20, 30), held(60, top)), (held(60, top), held(20, 30))):
        (step,) = advise_effort(dose_of(*bands, advice="neither"), "no clear difference")
        assert step == f"Leave contraction out of this stretch: because.{said}"


def test_the_next_thing_to_try_is_the_band_that_was_held_there_or_one_around_it(check) -> None:
    for effort, band in ((68.0, Band(60, 80)), (25.0, Band(20, 30)), (50.0, Band(45, 55))):
        dose = dose_of(held(60, 80, at=68.0), next_percent=effort)
        analysis = say(check, "no clear difference", dose)
        assert find_next_band(analysis) == band
        steps = advise_effort(dose, "no clear difference")
        assert steps[1].startswith(f"Next time, try {band.low_percent:g}–{band.high_percent:g} % in the same kind")
    assert find_next_band(say(check, "no clear difference", dose_of(held(60, 80)))) is None


def test_nothing_is_to_be_tried_next_before_what_hinders_is_put_right(check) -> None:
    dose = dose_of(held(60, 80), next_percent=25.0)
    assert find_next_band(say(check, "less", dose)) == Band(20, 30)
    assert find_next_band(say(check, "too few ratings to say", dose)) is None
    assert find_next_band(say(check, "less", replace(dose, advice="neither"))) is None
    assert find_next_band(remember(say(check, "less", dose), channels=[RATING])) is None


# -- what has to be put right first -----------------------------------------------------------------------------------


def rated(check: SessionAnalysis, values) -> SessionAnalysis:
    links = [replace(check.ratings[0], value=value) for value in values]
    return replace(measured(check), ratings=tuple(links))


def test_what_hinders_an_advice_is_told_alone_and_in_few_words_on_the_page(check) -> None:
    little = dose_of(held(60, 80), relaxed_too_low=True, next_percent=25.0)
    plain = dose_of(held(60, 80))
    at_ten = rated(check, [10, 10, 3, 3])
    cases = (
        (replace(measured(check), maximum=None), NO_MAXIMUM, "find the maximum first"),
        (replace(measured(check), phases=()), NO_PHASES, "run the response check"),
        (say(check, "too few ratings to say", plain), REPEAT, ""),
        (say(check, "not decided, may come late", plain), LATE, "not decided: repeat, with two relaxed phases first"),
        (say(check, "no clear difference", little), HARDER_START, "not decided: too little discomfort to ease"),
        (say(check, "less", little), HARDER_START, "not decided: too little discomfort to ease"),
        (replace(at_ten, response=replace(check.response, word="no clear difference")), MILDER,
         "less far into the stretch next time"),
    )  # fmt: skip
    for analysis, step, short in cases:
        assert describe_next(analysis) == (step,)
        assert summarise_advice(analysis) == ([("advice", short)] if short else [])
    worse = say(check, "more", replace(little, is_worse=True, held=(held(60, 80, 2.0),)))
    assert describe_next(worse)[0] == "Do not contract at 60–80 % in this stretch: because."


@pytest.mark.parametrize(
    ("values", "is_at_ten"),
    [([10, 5, 5, 5], True), ([10, 5, 5, 5, 5], False), ([10, None, 5, 5, 5], True), ([None, None], False), ([], False)],
)
def test_a_quarter_of_the_ratings_at_ten_is_too_many(check, values, is_at_ten: bool) -> None:
    analysis = rated(check, values)
    unclear = replace(analysis, response=replace(check.response, word="no clear difference"))
    assert (describe_next(unclear) == (MILDER,)) == is_at_ten
    for word in ("less", "more"):
        clear = replace(analysis, response=replace(check.response, word=word))
        assert (describe_next(clear)[0] == MILDER_THOUGH_CLEAR) == is_at_ten
        assert MILDER not in describe_next(clear)


def test_the_next_set_is_the_model_s_for_the_effort_that_is_enough(check) -> None:
    band = held(60, 80)
    dose = dose_of(band, advice="enough", band=band.band, least_percent=70.0)
    analysis = say(check, "less", dose)
    analysis = replace(analysis, settings={**analysis.settings, "joint": "knee"})
    suggested = suggest_next_set(70.0, "knee", analysis.holds)
    assert describe_next(analysis)[1] == (
        f"Hold for about {suggested.hold_s:.0f} s, rest {suggested.rest_s:.0f} s, and end a hold after "
        f"{suggested.stop_s:.0f} s in any case."
    )
    assert summarise_advice(analysis) == [
        ("advice", "60–80 %, as it was held"),
        ("next set", f"hold {suggested.hold_s:.0f} s, rest {suggested.rest_s:.0f} s (three-compartment model, knee)"),
    ]
    assert explain_set(analysis) == suggested.reason
    too_light = replace(dose, least_percent=5.0)  # below what endurance was measured at
    assert len(describe_next(replace(analysis, dose=too_light))) == 1
    assert summarise_advice(replace(analysis, dose=too_light)) == [("advice", "60–80 %, as it was held")]
    assert explain_set(replace(analysis, dose=dose_of(band))) == ""


def test_the_page_says_the_same_in_few_words(check) -> None:
    band = held(60, 80)
    short = lambda word, dose: summarise_advice(say(check, word, dose))  # noqa: E731
    assert short("less", dose_of(band, advice="neither")) == [("advice", "eases a little: judge yourself")]
    assert short("no clear difference", dose_of(band, advice="neither")) == [("advice", "no contraction")]
    tried = dose_of(band, next_percent=25.0)
    assert short("less", tried) == [("advice", "not decided"), ("to try next", "20–30 %")]
    assert short("more", replace(tried, is_worse=True))[0] == ("advice", "not at what was held")
    enough = replace(tried, advice="enough", band=band.band, least_percent=70.0)
    assert [name for name, _ in short("less", enough)] == ["advice", "to try next", "next set"]
    for nothing in ({"least_percent": None}, {"band": None}, {"advice": "not decided"}):
        assert short("less", replace(enough, **nothing))[0] == ("advice", "not decided")
        undecided = advise_effort(replace(enough, **({"band": None} | nothing)), "less")
        assert undecided[0] == "Not decided: because."


@pytest.mark.parametrize(("n", "said"), [(None, ()), (0, ()), (1, "1 more cycle"), (4, "4 more cycles")])
def test_more_cycles_are_asked_for_only_where_nothing_else_is_to_be_tried(check, n, said) -> None:
    steps = describe_next(say(check, "no clear difference", dose_of(held(60, 80)), n_more_cycles=n))
    assert steps[1:] == ((f"Repeat the check with {said}.",) if said else ())
    steps = describe_next(say(check, "no clear difference", dose_of(held(60, 80), next_percent=25.0), n_more_cycles=n))
    assert not [step for step in steps if "Repeat" in step]
    steps = describe_next(say(check, "no clear difference", dose_of(held(60, 80), advice="neither"), n_more_cycles=n))
    assert not [step for step in steps if "Repeat" in step]


def test_without_a_sensor_the_advice_is_as_light_as_it_was(check) -> None:
    felt = remember(check, channels=[RATING])
    for word, step, short in (
        ("less", "Contract as lightly as tonight in this stretch: it eased", "as lightly as tonight"),
        ("more", "Leave contraction out of this stretch: it made it worse.", "no contraction"),
    ):
        analysis = replace(felt, response=replace(check.response, word=word))
        steps = describe_next(analysis)
        assert steps[0].startswith(step)
        assert steps[1:] == (SENSOR_ADDS,)
        assert summarise_advice(analysis) == [("advice", short)]
    for n, said in ((None, ()), (2, ("Repeat the check with 2 more cycles.",))):
        unclear = replace(felt, response=replace(check.response, word="no clear difference", n_more_cycles=n))
        assert describe_next(unclear) == (*said, SENSOR_ADDS)
        assert summarise_advice(unclear) == []
    assert describe_maximum(felt) == "No sensor: no maximum, and no percentage of one."


def test_a_plan_that_compares_nothing_gets_no_advice_about_contracting(check) -> None:
    assert describe_next(measured(check), advises=False) == ()
    assert len(describe_next(measured(check))) > 0


# -- stops and what was told afterwards -------------------------------------------------------------------------------


def stopped(check: SessionAnalysis, *stops: StopOnRecord) -> SessionAnalysis:
    return replace(measured(check), trace=replace(check.trace, stops=stops))


def test_each_reason_of_a_stop_has_its_caution_once_and_a_stop_without_one_asks_for_it(check) -> None:
    find_out = "The session was stopped: find out why before the next one."
    for why, reason in STOP_REASONS.items():
        stop = StopOnRecord(500, "a stop", "athlete", why=why)
        steps = describe_next(stopped(check, stop, stop), advises=False)
        assert steps == ((reason.caution,) if reason.caution else ())
        assert describe_done(stopped(check, stop))[-1] == f"Stopped at 0:05: a stop, said to be {reason.say}."
    unknown, cramp = StopOnRecord(500, "", "athlete"), StopOnRecord(900, "cramp", "coach", why="cramp")
    assert describe_next(stopped(check, unknown), advises=False) == (find_out,)
    assert describe_next(stopped(check, unknown, cramp), advises=False) == (STOP_REASONS["cramp"].caution, find_out)
    assert describe_done(stopped(check, unknown))[-1] == "Stopped at 0:05: no reason given."
    pause = replace(unknown, is_pause=True, reason="no data")
    assert describe_next(stopped(check, pause), advises=False) == ()
    assert describe_done(stopped(check, pause))[-1] == "Paused at 0:05: no data."


def test_what_hurt_at_the_end_and_soreness_afterwards_are_answered(check) -> None:
    steps = lambda *told: describe_next(remember(check, aftermath=list(told)), advises=False)  # noqa: E731
    fine = Aftermath(when="end", new_pain=False, numbness=False, walks_normally=True)
    assert steps(fine) == steps() == ()
    hurt = Aftermath(when="end", new_pain=True, numbness=True, walks_normally=False)
    assert steps(hurt) == (f"At the end there was numbness or tingling and new pain and a limp. {HURT_AT_END}",)
    assert steps(hurt, fine) == (), "the last answer counts"
    rested = Aftermath(when="next", soreness=3.0, new_pain=False)
    assert steps(rested) == ()
    sore = Aftermath(when="next", soreness=3.5)
    assert steps(sore) == (f"Since the last time: soreness 3.5 of 10. {SORE_CAUTION}",)
    assert len(steps(Aftermath(when="next", new_pain=True))) == 1
    assert steps(Aftermath(when="end", soreness=9.0)) == (), "sore at the end says nothing of the days after"


def test_evidence_against_a_maximum_says_what_a_quarter_would_become(check) -> None:
    doubt = Doubt("above maximum", "force", "110 %", 500.0, "N", 65.4, "test it again")
    doubted = replace(measured(check), doubts=(doubt,))
    assert describe_doubts(doubted) == ["At 1:05 force showed 110 %: test it again; 25 % would become 20 %."]
    of_another = replace(doubted, doubts=(replace(doubt, channel="emg"),))
    assert describe_doubts(of_another) == ["At 1:05 emg showed 110 %: test it again."]
    assert describe_doubts(doubted)[0] in describe_next(doubted)


# -- what is said of the answer ---------------------------------------------------------------------------------------


def test_where_a_band_was_enough_although_the_mean_hides_it_title_sign_and_answer_name_the_band(check) -> None:
    light, hard = held(20, 30, -2.5), held(60, 80, 1.5)
    dose = dose_of(light, hard, advice="enough", band=light.band, least_percent=25.0)
    for word, hides in (("more", True), ("no clear difference", True), ("less", False)):
        analysis = say(check, word, dose, mean_change=0.5)
        assert depends_on_effort(analysis) == hides
        assert (title_answer(analysis) == "Less discomfort at 20–30 %") == hides
        assert (EXPECTATION in describe_effect(analysis)) == (hides or word == "less")
        if hides:
            assert sign_answer(analysis) == "↓"
            assert describe_answer(analysis) == (
                "It depended on the effort: discomfort while contracting was 2.5 points lower at 20–30 %, "
                "1.5 points higher at 60–80 %.",
                "The mean over all contractions, 0.5 points higher, hides that.",
            )
            assert describe_outcome(analysis).headline == "less discomfort at 20–30 %"
    for advice in ("neither", "not decided"):
        assert not depends_on_effort(say(check, "more", replace(dose, advice=advice)))
    signs = {word: sign_answer(say(check, word, dose_of(light))) for word in ("less", "more", "no clear difference")}
    assert signs == {"less": "↓", "more": "↑", "no clear difference": "≈"}
    assert title_answer(say(check, "less", dose_of(light), contrasts=())) == "No contraction to compare"


@pytest.mark.parametrize(("low", "high", "is_mixed"), [(55.0, 70.0, False), (54.9, 70.0, True), (30.4, 80.6, True)])
def test_a_mean_over_efforts_that_lie_apart_says_so(check, low, high, is_mixed: bool) -> None:
    efforts = iter([low, high, 60.0, None, 65.0])
    rows = []
    for row in check.phases:
        if row.phase.meaning.contracts:
            row = replace(row, summaries=(replace(row.summary, mean_percent=next(efforts)),))  # noqa: PLW2901
        rows.append(row)
    said = describe_effect(replace(measured(check), phases=tuple(rows)))
    assert (f"This is the mean over efforts from {low:.0f} to {high:.0f} %." in said) == is_mixed
    light = held(20, 30)
    hidden = say(check, "more", dose_of(light, advice="enough", band=light.band))
    assert not [text for text in describe_effect(replace(hidden, phases=tuple(rows))) if "mean over efforts" in text]


def test_a_range_that_changed_is_no_easing(check) -> None:
    assert FURTHER not in describe_effect(measured(check))
    reads = [SimpleNamespace(at="limit", unit="cm", method="", contracting=False, when=when, value=value)
             for when, value in (("before", 40.0), ("before", 40.5), ("before", 40.2),
                                 ("after", 46.0), ("after", 46.2), ("after", 46.1))]  # fmt: skip
    told = remember(check, ranges=reads)
    assert FURTHER in describe_effect(told)
    assert any(
        text.startswith("Range at limit: 40.2 cm before (3 times), 46.1 cm after") for text in describe_done(told)
    )
    assert FURTHER not in describe_effect(remember(check, ranges=reads[:3]))


# -- what was done ----------------------------------------------------------------------------------------------------


def test_bands_effort_and_time_inside_are_those_of_the_contractions_by_their_counted_time(check) -> None:
    """Two contractions: 10 s at 40 % wholly inside, 30 s at 80 % half inside: mean 70 %, 25 of 40 s inside."""
    contracting = [row for row in check.phases if row.phase.meaning.contracts][:2]
    facts = [(10.0, 40.0, 10.0, Band(30, 50)), (30.0, 80.0, 15.0, Band(60, 80))]
    rows = [
        replace(
            row,
            phase=replace(row.phase, band=band),
            summaries=(replace(row.summary, counted_s=counted_s, mean_percent=mean, time_in_band_s=inside_s),),
        )
        for row, (counted_s, mean, inside_s, band) in zip(contracting, facts, strict=True)
    ]
    done = lambda rows: " ".join(describe_done(replace(measured(check), phases=tuple(rows))))  # noqa: E731
    text = done(rows)
    assert "Effort while contracting averaged 70 % of maximum." in text
    assert "The bands were 30–50 and 60–80 %; 62 % of the counted time was inside." in text
    three = [*rows, replace(rows[0], phase=replace(rows[0].phase, band=Band(80, 100)))]
    assert "The bands were 30–50, 60–80 and 80–100 %;" in done(three)
    assert "The band was 60–80 %; 50 % of the counted time was inside." in done(rows[1:])
    free = replace(rows[1], phase=replace(rows[1].phase, band=None), summaries=(replace(rows[1].summary, time_in_band_s=None),))  # fmt: skip  # noqa: E501
    assert "The band was 30–50 %; 100 % of the counted time was inside." in done([rows[0], free])
    assert "The band" not in done([free])
    unknown = [replace(row, summaries=(replace(row.summary, mean_percent=None),)) for row in rows]
    assert "Effort during the contractions is unknown." in done(unknown)
    assert "of maximum" not in done([row for row in check.phases if not row.phase.meaning.contracts])
    length = check.phases[2].phase.end_s - check.phases[0].phase.start_s
    assert f"3 phases over 0:{length:02.0f} min, 1 of them contracting" in done(check.phases[:3])


def test_ratings_without_an_answer_and_corrected_ones_are_counted(check) -> None:
    def last(ratings, marked=0):
        trace = replace(check.trace, ratings=tuple(ratings))
        rows = tuple(
            replace(row, rating=replace(row.rating, marks=("gap",) if k < marked else ()))
            for k, row in enumerate(check.phases)
        )
        return describe_done(replace(measured(check), trace=trace, phases=rows))[-1]

    one, two, three = check.trace.ratings[:3]
    assert last([]) == "No discomfort ratings were given."
    assert last([one]) == "1 discomfort rating."
    assert last([one, two]) == "2 discomfort ratings."
    silent, corrected = replace(two, value=None), replace(three, originals=(4.0,))
    assert last([one, silent, corrected, silent], marked=3) == (
        "4 discomfort ratings: 2 without an answer, 1 corrected later, 3 marked as doubtful."
    )


def test_a_plan_that_adapted_says_how_many_bands_were_chosen_and_by_whom(check) -> None:
    def choose(*by):
        given = iter(by)
        rows = []
        for row in check.phases:
            if row.phase.meaning.contracts and (who := next(given, "")):
                choice = BandChosen(phase_index=row.phase.index, band=Band(60, 80), by=who, reason="it teaches most")
                row = replace(row, phase=replace(row.phase, choice=choice))  # noqa: PLW2901
            rows.append(row)
        said = describe_done(replace(measured(check), phases=tuple(rows)))
        return [text for text in said if text.startswith("The plan adapted")]

    assert choose() == []
    assert choose("rule") == ["The plan adapted: 1 band of 5 was chosen on the way."]
    assert choose("rule", "coach", "coach") == [
        "The plan adapted: 3 bands of 5 were chosen on the way, 2 of them by hand."
    ]


def test_effort_as_it_was_said_is_averaged_over_who_answered(check) -> None:
    def told(said, felt=2.0):
        rows = [row for row in check.phases if row.phase.meaning.contracts]
        rows = [replace(row, phase=replace(row.phase, felt=felt, said_effort=one)) for row, one in zip(rows, said)]  # noqa: B905
        return describe_said([*rows, check.phases[0]])[0]

    own = "No sensor measured it."
    asked = "2 of 10 was asked for"
    assert told([2, 3]) == f"Effort as the athlete said it: 2.5 of 10 on average, from 2 to 3, of all contractions; {asked}. {own}"  # fmt: skip  # noqa: E501
    assert told([3, 3], None) == f"Effort as the athlete said it: 3.0 of 10 on average, of all contractions. {own}"
    assert told([3, None, 4]) == (
        f"Effort as the athlete said it: 3.5 of 10 on average, from 3 to 4, of 2 of 3 contractions; {asked}. {own}"
    )
    assert told([None]) == f"No sensor measured effort, and nobody said how hard the contractions were; {asked}."


def test_what_was_said_stands_for_what_nobody_measured(check) -> None:
    """One of two contractions was asked for by feeling, and no sensor measured either."""
    rows = [row for row in check.phases if row.phase.meaning.contracts][:2]
    rows = [replace(row, summaries=(replace(row.summary, mean_percent=None),)) for row in rows]
    felt = replace(rows[0], phase=replace(rows[0].phase, felt=2.0, said_effort=3.0))
    done = " ".join(describe_done(replace(measured(check), phases=(felt, rows[1]))))
    assert "Effort as the athlete said it: 3.0 of 10 on average, of 1 of 2 contractions" in done
    known = replace(felt, summaries=(replace(felt.summary, mean_percent=70.0),))
    assert "averaged 70 % of maximum" in " ".join(describe_done(replace(measured(check), phases=(known, rows[1]))))


def test_what_was_expected_and_the_remarks_of_people_are_told(check) -> None:
    assert "Expected beforehand: less discomfort." in describe_done(remember(check, expects="less"))
    assert not any("Expected" in text for text in describe_done(measured(check)))
    notes = [(6500, Noted(text="knee fine", by="coach")), (10, Noted(text="kept", by="rule")), (20, Noted(text="own"))]
    assert describe_notes(remember(check, notes=notes)) == ("1:05: knee fine",)


def test_who_what_and_when_stand_in_one_line(check) -> None:
    facts = measured(check, athlete="A01", exercise="split", side="", position="floor", started_utc="bad-time-x")
    assert describe_setting(facts) == "A01 · split · floor · bad-time-x"
    assert format_start("2026-13-05T18:00:00.123") == "2026-13-05 18:00", "a month that is none"


def test_a_time_is_that_of_the_place_with_its_distance_from_utc(monkeypatch) -> None:
    """By the zone database: Kathmandu is 5:45 ahead, St. John's in winter 3:30 behind, UTC itself says no more."""
    import time

    try:
        for zone, shown in (
            ("Asia/Kathmandu", "2026-01-05 23:45 UTC+05:45"),
            ("America/St_Johns", "2026-01-05 14:30 UTC-03:30"),
            ("UTC", "2026-01-05 18:00 UTC"),
        ):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            assert format_start("2026-01-05T18:00:00+00:00") == shown
            assert format_start("2026-01-05T18:00:00") == shown, "without a zone it is UTC"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_maximum_is_told_with_body_mass_position_display_and_how_far_the_sensor_was_calibrated(check) -> None:
    maximum = replace(check.maximum, method="attempts", position="floor", feedback_shown=True)
    tested = replace(measured(check, body_mass_kg=80.0), maximum=maximum, maximum_reason="two agree")
    assert describe_maximum(tested) == (
        "Maximum 400.0 N (5.00 N/kg) above rest, in the position “floor”: two agree. The display was on."
    )
    hidden = replace(tested, maximum=replace(maximum, feedback_shown=False, position=""), settings=check.settings)
    assert describe_maximum(hidden) == "Maximum 400.0 N above rest: two agree. The display was off."
    reached = {"certificates": {"force": {"heaviest": "300"}}}
    assert "beyond what the sensor was calibrated with, 300 N" in describe_maximum(
        replace(hidden, settings={**check.settings, **reached})
    )
    none = replace(measured(check), maximum=None, maximum_reason="no attempt was made")
    assert describe_maximum(none) == "No attempt was made."


# -- what a plan came to ----------------------------------------------------------------------------------------------


def plan_of(*phases: tuple[str, bool]) -> PlanBegun:
    return PlanBegun(name="own", title="Own", phases=tuple(PlanPhase(kind=kind, ask=ask) for kind, ask in phases))


PASSIVE, SILENT, CONTRACT = ("passive", True), ("passive", False), ("contract", True)


@pytest.mark.parametrize(
    ("phases", "compares"),
    [
        ([PASSIVE, CONTRACT, PASSIVE, CONTRACT, PASSIVE], True),
        ([PASSIVE, CONTRACT, PASSIVE], False),
        ([CONTRACT, PASSIVE, CONTRACT, PASSIVE], False),
        ([PASSIVE, CONTRACT, SILENT, CONTRACT, PASSIVE], False),
        ([PASSIVE, CONTRACT, PASSIVE, ("contract", False), PASSIVE], False),
        ([PASSIVE, CONTRACT, ("rest", True), PASSIVE, CONTRACT, PASSIVE], False),
        ([SILENT, CONTRACT, PASSIVE, CONTRACT, PASSIVE], False),
        ([PASSIVE, PASSIVE, PASSIVE, PASSIVE, PASSIVE], False),
        ([PASSIVE, CONTRACT, PASSIVE, PASSIVE, CONTRACT, PASSIVE], True),
    ],
)
def test_a_check_is_two_contractions_each_rated_between_two_rated_phases_of_relaxing(phases, compares, check) -> None:
    assert compares_phases(plan_of(*phases)) == compares
    kinds = {"passive": check.phases[0], "contract": check.phases[1]}
    if all(kind in kinds for kind, _ in phases):  # on record without its phases: what was held speaks
        rows = [kinds[kind] if ask else replace(kinds[kind], rating=None) for kind, ask in phases]
        assert compares_phases(PlanBegun(), rows) == (compares or len(phases) < 5)


def hold_plan(check: SessionAnalysis, n: int = 2) -> tuple[PlanBegun, tuple]:
    """A plan of contractions alone, and rows for them: 10 s at 70 % all inside, 30 s at 50 % a third inside."""
    phases = tuple(PlanPhase(kind="contract", duration_s=20.0) for _ in range(n))
    facts = [(10.0, 100.0, 70.0, Band(60, 80)), (30.0, 100 / 3, 50.0, Band(40, 60))]
    rows = []
    for k, (row, (length_s, inside, mean, band)) in enumerate(zip(check.phases[1::2], facts, strict=False)):
        phase = replace(
            row.phase, index=k, start_s=100.0 * k, end_s=100.0 * k + length_s, planned_s=length_s, band=band
        )
        summary = replace(row.summary, counted_s=length_s, in_band_percent=inside, mean_percent=mean)
        rows.append(replace(row, phase=phase, summaries=(summary,)))
    return PlanBegun(title="Holds", phases=phases), tuple(rows)


def test_a_hold_says_how_it_was_held(check) -> None:
    plan, rows = hold_plan(check)
    outcome = describe_outcome(replace(measured(check), plans=(plan,), phases=rows))
    assert (outcome.kind, outcome.over) == ("hold", "How it was held")
    assert outcome.headline == "In the band 50 % of 40 s"
    assert outcome.sentences[0] == ("2 contractions at 40–60 % and 60–80 %: in the band 50 % of 40 s, mean 60 %.")
    assert outcome.sentences[1].startswith("This plan does not compare")
    assert outcome.next_steps == ()
    unmeasured = tuple(
        replace(row, summaries=(replace(row.summary, in_band_percent=None),), phase=replace(row.phase, band=None))
        for row in rows
    )
    outcome = describe_outcome(replace(measured(check), plans=(plan,), phases=unmeasured))
    assert (outcome.headline, outcome.sentences[0]) == ("Held for 40 s", "2 contractions, 40 s together.")
    one_counts = (rows[0], replace(rows[1], summaries=(replace(rows[1].summary, counted_s=0.0),)))
    outcome = describe_outcome(replace(measured(check), plans=(plan,), phases=one_counts))
    assert outcome.headline == "In the band 100 % of 10 s"
    nothing = describe_outcome(replace(measured(check), plans=(plan,), phases=()))
    assert (nothing.headline, nothing.sentences) == ("Nothing was held", ("This plan does not compare contracting with relaxing: a check does.",))  # fmt: skip  # noqa: E501


def test_a_hold_is_that_of_the_last_plan_alone(check) -> None:
    plan, rows = hold_plan(check)
    earlier = tuple(replace(row, phase=replace(row.phase, index=k)) for k, row in enumerate(check.phases))
    outcome = describe_outcome(replace(measured(check), plans=(check.plans[0], plan), phases=(*earlier, *rows)))
    assert outcome.headline == "In the band 50 % of 40 s"


@pytest.mark.parametrize(("short_s", "n_done"), [(0.0, 2), (0.5, 2), (0.6, 1)])
def test_what_was_stopped_says_how_much_was_reached(check, short_s: float, n_done: int) -> None:
    plan, rows = hold_plan(check, n=5)
    last = replace(rows[1], phase=replace(rows[1].phase, planned_s=rows[1].phase.duration_s + short_s))
    stop = StopOnRecord(500, "too far", "athlete", why="too much")
    account = replace(check.trace.account, stopped="too far", stops=[stop])
    told = replace(measured(check), plans=(plan,), phases=(rows[0], last), trace=replace(check.trace, account=account))
    outcome = describe_outcome(told)
    assert (outcome.kind, outcome.over) == ("stopped", "Stopped: what was reached")
    assert outcome.headline == f"{n_done} of 5 contractions done"
    assert outcome.sentences[0] == f"Too far, said to be {STOP_REASONS['too much'].say}."
    assert outcome.sentences[1].startswith("2 contractions at")
    assert len(outcome.sentences) == 2
    relaxing = replace(told, plans=(plan_of(*[PASSIVE] * 5),))
    assert describe_outcome(relaxing).headline == "Stopped before the end"


def test_a_check_that_was_stopped_says_nothing_of_what_too_few_ratings_leave_open(check) -> None:
    account = replace(check.trace.account, stopped="enough", stops=[])
    told = replace(measured(check), trace=replace(check.trace, account=account))
    too_few = replace(told, response=replace(check.response, word="too few ratings to say"))
    assert describe_outcome(too_few).sentences[-1] == ("An unfinished check says nothing about what contraction did.")
    assert describe_outcome(too_few).sentences[0] == "Enough."
    assert describe_outcome(told).sentences[-len(describe_answer(told)) :] == describe_answer(told)
    plain = describe_outcome(measured(check))
    assert (plain.kind, plain.headline, plain.sentences) == ("check", "less", describe_answer(measured(check)))
    assert describe_outcome(replace(too_few, plans=())).kind == "check"
