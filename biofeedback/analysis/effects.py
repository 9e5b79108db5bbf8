"""How far two groups of ratings stay apart, counted over pairs: no distribution assumed, ties count half."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from biofeedback.analysis.trends import count_kendall_s, fit_theil_sen
from biofeedback.model import FloatArray

Goal: TypeAlias = Literal["less", "more"]
TIE_DECIMALS = 9  # residuals of a straight line are ties although the last bits of their arithmetic differ


def compute_nap(baseline: ArrayLike, treatment: ArrayLike, *, goal: Goal = "less") -> float:
    """Share of all (baseline, treatment) pairs in which treatment is better; a tie counts half; 0.5 is no difference.

    ``goal``: discomfort is to become "less". Parker & Vannest, Behav Ther 40 (2009) 357.
    """
    return (compute_tau(baseline, treatment, goal=goal) + 1) / 2


def compute_tau(baseline: ArrayLike, treatment: ArrayLike, *, goal: Goal = "less") -> float:
    """Better minus worse pairs, as a share of all pairs, -1 to 1 (Parker et al., Behav Ther 42 (2011) 284)."""
    return float(_compare_pairs(baseline, treatment, goal).mean())


def compute_nap_error(baseline: ArrayLike, treatment: ArrayLike, *, goal: Goal = "less") -> float:
    """Unbiased standard error of NAP, two or more ratings in each group (Mee, J Am Stat Assoc 85 (1990) 793)."""
    wins = (_compare_pairs(baseline, treatment, goal) + 1) / 2
    n_base, n_treat = wins.shape
    if min(n_base, n_treat) < 2:
        raise ValueError(f"{n_base} and {n_treat} ratings: two in each group are needed")
    nap, half_ties = float(wins.mean()), float((wins**2).mean())
    over_base = n_treat * float((wins.mean(axis=1) ** 2).mean())
    over_treat = n_base * float((wins.mean(axis=0) ** 2).mean())
    spread = nap + over_base + over_treat - 2 * half_ties - (n_base + n_treat - 1) * nap**2
    variance = spread / ((n_base - 1) * (n_treat - 1))
    return float(np.sqrt(max(variance, 0.0)))


def correct_baseline(
    baseline: ArrayLike, treatment: ArrayLike, base_x: ArrayLike, treat_x: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Both groups minus the baseline's own Theil-Sen line; x in any unit (Tarlow, Behav Modif 41 (2017) 427)."""
    base, treat = np.asarray(baseline, dtype=np.float64), np.asarray(treatment, dtype=np.float64)
    line = fit_theil_sen(base_x, base)
    if line.slope is None:
        raise ValueError(line.reason)
    return (
        np.round(base - line.slope * np.asarray(base_x, dtype=np.float64), TIE_DECIMALS),
        np.round(treat - line.slope * np.asarray(treat_x, dtype=np.float64), TIE_DECIMALS),
    )


def compute_corrected_tau(
    baseline: ArrayLike, treatment: ArrayLike, base_x: ArrayLike, treat_x: ArrayLike, *, goal: Goal = "less"
) -> float:
    """Tau after the baseline's own trend has been taken out of both groups; a pure trend gives 0.

    The correction is always made: with a handful of ratings a test of the trend would seldom see one. Tarlow,
    Behav Modif 41 (2017) 427. Raises ValueError with fewer than three baseline ratings.
    """
    return compute_tau(*correct_baseline(baseline, treatment, base_x, treat_x), goal=goal)


def compute_tau_u(baseline: Sequence[float], treatment: Sequence[float], *, goal: Goal = "less") -> float:
    """Tau-U (Parker, Vannest & Davis 2011): for comparison with older reports only, it can leave [-1, 1]."""
    trend = count_kendall_s(baseline) * (-1 if goal == "less" else 1)
    n_pairs = len(baseline) * len(treatment)
    return compute_tau(baseline, treatment, goal=goal) - trend / n_pairs


def _compare_pairs(baseline: ArrayLike, treatment: ArrayLike, goal: Goal) -> FloatArray:
    """1 better, 0 tie, -1 worse; shape (n baseline, n treatment)."""
    base, treat = np.asarray(baseline, dtype=np.float64), np.asarray(treatment, dtype=np.float64)
    if base.size == 0 or treat.size == 0:
        raise ValueError(f"{base.size} and {treat.size} ratings: each group needs one")
    signs = np.sign(treat[None, :] - base[:, None])
    return np.asarray(-signs if goal == "less" else signs, dtype=np.float64)
