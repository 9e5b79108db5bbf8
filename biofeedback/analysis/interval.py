"""Small pieces of intervals: the step of the scale as it was used, Student's t, and how much more would settle it."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

N_CYCLES_MAX = 60  # nobody holds a position for more; beyond this a clear answer is "not in sight"
DRIFT_DF = 3.7  # degrees of freedom that level, line, part of the bend and the effect take


def count_more_cycles(
    mean: float | None, rating_sd: float | None, n: int, *, n_min: int, alias_points: float = 0.0
) -> tuple[int | None, str]:
    """Cycles beyond ``n`` after which the interval would leave zero out, were mean and scatter to stay as they are.

    ``alias_points``: what rounding may imitate, which no further cycle makes smaller.
    """
    if mean is None or rating_sd is None or n < n_min:
        return max(n_min - n, 1), f"at least {n_min} rated contractions are needed to say anything"
    if 0 < abs(mean) <= alias_points:
        return None, "rounding to the scale's steps could imitate a change this small"
    for total in range(n + 1, N_CYCLES_MAX + 1):
        # contractions against one relaxed phase more, in turn
        reach = find_t_quantile(2 * total + 1 - DRIFT_DF) * rating_sd * sqrt(1 / total + 1 / (total + 1))
        if reach + alias_points < abs(mean):
            return total - n, "if the change stays as large as it was"
    return None, f"with a change this small against its scatter, {N_CYCLES_MAX} cycles would not be enough"


def find_rounding(ratings: Sequence[float]) -> float:
    """Step of the scale as it was used: 1 when all ratings are whole, else the finest of 0.5 and 0.1 that fits."""
    for step in (1.0, 0.5):
        if all(abs(r / step - round(r / step)) < 1e-9 for r in ratings):
            return step
    return 0.1


def find_t_quantile(df: float) -> float:
    """97.5 % point of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.975))
