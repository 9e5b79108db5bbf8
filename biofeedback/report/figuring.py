"""Numbers, times and counts as a reader expects them."""

from __future__ import annotations

from math import floor, log10

EMPTY = "–"


def find_digits(size: float) -> int:
    """Decimals that give ``size`` three significant digits; one at least, six at most: a maximum may be 0.3 mV."""
    return min(6, max(1, 2 - floor(log10(size)))) if size > 0 else 1


def number(value: float | None, digits: int) -> str:
    """A number with a real minus and no negative zero; a dash for None."""
    if value is None:
        return EMPTY
    rounded = round(value, digits) + 0.0
    return f"{rounded:.{digits}f}".replace("-", "−")


def signed(value: float, digits: int = 1) -> str:
    """With its sign, and a real minus."""
    return f"{round(value, digits) + 0.0:+.{digits}f}".replace("-", "−")


def count(n: int, noun: str) -> str:
    """ "1 phase", "5 phases"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def capitalise(text: str) -> str:
    """First letter upper case, the rest untouched."""
    return text[:1].upper() + text[1:]


def format_clock(seconds: float) -> str:
    """Minutes and seconds as on a watch, e.g. 3:07."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"
