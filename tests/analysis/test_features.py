"""One recording as a row of numbers: each cell worked out once more from what was put in."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.fatigue import BandExit, EmgFatigue
from biofeedback.analysis.features import extract_features
from biofeedback.analysis.trends import Trend
from biofeedback.model import Band, Gap

from .made_session import make_check


@pytest.fixture(scope="module")
def check():
    return analyse_recording(make_check(passive=(6, 7, 5), contract=(4, 3)))


def summarised(check, facts):
    """The check's two contractions with these summaries."""
    facts = iter(facts)
    rows = []
    for row in check.phases:
        if row.phase.meaning.contracts:
            row = replace(row, summaries=(replace(row.summary, **next(facts)),))  # noqa: PLW2901
        rows.append(row)
    return replace(check, phases=tuple(rows))


FIRST = {
    "counted_s": 10.0, "mean_percent": 60.0, "sd_percent": 2.0, "cv_percent": 3.0, "steadiness_cv_percent": 1.0,
    "highest_percent": 66.0, "in_band_percent": 90.0, "rms_outside_percent": 1.5, "longest_stay_s": 4.0,
    "n_excursions": 2, "time_to_band_s": 1.0, "bad_percent": 10.0,
}  # fmt: skip
SECOND = {
    "counted_s": 30.0, "mean_percent": 80.0, "sd_percent": 4.0, "cv_percent": 5.0, "steadiness_cv_percent": 3.0,
    "highest_percent": 90.0, "in_band_percent": 50.0, "rms_outside_percent": 3.5, "longest_stay_s": 9.0,
    "n_excursions": 3, "time_to_band_s": 2.0, "bad_percent": 0.0,
}  # fmt: skip


def test_effort_is_averaged_by_the_time_that_counted() -> None:
    check = analyse_recording(make_check(passive=(6, 7, 5), contract=(4, 3)))
    cells = extract_features(summarised(check, [FIRST, SECOND]))
    weighted = {
        "effort_mean_percent": 75.0, "effort_sd_percent": 3.5, "effort_cv_percent": 4.5, "steadiness_cv_percent": 2.5,
        "in_band_percent": 60.0, "rms_outside_percent": 3.0,
    }  # fmt: skip
    assert {name: cells[name] for name in weighted} == pytest.approx(weighted)
    plain = {
        "n_contract": 2, "n_passive": 3, "effort_highest_percent": 90.0, "longest_stay_s": 9.0, "n_excursions": 5,
        "time_to_band_s": 1.5, "bad_signal_percent": 5.0, "band_low_percent": 60, "band_high_percent": 80,
    }  # fmt: skip
    assert {name: cells[name] for name in plain} == plain
    relaxed = [row.summary for row in check.phases if not row.phase.meaning.contracts]
    mean = np.average([s.mean_percent for s in relaxed], weights=[s.counted_s for s in relaxed])
    assert cells["passive_effort_mean_percent"] == pytest.approx(mean)


def test_what_is_not_known_is_left_out_of_every_mean(check) -> None:
    unknown = dict.fromkeys(name for name in FIRST if name not in ("counted_s", "bad_percent"))
    cells = extract_features(summarised(check, [FIRST | unknown, SECOND]))
    assert cells["effort_mean_percent"] == 80.0
    assert (cells["n_excursions"], cells["time_to_band_s"], cells["longest_stay_s"]) == (3, 2.0, 9.0)
    uncounted = extract_features(summarised(check, [FIRST | {"counted_s": 0.0}, SECOND]))
    assert uncounted["effort_mean_percent"] == 80.0
    none = extract_features(summarised(check, [FIRST | unknown, SECOND | unknown]))
    empty = ("effort_mean_percent", "effort_highest_percent", "longest_stay_s", "time_to_band_s", "in_band_percent")
    assert [none[name] for name in empty] == [None] * 5
    assert none["n_excursions"] == 0
    relaxed = extract_features(replace(check, phases=check.phases[:1]))
    assert (relaxed["n_contract"], relaxed["bad_signal_percent"], relaxed["band_low_percent"]) == (0, None, None)


def test_a_band_is_told_where_all_contractions_had_the_same(check) -> None:
    rows = list(check.phases)
    rows[1] = replace(rows[1], phase=replace(rows[1].phase, band=Band(60, 90)))
    cells = extract_features(replace(check, phases=tuple(rows)))
    assert (cells["band_low_percent"], cells["band_high_percent"]) == (60, None)
    rows[1] = replace(rows[1], phase=replace(rows[1].phase, band=None))
    assert extract_features(replace(check, phases=tuple(rows)))["band_low_percent"] is None


