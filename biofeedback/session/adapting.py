"""Bands chosen along the way: a plan may leave the effort of a contraction open until just before it.

Who chooses is handed in (`Chooser`); what is safe is decided here, whatever was chosen: a light start, no great leap,
nothing harder while discomfort is near the agreed limit, and only light effort once it was reached.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from biofeedback.account.words import BANDS, PhaseMeaning, get_meaning
from biofeedback.model import Band

STEP_UP_PERCENT = 25.0  # above the hardest contraction held so far in the session; common practice
NEAR_POINTS = 1.0  # this close to the agreed limit nothing harder is asked for; common practice
LIGHT_TOP_PERCENT = BANDS["light"].high_percent


@dataclass(frozen=True, slots=True)
class HeldPhase:
    """One phase of the session so far: its mean counted effort in % of maximum, and its last rating, if any."""

    kind: str
    index: int
    effort_percent: float | None = None
    rating: float | None = None

    @property
    def meaning(self) -> PhaseMeaning:
        """What a phase of this kind is for."""
        return get_meaning(self.kind)


@dataclass(frozen=True, slots=True)
class Choice:
    """An effort in % for the middle of the band, why, and what it was made from (JSON-able, to be made again)."""

    effort_percent: float
    reason: str
    basis: Mapping[str, Any] = field(default_factory=dict)


class Chooser(Protocol):
    """What a session needs of whoever chooses."""

    def __call__(
        self, held: Sequence[HeldPhase], *, low_percent: float, high_percent: float, top_percent: float
    ) -> Choice | None:
        """Propose the next effort from what was held, from low to high; None: no opinion.

        ``top_percent`` is the highest that the plan may ever come to, ``high_percent`` the highest now.
        """


def choose_nothing(
    held: Sequence[HeldPhase], *, low_percent: float, high_percent: float, top_percent: float
) -> Choice | None:
    """A chooser without an opinion: plans that adapt stay at their lowest."""
    return None


@dataclass(frozen=True, slots=True)
class Range:
    """Where the middle of a band may lie now, in %; ``top_percent`` ever; which caution set the highest, if one did."""

    low_percent: float
    high_percent: float
    top_percent: float
    caution: str = ""


def find_range(band: Band, allowed: Band, held: Sequence[HeldPhase], *, agreed_limit: float) -> Range:
    """Where a band as wide as ``band`` may go within what the plan allows, after what was held and rated."""
    half = (band.high_percent - band.low_percent) / 2
    low, top = allowed.low_percent + half, allowed.high_percent - half
    high, caution = top, ""
    efforts = [h.effort_percent for h in held if h.meaning.contracts and h.effort_percent is not None]
    ratings = [h.rating for h in held if h.rating is not None]
    ceilings = [
        (max(efforts, default=0.0) + STEP_UP_PERCENT, f"at most {STEP_UP_PERCENT:g} % above what was held so far")
    ]
    if efforts and ratings and ratings[-1] >= agreed_limit - NEAR_POINTS:
        ceilings.append((efforts[-1], "no harder than the last one: discomfort is near the agreed limit"))
    if any(rating >= agreed_limit for rating in ratings):
        ceilings.append((LIGHT_TOP_PERCENT - half, "light only: the agreed limit was reached"))
    for ceiling, why in ceilings:
        if round(ceiling) < high:
            high, caution = float(round(ceiling)), why
    return Range(low, max(low, high), top, caution)


def place_band(middle_percent: float, band: Band, allowed: Band) -> Band:
    """``band`` moved to ``middle_percent``, kept within ``allowed``."""
    width = band.high_percent - band.low_percent
    low = min(max(middle_percent - width / 2, allowed.low_percent), allowed.high_percent - width)
    return Band(low, low + width)
