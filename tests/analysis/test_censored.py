"""Ratings at an end of the scale, worked out once more with scipy's truncated normal and a plain mixed model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from biofeedback.analysis.censored import open_interval
from biofeedback.analysis.ratings import Estimate, Ratings, estimate, list_drift


def ratings_of(values, *, step_s=20.0, runs=None) -> Ratings:
    n = len(values)
    return Ratings(
        np.array(values, dtype=float), np.arange(n) % 2 == 1, step_s * np.arange(n),
        np.zeros(n, dtype=int) if runs is None else np.array(runs),
    )  # fmt: skip


def fit_of(ratings: Ratings, rounding: float) -> Estimate:
    fit = estimate(ratings, ratings.contracting.astype(float), rounding=rounding)
    assert fit is not None
    return fit


def work_out(ratings: Ratings, ratio: float, rounding: float) -> tuple[float, float]:
    """Tobin's model by expectation and maximisation, 1000 rounds of it; moments by ``scipy.stats.truncnorm``.

    A rating at 0 is anything below half a step, one at 10 anything above 10 less half a step. The information that such
    a rating lost is taken off the degrees of freedom, and its weight in the covariance falls with it.
    """
    straight, bend = list_drift(ratings)
    x = np.column_stack([straight, ratings.contracting.astype(float)])
    weight = np.linalg.inv(np.eye(ratings.n) + ratio**2 * np.outer(bend, bend))
    gain = np.linalg.pinv(x.T @ weight @ x) @ x.T @ weight
    residual = weight - weight @ x @ gain
    expected = np.trace(residual)
    df = expected**2 / np.trace(residual @ residual)
    y = ratings.rating
    at_low, at_high = y <= 0, y >= 10
    z, hidden = y.copy(), np.zeros(ratings.n)
    variance = max(y @ residual @ y / expected, rounding**2 / 12)
    for _ in range(1000):
        mean, sd = z - residual @ z, np.sqrt(variance)
        for k in np.flatnonzero(at_low | at_high):
            low, high = (-np.inf, rounding / 2) if at_low[k] else (10 - rounding / 2, np.inf)
            there = stats.truncnorm((low - mean[k]) / sd, (high - mean[k]) / sd, mean[k], sd)
            z[k], hidden[k] = there.mean(), there.var()
        variance = max((z @ residual @ z + hidden.sum()) / expected, rounding**2 / 12)
        if np.abs(mean - (z - residual @ z)).max() < 1e-5:
            break
    share = np.maximum(1 - hidden / variance, 0.02)
    inverse = np.linalg.inv(np.diag(1 / share) + ratio**2 * np.outer(bend, bend))
    spread = np.linalg.pinv(x.T @ inverse @ x)[-1, -1]
    reach = stats.t.ppf(0.975, max(1.0, df - (1 - share).sum())) * np.sqrt(variance * spread)
    value = gain[-1] @ z
    return value - reach, value + reach


EASED = [5, 1, 4.5, 0, 5, 2, 4, 0, 5.5, 1, 4]
WORSE = [7, 9, 6.5, 10, 7, 9.5, 8, 10, 6, 9, 7]
BOTH = [3, 0, 10, 1, 4, 0, 3.5, 2, 10, 1, 4]


@pytest.mark.parametrize("values", [EASED, WORSE, BOTH])
@pytest.mark.parametrize("rounding", [0.5, 1.0])
def test_the_outer_end_is_that_of_the_censored_model_and_the_inner_one_stays(values, rounding) -> None:
    ratings = ratings_of(values)
    fit = fit_of(ratings, rounding)
    plain = (fit.value - fit.reach, fit.value + fit.reach)
    outer = work_out(ratings, fit.bend_ratio, rounding)
    low, high, is_open = open_interval(ratings, fit, rounding)
    expected_low = min(plain[0], outer[0]) if plain[0] < 0 else plain[0]
    expected_high = max(plain[1], outer[1]) if plain[1] > 0 else plain[1]
    assert (low, high) == pytest.approx((max(-10.0, expected_low), min(10.0, expected_high)), abs=4e-3)
    assert is_open == ((low, high) != plain)
    assert is_open, "each of these hides something"


def test_an_interval_of_few_ratings_is_worked_out_with_what_is_left_of_its_freedom() -> None:
    """Of five ratings with one at 0 so little is left that the degrees of freedom stop at one."""
    for values in ([4, 0, 5, 0, 6, 1, 5], [2, 0, 4, 1, 5], [3, 0, 5, 2, 7]):
        ratings = ratings_of(values)
        fit = fit_of(ratings, 1.0)
        outer = work_out(ratings, fit.bend_ratio, 1.0)
        low, _, _ = open_interval(ratings, fit, 1.0)
        assert -10 < low == pytest.approx(min(fit.value - fit.reach, outer[0]), abs=0.02)


@pytest.mark.parametrize(
    ("values", "ends"),
    [
        ([4, 0, 5, 0, 4, 0, 5], (-10.0, None)),  # every contraction at 0
        ([10, 6, 10, 7, 10, 6, 10], (-10.0, None)),  # every relaxed phase at 10
        ([6, 10, 7, 10, 6, 10, 7], (None, 10.0)),
        ([0, 3, 0, 4, 0, 3, 0], (None, 10.0)),
    ],
)
def test_where_all_stand_at_one_end_only_the_scale_limits_the_change(values, ends) -> None:
    ratings = ratings_of(values)
    fit = fit_of(ratings, 1.0)
    low, high, is_open = open_interval(ratings, fit, 1.0)
    assert is_open
    for found, wanted, plain in ((low, ends[0], fit.value - fit.reach), (high, ends[1], fit.value + fit.reach)):
        assert found == pytest.approx(plain if wanted is None else wanted)


def test_without_a_rating_at_an_end_nothing_is_opened() -> None:
    for values in ([5, 3, 5, 2, 6, 3, 5], [0.5, 3, 0.5, 2, 9.5, 3, 5]):
        ratings = ratings_of(values)
        fit = fit_of(ratings, 0.5)
        assert open_interval(ratings, fit, 0.5) == (fit.value - fit.reach, fit.value + fit.reach, False)


def test_no_change_is_larger_than_the_scale_and_no_end_crosses_zero() -> None:
    ratings = ratings_of(EASED)
    fit = fit_of(ratings, 0.5)
    wide = replace(fit, reach=fit.reach + 30.0)
    low, high, _ = open_interval(ratings, wide, 0.5)
    assert (low, high) == (-10.0, 10.0)
    above = replace(fit, value=3.0, reach=1.0)  # an interval that leaves zero out on the other side keeps that end
    assert open_interval(ratings, above, 0.5)[0] == 2.0
    below = replace(fit, value=-3.0, reach=1.0)
    assert open_interval(ratings, below, 0.5)[1] == -2.0
