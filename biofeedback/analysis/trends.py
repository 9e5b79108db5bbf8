"""Straight-line trends that one odd value cannot bend: the median of all pairwise slopes, with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from biofeedback.model import FloatArray

TrendWord: TypeAlias = Literal["rising", "falling", "no clear trend", "unknown"]


N_LASTING_MIN = 6  # with five even a perfect order does not pass the limit
LIMIT = 2.6


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


@dataclass(frozen=True, slots=True)
class LastingTrend:
    """Whether values in the order taken rise or fall, however often that was asked before; None: too few to say.

    ``score`` is Kendall's S over its standard deviation, ``correlation`` that of neighbouring values beside the trend:
    where it is clearly above zero, the standard deviation is larger by it.
    """

    word: TrendWord
    score: float | None
    correlation: float | None
    reason: str


def judge_trend(x: ArrayLike, y: ArrayLike) -> LastingTrend:
    """Rank test of a trend in ``y`` (n,) over rising ``x`` (n,) that may be repeated after each new value.

    Without a trend the rank of each new value among those before it is uniform and independent of all earlier ranks,
    and Kendall's S is the sum of these ranks (centred), whatever the values' distribution. ``LIMIT`` for S over its
    standard deviation is passed at any of the looks after 3, 4, ... 20 values in less than 5 % of such series (4.8 %,
    simulated; see the truth table), where 1.96 is passed in 20 %. One odd value moves S by n - 1 at most. Standard
    deviation with ties: Kendall, Rank Correlation Methods (1970); with correlation: Hamed & Rao, J Hydrol 204 (1998)
    182 (its idea, from memory).
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = int(ys.size)
    if n < N_LASTING_MIN:
        return LastingTrend("unknown", None, None, f"{n} sessions; {N_LASTING_MIN} are needed to tell a trend")
    _, ties = np.unique(ys, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))) / 18
    if variance <= 0:
        return LastingTrend("no clear trend", 0.0, None, "every session gave the same value")
    correlation = _correlate_neighbours(xs, ys)
    if correlation > n**-0.5:
        kept = min(correlation, 0.9)
        variance *= (1 + kept) / (1 - kept)
    score = count_kendall_s(ys) / float(np.sqrt(variance))
    if abs(score) < LIMIT:
        return LastingTrend(
            "no clear trend", score, correlation, f"over all {n} sessions no more than chance may bring"
        )
    word: TrendWord = "rising" if score > 0 else "falling"
    return LastingTrend(word, score, correlation, f"over all {n} sessions, beyond what chance brings at any look")


def _correlate_neighbours(x: FloatArray, y: FloatArray) -> float:
    """Lag-1 correlation of what the line leaves, far values pulled in, corrected for few values (from memory)."""
    line = fit_theil_sen(x, y)
    left = y - (line.slope or 0.0) * x
    left = left - np.median(left)
    far = 1.5 * float(np.quantile(np.abs(left), 0.9))
    left = np.clip(left, -far, far)
    left = left - left.mean()
    size = float(left @ left)
    plain = float(left[1:] @ left[:-1]) / size if size > 0 else 0.0
    return plain + (1 + 3 * max(plain, 0.0)) / y.size


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
