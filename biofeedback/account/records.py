"""What an account keeps: phases, ratings, attempts, maxima, zeros and stops as they stand on record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from biofeedback.account.kinds import BandChosen
from biofeedback.account.target import LOST_S, Target
from biofeedback.account.values import Attempt, Maximum, PositionResult, Relaxation, Zero
from biofeedback.model import Band

GRACE_S = 2.0  # ramping up to the band is not counted; common practice
HYSTERESIS_PERCENT = 1.0  # an edge crossed by less than this is tremor, not an excursion; common practice
DWELL_S = 0.2  # nor is a crossing shorter than this; common practice
FOREVER = 2**62  # the frame after every other

ClosedBy: TypeAlias = Literal["phase", "stop", "recording"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseOnRecord:
    """One phase as it was held, with the rules it is counted by.

    ``number`` counts the recording's phases from 1, ``index`` is its place in the plan, from 0; ``end_frame`` None:
    it still runs. ``choice``: how its band was chosen on the way. ``position`` and ``relaxation``: as judged at its
    end, or as said by the coach. ``felt``: the effort asked for by feeling, 0-10; ``said_effort``: the one said after.
    ``target``: where the band was when; ``until``: what may end it early, and
    ``ended_for``: what did, where a rule ended it.
    """

    number: int
    index: int
    kind: str
    title: str
    first_frame: int
    end_frame: int | None = None
    closed_by: ClosedBy = "recording"
    planned_s: float | None = None
    cycle: int | None = None
    band: Band | None = None
    adapt: Band | None = None
    felt: float | None = None
    ask: bool
    grace_s: float = GRACE_S
    hysteresis_percent: float = HYSTERESIS_PERCENT
    dwell_s: float = DWELL_S
    plan_number: int
    choice: BandChosen | None = None
    position: PositionResult | None = None
    relaxation: Relaxation | None = None
    said_effort: float | None = None
    target: Target | None = None
    until: str = ""
    lost_s: float = LOST_S
    ended_for: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingOnRecord:
    """One discomfort rating, 0-10; ``value`` None is "no answer". ``number`` counts from 1, corrections not.

    ``phase_number`` is the phase it belongs to: the one that asked, which may be over, else the one it was given in.
    ``originals``: the values it replaced, oldest first.
    """

    number: int
    frame: int
    value: float | None
    phase_index: int | None
    phase_number: int | None
    ask_id: int | None
    by: str
    originals: tuple[float | None, ...] = ()


@dataclass(frozen=True, slots=True)
class AttemptOnRecord:
    """One attempt at a maximum, by channel; it ended at ``frame``. ``is_void``: made with a sensor that is gone.

    ``discomfort`` and ``felt_effort`` 0-10 as said after it, None: not said; ``sharp``: with sharp pain.
    """

    number: int
    frame: int
    channels: Mapping[str, Attempt]
    feedback_shown: bool
    is_void: bool = False
    discomfort: float | None = None
    felt_effort: float | None = None
    sharp: bool = False


@dataclass(frozen=True, slots=True)
class MaximumOnRecord:
    """A maximum in force from ``frame`` to ``until_frame``; ``void``: why it ended, other than by the next one.

    ``limited``: that discomfort kept it low, in words; empty where it did not, or where nobody said. ``supersedes``:
    said afterwards, for ``why``. ``warnings``: what has to be said of one from another day.
    """

    maximum: Maximum
    frame: int
    settled: bool = True
    by: str = ""
    until_frame: int = FOREVER
    void: str = ""
    limited: str = ""
    supersedes: bool = False
    why: str = ""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ZeroOnRecord:
    """A channel's zero in force from ``frame`` to ``until_frame``."""

    channel: str
    zero: Zero
    frame: int
    until_frame: int = FOREVER


@dataclass(frozen=True, slots=True)
class StopOnRecord:
    """Everything ended at ``frame``, or was paused. ``why``: what the athlete said about it afterwards, if anything."""

    frame: int
    reason: str
    by: str
    is_pause: bool = False
    why: str = ""


LIMITING_DISCOMFORT, LIMITING_RISE = 7.0, 2.0  # of 10; common practice, no source


def find_limiting(attempts: Sequence[AttemptOnRecord], channel: str) -> str:
    """That discomfort limited the best attempt: 7 of 10 or more, or up by 2 on an earlier one; else empty."""
    good = [one for one in attempts if channel in one.channels and one.channels[channel].accepted]
    best = max(good, key=lambda one: one.channels[channel].value or 0.0, default=None)
    if best is None or best.discomfort is None:
        return ""
    before = [one.discomfort for one in attempts if one.number < best.number and one.discomfort is not None]
    if best.discomfort >= LIMITING_DISCOMFORT:
        return f"limited by discomfort {best.discomfort:g} of 10 at the best attempt"
    if before and best.discomfort - min(before) >= LIMITING_RISE:
        return f"limited by discomfort, which rose by {best.discomfort - min(before):g} to {best.discomfort:g} of 10"
    return ""
