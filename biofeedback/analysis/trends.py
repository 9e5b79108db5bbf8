"""Straight-line trends that one odd value cannot bend: the median of all pairwise slopes, with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from biofeedback.model import FloatArray

TrendWord: TypeAlias = Literal["rising", "falling", "no clear trend", "unknown"]


N_LASTING_MIN = 7  # with six even a perfect order is not real
LIMITS = ((10, 2.8), (15, 2.38))  # of Kendall's S over its SD with fewer values than this
LATER_LIMIT = 3.1  # with more
N_FEW = 60  # of so many values the pairs are kept, as every session asks for them
TINY = 1e-12  # squares of what a line leaves of values that lie on it
LASTING = 1.96  # what was real once stays so while all values still reach this
# Strengths, simulated (`truth_table.py looks`): 1 is reached by chance in 5 % of series whose neighbours are unrelated
AMONG = (1.125, 1.215, 1.275, 1.315, 1.33, 1.34, 1.36, 1.38, 1.39)  # in 5 %, 2.5 %, ... 0.56 % of those that
# correlate by 0.3
FIRM = 1.24  # in 5 % of those that correlate by 0.5
UNDECIDED = (
    "the order of all {n} sessions would be a change if they were unrelated, but sessions close in time resemble each "
    "other, and so few cannot show how much"
)


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
    slope = _find_median(slopes)
    low, high = _find_sen_interval(slopes, ys, confidence)
    return Trend(slope, low, high, _find_median(np.sort(ys)) - slope * _find_median(np.sort(xs)), n)


def _find_median(ordered: FloatArray) -> float:
    """Of values (n,) in rising order, all of them known; numpy's own takes ten times as long for a few."""
    return float((ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2]) / 2)


@dataclass(frozen=True, slots=True)
class LastingTrend:
    """Whether values in the order taken rise or fall, however often that was asked before; None: too few to say.

    ``score`` is Kendall's S of all values over its standard deviation. ``strength``: the largest score in its
    direction at any look so far, over the limit there: from ``AMONG[0]`` real, from 1 real only if sessions were
    unrelated (``is_open``); ``AMONG[m - 1]`` is real among m measures judged side by side, ``FIRM`` real even if
    neighbouring sessions correlate by 0.5. ``correlation`` of neighbouring values beside the trend; the standard
    deviation is larger by half of it.
    """

    word: TrendWord
    score: float | None
    strength: float | None
    correlation: float | None
    reason: str
    is_open: bool = False


def judge_trend(x: ArrayLike, y: ArrayLike) -> LastingTrend:
    """Rank test of a trend in ``y`` (n,) over rising ``x`` (n,) that may be repeated after each new value.

    Without a trend the rank of each new value among those before it is uniform and independent of all earlier ranks,
    and Kendall's S is the sum of these ranks (centred), whatever the values' distribution. The limit for S over its
    standard deviation is passed at any of the looks after 3, 4, ... 20 values in less than 5 % of such series, where
    1.96 is passed in a quarter; ``AMONG[0]`` times the limit in 5 % of those whose neighbours correlate by 0.3, which a
    dozen values cannot tell from unrelated ones. It is low from 10 to 14 values, where a trend worth knowing begins to
    show. What was real once stays so while all values together still say it. One odd value
    moves S by n - 1 at most. Standard deviation with ties: Kendall, Rank Correlation Methods (1970); with correlation:
    Hamed & Rao, J Hydrol 204 (1998) 182 (its idea, from memory), drawn halfway to none: few values know it badly.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = int(ys.size)
    if n < N_LASTING_MIN:
        return LastingTrend("unknown", None, None, None, f"{n} sessions; {N_LASTING_MIN} are needed to tell a trend")
    if (ys == ys[0]).all():
        return LastingTrend("no clear trend", 0.0, 0.0, None, "every session gave the same value")
    correlation = _correlate_neighbours(xs, ys)
    kept = min(max(correlation, 0.0), 0.9) / 2
    scores = _score_looks(ys) / np.sqrt((1 + kept) / (1 - kept))
    score, limits = float(scores[-1]), [find_limit(k) for k in range(N_LASTING_MIN, n + 1)]
    strength = float(np.max(np.sign(score) * scores / limits))
    if abs(score) < LASTING:
        strength = min(strength, 0.99)
    if strength < AMONG[0]:
        is_open = strength >= 1
        reason = UNDECIDED.format(n=n) if is_open else f"over all {n} sessions no more than chance may bring"
        return LastingTrend("no clear trend", score, strength, correlation, reason, is_open)
    word: TrendWord = "rising" if score > 0 else "falling"
    reason = f"over all {n} sessions, beyond what chance brings at any look"
    return LastingTrend(word, score, strength, correlation, reason)


def judge_together(strengths: Sequence[float]) -> list[bool]:
    """Which of the ``strengths`` (m,), of measures judged side by side, are real; any falsely so in 5 % at most.

    The strongest has to pass as one of m, the next as one of m - 1, and so on to the first that does not: S. Holm,
    Scand J Stat 6 (1979) 65. Like each limit, where neighbouring sessions correlate by up to 0.3, whether or not the
    measures hang together.
    """
    real = [False] * len(strengths)
    for n_left, place in zip(range(len(strengths), 0, -1), np.argsort(strengths)[::-1].tolist(), strict=True):
        if strengths[place] < AMONG[min(n_left, len(AMONG)) - 1]:
            break
        real[place] = True
    return real


def find_limit(n: int) -> float:
    """What Kendall's S of ``n`` values, over its standard deviation, has to reach."""
    return next((limit for end, limit in LIMITS if n < end), LATER_LIMIT)


