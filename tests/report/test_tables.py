"""The cells of a report's tables, from findings made up one by one: what stands where, with which digits, and when."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from biofeedback.account.kinds import BandChosen
from biofeedback.account.target import BAND_LOST
from biofeedback.account.values import Whitener
from biofeedback.acquisition.felt_source import RATING
from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.analysis.control import Control
from biofeedback.analysis.emax import EmaxFit
from biofeedback.analysis.fatigue import BandExit, EmgFatigue
from biofeedback.analysis.learning import LearningCurve
from biofeedback.analysis.randomisation import RandomisationTest
from biofeedback.analysis.trends import Trend
from biofeedback.calibration.effort import UNCERTAIN_PERCENT
from biofeedback.model import Band, Channel, Gap
from biofeedback.report.answer_tables import tabulate_choices, tabulate_contrasts, tabulate_dose
from biofeedback.report.figuring import count, find_digits, format_clock, number, signed
from biofeedback.report.table import Table, trim
from biofeedback.report.tables import (
    list_settings,
    list_tables,
    tabulate_attempts,
    tabulate_control,
    tabulate_holds,
    tabulate_other_channels,
    tabulate_phases,
    tabulate_ranges,
    tabulate_ratings,
    tabulate_said,
)
from biofeedback.report.training_tables import describe_curve, tabulate_sets

from ..analysis.made_session import FORCE

EMG = Channel(name="emg", kind="emg", unit="uV", envelope=True)


def make(kind, empty=None, /, **facts):
    """A result with these facts and nothing else."""
    return kind(**(dict.fromkeys(kind.__dataclass_fields__, empty) | facts))


def cells(table: Table, name: str) -> list[str]:
    return [row[table.head.index(name)] for row in table.rows]


def first_phase(check: SessionAnalysis, phase=None, summary=None, rating=None, **row) -> SessionAnalysis:
    """The check with one contraction alone, changed."""
    own = check.phases[1]
    if rating is not None:
        row["rating"] = replace(own.rating, **rating)
    changed = replace(
        own, phase=replace(own.phase, **(phase or {})), summaries=(replace(own.summary, **(summary or {})),), **row
    )
    return replace(check, phases=(changed,))


# -- phase by phase ---------------------------------------------------------------------------------------------------


def test_a_phase_is_a_row_of_its_summary(check) -> None:
    told = first_phase(
        check,
        {"number": 7, "start_s": 65.4, "end_s": 71.2, "planned_s": 6.0, "band": Band(22.5, 30)},
        {
            "mean_percent": 70.14, "sd_percent": 1.26, "cv_percent": 2.34, "steadiness_cv_percent": 1.25,
            "time_in_band_s": 4.56, "in_band_percent": 91.6, "longest_stay_s": 3.21, "n_excursions": 2,
            "time_to_band_s": 0.84, "rms_outside_percent": 3.35,
        },
        {"value": 4.5, "originals": (), "marks": ()},
    )  # fmt: skip
    (row,) = tabulate_phases(told).rows
    assert row == ("7 contract", "1:05", "6", "22.5–30", "70.1", "1.3", "2.3", "1.2", "4.6", "92", "3.2", "2", "0.8", "3.4", "4.5")  # fmt: skip  # noqa: E501
    assert tabulate_phases(told).head[:5] == ("phase", "start", "length, s", "band, %", "mean, %")
    assert tabulate_phases(told).note == "Effort in % of the maximum."


def test_what_is_not_known_is_a_dash_and_relaxing_has_no_variation(check) -> None:
    told = first_phase(check, {"band": None}, {"n_excursions": None, "mean_percent": None, "reason": "no maximum"})
    (row,) = tabulate_phases(told).rows
    assert (row[3], row[4], row[11]) == ("–", "–", "–")
    assert tabulate_phases(told).note == "Effort in % of the maximum. Not computed: phase 2: no maximum."
    relaxed = first_phase(check, {"kind": "passive"}, {"cv_percent": 400.0, "steadiness_cv_percent": 300.0})
    assert tabulate_phases(relaxed).rows[0][6:8] == ("–", "–")


@pytest.mark.parametrize(("end_s", "length"), [(5.4, "5 (cut)"), (5.5, "6"), (6.0, "6")])
def test_a_phase_that_was_cut_short_says_so_in_either_table(check, end_s, length) -> None:
    told = first_phase(check, {"start_s": 0.0, "end_s": end_s, "planned_s": 6.0})
    assert cells(tabulate_phases(told), "length, s") == cells(tabulate_said(told), "length, s") == [length]


def test_a_rating_is_shown_with_what_it_was_and_a_star_where_it_is_marked(check) -> None:
    def shown(**rating) -> str:
        return tabulate_phases(first_phase(check, rating=rating)).rows[0][-1]

    assert shown(value=4.0) == "4"
    assert shown(value=None) == "no answer"
    assert shown(value=4.5, originals=(6.0, 5.0)) == "4.5 (was 6)"
    assert shown(value=4.5, originals=(None,)) == "4.5 (was –)"
    assert shown(value=4.5, marks=("gap", "moved")) == "4.5*"
    marked = tabulate_phases(first_phase(check, rating={"marks": ("gap", "moved")}))
    assert marked.note == "Effort in % of the maximum. * marked and kept: phase 2: gap; moved."
    assert (
        tabulate_phases(replace(first_phase(check), phases=(replace(check.phases[1], rating=None),))).rows[0][-1] == "–"
    )


@pytest.mark.parametrize(
    ("spread", "shown"),
    [
        (UNCERTAIN_PERCENT, f"70.1 ± {2 * UNCERTAIN_PERCENT:.0f}"),
        (UNCERTAIN_PERCENT - 0.01, "70.1"),
        (np.nan, "70.1"),
        (7.0, "70.1 ± 14"),
    ],
)
def test_a_mean_says_its_doubt_of_two_standard_deviations_where_that_matters(check, spread, shown) -> None:
    spreads = np.full_like(check.trace.plus_minus_percent, 99.0)
    phase = check.phases[1].phase
    spreads[phase.first_level : phase.end_level] = spread
    told = first_phase(check, summary={"mean_percent": 70.14})
    told = replace(told, trace=replace(check.trace, plus_minus_percent=spreads))
    assert cells(tabulate_phases(told), "mean, %") == [shown]
    spreads[phase.first_level] = np.nan
    assert cells(tabulate_phases(told), "mean, %") == [shown], "what is not known is left out"


def test_a_session_by_feel_shows_what_was_asked_for_and_said(check) -> None:
    told = first_phase(check, {"felt": 2.0, "said_effort": 2.5, "start_s": 65.4, "end_s": 71.2}, rating={"value": 4.0})
    table = tabulate_said(told)
    assert table.rows == (("2 contract", "1:05", "6", "2", "2.5", "4"),)
    assert table.note == "No sensor: effort is what the athlete said after each contraction."
    silent = first_phase(check, rating={"marks": ("gap",)})
    assert tabulate_said(silent).rows[0][3:5] == ("–", "–")
    assert tabulate_said(silent).note.endswith("after each contraction. * phase 2: gap.")
    by_feel = replace(told, trace=replace(check.trace, account=replace(check.trace.account, channels=[RATING])))
    assert list_tables(by_feel)[0].head == table.head
    assert list_tables(told)[0].head == tabulate_phases(told).head
    assert "Effort and time in band" not in tabulate_ratings(by_feel).note
    assert "Effort and time in band" in tabulate_ratings(told).note


def test_further_channels_have_their_means_in_their_units(check) -> None:
    assert tabulate_other_channels(check) is None
    metre = Channel(name="slide", kind="position", unit="m")
    cm = Channel(name="reach", kind="position", unit="cm")
    trace = replace(check.trace, channels=(FORCE, EMG, metre, cm, RATING))
    means = [55.55, 31.26, 0.1234, 12.34, 6.0]
    row = replace(check.phases[1], summaries=tuple(replace(check.phases[1].summary, mean_percent=m) for m in means))
    table = tabulate_other_channels(replace(check, trace=trace, phases=(row,)))
    assert table.head == ("phase", "emg, % of its maximum", "slide, m", "reach, cm")
    assert table.rows == (("2 contract", "31.3", "0.123", "12.3"),)
    assert table.text_columns == (0,)
    assert tabulate_other_channels(replace(check, trace=trace, phases=())) is None
    guided = replace(check, trace=replace(trace, guide=1), phases=(replace(row, guide=1),))
    assert tabulate_other_channels(guided).head == ("phase", "force, % of its maximum", "slide, m", "reach, cm")


def test_words_stand_to_the_left_and_numbers_to_the_right(check) -> None:
    """Column by column: what holds words is text, what holds numbers, dashes and intervals is none."""
    chosen = {"choice": BandChosen(phase_index=1, band=Band(60, 80), by="rule", reason="so")}
    several = replace(
        check, phases=(*check.phases, first_phase(check, chosen).phases[0]),
        control=Control(whole=-2.0, remote=-1.0, local=-1.0, low=-2.0, high=0.0, n_pairs=4, p_less=0.03),
        ratings=tuple(replace(link, marks=("gap",)) for link in check.ratings),
        response=replace(
            check.response, contrasts=tuple(replace(c, marks=("gap",)) for c in check.response.contrasts)
        ),
    )  # fmt: skip
    tables = [*list_tables(several), tabulate_said(several)]
    names = {table.title: [table.head[k] for k in table.text_columns] for table in tables}
    assert names == {
        "Phase by phase": ["phase"],
        "Each contraction against its neighbours": ["contraction", "remark"],
        "With a control": [],
        "How much effort": ["band held"],
        "Bands chosen on the way": ["phase", "by", "why"],
        "How the contractions lasted": ["contraction in phase"],
        "Each rating and what went before it": ["rating", "phase", "remark"],
    }
    for table in tables:
        for k, column in enumerate(zip(*table.rows, strict=True)):
            holds_words = any(
                word.isalpha() and len(word) > 1 and word not in ("to", "cut") for c in column for word in c.split()
            )
            assert not holds_words or k in table.text_columns, (table.title, table.head[k])


# -- contractions and sets --------------------------------------------------------------------------------------------


def trend(slope: float | None, low: float | None = None, high: float | None = None) -> Trend:
    return make(Trend, n=9, reason="", slope=slope, low=low, high=high)


def test_how_a_contraction_lasted_and_tired(check) -> None:
    (hold, *_) = check.holds
    emg = EmgFatigue(9, 101.4, trend(-0.54, -0.8, -0.21), trend(1.0), hum_share=0.123)
    other = replace(emg, hum_share=0.4, reason="too short")
    long = replace(hold.phase, number=4, start_s=0.0, end_s=10.0)
    told = replace(
        hold, phase=long, exit=BandExit(1.0, 9.26), slope=trend(-1.26, -2.0, -0.5), tired_percent=12.4,
        left_percent=3.6, emg=(("emg", emg), ("other", other)),
    )  # fmt: skip
    analysis = replace(check, holds=(told,), settings={**check.settings, "joint": "knee"})
    table = tabulate_holds(analysis)
    assert table.rows == (
        ("4", "8.3", "−1.3 (−2.0 to −0.5)", "12", "4", "101", "−0.5 (−0.8 to −0.2)", "1.0 (unknown)",
         "101", "−0.5 (−0.8 to −0.2)", "1.0 (unknown)"),
    )  # fmt: skip
    assert len(table.head) == 5 + 2 * 3
    assert "Too short. Mains hum held up to 40 % of the power; median frequencies are without it." in table.note
    assert "three-compartment model for knee (Frey-Law et al. 2012)" in table.note
    short = replace(told, phase=replace(long, end_s=9.99), exit=BandExit(1.0, None))
    plain = tabulate_holds(replace(check, holds=(replace(short, emg=()),)))
    assert plain.rows[0][:3] == ("4", "–", "–")
    assert "hum" not in plain.note
    assert tabulate_holds(replace(check, holds=())) is None
    unknown = replace(told, slope=trend(None), emg=())
    assert tabulate_holds(replace(check, holds=(unknown,))).rows[0][2] == "–"
    for low, high in ((None, -0.5), (-2.0, None)):
        half = replace(told, slope=trend(-1.26, low, high), emg=())
        assert tabulate_holds(replace(check, holds=(half,))).rows[0][2] == "−1.3 (unknown)"


def test_sets_to_fatigue_are_compared_with_the_first(check) -> None:
    """Lost after 20, 15 and never; 60 s from the end of one to the start of the next."""
    (hold, *_) = check.holds

    def one(number, start_s, length_s, left_s, **phase):
        own = replace(
            hold.phase, number=number, until=BAND_LOST, band=Band(80, 100), start_s=start_s, end_s=start_s + length_s,
            lost_s=2.0, **phase,
        )  # fmt: skip
        return replace(hold, phase=own, exit=BandExit(0.5, left_s))

    sets = (
        one(1, 0.0, 22.0, 20.0, ended_for="band lost"),
        one(3, 82.0, 17.0, 15.0, closed_by="stop", ended_for=""),
        one(5, 159.0, 30.0, None, closed_by="end", ended_for=""),
    )
    told = replace(check, holds=(hold, *sets))
    table = tabulate_sets(told)
    assert table.rows == (
        ("1", "80–100", "20.0", "0", "22.0", "60", "band lost"),
        ("3", "80–100", "15.0", "−25", "17.0", "60", "stopped"),
        ("5", "80–100", "–", "–", "30.0", "–", "longest duration"),
    )
    assert table.note.startswith("Lost: below the band for 2 s in a row;")
    assert table.text_columns == (0, 6)
    assert tabulate_sets(check) is None
    never_first = replace(check, holds=(sets[2], sets[1]))
    assert cells(tabulate_sets(never_first), "against the first, %") == ["–", "0"]
    free = replace(check, holds=(replace(sets[0], phase=replace(sets[0].phase, band=None)),))
    assert cells(tabulate_sets(free), "band, %") == ["–"]


def curve(**changes) -> LearningCurve:
    facts = {"start": 12.0, "floor": 4.0, "rate": 0.2, "low": 0.1, "high": 0.34, "reason": "no reason"}
    given = {name: facts.get(name) for name in LearningCurve.__dataclass_fields__} | facts
    given |= {name: () for name, value in given.items() if value is None and name == "band"}
    return SimpleNamespace(**(given | {"improves": True} | changes))


def test_a_learning_curve_is_told_only_where_all_of_it_is_known() -> None:
    assert describe_curve(curve()) == (
        "the error falls from 12.0 towards 4.0, 20 % of what is left a repeat (95 % interval 10 to 34)"
    )
    for name in ("rate", "low", "high", "start", "floor"):
        assert describe_curve(curve(**{name: None})) == "no learning curve: no reason"
    assert describe_curve(curve(improves=False)) == "no fall of the error beyond its scatter"


# -- ratings ----------------------------------------------------------------------------------------------------------


def test_a_rating_stands_with_what_went_before_it(check) -> None:
    link = replace(
        check.ratings[0], number=3, time_s=65.4, kind="contract", value=4.5, mean_percent=70.14, in_band_percent=91.6,
        passive_tension=12.345, tension_unit="N", in_phase_s=5.4, in_stretch_s=40.6, position_drift=None,
        position_unit="", marks=("gap", "moved"),
    )  # fmt: skip
    table = tabulate_ratings(replace(check, ratings=(link,)))
    assert table.rows == (("3", "1:05", "contract", "4.5", "70.1", "92", "12.3", "5", "41", "gap; moved"),)
    assert table.head[6] == "passive tension, N"
    assert table.text_columns == (0, 2, 9)
    assert table.note.endswith("Passive tension counts from the zero.")
    moved = replace(link, passive_tension=None, position_drift=0.0123, position_unit="m", kind="", value=None)
    table = tabulate_ratings(replace(check, ratings=(moved,)))
    assert table.rows == (("3", "1:05", "–", "no answer", "70.1", "92", "5", "41", "0.012", "gap; moved"),)
    assert table.head[8] == "position drift, m"
    assert "tension" not in table.note
    turned = replace(moved, position_drift=1.26, position_unit="deg")
    assert tabulate_ratings(replace(check, ratings=(turned,))).rows[0][8] == "1.3"
    kilo = replace(check, ratings=(link, moved), maximum=replace(check.maximum, strength=0.4))
    assert [row[6] for row in tabulate_ratings(kilo).rows] == ["12.345", "–"]
    assert [row[8] if len(row) > 10 else "" for row in tabulate_ratings(kilo).rows]
    assert tabulate_ratings(replace(check, ratings=())) is None


def test_contrasts_have_their_change_and_what_speaks_against_it(check) -> None:
    first, second, *_ = check.response.contrasts
    contrasts = (
        replace(first, cycle=1, before=6.0, during=4.0, after=5.5, change=-1.75, marks=("gap",), reason=""),
        replace(second, cycle=2, before=None, during=4.0, after=5.0, change=None, marks=("moved",), reason="not rated"),
    )
    response = replace(
        check.response, contrasts=contrasts, mean_change=-1.75, low=-2.5, high=-1.0, nap=0.9, nap_error=0.05, tau=0.8,
        test=make(RandomisationTest, 0, p_less=0.0123, p_more=0.5),
        test_reason="drawn by lot", notes=("one",),
        without_marked=replace(check.response, mean_change=-1.0, word="less", reason="so"),
    )  # fmt: skip
    table = tabulate_contrasts(replace(check, response=response))
    assert table.rows == (
        ("1", "6.0", "4.0", "5.5", "−1.75", "gap"),
        ("2", "–", "4.0", "5.0", "–", "not rated; moved"),
    )
    assert table.note == (
        "mean change −1.75 (95 % interval −2.50 to −1.00); contracting was rated lower in 90 of 100 pairs with a "
        "relaxed rating, ties half (NAP 0.90, roughly 0.80 to 1.00); the same with the relaxed ratings' own trend "
        "taken out (Tau) +0.80, from −1 to 1; p = 0.0123 for less, 0.5 for more: drawn by lot; without the marked "
        "ratings −1.00 (less: so). One."
    )
    for changes in ({"low": None}, {"high": None}, {"mean_change": None}):
        assert "mean change" not in tabulate_contrasts(replace(check, response=replace(response, **changes))).note
    for error in (None, 0.0):
        assert "(NAP 0.90)" in tabulate_contrasts(replace(check, response=replace(response, nap_error=error))).note
    unknown = replace(response, nap=None, tau=None, test=None, without_marked=replace(response, mean_change=None))
    note = tabulate_contrasts(replace(check, response=unknown)).note
    assert note.endswith("to −1.00); drawn by lot. One.")
    assert "NAP" not in note
    assert tabulate_contrasts(replace(check, response=replace(response, contrasts=()))) is None


def test_the_dose_in_numbers(check) -> None:
    dose = check.dose
    (held,) = dose.held
    level = replace(held.level, change=-1.96, low=-2.84, high=-1.04, chance_percent=61.6)
    held = replace(held, band=Band(60, 80), effort_percent=69.6, n=4, rated=-2.04, level=level)
    fit = make(EmaxFit, effect_max=-2.46, effect_max_error=0.34, half_x=30.4, half_x_error=12.6)
    test = make(RandomisationTest, 0, p_less=0.0123)
    told = replace(
        check, dose=replace(dose, held=(held,), wanted_points=1.8, saturation=fit, misfit=""), dose_test=test
    )
    table = tabulate_dose(told)
    assert table.rows == (("60–80 %", "70 %", "4", "−2.0", "−2.0", "−2.8 to −1.0", "62 %"),)
    assert table.head[-1] == "chance of 1.8 points less"
    assert table.note == (
        "The curve by least squares: −2.5 ± 0.3 points at most, half of it at 30 ± 13 %. More effort, less discomfort: "
        "p = 0.012 over the orders that could have been drawn. Efforts between and beyond these bands were not tried."
    )
    for changes in (
        {"effect_max": None},
        {"half_x": None},
        {"effect_max_error": None},
        {"half_x_error": None},
        {"half_x": 100.1},
    ):
        other = replace(told, dose=replace(told.dose, saturation=replace(fit, **changes)), dose_test=None)
        assert tabulate_dose(other).note == "Efforts between and beyond these bands were not tried."
    edge = replace(told, dose=replace(told.dose, saturation=replace(fit, half_x=100.0)))
    assert "half of it at 100" in tabulate_dose(edge).note
    assert tabulate_dose(replace(told, dose=replace(told.dose, n_points=0))) is None


def test_bands_that_were_chosen_on_the_way(check) -> None:
    def choose(by, phase_index):
        return BandChosen(phase_index=phase_index, band=Band(22.5, 32.5), by=by, reason="it teaches most")

    chosen = first_phase(check, {"choice": choose("rule", 1), "band": Band(22.5, 32.5)})
    assert tabulate_choices(chosen).rows == (("2", "22.5–32.5 %", "the plan", "It teaches most"),)
    by_hand = first_phase(check, {"choice": choose("coach", 1), "band": Band(22.5, 32.5)})
    assert tabulate_choices(by_hand).rows[0][2] == "coach"
    assert tabulate_choices(first_phase(check, {"choice": choose("rule", 1), "band": None})) is None
    assert tabulate_choices(check) is None


# -- the rest ---------------------------------------------------------------------------------------------------------


def test_a_control_in_numbers(check) -> None:
    assert tabulate_control(check) is None
    control = Control(whole=-2.04, remote=-0.96, local=-1.08, low=-1.96, high=-0.24, n_pairs=4, p_less=0.0312)
    table = tabulate_control(replace(check, control=control))
    assert table.rows == (("-2.0", "-1.0", "-1.1", "-2.0 to -0.2", "4", "0.0312"),)
    for changes in ({"low": None}, {"high": None}):
        unknown = tabulate_control(replace(check, control=replace(control, p_less=None, **changes)))
        assert unknown.rows[0][3:] == ("–", "4", "–")


def test_ranges_before_and_after(check) -> None:
    def read(when, value):
        return SimpleNamespace(at="limit", unit="cm", method="", contracting=False, when=when, value=value)

    def told(*reads):
        account = replace(check.trace.account, ranges=list(reads))
        return tabulate_ranges(replace(check, trace=replace(check.trace, account=account)))

    before, after = (read("before", 40.0), read("before", 41.0)), (read("after", 46.0), read("after", 46.5))
    table = told(*before, *after)
    (row,) = table.rows
    assert row[:3] == ("limit", "40, 41", "46, 46.5")
    assert table.text_columns == (0, 1, 2, 5)
    sem = np.sqrt((0.5 + 0.125) / 2)  # pooled within-pair variance of two repeats, twice
    assert row[3] == f"{sem:.1f}"
    assert row[5].startswith("+5.8 cm: ")
    assert told(*before).rows[0][1:3] == ("40, 41", "–")
    assert told(*before).rows[0][5] == "–"
    assert told(*after).rows[0][1] == "–"
    assert told(before[0]).rows[0][3:5] == ("–", "–")
    assert told() is None
    assert "repeats to 3.3 degrees" in table.note


def test_attempts_with_their_verdict(check) -> None:
    from biofeedback.account.values import Attempt
    from biofeedback.analysis.answer import AttemptRow

    good = Attempt("emg", "uV", 352.14, 371.2, 0.01, 0.001, 1.0, 3.46, True, "")
    rows = (
        AttemptRow(1, good),
        AttemptRow(2, replace(good, value=None, accepted=False, reason="too short"), marks=("gap",)),
    )
    table = tabulate_attempts(replace(check, attempts=rows))
    assert table.rows == (
        ("1", "352.1 µV", "371.2 µV", "3.5 s", "counts"),
        ("2", "–", "371.2 µV", "3.5 s", "set aside: too short; gap"),
    )
    assert table.text_columns == (0, 4)


def settings_of(check: SessionAnalysis, **changes) -> dict[str, str]:
    return dict(list_settings(replace(check, settings={**check.settings, **changes})))


def test_settings_say_how_the_recording_was_made(check) -> None:
    shown = settings_of(check, covariates=["warmth", "massage"], joint="hip", simulated=True, limit=8)
    assert shown["Before"] == "warmth, massage"
    assert shown["Joint"] == "hip; no model for the hip: knee used"
    assert shown["Simulated"] == "yes"
    assert shown["Agreed discomfort limit"] == "8"
    plain = settings_of(check, simulated=False)
    assert plain["Simulated"] == "no"
    assert "Before" not in plain
    assert "Position limits of this exercise" not in plain
    assert plain["Sample rate"] == f"100 Hz; effort every {1000 / check.trace.level_rate_hz:.3g} ms"
    assert plain["Channels"] == f"force (force, N, 1 per count, shown {1000 * check.trace.delay_s[0]:.0f} ms late)"
    lost = replace(check, trace=replace(check.trace, gaps=(Gap(0, 150, "x"), Gap(500, 55, "x"))))
    assert dict(list_settings(lost))["Recorded"] == f"{format_clock(check.trace.duration_s)} min, 2.0 s of it missing"
    envelope = replace(check, trace=replace(check.trace, channels=(replace(EMG, factor=0.5),)))
    assert dict(list_settings(envelope))["Channels"].startswith("emg (emg, envelope, µV, 0.5 per count, shown ")


def test_limits_of_an_exercise_are_told_with_their_lever(check) -> None:
    own = {"warn": 2.0, "fail": 4.0, "unit": "cm"}
    at = "Position limits of this exercise"
    assert settings_of(check, drift=own, lever_m=0.35)[at].endswith(", read 0.35 m from the joint")
    from biofeedback.calibration.position import USUAL_LEVER_M

    assert settings_of(check, drift=own)[at].endswith(f", read {USUAL_LEVER_M:.2f} m from the joint")


@pytest.mark.parametrize(
    ("facts", "shown"),
    [
        (
            {"plain_independent_hz": 25.0, "independent_hz": 100.0},
            "about 10 % of its value in an even contraction, 20 %",
        ),
        ({"plain_independent_hz": 25.0}, "about 5 % of its value in an even contraction, 10 %"),
        ({"independent_hz": 100.0}, "about 5 % of its value in an even contraction, 10 %"),
        ({"bandwidth_after_hz": 0.0}, ""),
    ],
)
def test_how_restless_muscle_activity_is_comes_from_what_was_measured_else_from_the_spectrum(
    check, facts, shown
) -> None:
    """1 / (2 sqrt(B T)) with T = 0.25 s: 10 % at 100 Hz, 20 % at 25, 5 % at 400 (Bendat & Piersol, random error)."""
    whitener = Whitener((1.0,), 1000.0, **({"bandwidth_before_hz": 100.0, "bandwidth_after_hz": 400.0} | facts))
    maximum = replace(check.maximum, channel="emg", whitener=whitener)
    told = dict(list_settings(replace(check, trace=replace(check.trace, maxima=((0, maximum), (5, check.maximum))))))
    name = "Muscle activity wanders by itself"
    assert (name in told) == bool(shown)
    if shown:
        assert told[name] == f"emg: {shown} without the filter learnt at its maximum"
    assert name not in settings_of(check)


def test_a_table_without_findings_is_left_out_and_columns_of_dashes_go() -> None:
    table = Table("T", ("a", "b", "c", "d"), (("1", "–", "", "x"), ("2", "–", "–", "–")), (0, 2, 3), "note")
    assert trim(table) == Table("T", ("a", "d"), (("1", "x"), ("2", "–")), (0, 1), "note")
    assert trim(Table("T", ("a", "b"), (("1", "–"), ("2", "")))) is None
    assert trim(Table("T", ("a", "b"), ())) is None


@pytest.mark.parametrize(
    ("size", "digits"),
    [(0.0, 1), (-1.0, 1), (1000.0, 1), (99.9, 1), (10.0, 1), (9.99, 2), (1.0, 2), (0.99, 3), (0.01, 4), (1e-4, 6),
     (1e-9, 6)],
)  # fmt: skip
def test_a_number_has_three_digits_that_mean_something(size, digits) -> None:
    assert find_digits(size) == digits


def test_numbers_are_written_as_people_read_them() -> None:
    assert [number(v, 1) for v in (None, -0.04, 0.06, -1.26)] == ["–", "0.0", "0.1", "−1.3"]
    assert [signed(v) for v in (-0.04, 0.06, -1.26)] == ["+0.0", "+0.1", "−1.3"]
    assert signed(-1.256, 2) == "−1.26"
    assert [count(n, "phase") for n in (0, 1, 2)] == ["0 phases", "1 phase", "2 phases"]
    assert [format_clock(s) for s in (0.4, 59.6, 65, 3600)] == ["0:00", "1:00", "1:05", "60:00"]
