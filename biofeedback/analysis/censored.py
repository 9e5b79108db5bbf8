"""Ratings at the ends of the scale: what they say is "0 or less", "10 or more", and how far is not seen."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from biofeedback.analysis.interval import find_t_quantile
from biofeedback.analysis.ratings import SCALE_HIGH, SCALE_LOW, Estimate, Ratings, correlate, list_drift

N_ROUNDS = 40
SETTLED_POINTS = 1e-3
LEAST_SHARE = 0.02  # of the information of a rating that is seen
WIDEST = SCALE_HIGH - SCALE_LOW  # no change is larger than the scale


def open_interval(ratings: Ratings, fit: Estimate, rounding: float) -> tuple[float, float, bool]:
    """95 % interval of the change, and whether the scale's end moved its outer end.

    What was rated is a change that the scale made smaller, never larger: the end near zero stays. The outer end is
    that of the model in which a rating at an end of the scale is anything beyond it (Tobin, Econometrica 26 (1958) 24;
    by expectation and maximisation). Where every contraction stands at one end, or every relaxed phase at the other,
    nothing limits the change but the scale.
    """
    low, high = fit.value - fit.reach, fit.value + fit.reach
    y, contracting = ratings.rating, ratings.contracting
    at_low, at_high = y <= SCALE_LOW, y >= SCALE_HIGH
    if not (at_low.any() or at_high.any()):
        return low, high, False
    outer_low, outer_high = _fit_censored(ratings, fit.bend_ratio, at_low, at_high, rounding)
    if at_low[contracting].all() or at_high[~contracting].all():
        outer_low = -WIDEST
    if at_high[contracting].all() or at_low[~contracting].all():
        outer_high = WIDEST
    new_low = max(min(low, outer_low), -WIDEST) if low < 0 else low
    new_high = min(max(high, outer_high), WIDEST) if high > 0 else high
    return new_low, new_high, (new_low, new_high) != (low, high)


def _fit_censored(
    ratings: Ratings, bend_ratio: float, at_low: NDArray[np.bool_], at_high: NDArray[np.bool_], rounding: float
) -> tuple[float, float]:
    from scipy.special import ndtr

    straight, bend = list_drift(ratings)
    columns = np.column_stack([straight, ratings.contracting.astype(np.float64)])
    inverse = np.linalg.inv(correlate(bend, bend_ratio))
    projection = np.linalg.pinv(columns.T @ inverse @ columns) @ columns.T @ inverse
    left = inverse - inverse @ columns @ projection
    expected, df = float(np.trace(left)), float(np.trace(left)) ** 2 / float(np.trace(left @ left))
    floor = rounding**2 / 12
    z, hidden = ratings.rating.copy(), np.zeros(ratings.n)
    variance = max(float(z @ left @ z) / expected, floor)
    ends = ((at_low, SCALE_LOW + rounding / 2, -1.0), (at_high, SCALE_HIGH - rounding / 2, 1.0))
    for _ in range(N_ROUNDS):
        mean, sd, last = z - left @ z, sqrt(variance), z.copy()
        for members, bound, sign in ends:
            a = np.clip(sign * (bound - mean[members]) / sd, -30.0, 30.0)
            ratio = np.exp(-(a**2) / 2) / sqrt(2 * np.pi) / np.maximum(ndtr(-a), 1e-200)
            z[members] = mean[members] + sign * sd * ratio
            hidden[members] = variance * np.clip(1 + a * ratio - ratio**2, 0.0, 1.0)
        variance = max((float(z @ left @ z) + float(hidden.sum())) / expected, floor)
        if float(np.abs(z - last).max()) < SETTLED_POINTS:
            break
    share = np.maximum(1 - hidden / variance, LEAST_SHARE)
    inverse = np.linalg.inv(np.diag(1 / share) + bend_ratio**2 * np.outer(bend, bend))
    spread = float(np.linalg.pinv(columns.T @ inverse @ columns)[-1, -1])
    reach = find_t_quantile(max(1.0, df - float((1 - share).sum()))) * sqrt(max(variance * spread, 0.0))
    value = float(projection[-1] @ z)
    return value - reach, value + reach
