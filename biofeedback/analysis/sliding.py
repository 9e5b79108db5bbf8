"""Discomfort rated all the time: mean and end of each phase, and how quickly it falls and comes back.

The slider follows what is felt with a lag of a second or so; untouched moments are unknown and left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from biofeedback.analysis.phases import Phase
from biofeedback.analysis.trace import Trace
from biofeedback.model import FloatArray

END_S = 3.0  # the value of a phase's end: the mean of its last seconds
LEAST_TOUCHED_PERCENT = 50.0  # of the end, or of the phase, for a value (common practice, no source)
STEP_S = 0.2  # the slider moves no faster than this can show
TAUS_S = np.geomspace(0.4, 40.0, 40)
CHI2_95 = 3.841  # 95 % of chi-square with one degree of freedom, Wilks 1938 (a table's value, from memory)
WIDTH = 5.0  # in its place for the intervals: with 3.84 only 91.5 % of 500 simulated ones held the truth, as the
# residuals' correlation is itself an estimate (`tests/benchmarks/bench_slider.py`)
N_CONTRACTIONS_MIN = 3
LEAST_CHANGE_POINTS = 0.5  # with less there is nothing whose pace could be told (common practice, no source)


@dataclass(frozen=True, slots=True)
class SlidPhase:
    """Discomfort in one phase by the slider; None where it was hardly touched."""

    number: int
    mean: float | None
    end: float | None
    touched_percent: float


@dataclass(frozen=True, slots=True)
class Pace:
    """A time constant in s (63 % of the way) with its 95 % interval; an open end is the end of what can be told."""

    tau_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class Paces:
    """How quickly discomfort follows: after a contraction begins, after it ends; None with ``reason``."""

    onset: Pace | None
    offset: Pace | None
    change_points: float | None
    reason: str = ""


NO_SLIDER = Paces(None, None, None, "no slider was used")


def find_slider(trace: Trace) -> FloatArray | None:
    """Discomfort by the slider (n,), NaN where untouched; None where nobody used one."""
    column = next((c for c, channel in enumerate(trace.channels) if channel.kind == "rating"), None)
    if column is None:
        return None
    values = trace.level[:, column]
    return values if np.isfinite(values).any() else None


def summarise_slider(trace: Trace) -> dict[int, SlidPhase]:
    """By the phase's number."""
    values = find_slider(trace)
    if values is None:
        return {}
    n_end = round(END_S * trace.level_rate_hz)
    found = {}
    for phase in trace.phases:
        own = values[phase.first_level : phase.end_level]
        share = 100.0 * float(np.isfinite(own).mean()) if own.size else 0.0
        found[phase.number] = SlidPhase(phase.number, _mean(own), _mean(own[-n_end:]), share)
    return found


def find_paces(trace: Trace) -> Paces:
    """The time constants of one session, from all its phases in the position."""
    values = find_slider(trace)
    if values is None:
        return NO_SLIDER
    step = max(1, round(STEP_S * trace.level_rate_hz))
    phases = [phase for phase in trace.phases if phase.kind != "rest"]
    return fit_paces(values[::step], trace.level_rate_hz / step, [_scale(phase, step) for phase in phases])


