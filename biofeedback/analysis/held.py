"""The bands that were held, what was rated there, and the sentences about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from biofeedback.analysis.words import EXCLUDED_PERCENT, N_POINTS_MIN, count, describe_points
from biofeedback.model import Band


@dataclass(frozen=True, slots=True)
class DoseLevel:
    """Expected change at an effort with its 95 % interval, and the chance in % that it reaches what is wanted."""

    effort_percent: float
    change: float
    low: float
    high: float
    chance_percent: float


@dataclass(frozen=True, slots=True)
class HeldBand:
    """A band that was held ``n`` times, at ``effort_percent`` on average, and the mean change ``rated`` there.

    ``level`` is the curve at that effort; ``misfits``: what was rated lies further off it than scatter explains.
    """

    band: Band
    effort_percent: float
    n: int
    rated: float
    level: DoseLevel
    misfits: bool = False

    @property
    def name(self) -> str:
        """ "20-30 %", as the report writes it."""
        return name_band(self.band)


def name_band(band: Band) -> str:
    """As the report writes it."""
    return f"{band.low_percent:g}–{band.high_percent:g} %"


def describe_enough(held: HeldBand, wanted_points: float) -> str:
    """What was rated in the band that is enough."""
    return (
        f"held {count(held.n, 'time')}, discomfort there was {describe_points(held.rated)} on average; "
        f"{wanted_points:.1f} points less would matter"
    )


def describe_neither(held: Sequence[HeldBand], wanted_points: float, *, is_worse: bool) -> str:
    """Why contraction is left out."""
    if is_worse:
        return f"every band that was held made it worse ({_list_rated(held)})"
    return f"no band that was held eases it by {wanted_points:.1f} points ({_list_rated(held)})"


def describe_worse_from_little(held: Sequence[HeldBand]) -> str:
    """Why nothing is decided where contraction made it worse on average, and no easing could have shown."""
    return f"contracting made it worse on average ({_list_rated(held)}), and little discomfort was there to ease"


def describe_open(
    held: Sequence[HeldBand],
    wanted_points: float,
    *,
    has_room: bool,
    is_worse: bool,
    limit_percent: float,
) -> str:
    """Why nothing is decided; ``limit_percent``: the highest effort that may be asked for."""
    if held and is_worse:
        return f"what was held made it worse ({_list_rated(held)})"
    if not has_room:
        return "there was too little discomfort for an easing to show"
    if not held:
        return "no contraction has both a known effort and relaxed ratings on both sides"
    n_points = sum(h.n for h in held)
    if n_points < N_POINTS_MIN:
        return f"{count(n_points, 'contraction')} with relaxed ratings on both sides are too few"
    return _describe_doubt(held, wanted_points, limit_percent)


def _describe_doubt(held: Sequence[HeldBand], wanted_points: float, limit_percent: float) -> str:
    """Whether what eased lies above what may be asked for, nothing eased enough, or it is not known."""
    easing = [h for h in held if h.rated <= -wanted_points and h.level.chance_percent > EXCLUDED_PERCENT]
    if easing and all(h.effort_percent > limit_percent for h in easing):
        most = f"{limit_percent:g} %, the most that may be asked for"
        return f"what was rated as easing it lies above {most} ({_list_rated(easing)})"
    if all(h.level.chance_percent <= EXCLUDED_PERCENT for h in held):
        less = f"what was held eases it by less than {wanted_points:.1f} points"
        return f"{'nothing that was held eased it' if all(h.rated >= 0 for h in held) else less} ({_list_rated(held)})"
    return f"the ratings leave open whether what was held eases it by {wanted_points:.1f} points ({_list_rated(held)})"


def _list_rated(held: Sequence[HeldBand]) -> str:
    return ", ".join(f"{h.name}: {describe_points(h.rated)}" for h in held)
