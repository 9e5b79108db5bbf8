"""How much effort is enough: discomfort change against effort, with the doubt that few ratings leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from biofeedback.analysis.emax import EmaxFit, fit_emax
from biofeedback.analysis.informing import LOWEST_NEXT_PERCENT, STEP_PERCENT, choose_next, list_efforts
from biofeedback.analysis.shapes import (
    LINE,
    NONE,
    SATURATING,
    SCATTERS,
    TURNING,
    Contrasts,
    Posterior,
    weigh_shapes,
)
from biofeedback.analysis.words import DoseAdvice, choose_band, describe_least

REACH_PERCENT = 20.0  # no suggestion further than this above what was tried; common practice
MISFIT_Z = 2.5  # a level whose mean lies so many standard errors off the curve is named; by Student's t of its few df
N_POINTS_MIN = 3
LIGHT_PERCENT, HARD_PERCENT = 25.0, 90.0  # middles of the light (20-30 %) and hard (80-100 %) band; common practice


@dataclass(frozen=True, slots=True)
class DosePoint:
    """One contrast: mean effort of its contraction in % of maximum (below 0 counts as 0) and its change in points."""

    effort_percent: float
    change: float
    session: int = 0
    cycle: int = 0

    def __post_init__(self) -> None:
        if not np.isfinite([self.effort_percent, self.change]).all():
            raise ValueError(f"effort {self.effort_percent} %, change {self.change}: both must be known")


@dataclass(frozen=True, slots=True)
class DoseLevel:
    """Expected change at an effort with its 95 % interval, and the chance in % that it reaches what is wanted."""

    effort_percent: float
    change: float
    low: float
    high: float
    chance_percent: float


@dataclass(frozen=True, slots=True)
class Dose:
    """What effort does for this person. The four shares of the shapes add up to 100 %.

    ``least_percent`` is the least effort, within what was tried, whose chance to reach the wanted change is at least
    the one asked for. ``next_percent`` is the effort that would teach most about it. ``saturation`` is the fitted
    curve where the saturating shape is the likeliest. ``misfit`` names efforts that none of the shapes describes.
    """

    n_points: int
    none_percent: float
    line_percent: float
    saturating_percent: float
    turning_percent: float
    curve: tuple[DoseLevel, ...]
    least_percent: float | None
    least_chance_percent: float | None
    least_reason: str
    advice: DoseAdvice
    reason: str
    doubt: str
    next_percent: float | None
    next_reason: str
    saturation: EmaxFit | None
    misfit: str

    def at(self, effort_percent: float) -> DoseLevel:
        """The level of the curve nearest to an effort."""
        return min(self.curve, key=lambda level: abs(level.effort_percent - effort_percent))


def compute_dose(
    points: Sequence[DosePoint],
    *,
    wanted_points: float = 2.0,
    chance_percent: float = 80.0,
    limit_percent: float = 100.0,
) -> Dose:
    """Weigh the shapes and answer: how much is enough, light or hard or neither, and what to try next.

    ``wanted_points`` 2 (Farrar 2001, a yardstick); ``chance_percent`` 80 is how sure the answer has to be;
    ``limit_percent`` is the highest effort this person may be asked for.
    """
    if not wanted_points > 0 or not 50 <= chance_percent < 100 or not 0 < limit_percent <= 100:
        raise ValueError("wanted points above 0, chance 50 to below 100 %, limit above 0 to 100 %")
    contrasts = gather(points)
    posterior = weigh_shapes(contrasts)
    tried = max((p.effort_percent for p in points), default=0.0)
    curve = tuple(_judge_level(posterior, e, wanted_points) for e in list_efforts(tried + REACH_PERCENT).tolist())
    enough = [v for v in curve if v.chance_percent >= chance_percent and v.effort_percent <= tried + STEP_PERCENT / 2]
    least = enough[0] if enough and len(points) >= N_POINTS_MIN else None
    shares = [posterior.shape_percent(shape) for shape in (NONE, LINE, SATURATING, TURNING)]
    next_percent, next_reason = choose_next(
        posterior,
        list_efforts(limit_percent),
        wanted_points=wanted_points,
        low_percent=LOWEST_NEXT_PERCENT,
        high_percent=min(limit_percent, tried + REACH_PERCENT),
    )
    allowed = [v for v in curve if v.effort_percent <= limit_percent]
    light, hard = (next((v for v in allowed if v.effort_percent == e), None) for e in (LIGHT_PERCENT, HARD_PERCENT))
    at_limit = bool(allowed) and allowed[-1].effort_percent > limit_percent - STEP_PERCENT
    exhausted = hard is not None or at_limit or next_percent is None
    advice, reason, doubt = choose_band(
        light if len(points) >= N_POINTS_MIN else None,
        hard,
        allowed if exhausted else (),
        tried_percent=tried,
        wanted_points=wanted_points,
        chance_percent=chance_percent,
    )
    bent = shares[SATURATING] == max(shares) and len(points) >= N_POINTS_MIN
    return Dose(
        n_points=len(points),
        none_percent=shares[NONE],
        line_percent=shares[LINE],
        saturating_percent=shares[SATURATING],
        turning_percent=shares[TURNING],
        curve=curve,
        least_percent=None if least is None else least.effort_percent,
        least_chance_percent=None if least is None else least.chance_percent,
        least_reason=describe_least(least, tried, wanted_points, chance_percent)
        if len(points) >= N_POINTS_MIN
        else f"fewer than {N_POINTS_MIN} complete cycles say nothing about the least effort that is enough",
        advice=advice,
        reason=reason,
        doubt=doubt,
        next_percent=next_percent,
        next_reason=next_reason,
        saturation=fit_emax(contrasts.effort_percent, contrasts.change) if bent else None,
        misfit=_find_misfit(contrasts, posterior),
    )


def choose_effort(
    points: Sequence[DosePoint],
    *,
    low_percent: float,
    high_percent: float,
    top_percent: float,
    wanted_points: float = 2.0,
    chance_percent: float = 80.0,
) -> tuple[float, str]:
    """Effort in % for the next contraction of a plan that adapts, from low to high, and why. Pure: can be recomputed.

    The effort that teaches most about the least that is enough up to ``top_percent``; once nothing more is to be
    learnt, that least one, else the lowest allowed.
    """
    posterior = weigh_shapes(gather(points))
    efforts = list_efforts(top_percent)
    chosen, reason = choose_next(
        posterior, efforts, wanted_points=wanted_points, low_percent=low_percent, high_percent=high_percent
    )
    if chosen is not None:
        return chosen, reason
    enough = (
        effort
        for effort in efforts.tolist()
        if low_percent <= effort <= high_percent and 100 * posterior.below(effort, -wanted_points) >= chance_percent
    )
    return next(enough, low_percent), reason


def gather(points: Sequence[DosePoint]) -> Contrasts:
    """As columns."""
    return Contrasts(
        np.array([max(p.effort_percent, 0.0) for p in points], dtype=np.float64),
        np.array([p.change for p in points], dtype=np.float64),
        np.array([p.session for p in points], dtype=np.int_),
        np.array([p.cycle for p in points], dtype=np.int_),
    )


def _judge_level(posterior: Posterior, effort_percent: float, wanted_points: float) -> DoseLevel:
    return DoseLevel(
        effort_percent=effort_percent,
        change=posterior.expect(effort_percent),
        low=posterior.quantile(effort_percent, 0.025),
        high=posterior.quantile(effort_percent, 0.975),
        chance_percent=100 * posterior.below(effort_percent, -wanted_points),
    )


def _find_misfit(contrasts: Contrasts, posterior: Posterior) -> str:
    """Efforts, grouped to the nearest 10 %, whose contrasts lie off the curve by more than their scatter explains."""
    from scipy.special import ndtr, stdtrit

    group = np.round(contrasts.effort_percent / 10)
    repeated = [m for m in (group == g for g in np.unique(group)) if m.sum() > 1]
    if not repeated:
        return ""
    changes = [contrasts.change[m] for m in repeated]
    squares = sum(float(((c - c.mean()) ** 2).sum()) for c in changes)
    df = sum(c.size - 1 for c in changes)
    scatter = max(float(np.sqrt(squares / df)), float(SCATTERS[0]))
    limit = float(stdtrit(df, ndtr(MISFIT_Z))) * scatter
    off = []
    for members, change in zip(repeated, changes, strict=True):
        effort = float(contrasts.effort_percent[members].mean())
        expected = posterior.expect(effort)
        if abs(float(change.mean()) - expected) > limit / np.sqrt(change.size):
            off.append(f"{effort:.0f} % ({change.mean():+.1f} points rated, {expected:+.1f} on the curve)")
    return f"no shape describes {', '.join(off)}; go by what was rated there" if off else ""