def _score_looks(y: FloatArray) -> FloatArray:
    """Kendall's S over its standard deviation of the first 7, 8, ... n values; 0 where all are the same."""
    steps = [float(np.sign(y[k] - y[:k]).sum()) for k in range(y.size)]
    totals = np.cumsum(steps)[N_LASTING_MIN - 1 :]
    variances = [find_kendall_variance(y[:k]) for k in range(N_LASTING_MIN, y.size + 1)]
    return np.array([s / v**0.5 if v > 0 else 0.0 for s, v in zip(totals.tolist(), variances, strict=True)])


def find_kendall_variance(y: FloatArray) -> float:
    """Variance of Kendall's S of values ``y`` (n,) without a trend, ties in them allowed for."""
    n = y.size
    ordered = np.sort(y)
    if (ordered[1:] > ordered[:-1]).all():  # as nearly always
        return float(n * (n - 1) * (2 * n + 5)) / 18
    _, ties = np.unique(y, return_counts=True)
    return float(n * (n - 1) * (2 * n + 5) - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18


def _correlate_neighbours(x: FloatArray, y: FloatArray) -> float:
    """Lag-1 correlation of what the line leaves, far values pulled in, corrected for few values (from memory)."""
    line = fit_theil_sen(x, y)
    left = y - (line.slope or 0.0) * x
    left = left - np.median(left)
    far = 1.5 * float(np.quantile(np.abs(left), 0.9))
    left = np.clip(left, -far, far)
    left = left - left.mean()
    size = float(left @ left)
    if size <= TINY:
        return 0.0
    plain = float(left[1:] @ left[:-1]) / size
    return plain + (1 + 3 * max(plain, 0.0)) / y.size


def pair_up(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices of all pairs of ``n`` values, the earlier one first."""
    return _pair_few(n) if n <= N_FEW else np.triu_indices(n, k=1)


@cache
def _pair_few(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    return np.triu_indices(n, k=1)


def pairwise_slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Sorted slopes between all pairs of points that differ in ``x``."""
    first, second = pair_up(int(x.size))
    dx, dy = x[second] - x[first], y[second] - y[first]
    return np.sort(dy[dx != 0] / dx[dx != 0])


def count_kendall_s(y: Sequence[float] | FloatArray) -> int:
    """Rising minus falling pairs in the order given."""
    values = np.asarray(y, dtype=np.float64)
    first, second = pair_up(int(values.size))
    return int(np.sign(values[second] - values[first]).sum())


def _find_sen_interval(slopes: FloatArray, y: FloatArray, confidence: float) -> tuple[float | None, float | None]:
    from scipy.special import ndtri

    reach = float(ndtri(0.5 + confidence / 2)) * find_kendall_variance(y) ** 0.5
    below = int(np.round((slopes.size - reach) / 2)) - 1
    above = int(np.round((slopes.size + reach) / 2))
    if below < 0 or above > slopes.size - 1:
        return None, None
    return float(slopes[below]), float(slopes[above])
