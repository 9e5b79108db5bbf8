"""Was the position held? Watched by a position channel, or answered by the coach where there is none."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import asin, degrees, radians, sin
from typing import Any, get_args

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

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording."""
        return {"warn": self.warn, "fail": self.fail, "unit": self.unit}

    def to_text(self) -> str:
        """As a person writes it: "2.5 and 5 cm"."""
        return f"{self.warn:.3g} and {self.fail:.3g} {self.unit}"


WARN_CM, FAIL_CM = 2.5, 5.0  # at the end of the limb: common practice, no source
USUAL_LEVER_M = 0.9  # from the hip to the heel of a grown person, where no exercise says otherwise (common practice)
LEAST_LEVER_M = 0.05
DEGREES = ("deg", "°", "degree", "degrees")
LIMITS = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:and|to|-|/|\s)\s*(\d+(?:[.,]\d+)?)\s*(cm|deg|degrees?|°)")
PER_CM = {"cm": 1.0, "mm": 10.0, "m": 0.01}
USUAL = PositionLimits(WARN_CM, FAIL_CM, "cm")
LARGEST = {"cm": 50.0, "deg": 90.0}  # of a limit that somebody sets
LEVERS_M = (0.06, 1.5)  # from a joint of a person to a strap on the limb
EARLIER_DEGREES = PositionLimits(5.0, 10.0, "deg")  # of recordings that name no lever: made before there was one limit


def limits_for(unit: str, lever_m: float | None = None, own: PositionLimits | None = None) -> PositionLimits | None:
    """The limits in a unit: 2.5 and 5 cm, or ``own`` of the exercise in cm or degrees.

    Degrees: the angle in which the end of a limb of ``lever_m`` moves that far, so that tape and angle judge alike.
    Without a lever those of earlier recordings, which at 0.9 m were 7.9 and 15.7 cm. None for a unit that they do not
    convert to: then the coach is asked.
    """
    limits = own or USUAL
    if unit in PER_CM:
        way = [_way(limit, lever_m or USUAL_LEVER_M) if limits.unit == "deg" else limit for limit in _both(limits)]
        return PositionLimits(way[0] * PER_CM[unit], way[1] * PER_CM[unit], unit)
    if unit not in DEGREES:
        return None
    if limits.unit == "deg":
        return limits
    if lever_m is None:
        return EARLIER_DEGREES
    return PositionLimits(_turn(limits.warn, lever_m), _turn(limits.fail, lever_m), "deg")


def read_limits(text: str) -> PositionLimits:
    """Limits as a person writes them: "3 and 6 deg", "2,5 to 5 cm". Raises ValueError that says what is wanted."""
    found = LIMITS.fullmatch(text.strip())
    if not found:
        raise ValueError("write two numbers and cm or deg: 2.5 and 5 cm")
    warn, fail = (float(number.replace(",", ".")) for number in found.groups()[:2])
    unit = "cm" if found[3] == "cm" else "deg"
    if not 0 < warn < fail <= LARGEST[unit]:
        raise ValueError(f"the first is above 0 and below the second, at most {LARGEST[unit]:g} {unit}: 3 and 6 deg")
    return PositionLimits(warn, fail, unit)


def read_own_limits(settings: Mapping[str, Any]) -> tuple[PositionLimits | None, float | None]:
    """The exercise's own limits and the lever (m), from a recording; what cannot be is as if it had not been set."""
    lever, drift = settings.get("lever_m"), settings.get("drift")
    lever_m = float(lever) if isinstance(lever, int | float) and lever > LEAST_LEVER_M else None
    try:
        own = PositionLimits(float(drift["warn"]), float(drift["fail"]), str(drift["unit"])) if drift else None
    except (KeyError, TypeError, ValueError):
        own = None
    return (own if own and own.unit in LARGEST else None), lever_m


def recorded_limits(settings: Mapping[str, Any], unit: str) -> PositionLimits | None:
    """`limits_for` a recording, by its settings."""
    own, lever_m = read_own_limits(settings)
    return limits_for(unit, lever_m, own)


def _both(limits: PositionLimits) -> tuple[float, float]:
    return limits.warn, limits.fail


def _way(turn_deg: float, lever_m: float) -> float:
    """Centimetres along the chord in which a turn moves the end of a limb."""
    return 200 * lever_m * sin(radians(turn_deg) / 2)


def _turn(way_cm: float, lever_m: float) -> float:
    """Degrees in which the end of a limb moves ``way_cm``, along the chord, as a tape reads it."""
    if not lever_m > LEAST_LEVER_M:
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
