"""Numbers of a session worked out once more, level by level and rating by rating, in the plainest way there is."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from biofeedback.account.records import DWELL_S, GRACE_S, HYSTERESIS_PERCENT
from biofeedback.analysis.answer import (
    PhaseRow,
    analyse_recording,
    list_dose_points,
    rank_drawn_levels,
    rate_phases,
)
from biofeedback.analysis.phases import BAD_FLAGS, find_runs, find_stays, summarise_phase
from biofeedback.analysis.response import (
    Contrast,
    RatedPhase,
    compute_response,
    gather_ratings,
    make_contrasts,
    may_come_late,
)
from biofeedback.model import Band, Flag

from .made_session import MadeSession, make_check

RATE_HZ = 50.0
BAND = Band(20, 30)


# -- one phase --------------------------------------------------------------------------------------------------------


def count_slowly(values, low, high, hysteresis, n_dwell):
    """Stays in the band, level by level, as they are described: in, out by more than the hysteresis, unknown is out."""
    states, state = [], False
    for value in values:
        if np.isnan(value):
            state = False
        elif low <= value <= high:
            state = True
        elif value < low - hysteresis or value > high + hysteresis:
            state = False
        states.append(state)
    k = 0
    while k < len(states):  # short ways out between two stays are none
        if states[k]:
            k += 1
            continue
        end = next((i for i in range(k, len(states)) if states[i]), len(states))
        if k > 0 and end < len(states) and end - k <= n_dwell and not np.isnan(values[k:end]).any():
            states[k:end] = [True] * (end - k)
        k = end
    return states


def runs_of(states):
    return [len(run) for run in "".join(" x"[state] for state in states).split()]


@pytest.mark.parametrize("seed", range(12))
def test_a_phase_is_counted_as_it_would_be_by_hand(seed) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(150, 400))
    values = 25 + np.cumsum(rng.normal(0, 0.9, n)) * rng.choice([0.2, 0.6, 1.0])
    for _ in range(int(rng.integers(0, 4))):
        first = int(rng.integers(0, n))
        values[first : first + int(rng.integers(1, 20))] = np.nan
    grace_s = float(rng.choice([0.0, 1.0, 2.0]))
    hysteresis, dwell_s = float(rng.choice([0.5, 1.0])), float(rng.choice([0.1, 0.2]))
    flags = np.where(rng.random(n) < 0.1, np.uint16(Flag.HUM), np.uint16(0)) | np.where(
        np.isnan(values), np.uint16(Flag.MISSING), np.uint16(0)
    )
    summary = summarise_phase(
        values, flags, level_rate_hz=RATE_HZ, band=BAND, grace_s=grace_s, hysteresis_percent=hysteresis, dwell_s=dwell_s
    )
    start = round(grace_s * RATE_HZ)
    counted = [v for v in values[start:] if not np.isnan(v)]
    states = count_slowly(values, 20, 30, hysteresis, round(dwell_s * RATE_HZ))
    assert (
        find_stays(values, BAND, level_rate_hz=RATE_HZ, hysteresis_percent=hysteresis, dwell_s=dwell_s).tolist()
        == states
    )
    states = states[start:]
    entry = next((k for k, v in enumerate(values) if 20 <= v <= 30), None)
    assert summary.counted_s == len(counted) / RATE_HZ
    assert summary.missing_s == sum(np.isnan(values)) / RATE_HZ
    assert summary.bad_percent == pytest.approx(100 * sum(flag != 0 for flag in flags) / n)
    assert summary.time_to_band_s == (None if entry is None else entry / RATE_HZ)
    mean, sd = np.mean(counted), np.std(counted, ddof=1)
    assert (summary.mean_percent, summary.sd_percent) == pytest.approx((mean, sd))
    places = [k for k, v in enumerate(values[start:]) if not np.isnan(v)]
    line = stats.linregress(places, counted)
    left = np.array(counted) - line.intercept - line.slope * np.array(places)
    steady = np.sqrt(np.sum(left**2) / (len(counted) - 2))
    has_mean = mean >= 1
    for cv, spread in ((summary.cv_percent, sd), (summary.steadiness_cv_percent, steady)):
        assert (cv == pytest.approx(100 * spread / mean)) if has_mean else (cv is None)
    assert summary.highest_percent == max(counted)
    inside = [v for v in counted if 20 <= v <= 30]
    assert summary.time_in_band_s == len(inside) / RATE_HZ
    assert summary.in_band_percent == pytest.approx(100 * len(inside) / len(counted))
    assert summary.rms_outside_percent == pytest.approx(
        np.sqrt(np.mean([max(20 - v, v - 30, 0) ** 2 for v in counted]))
    )
    assert summary.longest_stay_s == max(runs_of(states), default=0) / RATE_HZ
    assert summary.n_excursions == sum(a and not b for a, b in pairwise(states))
    assert ("the band was never reached" in summary.reason) == (entry is None)
    assert ("no CV" in summary.reason) != has_mean


@pytest.mark.parametrize("flag", [Flag.MISSING, Flag.CLIPPED, Flag.FLAT, Flag.HUM, Flag.ELECTRODE, Flag.SPIKE])
def test_every_fault_of_the_signal_is_counted_as_bad(flag) -> None:
    flags = np.zeros(100, np.uint16)
    flags[:30] = flag
    assert summarise_phase(np.full(100, 25.0), flags, level_rate_hz=RATE_HZ).bad_percent == 30.0
    assert BAD_FLAGS & flag == flag


def test_a_level_that_only_settles_is_not_bad_and_no_levels_are_not_either() -> None:
    flags = np.full(100, Flag.SETTLING, np.uint16)
    assert summarise_phase(np.full(100, 25.0), flags, level_rate_hz=RATE_HZ).bad_percent == 0.0
    nothing = summarise_phase(np.empty(0), np.empty(0, np.uint16), level_rate_hz=RATE_HZ)
    assert (nothing.bad_percent, nothing.counted_s, nothing.reason) == (0.0, 0.0, "over within the grace")


@pytest.mark.parametrize(
    ("values", "grace_s", "reason", "has_mean"),
    [
        ([25.0] * 103, 2.0, "", True),
        ([25.0] * 102, 2.0, "effort unknown: no maximum, or no signal", False),
        ([25.0] * 101, 2.0, "effort unknown: no maximum, or no signal", False),
        ([25.0] * 100, 2.0, "over within the grace", False),
        ([np.nan] * 200, 2.0, "effort unknown: no maximum, or no signal", False),
        ([np.nan] * 200 + [25.0] * 3, 2.0, "", True),
        ([1.0] * 5, 0.0, "", True),
        ([0.99] * 5, 0.0, "no CV: mean effort below 1 %", True),
    ],
)
def test_what_is_too_short_or_too_light_says_why_nothing_is_made_of_it(values, grace_s, reason, has_mean) -> None:
    flags = np.zeros(len(values), np.uint16)
    summary = summarise_phase(np.array(values), flags, level_rate_hz=RATE_HZ, grace_s=grace_s)
    assert summary.reason == reason
    assert (summary.mean_percent is not None) == has_mean
    assert (summary.cv_percent is None) == bool(reason)


def test_the_rules_of_counting_are_those_on_record_unless_a_plan_says_otherwise() -> None:
    assert (GRACE_S, HYSTERESIS_PERCENT, DWELL_S) == (2.0, 1.0, 0.2)
    values = np.concatenate(
        [np.full(100, 25.0), np.full(10, 18.9), np.full(100, 25.0), np.full(11, 18.9), np.full(9, 25.0)]
    )
    summary = summarise_phase(values, np.zeros(values.size, np.uint16), level_rate_hz=RATE_HZ, band=BAND)
    assert (summary.counted_s, summary.n_excursions) == ((values.size - 100) / RATE_HZ, 1)
    assert find_runs(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert find_runs(np.array([], dtype=bool)) == []


# -- the response -----------------------------------------------------------------------------------------------------


def phases_of(*rated, step_s=30.0) -> list[RatedPhase]:
    """``("R", 6)`` relaxed and ``("C", 4)`` contracting, 30 s apart."""
    kinds = {"R": "passive", "C": "contract"}
    return [
        RatedPhase(kinds[kind], rating, step_s * k, **(more[0] if more else {}))
        for k, (kind, rating, *more) in enumerate(rated)
    ]


RATED = phases_of(("R", 6), ("C", 4), ("R", 7), ("C", 4.5), ("R", 6.5), ("C", 3), ("R", 6), ("C", 5), ("R", 7.5))


def test_every_number_of_a_response_by_hand() -> None:
    response = compute_response(RATED)
    relaxed, working = [6, 7, 6.5, 6, 7.5], [4, 4.5, 3, 5]
    assert (response.n_rated, response.n_contrasts, response.rounding) == (9, 4, 0.5)
    assert response.relaxed_over_min == 4.0
    assert response.fell == pytest.approx(np.mean([4 - 6, 4.5 - 7, 3 - 6.5, 5 - 6]))
    assert response.came_back == pytest.approx(np.mean([7 - 4, 6.5 - 4.5, 6 - 3, 7.5 - 5]))
    assert response.mean_passive == pytest.approx(np.mean(working) - response.mean_change)
    assert response.change_percent == pytest.approx(100 * response.mean_change / response.mean_passive)
    assert response.wanted_points == pytest.approx(min(2.0, 0.3 * response.mean_passive))
    assert response.rating_sd == pytest.approx(response.scatter.variance**0.5)
    slope, _, low, high = stats.theilslopes(relaxed, [0, 1, 2, 3, 4])
    assert response.drift_per_min.slope == pytest.approx(slope)
    assert response.first_step == -2
    going_on = (7.5 - 7) / 3 * 5 / 2
    step = np.mean([7, 6.5, 6, 7.5]) - 6
    assert response.later_step == pytest.approx(step - going_on)
    assert (response.low + response.high) / 2 == pytest.approx(response.mean_change)
    u = stats.mannwhitneyu(relaxed, working).statistic
    assert response.nap == pytest.approx(u / 20)
    assert response.at_end_percent == 0
    assert (response.n_more_cycles, response.n_more_reason) == (0, "the answer is clear already")
    assert response.test is None
    assert low <= slope <= high


@pytest.mark.parametrize(
    ("rated", "percent"),
    [
        ([("R", 0), ("C", 10), ("R", 5), ("C", 5)], 50.0),
        ([("R", 0.5), ("C", 9.5), ("R", 5)], 0.0),
        ([("R", 10), ("C", 1)], 50.0),
    ],
)
def test_ratings_at_either_end_are_counted(rated, percent) -> None:
    assert compute_response(phases_of(*rated)).at_end_percent == percent


@pytest.mark.parametrize(
    ("rated", "n", "word", "reason"),
    [
        ([("R", 6), ("C", 4)] * 3, 3, None, ""),
        (
            [("C", 4), ("R", 6), ("C", 4), ("R", 6), ("C", 4)],
            1,
            "too few ratings to say",
            "1 of 3 rated contractions lies between",
        ),
        ([("C", 4), ("R", 6)] * 3, 3, None, ""),
        (
            [("C", 4), ("C", 3), ("C", 4), ("R", 6)],
            0,
            "too few ratings to say",
            "no rated contraction lies between rated",
        ),
        (
            [("R", 6), ("C", 4), ("R", 6), ("C", 4), ("R", 6)],
            2,
            "too few ratings to say",
            "2 rated contractions, 3 are needed",
        ),
    ],
)
def test_contractions_count_where_two_of_them_lie_between_relaxed_ratings(rated, n, word, reason) -> None:
    response = compute_response(phases_of(*rated))
    assert response.n_contrasts == n
    if word:
        assert response.word == word
        assert response.reason.startswith(reason)
    else:
        assert response.word != "too few ratings to say"


def test_contrasts_are_drawn_between_the_nearest_rated_neighbours_by_their_place() -> None:
    gap = {"marks": ("gap",)}
    rated = phases_of(
        ("C", 5), ("R", 8), ("R", None, gap), ("C", 4, {"marks": ("moved", "gap")}), ("R", 5), ("C", None), ("R", 4)
    )
    first, second, third = make_contrasts(rated)
    assert first == Contrast(1, None, 5, 8, None, (), "no passive phase before it")
    assert (second.before, second.during, second.after) == (8, 4, 5)
    assert second.change == pytest.approx(4 - (8 - 2 / 3 * 3))
    assert second.marks == ("moved", "gap")
    assert third == Contrast(3, 5, None, 4, None, (), "no rating during")
    (last,) = make_contrasts(phases_of(("R", 6), ("C", 4)))
    assert last.reason == "no closing passive phase after it"
    (silent,) = make_contrasts(phases_of(("R", None), ("C", None), ("R", None)))
    assert silent.reason == "no rating before and during and after"
    apart = [RatedPhase("passive", 6, 0), RatedPhase("contract", 4, 10, run=1), RatedPhase("passive", 6, 20, run=1)]
    assert make_contrasts(apart)[0].reason == "no passive phase before it"


def test_ratings_of_a_stay_without_a_relaxed_one_are_compared_with_nothing() -> None:
    rated = [RatedPhase("passive", 6, 0), RatedPhase("contract", 4, 10), RatedPhase("contract", 3, 20, run=1)]
    ratings = gather_ratings(rated)
    assert ratings.rating.tolist() == [6, 4]
    assert ratings.contracting.tolist() == [False, True]
    assert ratings.time_s.tolist() == [0, 10]
    silent = gather_ratings([*rated, RatedPhase("passive", None, 30, run=1)])
    assert silent.n == 2


@pytest.mark.parametrize(
    ("mean", "first", "later", "is_late"),
    [
        (1.0, 0.0, -0.75, True),
        (1.0, 0.1, -0.75, False),
        (1.0, 0.0, -0.74, False),
        (1.0, -1.0, -2.0, True),
        (-1.0, 0.0, 0.75, True),
        (-1.0, -0.1, 0.75, False),
        (-1.0, 0.0, -0.75, False),
        (None, 0.0, 1.0, False),
        (1.0, None, -1.0, False),
        (1.0, 0.0, None, False),
    ],
)
def test_a_change_may_come_late_where_the_first_contraction_changed_nothing(mean, first, later, is_late) -> None:
    assert may_come_late(mean, first, later) == is_late


def test_notes_say_what_has_no_neighbour_no_rating_and_stands_at_an_end() -> None:
    response = compute_response(phases_of(("C", 0), ("R", 10), ("C", None), ("R", 0), ("C", 5), ("R", None)))
    assert response.notes == (
        "contraction 1 has no neighbours to be seen against: no passive phase before it",
        "contraction 2 has no neighbours to be seen against: no rating during",
        "contraction 3 has no neighbours to be seen against: no rating after",
        "2 of 6 phases have no usable rating",
        "2 ratings stand at 0, the end of the scale: the true change may be larger",
        "1 rating stands at 10, the end of the scale: the true change may be larger",
    )
    assert "1 of 3 phases has no usable rating" in compute_response(phases_of(("R", 6), ("C", None), ("R", 6))).notes
    assert compute_response(RATED).notes == ()


@pytest.mark.parametrize(("n", "spread", "is_asked"), [(4, 15.0, True), (4, 15.1, False), (3, 0.0, False)])
def test_whether_the_change_stayed_the_same_is_asked_of_four_contractions_of_one_effort(n, spread, is_asked) -> None:
    rated = []
    for k in range(n):
        rated += [("R", 6 + k % 2), ("C", 4 - 0.5 * k, {"effort_percent": 60 + spread * (k == 1)})]
    response = compute_response(phases_of(*rated, ("R", 6)))
    assert (response.shift is not None) == is_asked
    if response.shift:
        assert response.shift.last < response.shift.first
        assert (response.shift.first + response.shift.last) / 2 == pytest.approx(response.mean_change)
        middle = (response.shift.low + response.shift.high) / 2
        assert response.shift.last - response.shift.first == pytest.approx(middle)


def test_marked_ratings_are_left_out_of_a_second_answer() -> None:
    rated = [replace(p, marks=("gap",)) if k == 3 else p for k, p in enumerate(RATED)]
    response = compute_response(rated)
    without = [replace(p, rating=None) if k == 3 else p for k, p in enumerate(RATED)]
    assert response.without_marked.mean_change == compute_response(without).mean_change
    assert response.mean_change == compute_response(RATED).mean_change
    assert compute_response(RATED).without_marked is None


# -- rows of a session ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def check():
    return analyse_recording(make_check())


def test_phases_more_than_ten_seconds_apart_are_no_neighbours(check) -> None:
    def runs(apart_s):
        rows = []
        for k, row in enumerate(check.phases[:3]):
            start_s = 10.0 * k + apart_s * (k > 1)
            rows.append(replace(row, phase=replace(row.phase, start_s=start_s, end_s=start_s + 10.0)))
        return [one.run for one in rate_phases(rows)]

    assert runs(10.0) == [0, 0, 0]
    assert runs(10.1) == [0, 0, 1]
    rest = replace(check.phases[1], phase=replace(check.phases[1].phase, kind="rest"))
    assert [one.kind for one in rate_phases([check.phases[0], rest, check.phases[2]])] == ["passive", "passive"]


def test_a_rated_phase_has_its_time_marks_effort_and_band(check) -> None:
    relaxed, working = rate_phases(check.phases[:2])
    assert (relaxed.effort_percent, working.effort_percent) == (None, check.phases[1].summary.mean_percent)
    assert working.band == Band(60, 80)
    assert working.time_s == check.phases[1].rating.time_s
    silent = replace(check.phases[1], rating=replace(check.phases[1].rating, value=None, marks=("gap",)))
    (one,) = rate_phases([silent])
    assert (one.rating, one.time_s, one.marks) == (None, silent.phase.end_s, ("gap",))
    (none,) = rate_phases([replace(silent, rating=None)])
    assert (none.rating, none.time_s, none.marks) == (None, silent.phase.end_s, ())


def test_a_row_s_discomfort_is_what_was_said_else_where_the_slider_stood(check) -> None:
    row = check.phases[0]
    slid = SimpleNamespace(end=3.5)
    asked = row.rating
    assert replace(row, slid=slid).value == asked.value
    assert replace(row, rating=None, slid=slid).value == 3.5
    assert replace(row, rating=replace(asked, value=None), slid=slid).value == 3.5
    assert replace(row, rating=None).value is None
    assert isinstance(row, PhaseRow)


def test_the_last_answer_of_a_phase_is_its_rating() -> None:
    session = MadeSession()
    session.calibrate()
    session.phase("passive", 6.0, rating=6)
    for value in (5, None):
        session.happen("rating", value=value, phase_index=0, ask_id=None, by="coach")
    session.phase("contract", 6.0, 70.0)
    session.happen("rating", value=None, phase_index=1, ask_id=None, by="coach")
    session.phase("passive", 6.0)
    session.end()
    first, second, third = analyse_recording(session).phases
    assert first.rating.value == 5
    assert second.rating.value is None
    assert third.rating is None


@pytest.mark.parametrize(("n_clean", "uses_clean"), [(3, True), (2, False)])
def test_the_dose_leaves_marked_ratings_out_where_three_good_contrasts_are_left(check, n_clean, uses_clean) -> None:
    clean = replace(
        check.response, n_contrasts=n_clean, contrasts=tuple(replace(c, change=-9.0) for c in check.response.contrasts)
    )
    points = list_dose_points(check.phases, replace(check.response, without_marked=clean), session=2)
    assert ([p.change for p in points] == [-9.0] * 5) == uses_clean
    assert [(p.session, p.cycle, p.band) for p in points] == [(2, k + 1, Band(60, 80)) for k in range(5)]
    assert [p.effort_percent for p in points] == [row.summary.mean_percent for row in check.phases[1::2]]
    unknown = tuple(replace(c, change=None if c.cycle == 2 else c.change) for c in check.response.contrasts)
    points = list_dose_points(check.phases, replace(check.response, contrasts=unknown))
    assert [p.cycle for p in points] == [1, 3, 4, 5]


def test_levels_that_were_drawn_are_ranked_only_when_all_were_held(check) -> None:
    drawn = {"levels_percent": [25.0, 70.0], "n_rounds": 2, "seed": 1, "order": [0, 1, 1, 0]}
    plan = SimpleNamespace(drawn={"levels": drawn})
    contrasts = [replace(check.response.contrasts[0], change=float(-k)) for k in range(4)]

    def rank(changes, plan=plan):
        return rank_drawn_levels(plan, replace(check.response, contrasts=tuple(changes)))

    assert rank(contrasts) is not None
    assert rank(contrasts[:3]) is None
    assert rank([*contrasts[:3], replace(contrasts[3], change=None)]) is None
    assert rank(contrasts, None) is None
    assert rank(contrasts, SimpleNamespace(drawn=None)) is None
