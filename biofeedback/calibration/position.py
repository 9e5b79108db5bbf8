"""Was the position held? Watched by a position channel, or answered by the coach where there is none."""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, degrees
from typing import get_args

import numpy as np

from biofeedback.account.values import PositionResult, PositionState
from biofeedback.model import Flag, FlagArray, FloatArray

SMOOTH_S = 0.5


@dataclass(frozen=True, slots=True)
class PositionLimits:
    """Distance from the zero taken in the stretch, in ``unit``: warn from the first, fail from the second on."""

    warn: float
    fail: float
    unit: str

    def __post_init__(self) -> None:
        if not 0 < self.warn < self.fail:
            raise ValueError(f"limits {self.warn} and {self.fail} {self.unit}: warn must be above 0 and below fail")


WARN_CM, FAIL_CM = 2.5, 5.0  # at the end of the limb: common practice, no source
USUAL_LEVER_M = 0.9  # from the hip to the heel of a grown person, where no exercise says otherwise (common practice)
PER_CM = {"cm": 1.0, "mm": 10.0, "m": 0.01}
EARLIER_DEGREES = PositionLimits(5.0, 10.0, "deg")  # of recordings that name no lever: made before there was one limit


def limits_for(unit: str, lever_m: float | None = None) -> PositionLimits | None:
    """The one limit, 2.5 and 5 cm, in a unit; None for a unit that it does not convert to: then the coach is asked.

    Degrees: the angle in which the end of a limb of ``lever_m`` moves that far, so that tape and angle judge alike.
    Without a lever those of earlier recordings, which at 0.9 m were 7.9 and 15.7 cm.
    """
    if unit in PER_CM:
        return PositionLimits(WARN_CM * PER_CM[unit], FAIL_CM * PER_CM[unit], unit)
    if unit not in ("deg", "°", "degree", "degrees"):
        return None
    if lever_m is None:
        return EARLIER_DEGREES
    return PositionLimits(_turn(WARN_CM, lever_m), _turn(FAIL_CM, lever_m), "deg")


def _turn(way_cm: float, lever_m: float) -> float:
    """Degrees in which the end of a limb moves ``way_cm``, along the chord, as a tape reads it."""
    if not lever_m > 0.05:
        raise ValueError(f"a lever of {lever_m} m: above 0.05 m is possible")
    return 2 * degrees(asin(way_cm / 200 / lever_m))


def judge_position(
    offset: FloatArray, flags: FlagArray, level_rate_hz: float, *, limits: PositionLimits, at_s: float = 0.0
) -> PositionResult:
    """Judge one stretch; ``offset`` (n,) is the distance from zero, its half-second means count, not single jolts."""
    usable = np.isfinite(offset) & ~(flags & (Flag.MISSING | Flag.CLIPPED)).astype(bool)
    n = min(max(1, round(SMOOTH_S * level_rate_hz)), max(1, len(offset)))
    if np.count_nonzero(usable) < n:
        return PositionResult("unknown", None, None, "no position was measured; ask the coach", "sensor")
    weights = np.convolve(usable, np.ones(n), "valid")
    if not np.any(weights >= n / 2):
        return PositionResult("unknown", None, None, "hardly any position was measured; ask the coach", "sensor")
    sums = np.convolve(np.where(usable, offset, 0.0), np.ones(n), "valid")
    means = np.where(weights >= n / 2, sums / np.maximum(weights, 1), 0.0)
    at = int(np.argmax(np.abs(means)))
    largest = float(means[at])
    for state, limit, cure in (
        ("lost", limits.fail, "this phase says nothing about contraction; go back and zero the position"),
        ("drifted", limits.warn, "go back to the position"),
    ):
        if abs(largest) >= limit:
            reason = f"position is off by {largest:+.3g} {limits.unit}; {limit:g} is the limit; {cure}"
            return PositionResult(_state(state), largest, at_s + at / level_rate_hz, reason, "sensor")
    return PositionResult("held", largest, at_s + at / level_rate_hz, "", "sensor")


def take_coachs_word(answer: str) -> PositionResult:
    """The coach's word where there is no sensor: "held", "drifted", "lost" or "unknown"."""
    return PositionResult(_state(answer), None, None, "" if answer == "held" else f"coach: {answer}", "coach")


def _state(word: str) -> PositionState:
    known: tuple[PositionState, ...] = get_args(PositionState)
    for state in known:
        if state == word:
            return state
    raise ValueError(f"position {word!r} is not one of {', '.join(known)}")
