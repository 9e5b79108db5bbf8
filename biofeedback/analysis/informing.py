"""Which effort to try next: the one whose contraction is expected to say most about how much is enough."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from biofeedback.analysis.curve import STEP_PERCENT, Posterior, find_place
from biofeedback.model import FloatArray

LOWEST_NEXT_PERCENT = 10.0  # less is hardly a contraction
LEAST_BITS = 0.02  # a contrast that says less is not worth holding for
WORSE_POINTS = 1.0  # efforts expected to worsen discomfort by this are not offered
GOOD_ENOUGH = 0.95  # of the most information: the lowest such effort is taken
N_DRAWS = 600
GRID = np.linspace(-12, 12, 49)  # points of change; half a point is the finest rating


def list_efforts(top_percent: float) -> FloatArray:
    """Efforts in steps of 5 %, up to ``top_percent`` and at most 100 %."""
    return np.arange(STEP_PERCENT, max(STEP_PERCENT, min(100.0, top_percent)) + 1e-9, STEP_PERCENT)


def choose_next(
    posterior: Posterior, efforts: FloatArray, *, wanted_points: float, low_percent: float, high_percent: float
) -> tuple[float | None, str]:
    """The effort, and why; None when none is allowed or none would teach anything.

    Information is that between the next contrast and the least effort that is enough (or "none is"), over draws from
    the posterior. Only efforts from ``low_percent`` to ``high_percent`` that are not expected to worsen discomfort by
    a point are offered; the lowest effort within 5 % of the best is taken.
    """
    allowed = [
        i
        for i, effort in enumerate(efforts.tolist())
        if low_percent <= effort <= high_percent and posterior.expect(effort) < WORSE_POINTS
    ]
    if not allowed:
        return None, "every effort within reach is expected to make it worse, or lies above the limit"
    curves, scatter = posterior.draw(N_DRAWS, np.random.default_rng(1))
    changes = curves[:, [find_place(effort) for effort in efforts.tolist()]].T
    reached = changes <= -wanted_points
    least = np.where(reached.any(axis=0), reached.argmax(axis=0), len(efforts))
    known = {i: _expect_information(changes[i], scatter, least) for i in allowed}
    best = max(known.values())
    if best < LEAST_BITS:
        return None, "one more contraction, at any effort, is not expected to change the answer"
    chosen = float(efforts[next(i for i in allowed if known[i] >= GOOD_ENOUGH * best)])
    return chosen, f"a contraction at {chosen:.0f} % is expected to say most about how much is enough"


def _expect_information(change: FloatArray, scatter: FloatArray, least: Sequence[int] | FloatArray) -> float:
    """Mutual information, in bits, of a contrast around ``change`` (draws,) and the class ``least`` (draws,)."""
    order = np.argsort(least, kind="stable")
    starts = np.flatnonzero(np.diff(np.asarray(least)[order], prepend=-1))
    distance = ((GRID - change[order, None]) / scatter[order, None]) ** 2
    density = np.exp(-0.5 * (distance - distance.min(axis=1, keepdims=True)))  # far off the grid: its edge
    density /= density.sum(axis=1, keepdims=True)
    sums = np.add.reduceat(density, starts, axis=0)
    sizes = np.diff(starts, append=change.size)
    bits = _entropy(sums.sum(axis=0, keepdims=True) / change.size)[0]
    return float(bits - (sizes / change.size) @ _entropy(sums / sizes[:, None]))


def _entropy(p: FloatArray) -> FloatArray:
    """Bits of each row."""
    return np.asarray(-np.sum(p * np.log2(np.maximum(p, 1e-300)), axis=1), dtype=np.float64)
