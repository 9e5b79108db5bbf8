"""Change of discomfort over effort, as a curve that bends only where ratings bend it, with the doubt they leave.

The curve is a Gaussian process: a normal distribution over curves whose neighbouring efforts change alike. Several
kinds stand side by side, weighed by how well each foretold what was rated: no change at all, the same change at any
effort, a straight line from no effort on, and curves that bend slowly or sharply. None of them prefers easing to
worsening. Nothing ties an effort that was never held to one that was, other than nearness: far away the curve goes back
to "anything may be". Scatter and shifts from session to session are summed over grids; the sums are exact.

Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), eq. 2.23, 2.24, 2.30.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from biofeedback.model import FloatArray

STEP_PERCENT = 5.0
EFFORTS = np.arange(STEP_PERCENT, 100.0 + 1e-9, STEP_PERCENT)  # where a curve is known


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of curve: its prior share, and SDs in points of a level, of a line at 100 %, and of a bend."""

    share: float
    level: float = 0.0
    line: float = 0.0
    bend: float = 0.0
    length_percent: float = 1.0  # efforts so far apart differ by a fair share of the bend


KINDS = (
    Kind(0.25),
    Kind(0.2, level=2.5),
    Kind(0.15, line=3.0),
    Kind(0.2, level=1.5, bend=2.0, length_percent=40.0),
    Kind(0.2, level=1.0, bend=2.5, length_percent=18.0),
)
SCATTERS = np.geomspace(0.35, 3.5, 8)  # SD of one contrast in points; 0.35 is whole-number rounding alone
SESSION_RATIOS = (0.0, 0.5)  # variance of a session's own shift against that of one contrast
NEIGHBOUR_CORRELATION = 1 / 6  # of contrasts that share a passive rating
JITTER = 1e-9


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
    """A mixture: weight, scatter and kind of each part (n_parts,), means and SDs at ``EFFORTS`` (n_parts, n_efforts).

    ``covariance`` (n_parts, n_efforts, n_efforts) is what curves are drawn from.
    """

    weight: FloatArray
    scatter: FloatArray
    kind: NDArray[np.int_]
    mean: FloatArray
    sd: FloatArray
    covariance: FloatArray

    def expect(self, effort_percent: float) -> float:
        """Mean change at the effort of ``EFFORTS`` nearest to this, in points."""
        return float(self.weight @ self.mean[:, find_place(effort_percent)])

    def below(self, effort_percent: float, value: float) -> float:
        """Probability that the change there is below ``value`` points."""
        return self._spread(effort_percent)(value)

    def quantile(self, effort_percent: float, probability: float) -> float:
        """The inverse of ``below``, by bisection to a thousandth of a point."""
        below = self._spread(effort_percent)
        low, high = -100.0, 100.0
        while high - low > 1e-3:
            middle = (low + high) / 2
            low, high = (middle, high) if below(middle) < probability else (low, middle)
        return (low + high) / 2

    def _spread(self, effort_percent: float) -> Callable[[float], float]:
        from scipy.special import ndtr

        place = find_place(effort_percent)
        mean, sd = self.mean[:, place], np.maximum(self.sd[:, place], 1e-9)
        return lambda value: float(self.weight @ ndtr((value - mean) / sd))

    def draw(self, n: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        """``n`` curves at ``EFFORTS`` (n, n_efforts), and the scatter of a contrast around each (n,)."""
        drawn = rng.choice(self.weight.size, n, p=self.weight)
        used, which = np.unique(drawn, return_inverse=True)
        factors = np.linalg.cholesky(self.covariance[used] + 1e-6 * np.eye(EFFORTS.size))
        normal = rng.normal(size=(n, EFFORTS.size))
        return self.mean[drawn] + np.einsum("nij,nj->ni", factors[which], normal), self.scatter[drawn]


def find_place(effort_percent: float) -> int:
    """Index of the nearest of ``EFFORTS``."""
    return int(np.clip(round(effort_percent / STEP_PERCENT) - 1, 0, EFFORTS.size - 1))


def find_kernel(kind: Kind, x: ArrayLike, z: ArrayLike) -> FloatArray:
    """Prior covariance of the curve between efforts ``x`` (n,) and ``z`` (m,), in points^2."""
    a, b = np.asarray(x, dtype=np.float64)[:, None], np.asarray(z, dtype=np.float64)[None, :]
    near = np.exp(-0.5 * ((a - b) / kind.length_percent) ** 2)
    return np.asarray(kind.level**2 + kind.line**2 * a * b / 1e4 + kind.bend**2 * near, dtype=np.float64)


def weigh_curves(contrasts: Contrasts) -> Posterior:
    """Posterior of the curve for every kind, scatter and session ratio, weighted by its evidence."""
    x, y = contrasts.effort_percent, contrasts.change
    ratios = SESSION_RATIOS if np.unique(contrasts.session).size > 1 else (0.0,)
    noise = np.array([contrasts.correlate(ratio) for ratio in ratios])
    scaled = (SCATTERS[None, :, None, None] ** 2 * noise[:, None]).reshape(len(ratios) * SCATTERS.size, x.size, x.size)
    logs, means, covariances, kinds = [], [], [], []
    for number, kind in enumerate(KINDS):
        across, own = find_kernel(kind, EFFORTS, x), find_kernel(kind, EFFORTS, EFFORTS)
        total = scaled + find_kernel(kind, x, x) + JITTER * np.eye(x.size)
        solved = np.linalg.solve(total, np.broadcast_to(np.column_stack([y, across.T]), (len(total), x.size, 21)))
        fit = solved[:, :, 0] @ y if x.size else np.zeros(len(total))
        logs.append(np.log(kind.share) - 0.5 * (fit + np.linalg.slogdet(total)[1]))
        means.append(np.einsum("ei,pi->pe", across, solved[:, :, 0]))
        covariances.append(own - np.einsum("ei,pif->pef", across, solved[:, :, 1:]))
        kinds.append(np.full(len(total), number))
    log_weight = np.concatenate(logs)
    weight = np.exp(log_weight - log_weight.max())
    covariance = np.concatenate(covariances)
    sd = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    scatter = np.tile(np.tile(SCATTERS, len(ratios)), len(KINDS))
    return Posterior(weight / weight.sum(), scatter, np.concatenate(kinds), np.concatenate(means), sd, covariance)
