"""Was the position held? Watched by a position channel, or answered by the coach where there is none."""

from __future__ import annotations

from dataclasses import dataclass
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


DEFAULT_LIMITS = {  # 2.5 and 5 cm: common practice, no source; degrees depend on the limb: set your own
    "cm": PositionLimits(2.5, 5.0, "cm"),
    "mm": PositionLimits(25.0, 50.0, "mm"),
    "m": PositionLimits(0.025, 0.05, "m"),
    "deg": PositionLimits(5.0, 10.0, "deg"),
}


def limits_for(unit: str) -> PositionLimits | None:
    """The default limits for a unit, None for a unit without any: then the coach is asked."""
    return DEFAULT_LIMITS.get({"°": "deg", "degree": "deg", "degrees": "deg"}.get(unit, unit))


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


def answer_position(answer: str) -> PositionResult:
    """The coach's word where there is no sensor: "held", "drifted", "lost" or "unknown"."""
    return PositionResult(_state(answer), None, None, "" if answer == "held" else f"coach: {answer}", "coach")


def _state(word: str) -> PositionState:
    known: tuple[PositionState, ...] = get_args(PositionState)
    for state in known:
        if state == word:
            return state
    raise ValueError(f"position {word!r} is not one of {', '.join(known)}")
