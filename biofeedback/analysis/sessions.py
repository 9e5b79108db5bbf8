"""Several sessions together: what contraction does for this person on average, and what the next session may bring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from biofeedback.analysis.interval import find_t_quantile
from biofeedback.analysis.response import N_CONTRASTS_MIN, Response, may_come_late
from biofeedback.analysis.words import (
    MAY_COME_LATE,
    YARDSTICK_POINTS,
    ResponseWord,
    choose_word,
    count,
    describe_points,
)
from biofeedback.model import FloatArray

N_SESSIONS_MIN = 3  # two sessions leave one degree of freedom
CARRIED_POINTS = 0.1  # less is not worth a sentence
CARRIED = (
    "A fall that bends alike every time, fast at first, does not average out over sessions; it may have moved this "
    "mean by {:.1f} points, which the interval allows for."
)
LATE = (
    "Only the relaxed phases that came after a contraction differ from it, on average, not the one before any; what "
    "comes late and stays looks just like this."
)


@dataclass(frozen=True, slots=True)
class SessionsAnswer:
    """Random-effects mean over sessions, in points; negative is less discomfort; None where ``reason`` says why.

    ``low`` to ``high`` is the 95 % interval of the mean; ``next_low`` to ``next_high`` holds the change measured in
    95 % of further sessions; ``between_sd`` is how much the true change varies from session to session; ``q`` is
    Cochran's statistic. ``carried_points``: how far a drift that all sessions share may have moved the mean; it is part
    of the interval.
    """

    n_sessions: int
    mean_change: float | None
    error: float | None
    low: float | None
    high: float | None
    between_sd: float | None
    q: float | None
    next_low: float | None
    next_high: float | None
    word: ResponseWord
    reason: str
    notes: tuple[str, ...] = ()
    carried_points: float = 0.0

    def sentences(self) -> tuple[str, ...]:
        """What contraction does on average, and what to expect next time."""
        if self.word == "too few ratings to say" or self.mean_change is None or self.low is None or self.high is None:
            return (f"Too few sessions to say what contraction does on average: {self.reason}.",)
        interval = f"{describe_points(self.low)} to {describe_points(self.high)}"
        first = (
            f"Over {count(self.n_sessions, 'session')} discomfort while contracting was on average "
            f"{describe_points(self.mean_change)} (95 % interval: {interval}): {self.word}."
        )
        if self.next_low is None or self.next_high is None:
            return (first,)
        carried = (CARRIED.format(self.carried_points),) if self.carried_points >= CARRIED_POINTS else ()
        late = (LATE,) if self.word == MAY_COME_LATE else ()
        return (
            first,
            *late,
            *carried,
            f"The next session may bring {describe_points(self.next_low)} to {describe_points(self.next_high)}.",
        )


def combine_responses(responses: Sequence[Response]) -> SessionsAnswer:
    """Combine sessions with enough rated contractions each; those left out are named in ``notes``.

    The scatter of single ratings is pooled over sessions: it is one person's, and a handful of cycles knows it too
    badly to weigh a session by (with unpooled errors the 95 % interval holds the truth in 91 % of simulations). A
    drift that bends alike every time carries every session the same way, so it does not average out: the interval is
    wider by how far the mean moves when the drift may bend freely.
    """
    used = [r for r in responses if r.n_contrasts >= N_CONTRASTS_MIN and r.scatter is not None]
    changes, sds, errors = (
        np.array([getattr(r, name) for r in used], dtype=np.float64) for name in ("mean_change", "rating_sd", "error")
    )
    df = np.array([r.scatter.df for r in used if r.scatter is not None], dtype=np.float64)
    pooled = float(np.sqrt(np.sum(df * sds**2) / df.sum())) if used else 0.0
    carried = [r.mean_change - r.free_change for r in used if r.mean_change is not None and r.free_change is not None]
    answer = combine_sessions(
        changes,
        errors / sds * pooled,
        carried_points=abs(float(np.mean(carried))) if carried else 0.0,
    )
    steps = [(r.first_step, r.later_step) for r in used if r.first_step is not None and r.later_step is not None]
    if answer.word in ("less", "more") and steps:
        first_step, later_step = np.mean(steps, axis=0).tolist()
        if may_come_late(answer.mean_change, first_step, later_step):
            answer = replace(answer, word=MAY_COME_LATE, reason=LATE)
    n_left_out = len(responses) - len(used)
    if not n_left_out:
        return answer
    note = f"{count(n_left_out, 'session')} with fewer than {N_CONTRASTS_MIN} rated contractions left out"
    return replace(answer, notes=(note,))


def combine_sessions(changes: ArrayLike, errors: ArrayLike, *, carried_points: float = 0.0) -> SessionsAnswer:
    """Random-effects mean of ``changes`` (k,) with standard ``errors`` (k,), all positive.

    Between-session variance by restricted maximum likelihood (Viechtbauer, J Educ Behav Stat 30 (2005) 261), interval
    by Hartung & Knapp (Stat Med 20 (2001) 3875). The interval for the next session is that of its measured change,
    with t(k - 1): it includes the error of one average session, unlike the usual prediction interval of the true
    change (Higgins, Thompson & Spiegelhalter, J R Stat Soc A 172 (2009) 137), so that it can be seen to hold or fail.
    ``carried_points``: how far all changes may be off together, added to the mean's interval.
    """
    y, v = np.asarray(changes, dtype=np.float64), np.asarray(errors, dtype=np.float64) ** 2
    if y.shape != v.shape or y.ndim != 1 or not (v > 0).all():
        raise ValueError("each change needs one standard error above zero")
    k = int(y.size)
    if k < 2:
        word, reason = choose_word(k, None, None, n_min=N_SESSIONS_MIN, yardstick=YARDSTICK_POINTS, noun="session")
        single = float(y[0]) if k else None
        return SessionsAnswer(k, single, None, None, None, None, None, None, None, word, reason)
    between = estimate_between_variance(y, v)
    mean, error = estimate_random_mean(y, v, between)
    reach = find_t_quantile(k - 1) * error + carried_points
    fixed = 1 / v
    q = float(np.sum(fixed * (y - np.sum(fixed * y) / fixed.sum()) ** 2))
    ahead = find_t_quantile(k - 1) * float(np.sqrt(between + v.mean() + error**2))
    word, reason = choose_word(
        k, mean - reach, mean + reach, n_min=N_SESSIONS_MIN, yardstick=YARDSTICK_POINTS, noun="session"
    )
    return SessionsAnswer(
        n_sessions=k,
        mean_change=mean,
        error=error,
        low=mean - reach,
        high=mean + reach,
        between_sd=float(np.sqrt(between)),
        q=q,
        next_low=mean - ahead,
        next_high=mean + ahead,
        word=word,
        reason=reason,
        carried_points=carried_points,
    )


def estimate_between_variance(y: FloatArray, v: FloatArray) -> float:
    """REML by Fisher scoring from the moment estimate; never negative."""
    tau2 = max(0.0, float(y.var(ddof=1) - v.mean()))
    for _ in range(500):
        w = 1 / (v + tau2)
        mean = np.sum(w * y) / w.sum()
        stepped = max(0.0, float(np.sum(w**2 * ((y - mean) ** 2 - v)) / np.sum(w**2) + 1 / w.sum()))
        if abs(stepped - tau2) <= 1e-12 * (1 + tau2):
            return stepped
        tau2 = stepped
    return tau2


def estimate_random_mean(y: FloatArray, v: FloatArray, between: float) -> tuple[float, float]:
    """Weighted mean and its Hartung-Knapp standard error.

    Their factor is kept above 0.1: sessions that agree to the last digit do so by luck.
    """
    w = 1 / (v + between)
    mean = float(np.sum(w * y) / w.sum())
    factor = float(np.sum(w * (y - mean) ** 2)) / (y.size - 1)
    return mean, float(np.sqrt(max(factor, 0.1) / w.sum()))
