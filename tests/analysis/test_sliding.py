"""Discomfort rated all the time: phase values, the pace of easing, and untouched moments that say nothing."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from biofeedback.analysis import sliding
from biofeedback.analysis.sliding import (
    NO_SLIDER,
    TAUS_S,
    Pace,
    Paces,
    SlidPhase,
    describe_paces,
    find_paces,
    fit_paces,
    summarise_slider,
)

from ..benchmarks.bench_slider import RATE_HZ, simulate

N = round(20 * RATE_HZ)
PHASES = [(k * N, (k + 1) * N, k % 2 == 1) for k in range(11)]


def follow(onset_s: float, offset_s: float, change: float) -> np.ndarray:
    """Without scatter."""
    state, course = 0.0, []
    for first, end, contracts in PHASES:
        tau, target = (onset_s, 1.0) if contracts else (offset_s, 0.0)
        for _ in range(first, end):
            state = target + (state - target) * np.exp(-1 / RATE_HZ / tau)
            course.append(state)
    return 6.0 + change * np.array(course)


@pytest.mark.parametrize(("onset_s", "offset_s"), [(2.0, 6.0), (6.0, 2.0), (4.0, 4.0)])
def test_a_plain_course_gives_back_its_time_constants(onset_s, offset_s):
    rated = follow(onset_s, offset_s, -3.0) + np.random.default_rng(1).normal(0, 0.05, 11 * N)
    paces = fit_paces(rated, RATE_HZ, PHASES)
    assert paces.onset is not None
    assert paces.offset is not None
    assert paces.onset.tau_s == pytest.approx(onset_s, rel=0.12)  # the grid's step
    assert paces.offset.tau_s == pytest.approx(offset_s, rel=0.12)
    assert paces.change_points == pytest.approx(-3.0, abs=0.1)
    assert "fell with a time constant" in describe_paces(paces)[0]


def test_rising_discomfort_is_told_as_rising():
    paces = fit_paces(follow(3.0, 3.0, 2.0) + np.random.default_rng(2).normal(0, 0.1, 11 * N), RATE_HZ, PHASES)
    assert "rose with a time constant" in describe_paces(paces)[0]


def test_discomfort_that_does_not_follow_has_no_pace():
    random = np.random.default_rng(3)
    for _ in range(5):
        wander = 5.5 + np.cumsum(random.normal(0, 0.03, 11 * N))
        paces = fit_paces(wander, RATE_HZ, PHASES)
        assert paces.onset is None


def test_an_untouched_slider_is_no_rating():
    rated = follow(3.0, 3.0, -3.0)
    rated[:] = np.nan
    assert fit_paces(rated, RATE_HZ, PHASES).reason == "the slider was hardly touched"


def test_intervals_hold_the_truth_about_as_often_as_they_say():
    """30 computed athletes of the 500 that the benchmark runs."""
    n, hits = 30, np.zeros(2)
    for seed in range(n):
        rated, phases, onset_s, offset_s = simulate(seed)
        paces = fit_paces(rated, RATE_HZ, phases)
        assert paces.onset is not None
        assert paces.offset is not None
        told = ((paces.onset, onset_s), (paces.offset, offset_s))
        hits += [pace.low_s <= true_s <= pace.high_s for pace, true_s in told]
    assert (hits >= 0.8 * n).all()


# -- phase values, and each rule at its border -------------------------------------------------------------------------


def slid(values, *, first=0, end=None, rate_hz=10.0, kind="rating"):
    """What is told of one phase of these values."""
    end = len(values) if end is None else end
    trace = SimpleNamespace(
        channels=(SimpleNamespace(kind="force"), SimpleNamespace(kind=kind)),
        level=np.column_stack([np.full(len(values), 99.0), np.array(values, dtype=float)]),
        level_rate_hz=rate_hz, phases=(SimpleNamespace(number=4, first_level=first, end_level=end),),
    )  # fmt: skip
    return summarise_slider(trace).get(4)


def test_mean_and_end_of_a_phase_are_those_of_its_touched_moments():
    values = [1.0] * 70 + [4.0] * 30
    assert slid(values) == SlidPhase(4, pytest.approx(1.9), 4.0, 100.0)
    assert slid([9.0] * 20 + values + [9.0] * 20, first=20, end=120) == SlidPhase(4, pytest.approx(1.9), 4.0, 100.0)
    half = [np.nan] * 50 + [2.0] * 50
    assert slid(half) == SlidPhase(4, 2.0, 2.0, 50.0)
    less = [np.nan] * 51 + [2.0] * 49
    assert slid(less) == SlidPhase(4, None, 2.0, 49.0)
    left = [2.0] * 85 + [np.nan] * 15  # half of the last three seconds
    assert slid(left).end == 2.0
    assert slid([2.0] * 84 + [np.nan] * 16).end is None
    assert slid([2.0], first=1, end=1) == SlidPhase(4, None, None, 0.0)
    assert slid([np.nan] * 10) is None
    assert slid(values, kind="position") is None


def test_paces_are_found_on_fifths_of_a_second_of_the_phases_in_the_position(monkeypatch):
    told = {}
    monkeypatch.setattr(
        sliding, "fit_paces", lambda values, rate_hz, phases: told.update(v=values, r=rate_hz, p=phases)
    )

    def phase(first, end, kind):
        return SimpleNamespace(first_level=first, end_level=end, kind=kind, meaning=SimpleNamespace(compares_as=kind))

    values = np.arange(100.0)
    trace = SimpleNamespace(
        channels=(SimpleNamespace(kind="rating"),), level=values[:, None], level_rate_hz=100.0,
        phases=(phase(0, 41, "passive"), phase(41, 60, "rest"), phase(60, 100, "contract")),
    )  # fmt: skip
    find_paces(trace)
    assert told["v"].tolist() == [0.0, 20.0, 40.0, 60.0, 80.0]
    assert (told["r"], told["p"]) == (5.0, [(0, 3, False), (3, 5, True)])
    find_paces(SimpleNamespace(**{**vars(trace), "level_rate_hz": 2.0}))
    assert told["r"] == 2.0
    assert find_paces(SimpleNamespace(**{**vars(trace), "channels": (SimpleNamespace(kind="force"),)})) is NO_SLIDER


def test_three_contractions_and_a_hundred_touched_moments_are_needed():
    rated = follow(3.0, 3.0, -3.0) + np.random.default_rng(4).normal(0, 0.05, 11 * N)
    few = [(first, end, contracts and k < 5) for k, (first, end, contracts) in enumerate(PHASES)]
    assert fit_paces(rated, RATE_HZ, few).reason == "fewer than 3 contractions"
    three = [(first, end, contracts and k < 7) for k, (first, end, contracts) in enumerate(PHASES)]
    assert fit_paces(rated, RATE_HZ, three).reason != "fewer than 3 contractions"
    for n_touched, is_enough in ((101, True), (100, False)):  # so many in a row are one pair less
        some = np.full_like(rated, np.nan)
        some[:n_touched] = rated[:n_touched]
        assert (fit_paces(some, RATE_HZ, PHASES).reason != "the slider was hardly touched") == is_enough


def test_a_change_below_half_a_point_has_no_pace_however_clear():
    for change, is_told in ((-0.4, False), (0.6, True)):
        rated = follow(3.0, 3.0, change) + np.random.default_rng(5).normal(0, 0.01, 11 * N)
        paces = fit_paces(rated, RATE_HZ, PHASES)
        assert (paces.onset is not None) == is_told
        assert paces.change_points == pytest.approx(change, abs=0.05)
        if not is_told:
            assert describe_paces(paces) == [
                "Rated all the time: discomfort hardly followed the contractions, so its pace cannot be told."
            ]


def test_out_of_the_position_the_response_fades_at_the_pace_of_its_end():
    """Contractions followed by 10 s out of the position: what comes after begins where it has fallen to."""
    onset_s, offset_s, n, away = 3.0, 8.0, round(15 * RATE_HZ), round(10 * RATE_HZ)
    phases, course, state, at = [], [], 0.0, 0
    for k in range(12):
        contracts = k % 2 == 0
        tau, target = (onset_s, 1.0) if contracts else (offset_s, 0.0)
        phases.append((at, at + n, contracts))
        for _ in range(n):
            state = target + (state - target) * np.exp(-1 / RATE_HZ / tau)
            course.append(state)
        at += n
        if contracts:
            course += [np.nan] * away
            state *= np.exp(-away / RATE_HZ / offset_s)
            at += away
    rated = 6.0 - 3.0 * np.array(course) + np.random.default_rng(6).normal(0, 0.03, len(course))
    paces = fit_paces(rated, RATE_HZ, phases)
    assert paces.onset.tau_s == pytest.approx(onset_s, rel=0.12)
    assert paces.offset.tau_s == pytest.approx(offset_s, rel=0.12)


def test_an_open_end_is_told_as_forty_seconds_or_as_less_than_half_of_one() -> None:
    """What comes back over minutes or at once cannot be told closer, and no number may pretend it."""
    slow = fit_paces(follow(3.0, 300.0, -3.0) + np.random.default_rng(7).normal(0, 0.05, 11 * N), RATE_HZ, PHASES)
    assert (slow.offset.tau_s, slow.offset.high_s) == pytest.approx((40.0, 40.0))
    assert slow.offset.low_s > 20.0
    quick = fit_paces(follow(0.02, 3.0, -3.0) + np.random.default_rng(8).normal(0, 0.05, 11 * N), RATE_HZ, PHASES)
    assert (quick.onset.tau_s, quick.onset.low_s) == pytest.approx((0.4, 0.4))
    assert quick.onset.high_s < 1.0


def test_an_interval_ends_where_the_likelihood_has_fallen_by_its_width():
    places = np.arange(TAUS_S.size)
    pace = sliding._profile(0.2 * (places - 20.0) ** 2)  # 5 at five places to either side
    assert pace.tau_s == TAUS_S[20]
    assert (pace.low_s, pace.high_s) == pytest.approx((TAUS_S[15], TAUS_S[25]))
    between = sliding._profile(np.where(places == 20, 0.0, 10.0))  # half a step of the grid, in its logarithm
    assert (between.low_s, between.high_s) == pytest.approx(
        (np.sqrt(TAUS_S[19] * TAUS_S[20]), np.sqrt(TAUS_S[20] * TAUS_S[21]))
    )
    open_ = sliding._profile(np.minimum(places / 10.0, 4.9))
    assert (open_.tau_s, open_.low_s, open_.high_s) == (TAUS_S[0], TAUS_S[0], TAUS_S[-1])
    wide = sliding._profile(np.abs(places - 5.0) / 10.0)
    assert (wide.tau_s, wide.low_s, wide.high_s) == (TAUS_S[5], TAUS_S[0], TAUS_S[-1])
    next_to_it = sliding._profile(np.where(places == 0, 10.0, 0.0) + 0.01 * places)
    share = (5.0 - 0.01) / (10.0 - 0.01)
    assert next_to_it.tau_s == TAUS_S[1]
    assert next_to_it.low_s == pytest.approx(TAUS_S[1] ** (1 - share) * TAUS_S[0] ** share)
    last = sliding._profile(np.where(places == 39, 0.0, 10.0))
    assert (last.tau_s, last.high_s) == (TAUS_S[39], TAUS_S[39])


def test_the_sentence_of_a_pace():
    paces = Paces(Pace(2.04, 1.0, 3.0), Pace(6.0, 4.0, 9.06), -2.0)
    assert describe_paces(paces) == [
        "Rated all the time, discomfort fell with a time constant of 2.0 s (1.0 to 3.0) after a contraction began and "
        "came back with 6.0 s (4.0 to 9.1) after it ended; the hand on the slider adds about a second."
    ]
    assert "discomfort rose with" in describe_paces(replace(paces, change_points=2.0))[0]
    assert "began and fell back with" in describe_paces(replace(paces, change_points=2.0))[0]
    assert describe_paces(replace(paces, offset=None, reason="so")) == ["Rated all the time: so."]
    assert describe_paces(replace(paces, onset=None, reason="so")) == ["Rated all the time: so."]
    assert describe_paces(NO_SLIDER) == []