def test_discomfort_is_that_of_who_answered(check) -> None:
    cells = extract_features(check)
    wanted = {
        "n_ratings": 5, "n_no_answer": 0, "n_marked": 0, "discomfort_start": 6, "discomfort_passive_mean": 6.0,
        "discomfort_contract_mean": 3.5, "n_contrasts": 2, "answer": check.response.word, "advice": check.dose.advice,
        "change_mean": check.response.mean_change, "change_mean_without_marked": check.response.mean_change,
        "nap": check.response.nap, "drift_per_min": check.response.drift_per_min.slope,
        "came_back": check.response.came_back,
    }  # fmt: skip
    assert {name: cells[name] for name in wanted} == wanted
    rows, links = list(check.phases), list(check.ratings)
    rows[0] = replace(rows[0], rating=replace(rows[0].rating, value=None))
    rows[2] = replace(rows[2], rating=replace(rows[2].rating, marks=("gap",)))
    rows[1] = replace(rows[1], rating=None)
    links[0] = replace(links[0], value=None)
    clean = replace(check.response, mean_change=-9.0)
    told = replace(
        check, phases=tuple(rows), ratings=tuple(links), response=replace(check.response, without_marked=clean)
    )
    cells = extract_features(told)
    wanted = {"n_ratings": 4, "n_no_answer": 1, "n_marked": 1, "discomfort_start": 7, "discomfort_passive_mean": 6.0,
              "discomfort_contract_mean": 3.0, "change_mean_without_marked": -9.0}  # fmt: skip
    assert {name: cells[name] for name in wanted} == wanted
    bare = extract_features(replace(check, phases=(replace(check.phases[0], rating=None),)))
    assert (bare["discomfort_start"], bare["discomfort_passive_mean"], bare["discomfort_contract_mean"]) == (None,) * 3


def trend(slope):
    return Trend(slope, None, None, None, 9)


def test_fatigue_is_the_median_over_contractions_and_the_first_to_leave_its_band(check) -> None:
    (first, second) = check.holds
    third = replace(second, slope=trend(None), exit=BandExit(None, None), emg=(), tired_percent=None)

    def emg(start, slope):
        return (("emg", EmgFatigue(9, start, None if slope is None else trend(slope))), ("other", EmgFatigue(9, 1.0)))

    first = replace(first, slope=trend(-2.0), exit=BandExit(1.0, 9.0), emg=emg(100.0, -0.5), tired_percent=12.0)
    second = replace(second, slope=trend(-5.0), exit=BandExit(1.0, 6.0), emg=emg(90.0, None), tired_percent=20.0)
    links = [replace(link, passive_tension=value) for link, value in zip(check.ratings, [None, 5.0, 6.0, 8.0, None], strict=True)]  # fmt: skip  # noqa: E501
    cells = extract_features(replace(check, holds=(first, second, third), ratings=tuple(links)))
    wanted = {
        "effort_slope_percent_per_min": -3.5, "n_left_band": 2, "left_band_after_s": 5.0, "median_frequency_hz": 95.0,
        "median_frequency_slope_percent_per_s": -0.5, "tired_percent": 20.0, "passive_tension_first": 5.0,
        "passive_tension_last": 8.0,
    }  # fmt: skip
    assert {name: cells[name] for name in wanted} == wanted
    none = extract_features(replace(check, holds=(third,), ratings=()))
    assert {none[name] for name in wanted if name != "n_left_band"} == {None}
    assert none["n_left_band"] == 0


def test_who_when_and_what_was_missing(check) -> None:
    trace = replace(check.trace, gaps=(Gap(0, 50, "x"), Gap(100, 25, "x")))
    settings = {**check.settings, "joint": "", "simulated": True, "covariates": ["heat", "long walk"]}
    plans = (SimpleNamespace(name="one"), SimpleNamespace(name="two"))
    told = replace(check, trace=trace, settings=settings, plans=plans)
    cells = extract_features(told)
    wanted = {
        "athlete": "A01", "joint": None, "simulated": 1, "before": "warmth", "plans": "one; two", "missing_s": 0.75,
        "n_gaps": 2, "n_stops": 0, "n_doubts": 0, "maximum": 400.0, "maximum_unit": "N", "maximum_method": "typed",
        "duration_s": trace.duration_s,
    }  # fmt: skip
    assert {name: cells[name] for name in wanted} == wanted
    bare = extract_features(replace(told, maximum=None, plans=(), settings={}))
    names = ("maximum", "maximum_unit", "maximum_method", "plans", "before", "athlete", "simulated")
    assert [bare[name] for name in names] == [None] * 7
    assert list(bare) == list(cells), "the same names in the same order"
