"""The learning curve of a lesson: how fast the errors fall, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from biofeedback.analysis.interval import find_t_quantile
from biofeedback.model import FloatArray

N_MIN = 6
RATES = np.concatenate([[0.0], np.geomspace(0.01, 3.0, 160)])  # per repeat
N_FLOORS = 60  # heights of the floor that are tried, as shares of the level at the start


@dataclass(frozen=True, slots=True)
class LearningCurve:
    """``error = floor + (start - floor) exp(-rate n)`` over repeats n from 0; ``low`` to ``high``: 95 % of the rate.

    None with ``reason`` where there are too few repeats. ``improves``: the interval lies above zero. ``band`` holds
    lowest and highest expected error at every repeat, each by 95 %.
    """

    n: int
    start: float | None = None
    floor: float | None = None
    rate: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str = ""
    band: tuple[tuple[float, float], ...] = ()

    @property
    def improves(self) -> bool:
        """Whether the errors fall beyond what their scatter explains."""
        return self.low is not None and self.low > 0

    def at(self, n: float) -> float | None:
        """The expected error of repeat ``n`` (from 0)."""
        if self.start is None or self.floor is None or self.rate is None:
            return None
        return float(self.floor + (self.start - self.floor) * np.exp(-self.rate * n))


def fit_learning(errors: Sequence[float | None]) -> LearningCurve:
    """Least squares on the logarithm of the errors (k,), oldest first; None is left out and takes its place in time.

    The interval is the rate's profile likelihood with an F(1, k - 3) limit, so it may be open towards the highest rate
    that is tried.
    """
    known = [(place, error) for place, error in enumerate(errors) if error is not None and error > 0]
    if len(known) < N_MIN:
        return LearningCurve(len(known), reason=f"{len(known)} repeats; {N_MIN} are needed for a curve")
    time, logs = np.array([n for n, _ in known], float), np.log([error for _, error in known])
    shares = np.linspace(0.02, 1.0, N_FLOORS)  # of the floor in the start
    shape = shares[None, :, None] + (1 - shares[None, :, None]) * np.exp(-RATES[:, None, None] * time[None, None, :])
    left = logs[None, None, :] - np.log(shape)
    level = left.mean(axis=2)
    misfit: FloatArray = ((left - level[:, :, None]) ** 2).sum(axis=2)
    best = np.unravel_index(int(np.argmin(misfit)), misfit.shape)
    profile = misfit.min(axis=1)
    df = len(known) - 3
    limit = float(profile.min()) * (1 + find_t_quantile(df) ** 2 / df) + 1e-12
    inside = RATES[profile <= limit]
    heights = _list_heights(misfit, level, shares, limit=limit, n_known=len(known), n=len(errors))
    band = tuple((float(low), float(high)) for low, high in zip(*heights, strict=True))
    start = float(np.exp(level[best]))
    return LearningCurve(
        n=len(known),
        start=start,
        floor=float(start * shares[best[1]]),
        rate=float(RATES[best[0]]),
        low=float(inside.min()),
        high=float(inside.max()),
        band=band,
    )


def _list_heights(
    misfit: FloatArray, level: FloatArray, shares: FloatArray, *, limit: float, n_known: int, n: int
) -> tuple[FloatArray, FloatArray]:
    """Profile likelihood of the curve's height at each of ``n`` repeats: every curve that still fits, moved as far."""
    rate, share = np.nonzero(misfit <= limit)
    spare = np.sqrt(np.maximum(limit - misfit[rate, share], 0.0) / n_known)  # of the level, on the logarithm
    falling = np.exp(-RATES[rate][:, None] * np.arange(n)[None, :])
    height = np.log(shares[share][:, None] + (1 - shares[share][:, None]) * falling) + level[rate, share][:, None]
    return np.exp((height - spare[:, None]).min(axis=0)), np.exp((height + spare[:, None]).max(axis=0))
