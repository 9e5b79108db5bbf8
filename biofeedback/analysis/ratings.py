"""The model behind every answer: ratings are a drift, plus what contraction does, plus scatter.

The drift of one stay in the position is a level, a straight line in time and a bend, fast at first and slow later as
relaxation is. Level and line are free; the bend is drawn towards none, as a normal variable with an RMS over the
session of a fifth of a point, whatever ratings scatter by: free, it would cost a short session a fifth of its power,
and left out, relaxation that slows down would be taken for an effect. All ratings that are there count, whether or not
their neighbours were answered.

Scatter is estimated so that it is right for independent ratings around a line, and too large rather than too small
where drift bends, walks or ratings hang together; an interval may be too wide, not too narrow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from biofeedback.analysis.interval import find_t_quantile
from biofeedback.model import FloatArray

BEND_POINTS = 0.2  # RMS of the bend; found by simulation, see the truth table
FIRST_RATIO = 0.35  # of the bend to the scatter of single ratings, until the ratings have told their scatter
LEAST_RATIO, LARGEST_RATIO = 0.1, 1.0
DECIMALS = 9  # the last bits of the arithmetic are no change
BEND_RATE, FREE_BEND_RATE = 5.0, 10.0  # the bend is 1 / (1 + rate u), u from 0 to 1 over the stay
SCALE_LOW, SCALE_HIGH = 0.0, 10.0
AGREE_P = 0.05  # sessions whose scatters differ by less than chance does at this level have one scatter
LARGER_P = 0.005  # so seldom chance alone makes a session's scatter that much larger than that of earlier ones


@dataclass(frozen=True, slots=True)
class Scatter:
    """Variance of single ratings around drift and effect, in points^2, and the degrees of freedom that know it."""

    variance: float
    df: float


@dataclass(frozen=True, slots=True, eq=False)
class Ratings:
    """Ratings that were given, in the order held, (n,) each; ``run`` tells stays in the position apart."""

    rating: FloatArray
    contracting: NDArray[np.bool_]
    time_s: FloatArray
    run: NDArray[np.int_]

    @property
    def n(self) -> int:
        """How many."""
        return int(self.rating.size)


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """One coefficient: ``value`` with its standard ``error`` and the interval's reach, all in points.

    ``weights`` (n,) makes the value from the ratings. ``scatter`` is this session's own; ``borrowed`` whether others'
    were joined with it. ``alias`` is what rounding to the scale's steps may imitate; it is part of ``reach``.
    ``bend_ratio`` is the RMS of the bend that was reckoned with, over the scatter.
    """

    value: float
    error: float
    reach: float
    df: float
    weights: FloatArray
    scatter: Scatter
    alias: float
    borrowed: bool
    bend_ratio: float


def list_drift(ratings: Ratings) -> tuple[FloatArray, FloatArray]:
    """Columns of level and line (n, n_runs + 1), and the bend (n,) with RMS 1, at right angles to them."""
    runs = np.unique(ratings.run)
    levels = (ratings.run[:, None] == runs[None, :]).astype(np.float64)
    share = _find_share(ratings)
    if not share.any():
        return levels, np.zeros(ratings.n)
    straight = np.column_stack([levels, share])
    bend = _take_out(straight, 1 / (1 + BEND_RATE * share))
    size = sqrt(float(bend @ bend) / ratings.n)
    return straight, bend / size if size > 1e-6 else np.zeros(ratings.n)


def bend_freely(ratings: Ratings) -> FloatArray:
    """A sharper bend (n, 1) that is not drawn towards none: what is left of an effect beside it owes nothing to drift.

    It costs scatter; over many sessions, where scatter averages out and a drift that all share does not, it shows how
    far the drift has carried the estimate.
    """
    return np.asarray(1 / (1 + FREE_BEND_RATE * _find_share(ratings)), dtype=np.float64)[:, None]


def _find_share(ratings: Ratings) -> FloatArray:
    """Time since the start of each stay, as a share of the longest stay, (n,)."""
    since_s = np.zeros(ratings.n)
    for run in np.unique(ratings.run):
        own = ratings.run == run
        since_s[own] = ratings.time_s[own] - ratings.time_s[own].min()
    longest_s = float(since_s.max(initial=0.0))
    return since_s / longest_s if longest_s > 0 else since_s


def correlate(bend: FloatArray, ratio: float = FIRST_RATIO) -> FloatArray:
    """Covariance of the ratings around level and line (n, n), in units of the scatter's variance.

    ``ratio``: RMS of the bend over the scatter.
    """
    return np.asarray(np.eye(bend.size) + ratio**2 * np.outer(bend, bend), dtype=np.float64)


def estimate(
    ratings: Ratings, effect: FloatArray, *, rounding: float, beside: FloatArray | None = None,
    earlier: Scatter | None = None,
) -> Estimate | None:  # fmt: skip
    """What a column ``effect`` (n,) adds to the drift; ``beside`` (n, k): further columns that are free.

    Generalised least squares with the bend in the covariance, twice: the scatter that the first round finds says how
    large the bend is beside it. The variance of single ratings is the weighted sum of squares over its expectation for
    independent ratings, with Satterthwaite's degrees of freedom; never below that of rounding to ``rounding`` points
    (rounding^2 / 12). ``earlier`` is joined with it unless it is clearly smaller. None when the ratings cannot tell the
    effect from the drift, or leave no degree of freedom.
    """
    further = b"" if beside is None else beside.astype(np.float64).tobytes()
    time_s, run = ratings.time_s.astype(np.float64).tobytes(), ratings.run.astype(np.int_).tobytes()
    design = _lay_out(time_s, run, effect.astype(np.float64).tobytes(), further)
    if design is None:
        return None
    first = design.first.find_scatter(ratings.rating, rounding)
    ratio = min(max(BEND_POINTS / sqrt(first.variance), LEAST_RATIO), LARGEST_RATIO)
    second = _solve(design.columns, correlate(design.bend, ratio))
    if second is None:
        return None
    weights, own = second.weights, second.find_scatter(ratings.rating, rounding)
    joined = join_scatters(own, earlier)
    error = sqrt(joined.variance * float(weights @ weights))
    alias = find_alias(own, rounding) * float(np.abs(weights).sum())
    reach = find_t_quantile(joined.df) * error + alias
    value = round(float(weights @ ratings.rating), DECIMALS)
    return Estimate(value, error, reach, joined.df, weights, own, alias, joined is not own, ratio)


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """``weights`` (n,) of the last column's coefficient, and what tells the scatter around all columns."""

    weights: FloatArray
    left: FloatArray
    expected: float
    df: float

    def find_scatter(self, y: FloatArray, rounding: float) -> Scatter:
        return Scatter(max(float(y @ self.left @ y) / self.expected, rounding**2 / 12), self.df)


