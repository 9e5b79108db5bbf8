"""Shapes that discomfort may take over effort, weighed against each other by what was rated.

Four shapes are weighed against each other: no change, a straight line, a saturating curve (Emax), and a turning one
that eases at light effort and worsens at hard, or the reverse. Each contrast is already free of straight-line drift,
and no effort means no change, so every shape has one unknown height: the change at 100 % effort, or where it turns. Its
prior is normal around 0 with SD 3 points: easing and worsening are equally likely beforehand. Heights have
closed-form posteriors; curvature, scatter and session-to-session shifts are summed over grids. The sums are exact
Bayesian model averages, so that a stated chance can be held against simulated truths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from biofeedback.analysis.emax import saturate
from biofeedback.model import FloatArray

PRIOR_SD = 3.0  # points at 100 % effort; 2 points is a change that matters, 6 is rare
NONE, LINE, SATURATING, TURNING = range(4)
# shape, its parameter in % of effort, prior: where a saturating curve has half its height, where a turning one is back
# at no change; turning is the rarer guess
SHAPES = (
    (NONE, 1.0, 0.3),
    (LINE, 1.0, 0.3),
    *((SATURATING, half, 0.3 / 5) for half in (5.0, 10.0, 20.0, 40.0, 80.0)),
    *((TURNING, back, 0.1 / 4) for back in (50.0, 65.0, 80.0, 100.0)),
)
SCATTERS = np.geomspace(0.35, 3.5, 14)  # SD of one contrast in points; 0.35 is whole-number rounding alone
SESSION_RATIOS = (0.0, 0.3, 1.0)  # variance of a session's own shift against that of one contrast
NEIGHBOUR_CORRELATION = 1 / 6  # of contrasts that share a passive rating


@dataclass(frozen=True, slots=True, eq=False)
class Contrasts:
    """Effort in % and change in points of every contrast, the session and the cycle it is from; (n,) each."""

    effort_percent: FloatArray
    change: FloatArray
    session: NDArray[np.int_]
    cycle: NDArray[np.int_]

    def correlate(self, session_ratio: float) -> FloatArray:
        """Contrasts next to each other share a passive rating; all of a session share its own shift; (n, n)."""
        same = self.session[:, None] == self.session[None, :]
        neighbours = same & (np.abs(self.cycle[:, None] - self.cycle[None, :]) == 1)
        unit = np.eye(self.change.size)
        return np.asarray(unit + NEIGHBOUR_CORRELATION * neighbours + session_ratio * same, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """A mixture: weight, height mean and SD, scatter, shape and its parameter of each part, (n_parts,) each."""

    weight: FloatArray
    mean: FloatArray
    sd: FloatArray
    scatter: FloatArray
    shape: FloatArray
    parameter: FloatArray

    def share(self, effort_percent: float) -> FloatArray:
        """Each part's change at an effort, as a share of its height."""
        return find_share(effort_percent, self.shape, self.parameter)

    def expect(self, effort_percent: float) -> float:
        """Mean change at an effort, in points."""
        return float(self.weight @ (self.mean * self.share(effort_percent)))

    def below(self, effort_percent: float, value: float) -> float:
        """Probability that the change at an effort is below ``value`` points."""
        from scipy.special import ndtr

        share = self.share(effort_percent)
        return float(self.weight @ ndtr((value - self.mean * share) / np.maximum(self.sd * np.abs(share), 1e-9)))

    def quantile(self, effort_percent: float, probability: float) -> float:
        """The inverse of ``below``, by bisection to a thousandth of a point."""
        low, high = -100.0, 100.0
        while high - low > 1e-3:
            middle = (low + high) / 2
            low, high = (middle, high) if self.below(effort_percent, middle) < probability else (low, middle)
        return (low + high) / 2

    def shape_percent(self, shape: int) -> float:
        """How likely a shape is."""
        return 100 * float(self.weight[self.shape == shape].sum())


def weigh_shapes(contrasts: Contrasts) -> Posterior:
    """Closed-form posterior of the height for every shape, scatter and session ratio, weighted by its evidence."""
    x, y = contrasts.effort_percent, contrasts.change
    rows = []
    for ratio in SESSION_RATIOS if np.unique(contrasts.session).size > 1 else (0.0,):
        factor = np.linalg.cholesky(contrasts.correlate(ratio))
        log_det = 2 * float(np.log(np.diag(factor)).sum())
        white_y = np.linalg.solve(factor, y)
        for shape, parameter, prior in SHAPES:
            white_x = np.linalg.solve(factor, find_share(x, shape, parameter))
            for scatter in SCATTERS:
                precision = float(white_x @ white_x) / scatter**2 + 1 / PRIOR_SD**2
                mean = float(white_x @ white_y) / scatter**2 / precision
                fit = float(white_y @ white_y) / scatter**2 - mean**2 * precision
                log_evidence = -0.5 * (fit + log_det + np.log(precision * PRIOR_SD**2)) - x.size * np.log(scatter)
                rows.append((np.log(prior) + log_evidence, mean, precision**-0.5, scatter, shape, parameter))
    log_weight, mean, sd, scatter, shape, parameter = np.array(rows).T
    weight = np.exp(log_weight - log_weight.max())
    return Posterior(weight / weight.sum(), mean, sd, scatter, shape, parameter)


def find_share(effort_percent: ArrayLike, shape: ArrayLike, parameter: ArrayLike) -> FloatArray:
    """Change at an effort in % as a share of the height, for every shape; broadcasts."""
    x, kind, p = (np.asarray(v, dtype=np.float64) for v in (effort_percent, shape, parameter))
    bent = saturate(x, p) / saturate(100.0, p)
    turned = 4 * (x / p) * (1 - x / p)
    return np.where(kind == LINE, x / 100, np.where(kind == SATURATING, bent, np.where(kind == TURNING, turned, 0.0)))
