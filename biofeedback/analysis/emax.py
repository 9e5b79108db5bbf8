"""A saturating curve: much for the first effort, less and less for more."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from biofeedback.model import FloatArray

N_STEPS_MAX = 200
N_GRID = 60
WORST_CONDITION = 1e4  # of the scaled slopes: beyond it the two parameters cannot be told apart


@dataclass(frozen=True, slots=True)
class EmaxFit:
    """y = effect_max x / (half_x + x) by least squares, with standard errors; None with ``reason`` when it fails."""

    effect_max: float | None
    half_x: float | None
    effect_max_error: float | None
    half_x_error: float | None
    rss: float | None
    df: int
    reason: str = ""


def saturate(x: ArrayLike, half_x: float | FloatArray) -> FloatArray:
    """Share of the greatest effect at ``x`` >= 0: x / (half_x + x); one half at ``half_x`` > 0."""
    xs = np.asarray(x, dtype=np.float64)
    return np.asarray(xs / (half_x + xs), dtype=np.float64)


def fit_emax(x: ArrayLike, y: ArrayLike) -> EmaxFit:
    """Least squares over both parameters: a grid over ``half_x``, then Gauss-Newton with halved steps.

    ``x`` (n,) >= 0 in any unit, ``y`` (n,); n >= 3. Standard errors from the linearised model (Bates & Watts,
    Nonlinear Regression Analysis and Its Applications (1988), ch. 2). Fails when the best curve is a straight line
    or a step.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    df = int(xs.size) - 2
    if df < 1 or not (xs >= 0).all() or not xs.any():
        return EmaxFit(None, None, None, None, None, df, "three values, not all at zero, are needed")
    top = float(xs.max())
    xs = xs / top  # any unit is as good
    grid = np.geomspace(1e-3, 1e3, N_GRID)
    profile = [_profile(xs, ys, half)[1] for half in grid]
    best = int(np.argmin(profile))
    if best in (0, N_GRID - 1):
        shape = "a step" if best == 0 else "a straight line"
        return EmaxFit(None, None, None, None, None, df, f"these values fit {shape} better than a bend")
    half = _refine(xs, ys, float(grid[best]))
    effect, rss = _profile(xs, ys, half)
    slopes = _slopes(xs, effect, half)
    size = np.linalg.norm(slopes, axis=0)
    if not size.all() or np.linalg.cond(slopes / size) > WORST_CONDITION:
        return EmaxFit(None, None, None, None, None, df, "these values lie too close together to show a bend")
    covariance = np.linalg.inv(slopes.T @ slopes) * rss / df
    errors = [sqrt(float(v)) for v in np.diag(covariance)]
    return EmaxFit(effect, half * top, errors[0], errors[1] * top, rss, df)


def _profile(x: FloatArray, y: FloatArray, half_x: float) -> tuple[float, float]:
    """Best effect for one ``half_x``, and its residual sum of squares."""
    share = saturate(x, half_x)
    effect = float(share @ y) / float(share @ share)
    return effect, float(np.sum((y - effect * share) ** 2))


def _slopes(x: FloatArray, effect: float, half_x: float) -> FloatArray:
    return np.column_stack([saturate(x, half_x), -effect * x / (half_x + x) ** 2])


def _refine(x: FloatArray, y: FloatArray, half_x: float) -> float:
    for _ in range(N_STEPS_MAX):
        effect, rss = _profile(x, y, half_x)
        slopes = _slopes(x, effect, half_x)
        step = float(np.linalg.lstsq(slopes, y - effect * saturate(x, half_x), rcond=None)[0][1])
        while half_x + step <= 0 or _profile(x, y, half_x + step)[1] > rss:
            step /= 2
            if abs(step) < 1e-14 * half_x:
                return half_x
        half_x += step
    return half_x
