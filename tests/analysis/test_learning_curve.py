"""The learning curve of a lesson: its points by hand, and curves without scatter found back exactly."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import f as fisher

from biofeedback.analysis.learning import N_FLOORS, RATES, LearningCurve, fit_learning

CURVE = LearningCurve(n=8, start=12.0, floor=4.0, rate=math.log(2), low=0.1, high=1.0)  # halves the rest each time


def test_the_expected_error_of_a_repeat_by_hand() -> None:
    assert [CURVE.at(n) for n in range(5)] == pytest.approx([12.0, 8.0, 6.0, 5.0, 4.5])
    assert replace(CURVE, rate=0.0).at(7) == 12.0
    assert CURVE.at(1000) == pytest.approx(4.0)


@pytest.mark.parametrize("unknown", ["start", "floor", "rate"])
def test_without_a_curve_no_error_is_expected(unknown: str) -> None:
    assert replace(CURVE, **{unknown: None}).at(0) is None


@pytest.mark.parametrize(("low", "improves"), [(None, False), (0.0, False), (0.01, True)])
def test_errors_fall_where_the_lowest_rate_lies_above_nothing(low: float | None, improves: bool) -> None:
    assert replace(CURVE, low=low).improves is improves


@pytest.mark.parametrize("rate", [float(RATES[k]) for k in (60, 100, 120)])
@pytest.mark.parametrize("share", [0.02 + 0.98 * k / (N_FLOORS - 1) for k in (10, 30)])
def test_a_curve_without_scatter_is_found_back(rate: float, share: float) -> None:
    """Both lie on the grid that is tried; a repeat that was not measured takes its place in time."""
    true = LearningCurve(n=19, start=16.0, floor=16.0 * share, rate=rate)
    errors = [true.at(n) for n in range(20)]
    found = fit_learning([None if n == 4 else error for n, error in enumerate(errors)])
    assert (found.n, found.reason) == (19, "")
    assert (found.start, found.floor, found.rate) == pytest.approx((true.start, true.floor, true.rate), rel=1e-6)
    assert (found.low, found.high) == pytest.approx((rate, rate), rel=0.05)  # a step of the grid
    assert found.improves
    assert [low for low, _ in found.band] == pytest.approx(errors, rel=0.02)
    assert [high for _, high in found.band] == pytest.approx(errors, rel=0.02)


@pytest.mark.parametrize(
    ("errors", "n"),
    [([], 0), ([5.0] * 5, 5), ([5.0, None] * 5, 5), ([5.0] * 5 + [0.0], 5), ([5.0] * 6, 6), ([0.5] * 6, 6)],
)
def test_six_repeats_with_an_error_are_needed(errors: list[float | None], n: int) -> None:
    found = fit_learning(errors)
    assert found.n == n
    assert found.reason == ("" if n == 6 else f"{n} repeats; 6 are needed for a curve")
    assert (found.at(0) is None) == (n < 6)
    assert len(found.band) == (len(errors) if n == 6 else 0)


@pytest.mark.parametrize("seed", [1, 2])
def test_interval_and_band_are_those_of_every_curve_that_fits_tried_one_by_one(seed: int) -> None:
    """Profile likelihood: what is left of the squares may grow by F(1, k - 3) / (k - 3), the 95 % of the tables."""
    times = np.array([0, 1, 2, 4, 5, 6, 7, 8])
    scatter = 0.3 * np.random.default_rng(seed).standard_normal(8)
    logs = np.log(4.0 + 12.0 * np.exp(-0.4 * times)) + scatter
    tried = []  # rate, share of the floor, level, what is left of the squares
    for rate in RATES:
        for share in np.linspace(0.02, 1.0, N_FLOORS):
            away = logs - np.log(share + (1 - share) * np.exp(-rate * times))
            tried.append((rate, share, away.mean(), ((away - away.mean()) ** 2).sum()))
    least = min(one[3] for one in tried)
    limit = least * (1 + fisher.ppf(0.95, 1, 8 - 3) / (8 - 3))
    fitting = [one for one in tried if one[3] <= limit]
    errors: list[float | None] = [None] * 9
    for n, log in zip(times, logs, strict=True):
        errors[n] = float(np.exp(log))
    found = fit_learning(errors)
    assert (found.low, found.high) == (min(one[0] for one in fitting), max(one[0] for one in fitting))
    for n, (low, high) in enumerate(found.band):
        curves = [
            (level + np.log(share + (1 - share) * np.exp(-rate * n)), np.sqrt((limit - left) / 8))
            for rate, share, level, left in fitting
        ]
        assert low == pytest.approx(np.exp(min(height - spare for height, spare in curves)), rel=1e-6)
        assert high == pytest.approx(np.exp(max(height + spare for height, spare in curves)), rel=1e-6)