@dataclass(frozen=True, slots=True, eq=False)
class _Design:
    """All that does not depend on the ratings themselves: the columns, the bend, and the first round."""

    columns: FloatArray
    bend: FloatArray
    first: _Solved


@lru_cache(maxsize=256)  # a plan is carried out again and again
def _lay_out(time_s: bytes, run: bytes, effect: bytes, beside: bytes) -> _Design | None:
    """Of arrays as bytes; None when ratings so placed cannot tell the effect from the drift, or leave no freedom."""
    last = np.frombuffer(effect)
    ratings = Ratings(last, last > 0, np.frombuffer(time_s), np.frombuffer(run, dtype=np.int_))
    straight, bend = list_drift(ratings)
    others = np.column_stack([straight, np.frombuffer(beside).reshape(last.size, -1)]) if beside else straight
    columns = np.column_stack([others, last])
    if ratings.n <= columns.shape[1] or np.linalg.matrix_rank(columns) < np.linalg.matrix_rank(others) + 1:
        return None
    first = _solve(columns, correlate(bend, FIRST_RATIO))
    return None if first is None else _Design(columns, bend, first)


def _solve(columns: FloatArray, covariance: FloatArray) -> _Solved | None:
    """Generalised least squares; None without a degree of freedom."""
    inverse = np.linalg.inv(covariance)
    projection = np.linalg.pinv(columns.T @ inverse @ columns) @ columns.T @ inverse
    left = inverse - inverse @ columns @ projection
    expected = float(np.trace(left))
    df = expected**2 / float(np.trace(left @ left)) if expected > 1e-9 else 0.0
    if df < 1 - 1e-9:
        return None
    return _Solved(np.asarray(projection[-1], dtype=np.float64), left, expected, df)


def join_scatters(own: Scatter, earlier: Scatter | None) -> Scatter:
    """Both together unless the session's own is clearly the larger (F test), which then stands alone.

    A small one is joined however small: left alone, sessions of chance agreement would look certain.
    """
    if earlier is None or earlier.df <= 0 or earlier.variance <= 0:
        return own
    from scipy.special import fdtr

    p = float(fdtr(own.df, earlier.df, own.variance / earlier.variance))
    if p > 1 - LARGER_P:
        return own
    df = own.df + earlier.df
    return Scatter((own.df * own.variance + earlier.df * earlier.variance) / df, df)


def pool_scatters(scatters: Sequence[Scatter]) -> Scatter | None:
    """One person's scatter over sessions; None from none, or where Bartlett's test says that they differ."""
    known = [s for s in scatters if s.df > 0 and s.variance > 0]
    if not known:
        return None
    df = np.array([s.df for s in known])
    variances = np.array([s.variance for s in known])
    pooled = float(df @ variances / df.sum())
    if len(known) > 1:
        from scipy.special import chdtrc

        size = 1 + (float((1 / df).sum()) - 1 / float(df.sum())) / (3 * (len(known) - 1))
        statistic = (float(df.sum()) * np.log(pooled) - float(df @ np.log(variances))) / size
        if float(chdtrc(len(known) - 1, statistic)) < AGREE_P:
            return None
    return Scatter(pooled, float(df.sum()))


def find_alias(scatter: Scatter, rounding: float) -> float:
    """Largest mean error of a rating that rounding makes, in points, where all fall alike between two steps.

    The first harmonic of the rounding error of a value with normal scatter: step / pi exp(-2 pi^2 sd^2 / step^2). A
    scatter of half a step makes it vanish; without any, a fall of exactly half a step a phase looks like an effect.
    Widrow, Kollar & Liu, IEEE Trans Instrum Meas 45 (1996) 353 (from memory).
    """
    variance = max(scatter.variance - rounding**2 / 12, 0.0)
    return rounding / pi * exp(-2 * pi**2 * variance / rounding**2)


def _take_out(columns: FloatArray, values: FloatArray) -> FloatArray:
    """What is left of ``values`` at right angles to ``columns``."""
    return np.asarray(values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0], dtype=np.float64)
