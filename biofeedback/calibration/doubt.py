"""Later evidence against a maximum. It may be called inconsistent; nobody is ever accused of not trying.

Detecting submaximal effort is not valid for an individual, and there are innocent reasons for a low maximum: at
91.5 % of full activation torque was only 79.6 % of its maximum (Kooistra 2007, Eur J Appl Physiol 100:309), and
watching the display raised maxima by 16 % (n = 23, Int J Exerc Sci 2010;3:165).
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from biofeedback.account.values import Doubt, Maximum
from biofeedback.calibration.attempt_values import BEST_S
from biofeedback.joints import LEAST_PERCENT, MOST_PERCENT, find_joint
from biofeedback.model import Channel, Flag, FlagArray, FloatArray

ABOVE_LIMIT_PERCENT = 5.0
ENDURANCE_FACTOR = 2.0  # people spread by 29-47 % about the prediction; twice it is beyond that
BRIDGED_S = 1.0
UNUSABLE = int(Flag.MISSING | Flag.CLIPPED | Flag.SPIKE | Flag.SETTLING)
INNOCENT = (
    "first maxima are often low: unpractised people seldom reach full activation (Kooistra 2007), "
    "and seeing the display adds about 16 % (Int J Exerc Sci 2010;3:165)"
)


def check_above(
    percent: FloatArray,
    flags: FlagArray,
    level_rate_hz: float,
    *,
    channel: Channel,
    maximum: Maximum,
    at_s: float = 0.0,
) -> Doubt | None:
    """Doubt when a 0.5 s mean exceeds the maximum by more than 5 %; arrays ``(n,)``, ``at_s`` their start.

    Only for force: EMG above its maximum is ordinary.
    """
    n = max(1, round(BEST_S * level_rate_hz))
    if channel.kind != "force" or len(percent) < n:
        return None
    usable = np.isfinite(percent) & ~(flags & UNUSABLE).astype(bool)
    seen = np.where(usable, percent, -np.inf)
    if not seen.max() > 100.0 + ABOVE_LIMIT_PERCENT:  # no mean is above the highest
        return None
    windows = np.lib.stride_tricks.sliding_window_view(seen, n)
    means = windows.mean(axis=1)
    best_at = int(np.argmax(means))
    best_percent = float(means[best_at])
    if not best_percent > 100.0 + ABOVE_LIMIT_PERCENT:
        return None
    return _doubt(
        "above maximum",
        maximum,
        strength=maximum.strength * best_percent / 100.0,
        at_s=at_s + best_at / level_rate_hz,
        seen=f"{best_percent:.0f} % of the maximum, held for {BEST_S:g} s",
    )


def check_endurance(
    percent: FloatArray, flags: FlagArray, level_rate_hz: float, *, maximum: Maximum, joint: str, at_s: float = 0.0
) -> Doubt | None:
    """Doubt when one hold lasts longer than twice what Frey-Law & Avin 2010 predict; arrays ``(n,)``.

    A hold is the longest run above 10 % (the least effort of their fit), dips and gaps of up to a second included.
    """
    usable = np.isfinite(percent) & ~(flags & UNUSABLE).astype(bool)
    first, end = _longest_hold(usable & (np.where(usable, percent, 0.0) >= LEAST_PERCENT), level_rate_hz)
    if first == end:
        return None
    held_percent, held_s = float(np.mean(percent[first:end][usable[first:end]])), (end - first) / level_rate_hz
    row = find_joint(joint)
    expected_s = row.time_s(min(max(held_percent, LEAST_PERCENT), MOST_PERCENT))
    if not held_s > ENDURANCE_FACTOR * expected_s:
        return None
    fitting_percent = row.effort_percent(held_s / ENDURANCE_FACTOR)
    return _doubt(
        "long hold",
        maximum,
        strength=maximum.strength * held_percent / fitting_percent,
        at_s=at_s + first / level_rate_hz,
        seen=f"{held_s:.0f} s at {held_percent:.0f} %, more than twice the {expected_s:.0f} s that people last on "
        f"average ({row.name} row of Frey-Law & Avin 2010)",
    )


def _doubt(
    kind: Literal["above maximum", "long hold"], maximum: Maximum, *, strength: float, at_s: float, seen: str
) -> Doubt:
    return Doubt(
        kind=kind,
        channel=maximum.channel,
        seen=seen,
        strength=strength,
        unit=maximum.unit,
        at_s=at_s,
        advice=f"this does not fit a maximum of {maximum.strength:.4g} {maximum.unit}; at least {strength:.4g} "
        f"{maximum.unit} would; {INNOCENT}; find a new maximum, or recompute the past on the new one",
    )


def _longest_hold(mask: np.ndarray[Any, np.dtype[np.bool_]], level_rate_hz: float) -> tuple[int, int]:
    """First level and end of the longest run of True, bridging what is False for at most a second."""
    held = np.flatnonzero(mask)
    if not len(held):
        return 0, 0
    breaks = np.flatnonzero(np.diff(held) - 1 > BRIDGED_S * level_rate_hz)
    firsts = held[np.concatenate(([0], breaks + 1))]
    ends = held[np.concatenate((breaks, [len(held) - 1]))] + 1
    longest = int(np.argmax(ends - firsts))
    return int(firsts[longest]), int(ends[longest])
