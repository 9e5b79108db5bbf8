"""Straight-line trends that one odd value cannot bend: the median of all pairwise slopes, with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from biofeedback.model import FloatArray

TrendWord: TypeAlias = Literal["rising", "falling", "no clear trend", "unknown"]


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope per unit of x with its 95 % interval, and the value at ``x = 0``; None with ``reason`` when unknown."""

    slope: float | None
    low: float | None
    high: float | None
    intercept: float | None
    n: int
    reason: str = ""

    @property
    def word(self) -> TrendWord:
        """ "rising" or "falling" only when the whole interval lies on one side of zero."""
        if self.low is None or self.high is None:
            return "unknown"
        return "rising" if self.low > 0 else "falling" if self.high < 0 else "no clear trend"

    def at(self, x: float) -> float | None:
        """Height of the line at ``x``."""
        return None if self.slope is None or self.intercept is None else self.intercept + self.slope * x


def fit_theil_sen(x: ArrayLike, y: ArrayLike, *, confidence: float = 0.95, n_min: int = 3) -> Trend:
    """Median of pairwise slopes of ``y`` (n,) over ``x`` (n,); pairs with a NaN are left out.

    The interval is Sen's, from the variance of Kendall's S with ties (P. K. Sen, J Am Stat Assoc 63 (1968) 1379);
    None where n is too small for the confidence. ``n_min`` 3: two points show no trend. All pairs are formed: n^2
    numbers.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.shape != ys.shape or xs.ndim != 1:
        raise ValueError(f"x {xs.shape} and y {ys.shape}: two rows of equal length are needed")
    known = np.isfinite(xs) & np.isfinite(ys)
    xs, ys = xs[known], ys[known]
    n = int(xs.size)
    if n < n_min:
        return Trend(None, None, None, None, n, f"{n} values; {n_min} are needed for a trend")
    slopes = pairwise_slopes(xs, ys)
    if slopes.size == 0:
        return Trend(None, None, None, None, n, "all values were taken at the same moment")
    slope = float(np.median(slopes))
    low, high = _find_sen_interval(slopes, ys, confidence)
    return Trend(slope, low, high, float(np.median(ys) - slope * np.median(xs)), n)


def pairwise_slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Sorted slopes between all pairs of points that differ in ``x``."""
    first, second = np.triu_indices(x.size, k=1)
    dx, dy = x[second] - x[first], y[second] - y[first]
    return np.sort(dy[dx != 0] / dx[dx != 0])


def count_kendall_s(y: Sequence[float] | FloatArray) -> int:
    """Rising minus falling pairs in the order given."""
    values = np.asarray(y, dtype=np.float64)
    first, second = np.triu_indices(values.size, k=1)
    return int(np.sign(values[second] - values[first]).sum())


def _find_sen_interval(slopes: FloatArray, y: FloatArray, confidence: float) -> tuple[float | None, float | None]:
    from scipy.special import ndtri

    n = y.size
    _, ties = np.unique(y, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))) / 18
    reach = float(ndtri(0.5 + confidence / 2)) * np.sqrt(variance)
    below = int(np.round((slopes.size - reach) / 2)) - 1
    above = int(np.round((slopes.size + reach) / 2))
    if below < 0 or above > slopes.size - 1:
        return None, None
    return float(slopes[below]), float(slopes[above])
