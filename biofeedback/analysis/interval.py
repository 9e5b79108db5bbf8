"""The mean of contrasts that share ratings, with an interval that says so."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from biofeedback.model import FloatArray

N_CYCLES_MAX = 60  # nobody holds a position for more; beyond this a clear answer is "not in sight"


def estimate_mean(changes: FloatArray, weights: FloatArray, *, rounding: float) -> tuple[float, float]:
    """Mean of contrasts (n,) and its standard error, allowing for the ratings that neighbours share.

    ``weights`` (n, n_ratings) says how each contrast is made of ratings. With independent ratings the contrasts have
    covariance ``weights @ weights.T`` times the ratings' variance: neighbours that share a passive rating correlate
    by 1/6, which a plain standard error overlooks (its 95 % interval holds the truth in 92 % of five-cycle
    sessions). The variance is the generalised least-squares one with n - 1 degrees of freedom, never below that of
    rounding to ``rounding`` points (rounding^2 / 12): five equal contrasts are not certainty.
    """
    n = changes.size
    covariance = weights @ weights.T
    ones = np.ones(n)
    solved = np.linalg.solve(covariance, np.column_stack([ones, changes]))
    gls_mean = float(ones @ solved[:, 1]) / float(ones @ solved[:, 0])
    residuals = changes - gls_mean
    variance = float(residuals @ np.linalg.solve(covariance, residuals)) / (n - 1) if n > 1 else 0.0
    variance = max(variance, rounding**2 / 12)
    return float(changes.mean()), float(np.sqrt(variance * covariance.sum())) / n


def find_rating_sd(error: float | None, weights: FloatArray) -> float | None:
    """The inverse of the last step of ``estimate_mean``; None from one contrast, which shows no scatter."""
    n = weights.shape[0]
    return None if error is None or n < 2 else error * n / float(np.sqrt((weights @ weights.T).sum()))


def count_more_cycles(
    mean: float | None, error: float | None, weights: FloatArray, *, n_min: int
) -> tuple[int | None, str]:
    """Cycles after which the interval would leave zero out, were mean and scatter to stay as they are."""
    n = weights.shape[0]
    if mean is None or error is None or n < 2:
        return max(n_min - n, 1), f"at least {n_min} complete cycles are needed to say anything"
    rating_sd = find_rating_sd(error, weights) or 0.0
    for total in range(max(n + 1, n_min), N_CYCLES_MAX + 1):
        # n contrasts of alternating phases: variance 1.5 each, 0.25 between neighbours
        if find_t_quantile(total - 1) * rating_sd * np.sqrt(2 * total - 0.5) / total < abs(mean):
            return total - n, "if the change stays as large as it was"
    return None, f"with a change this small against its scatter, {N_CYCLES_MAX} cycles would not be enough"


def find_rounding(ratings: Sequence[float]) -> float:
    """Step of the scale as it was used: 1 when all ratings are whole, else the finest of 0.5 and 0.1 that fits."""
    for step in (1.0, 0.5):
        if all(abs(r / step - round(r / step)) < 1e-9 for r in ratings):
            return step
    return 0.1


def find_t_quantile(df: int) -> float:
    """97.5 % point of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.975))
