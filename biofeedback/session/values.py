"""Values inside commands, checked: they come from a page, so from anybody."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from biofeedback.errors import SessionError

LONGEST_TEXT = 500


def read_number(message: Mapping[str, Any], key: str, low: float, high: float) -> float:
    """The number under ``key``; SessionError when it is none or outside ``low`` to ``high``."""
    value = message.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SessionError(f"{key} {value!r} is not a number", f"give a number from {low:g} to {high:g}")
    if not low <= value <= high:
        raise SessionError(f"{key} {value:g} is out of range", f"give a number from {low:g} to {high:g}")
    return float(value)


def read_text(message: Mapping[str, Any], key: str) -> str:
    """The text under ``key``, cut to 500 characters; empty when there is none."""
    value = message.get(key)
    return value[:LONGEST_TEXT] if isinstance(value, str) else ""


def parse_rating(message: Mapping[str, Any]) -> float | None:
    """A discomfort rating: 0 to 10, halves allowed; None is "no answer"."""
    value = message.get("value")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 10:
        raise SessionError(f"a rating of {value}; the scale ends at 0 and 10", "give 0 to 10, halves allowed")
    if value * 2 != int(value * 2):
        raise SessionError(f"a rating of {value:g}", "give whole or half numbers")
    return float(value)