def _scale(phase: Phase, step: int) -> tuple[int, int, bool]:
    return -(-phase.first_level // step), -(-phase.end_level // step), phase.meaning.compares_as == "contract"


def fit_paces(values: FloatArray, rate_hz: float, phases: Sequence[tuple[int, int, bool]]) -> Paces:
    """First-order responses to contracting: with one time constant when it begins and another when it ends.

    ``values`` (n,) discomfort at ``rate_hz``, NaN where unknown; ``phases`` are ``[first, end)`` and whether it is a
    contraction. Least squares on differences that take out the residuals' correlation (Cochrane & Orcutt 1949), drift a
    straight line, intervals by the likelihood's profile.
    """
    if sum(contracts for *_, contracts in phases) < N_CONTRACTIONS_MIN:
        return Paces(None, None, None, f"fewer than {N_CONTRACTIONS_MIN} contractions")
    at, courses = _respond(phases, rate_hz)
    y = values[at]
    follows = np.diff(at, prepend=-2) == 1
    known = np.isfinite(y)
    pairs = np.flatnonzero(known[1:] & known[:-1] & follows[1:]) + 1
    if len(pairs) < 100:
        return Paces(None, None, None, "the slider was hardly touched")
    time_s = at / rate_hz
    base = np.column_stack([np.ones(len(at)), time_s - time_s.mean()])
    rho, best = 0.8, 0
    sse: FloatArray = np.empty(0)
    for _ in range(4):
        sse, slope = _fit(y, base, courses, pairs, rho)
        best = int(np.argmin(sse))
        residual = _residuals(y, np.column_stack([base, courses[best]]), known)
        now, before = residual[pairs], residual[pairs - 1]
        rho = float(np.clip((now @ before) / (before @ before), 0.0, 0.995))
    change = float(slope[best])
    support = len(pairs) * np.log(sse / sse[best]).reshape(len(TAUS_S), len(TAUS_S))
    if (
        abs(change) < LEAST_CHANGE_POINTS
        or len(pairs) * np.log(_fit_flat(y, base, pairs, rho) / sse[best]) < 2 * CHI2_95
    ):
        return Paces(None, None, change, "discomfort hardly followed the contractions, so its pace cannot be told")
    return Paces(_profile(support.min(axis=1)), _profile(support.min(axis=0)), change)


def _respond(phases: Sequence[tuple[int, int, bool]], rate_hz: float) -> tuple[np.ndarray, FloatArray]:
    """Sample numbers, and for every pair of time constants (onset, offset) the course from 0 (relaxed) to 1."""
    onset, offset = (grid.ravel() for grid in np.meshgrid(TAUS_S, TAUS_S, indexing="ij"))
    state = np.zeros(len(onset))
    places, parts = [], []
    for (first, end, contracts), before in zip(phases, [None, *phases[:-1]], strict=True):
        if before is not None and before[1] < first:  # out of the position in between: it has faded by then
            away_s = (first - before[1]) / rate_hz
            state = state * np.exp(-away_s / offset)
        tau, target = (onset, 1.0) if contracts else (offset, 0.0)
        since_s = np.arange(1, end - first + 1) / rate_hz
        course = target + (state - target)[:, None] * np.exp(-since_s[None, :] / tau[:, None])
        places.append(np.arange(first, end))
        parts.append(course)
        if end > first:
            state = course[:, -1]
    return np.concatenate(places), np.concatenate(parts, axis=1)


def _fit(
    y: FloatArray, base: FloatArray, courses: FloatArray, pairs: np.ndarray, rho: float
) -> tuple[FloatArray, FloatArray]:
    """Squares left, and the size of the response, for each course."""
    q = np.linalg.qr(base[pairs] - rho * base[pairs - 1])[0]
    target = y[pairs] - rho * y[pairs - 1]
    target = target - q @ (q.T @ target)
    x = courses[:, pairs] - rho * courses[:, pairs - 1]
    x = x - (x @ q) @ q.T
    xx, xy = np.einsum("ij,ij->i", x, x), x @ target
    slope = xy / np.maximum(xx, 1e-12)
    return np.maximum(target @ target - slope * xy, 1e-9), slope


def _fit_flat(y: FloatArray, base: FloatArray, pairs: np.ndarray, rho: float) -> float:
    q = np.linalg.qr(base[pairs] - rho * base[pairs - 1])[0]
    target = y[pairs] - rho * y[pairs - 1]
    target = target - q @ (q.T @ target)
    return float(target @ target)


def _residuals(y: FloatArray, columns: FloatArray, known: np.ndarray) -> FloatArray:
    found = np.linalg.lstsq(columns[known], y[known], rcond=None)[0]
    return np.asarray(y - columns @ found, dtype=np.float64)


def _profile(support: FloatArray) -> Pace:
    """The best time constant and where twice the log-likelihood has fallen by ``WIDTH``."""
    best = int(np.argmin(support))
    log_tau = np.log(TAUS_S)
    edges = []
    for step in (-1, 1):
        k = best
        while 0 <= k + step < len(TAUS_S) and support[k + step] < WIDTH:
            k += step
        if not 0 <= k + step < len(TAUS_S):
            edges.append(float(TAUS_S[k]))
            continue
        share = (WIDTH - support[k]) / max(support[k + step] - support[k], 1e-12)
        edges.append(float(np.exp(log_tau[k] + share * (log_tau[k + step] - log_tau[k]))))
    return Pace(float(TAUS_S[best]), edges[0], edges[1])


def _mean(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size and 100 * known.size >= LEAST_TOUCHED_PERCENT * values.size else None


def describe_paces(paces: Paces) -> list[str]:
    """Sentences for a report; none where no slider was used."""
    if paces.onset is None or paces.offset is None:
        return [] if paces.reason == NO_SLIDER.reason else [f"Rated all the time: {paces.reason}."]
    way = "fell" if (paces.change_points or 0.0) < 0 else "rose"
    back = "came back" if way == "fell" else "fell back"
    ends = [f"{one.tau_s:.1f} s ({one.low_s:.1f} to {one.high_s:.1f})" for one in (paces.onset, paces.offset)]
    return [
        f"Rated all the time, discomfort {way} with a time constant of {ends[0]} after a contraction began and {back} "
        f"with {ends[1]} after it ended; the hand on the slider adds about a second."
    ]
