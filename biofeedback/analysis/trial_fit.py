"""Ways of a trial by least squares with blocks, averaged over how much of the evening before may have stayed.

What was done the evening before may still act: a share ``carry`` of its way's effect. Blocks by lot spread that but do
not take it away, since in a block the evening before is always another way: ignoring it, intervals of 95 % hold a true
difference of two points in 90 % (two ways, SD 0.5, a fifth carried over; tests/benchmarks/trial_table.py). The share
cannot be told from so few evenings. So it is taken as likely to be a tenth, and hardly more than three; each share
gives a fit, and the fits are weighted by how well they agree with the evenings (Bayesian model averaging: Hoeting et
al., Statistical Science 14 (1999) 382, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from biofeedback.model import FloatArray

CARRY = tuple(round(0.05 * step, 2) for step in range(7))  # none to 30 %
CARRY_USUAL, CARRY_SD = 0.1, 0.1  # a judgement, no source: days lie between, and warmth is gone in an hour
NO_WAY = -1  # the evening before is not known


@dataclass(frozen=True, slots=True)
class Rows:
    """Evenings, one a row: ``block`` and ``way`` from 0, the way done the evening ``before`` (-1: not known), ``y``."""

    block: tuple[int, ...]
    way: tuple[int, ...]
    before: tuple[int, ...]
    y: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Fit:
    """For each share that may carry over its ``weight``, the ways' effects (k,) against the first, their covariance.

    ``sd`` of evenings in a block, ``df`` its degrees of freedom; ``level`` the mean of the blocks under the first way.
    """

    weight: FloatArray
    effects: FloatArray
    covariance: FloatArray
    sd: float
    df: int
    level: float
    n_blocks: int

    def contrast(self, first: int, second: int) -> tuple[float, float]:
        """``first`` minus ``second`` and its standard error, which includes what the shares disagree about."""
        each = self.effects[:, first] - self.effects[:, second]
        c = self.covariance
        variance = c[:, first, first] + c[:, second, second] - 2 * c[:, first, second]
        difference = float(self.weight @ each)
        return difference, float(np.sqrt(self.weight @ (variance + (each - difference) ** 2)))

    def means(self) -> FloatArray:
        """Each way's mean (k,)."""
        return self.level + self.weight @ self.effects


def fit_ways(rows: Rows, n_ways: int, carry: tuple[float, ...] = CARRY) -> Fit | None:
    """The fit; None where a way is missing or nothing is left to judge the scatter by."""
    if len(set(rows.way)) < n_ways:
        return None
    n, n_blocks = len(rows.y), max(rows.block) + 1
    blocks, ways, before = np.zeros((n, n_blocks)), np.zeros((n, n_ways)), np.zeros((n, n_ways))
    for row, (block, way, last) in enumerate(zip(rows.block, rows.way, rows.before, strict=True)):
        blocks[row, block] = ways[row, way] = 1.0
        before[row, slice(None) if last == NO_WAY else last] = 1 / n_ways if last == NO_WAY else 1.0
    y = np.array(rows.y)
    effects, covariance = np.zeros((len(carry), n_ways)), np.zeros((len(carry), n_ways, n_ways))
    squares, levels = np.zeros(len(carry)), np.zeros(len(carry))
    df = n - n_blocks - n_ways + 1
    for each, share in enumerate(carry):
        design = np.hstack([blocks, (ways + share * before)[:, 1:]])
        beta, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
        if rank < design.shape[1] or df < 1:
            return None
        residual = y - design @ beta
        squares[each] = residual @ residual
        effects[each, 1:] = beta[n_blocks:]
        inverse = np.linalg.inv(design.T @ design)
        covariance[each, 1:, 1:] = inverse[n_blocks:, n_blocks:] * squares[each] / df
        levels[each] = np.mean(beta[:n_blocks])
    weight = _weigh(squares, df, carry)
    return Fit(weight, effects, covariance, float(np.sqrt(weight @ squares / df)), df, float(weight @ levels), n_blocks)


def _weigh(squares: FloatArray, df: int, carry: tuple[float, ...]) -> FloatArray:
    """How likely each share is: beforehand, times how well it agrees."""
    floor = max(float(squares.max()) * 1e-12, 1e-300)  # evenings without any scatter agree with every share alike
    log = -0.5 * df * np.log(np.maximum(squares, floor))
    log -= 0.5 * ((np.array(carry) - CARRY_USUAL) / CARRY_SD) ** 2
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum(), dtype=np.float64)
