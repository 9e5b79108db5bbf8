"""Discomfort rated all the time: phase values, the pace of easing, and untouched moments that say nothing."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.analysis.sliding import describe_paces, fit_paces

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
