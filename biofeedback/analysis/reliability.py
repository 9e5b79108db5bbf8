"""How well measurements repeat, and how large a change must be before it is one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, sqrt
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from biofeedback.analysis.interval import find_t_quantile

MDC_FACTOR = 1.96 * sqrt(2.0)  # 95 % of the differences between two unchanged measurements are smaller


@dataclass(frozen=True, slots=True)
class Icc:
    """One intraclass correlation with its 95 % interval, F test of no reliability and p."""

    name: str
    value: float
    low: float
    high: float
    f: float
    df: tuple[int, int]
    p: float


@dataclass(frozen=True, slots=True)
class Reliability:
    """Two-way analysis of variance of ``n_subjects`` measured ``n_trials`` times, and what follows from it.

    ``sem`` is sqrt(``ms_error``), systematic change between trials taken out; ``mdc95`` = 1.96 sqrt(2) sem.
    """

    n_subjects: int
    n_trials: int
    ms_subjects: float
    ms_within: float
    ms_trials: float
    ms_error: float
    iccs: tuple[Icc, ...]
    sem: float
    mdc95: float

    def icc(self, name: str) -> Icc:
        """By its name: "ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)" or "ICC(3,k)"."""
        return next(icc for icc in self.iccs if icc.name == name)


@dataclass(frozen=True, slots=True)
class RepeatError:
    """Standard error of measurement of one person and the smallest change that exceeds it; None with ``reason``.

    ``mdc95`` = t sqrt(2) sem with Student's t for ``df`` in place of 1.96: an error known from a handful of sessions is
    itself uncertain (with 1.96, 13 % of the changes from the first of four unchanged sessions to the last look real).
    """

    sem: float | None
    mdc95: float | None
    df: int
    reason: str = ""


ChangeWord: TypeAlias = Literal["up", "down", "within measurement error", "not decided", "unknown"]


@dataclass(frozen=True, slots=True)
class Change:
    """A difference and whether it is real, with the reason."""

    difference: float
    word: ChangeWord
    reason: str


@dataclass(frozen=True, slots=True)
class SideDifference:
    """Left as % above (+) or below (-) right, with its 95 % interval; None with ``reason``."""

    left_minus_right_percent: float | None
    low: float | None
    high: float | None
    word: Literal["left higher", "right higher", "no clear difference", "unknown"]
    reason: str


def compute_reliability(scores: ArrayLike) -> Reliability:
    """ICCs, SEM and MDC of ``scores`` (n_subjects, n_trials), complete, at least 2 by 2, not all equal.

    Shrout & Fleiss, Psychol Bull 86 (1979) 420; intervals McGraw & Wong, Psychol Methods 1 (1996) 30; SEM and MDC
    Weir, J Strength Cond Res 19 (2005) 231.
    """
    x = np.asarray(scores, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise ValueError(f"scores of shape {x.shape}: a complete table of two or more subjects and trials is needed")
    n, k = x.shape
    grand = float(x.mean())
    subjects = k * float(((x.mean(axis=1) - grand) ** 2).sum())
    trials = n * float(((x.mean(axis=0) - grand) ** 2).sum())
    total = float(((x - grand) ** 2).sum())
    between, within = subjects / (n - 1), (total - subjects) / (n * (k - 1))
    columns, error = trials / (k - 1), max(total - subjects - trials, 0.0) / ((n - 1) * (k - 1))
    if error <= 1e-12 * max(total, 1e-300):
        raise ValueError("the trials agree exactly; there is no error to estimate")
    if between <= 1e-12 * max(total, 1e-300):
        raise ValueError("the subjects do not differ at all; there is nothing to tell apart")
    sem = sqrt(error)
    iccs = (*_one_way(between, within, n, k), *_random(between, columns, error, n, k), *_fixed(between, error, n, k))
    return Reliability(n, k, between, within, columns, error, iccs, sem, MDC_FACTOR * sem)


def estimate_repeat_error(groups: Sequence[Sequence[float]], *, n_df_min: int = 2) -> RepeatError:
    """SEM of one person from groups of repeats (same day, same position), pooled over groups of two or more.

    It does not hold day-to-day variation; for changes between days use ``estimate_session_error``. Two degrees of
    freedom at least (*one* pair of repeats says next to nothing).
    """
    repeats = [np.asarray(group, dtype=np.float64) for group in groups if len(group) > 1]
    df = sum(group.size - 1 for group in repeats)
    squares = sum(float(((group - group.mean()) ** 2).sum()) for group in repeats)
    return _judge_error(squares, df, n_df_min, "repeats beyond the first of a day")


def estimate_session_error(values: Sequence[float], *, n_df_min: int = 4) -> RepeatError:
    """SEM of one person from session to session: sqrt(sum of squared successive differences / 2 / (n - 1)).

    A slow trend hardly enters differences between neighbours (von Neumann, Ann Math Stat 12 (1941) 153). Needs five
    sessions: the steps of four never let their own sum exceed the limit.
    """
    steps = np.diff(np.asarray(values, dtype=np.float64))
    return _judge_error(float((steps**2).sum()) / 2, int(steps.size), n_df_min, "steps from session to session")


def compare_sides(left: Sequence[float], right: Sequence[float]) -> SideDifference:
    """Left against right from positive repeats of each side, as a ratio: Welch's interval of the difference of logs."""
    from scipy.special import stdtrit

    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    if min(a.size, b.size) < 2:
        return SideDifference(None, None, None, "unknown", f"{a.size} left and {b.size} right; two of each are needed")
    if min(a.min(), b.min()) <= 0:
        return SideDifference(None, None, None, "unknown", "a ratio of sides needs values above zero")
    logs_a, logs_b = np.log(a), np.log(b)
    parts = float(logs_a.var(ddof=1)) / a.size, float(logs_b.var(ddof=1)) / b.size
    error = sqrt(sum(parts))
    mean = float(logs_a.mean() - logs_b.mean())
    if error == 0:
        return SideDifference(
            _to_percent(mean), None, None, "unknown", "the repeats agree exactly: no error to compare"
        )
    df = sum(parts) ** 2 / (parts[0] ** 2 / (a.size - 1) + parts[1] ** 2 / (b.size - 1))
    reach = float(stdtrit(df, 0.975)) * error
    low, high = _to_percent(mean - reach), _to_percent(mean + reach)
    interval = f"the 95 % interval is {low:+.1f} to {high:+.1f} %"
    if low > 0 or high < 0:
        return SideDifference(_to_percent(mean), low, high, "left higher" if low > 0 else "right higher", interval)
    return SideDifference(_to_percent(mean), low, high, "no clear difference", f"{interval} and includes zero")


