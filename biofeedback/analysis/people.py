"""A group of athletes: how much true responses differ, who clearly responds, and what the next athlete may expect."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal, TypeAlias

import numpy as np

from biofeedback.analysis.interval import find_t_quantile
from biofeedback.analysis.sessions import estimate_between_variance, estimate_random_mean
from biofeedback.analysis.words import MAY_COME_LATE, YARDSTICK_POINTS
from biofeedback.model import FloatArray, same_name

N_PEOPLE_MIN = 3
SESSION_DF = 7.0  # degrees of freedom that one session of five cycles has
HIGHEST_SD = 10.0  # points; true responses cannot differ by more than the scale is long
PersonWord: TypeAlias = Literal["less", "more", "no change that matters", "not decided"]


@dataclass(frozen=True, slots=True)
class Person:
    """One athlete's change over ``n_sessions``, in points, with its error and 95 % interval, from own ratings alone."""

    athlete: str
    n_sessions: int
    change: float
    error: float
    low: float
    high: float

    @property
    def word(self) -> PersonWord:
        """ "no change that matters" only where 2 points either way are excluded."""
        if self.high < 0:
            return "less"
        if self.low > 0:
            return "more"
        return "no change that matters" if max(-self.low, self.high) < YARDSTICK_POINTS else "not decided"


@dataclass(frozen=True, slots=True)
class People:
    """A group's answer, in points; None where ``reason`` says why.

    ``mean`` with its interval; ``between_sd`` is how much true responses differ, ``sd_low`` to ``sd_high`` its 95 %
    interval; the true response of the next athlete lies in ``next_low`` to ``next_high`` with 95 %. ``shrunk`` holds
    each person's change drawn towards the mean, as far as own ratings leave it open; in the order of ``persons``.
    """

    persons: tuple[Person, ...]
    mean: float | None
    low: float | None
    high: float | None
    between_sd: float | None
    sd_low: float | None
    sd_high: float | None
    next_low: float | None
    next_high: float | None
    shrunk: tuple[float, ...]
    reason: str = ""


def gather_people(sessions: Sequence[tuple[str, float, float]]) -> tuple[Person, ...]:
    """One person a code from ``(code, change, standard error above 0)`` of every session, weighted by the errors."""
    own: dict[str, list[tuple[float, float]]] = {}
    for athlete, change, error in sessions:
        own.setdefault(athlete, []).append((change, error))
    persons = []
    for athlete, rows in sorted(own.items()):
        y, v = np.array([c for c, _ in rows]), np.array([e**2 for _, e in rows])
        between = estimate_between_variance(y, v) if y.size > 1 else 0.0
        weight = 1 / (v + between)
        change, error = float(weight @ y / weight.sum()), float(1 / np.sqrt(weight.sum()))
        reach = find_t_quantile(SESSION_DF * y.size if between == 0 else y.size - 1.0) * error
        persons.append(Person(athlete, y.size, change, error, change - reach, change + reach))
    return tuple(persons)


def compare_people(persons: Sequence[Person]) -> People:
    """Random effects over people: REML, Hartung-Knapp, and the prediction interval of Higgins et al.

    ``between_sd``'s interval inverts Cochran's Q at every between-variance (Viechtbauer, Stat Med 26 (2007) 37; from
    memory); the prediction interval of a true response has t(k - 2) (Higgins, Thompson & Spiegelhalter, J R Stat Soc A
    172 (2009) 137).
    """
    k = len(persons)
    if k < N_PEOPLE_MIN:
        reason = f"{k} athletes with an answer; {N_PEOPLE_MIN} are needed to compare them"
        return People(tuple(persons), None, None, None, None, None, None, None, None, (), reason)
    y, v = np.array([p.change for p in persons]), np.array([p.error**2 for p in persons])
    between = estimate_between_variance(y, v)
    mean, error = estimate_random_mean(y, v, between)
    reach = find_t_quantile(k - 1) * error
    ahead = find_t_quantile(max(k - 2, 1)) * sqrt(between + error**2)
    sd_low, sd_high = _bound_sd(y, v)
    keep = between / (between + v)
    return People(
        persons=tuple(persons),
        mean=mean,
        low=mean - reach,
        high=mean + reach,
        between_sd=sqrt(between),
        sd_low=sd_low,
        sd_high=sd_high,
        next_low=mean - ahead,
        next_high=mean + ahead,
        shrunk=tuple(float(value) for value in keep * y + (1 - keep) * mean),
    )


GroupKey: TypeAlias = tuple[str, bool, str]  # exercise, whether simulated, what was done before
Session: TypeAlias = tuple[str, float, float]  # code, change, its error


def read_sessions(rows: Sequence[Mapping[str, object]]) -> dict[GroupKey, list[Session]]:
    """Sessions with an answer by exercise, from rows of features; cells may be texts.

    Simulated ones stand apart, and so do those after warmth, massage, a warm-up or contractions, which may ease
    discomfort by themselves. An exercise is one thing however it is written, under the name of its first row.
    """
    groups: dict[GroupKey, list[Session]] = {}
    names: dict[str, str] = {}
    for row in rows:
        change, error = _read(row.get("change_mean")), _read(row.get("change_error"))
        answer = str(row.get("answer", ""))
        if change is None or not error or answer.startswith("too few") or answer == MAY_COME_LATE:
            continue
        exercise = str(row.get("exercise") or "")
        exercise = names.setdefault(same_name(exercise), exercise)
        key = (exercise, str(row.get("simulated")) in ("1", "True"), str(row.get("before") or ""))
        groups.setdefault(key, []).append((str(row.get("athlete") or "?"), change, error))
    return groups


def _bound_sd(y: FloatArray, v: FloatArray) -> tuple[float, float]:
    from scipy.special import chdtri

    def find_q(sd: float) -> float:
        w = 1 / (v + sd**2)
        return float(np.sum(w * (y - np.sum(w * y) / w.sum()) ** 2))

    high_q, low_q = float(chdtri(y.size - 1, 0.025)), float(chdtri(y.size - 1, 0.975))
    return _solve(find_q, high_q), _solve(find_q, low_q)


def _solve(find_q: Callable[[float], float], wanted: float) -> float:
    """Where a falling function comes down to ``wanted``; 0 when it lies below from the start."""
    low, high = 0.0, HIGHEST_SD
    if find_q(low) <= wanted:
        return 0.0
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (middle, high) if find_q(middle) > wanted else (low, middle)
    return (low + high) / 2


def _read(value: object) -> float | None:
    try:
        return float(str(value))
    except ValueError:
        return None