def _to_percent(log_ratio: float) -> float:
    return 100 * (exp(log_ratio) - 1)


def _judge_error(squares: float, df: int, n_df_min: int, what: str) -> RepeatError:
    if df < n_df_min:
        return RepeatError(None, None, df, f"{df} {what}; {n_df_min} are needed")
    if squares == 0:
        return RepeatError(None, None, df, "the repeats agree exactly; their error is below the resolution")
    sem = sqrt(squares / df)
    return RepeatError(sem, find_t_quantile(df) * sqrt(2.0) * sem, df)


def _f_tail(f: float, df1: float, df2: float) -> float:
    from scipy.special import fdtrc

    return float(fdtrc(df1, df2, f))


def _f_quantile(df1: float, df2: float) -> float:
    from scipy.special import fdtri

    return float(fdtri(df1, df2, 0.975))


def _one_way(between: float, within: float, n: int, k: int) -> tuple[Icc, Icc]:
    f, df = between / within, (n - 1, n * (k - 1))
    return _from_f("1", f, df, k)


def _fixed(between: float, error: float, n: int, k: int) -> tuple[Icc, Icc]:
    f, df = between / error, (n - 1, (n - 1) * (k - 1))
    return _from_f("3", f, df, k)


def _from_f(case: str, f: float, df: tuple[int, int], k: int) -> tuple[Icc, Icc]:
    """Cases 1 and 3, single and mean of k, are functions of one F each."""
    low, high = f / _f_quantile(*df), f * _f_quantile(df[1], df[0])
    p = _f_tail(f, *df)

    def make(name: str, convert: Callable[[float], float]) -> Icc:
        return Icc(name, convert(f), convert(low), convert(high), f, df, p)

    return make(f"ICC({case},1)", lambda v: (v - 1) / (v + k - 1)), make(f"ICC({case},k)", lambda v: 1 - 1 / v)


def _random(between: float, columns: float, error: float, n: int, k: int) -> tuple[Icc, Icc]:
    """Case 2: trials are a sample too; Satterthwaite degrees of freedom for the interval."""
    value = (between - error) / (between + (k - 1) * error + k * (columns - error) / n)
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    v = (a * columns + b * error) ** 2 / ((a * columns) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1)))
    lower, upper = _f_quantile(n - 1, v), _f_quantile(v, n - 1)
    pooled = k * columns + (k * n - k - n) * error
    low = n * (between - lower * error) / (lower * pooled + n * between)
    high = n * (upper * between - error) / (pooled + n * upper * between)
    f, df = between / error, (n - 1, (n - 1) * (k - 1))
    p = _f_tail(f, *df)

    def make(name: str, convert: Callable[[float], float]) -> Icc:
        return Icc(name, convert(value), convert(low), convert(high), f, df, p)

    return make("ICC(2,1)", lambda r: r), make("ICC(2,k)", lambda r: k * r / (1 + (k - 1) * r))
