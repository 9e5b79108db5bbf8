"""Can a number be a person's at all? Ranges by kind and unit, wide enough for anybody; beyond, one is asked."""

from __future__ import annotations

from dataclasses import dataclass

from biofeedback.account.account import Account
from biofeedback.calibration.units import NEWTON_PER_UNIT, TORQUE
from biofeedback.model import Channel

# What a person's joint or skin gives, all ages and sizes, generously; common practice, no source.
RANGE_NEWTON = (20.0, 3000.0)
RANGE_NEWTON_METRE = (2.0, 700.0)
RANGE_MILLIVOLT = (0.01, 10.0)
MILLIVOLT_PER_UNIT = {"V": 1000.0, "mV": 1.0, "uV": 0.001, "µV": 0.001}
NEWTON_PER_GRAM = NEWTON_PER_UNIT["g"]


@dataclass(frozen=True, slots=True)
class Sense:
    """A number that no person gives: ``what`` was seen, and the likely ``cure``."""

    what: str
    cure: str


def check_sense(
    channel: Channel, value: float, *, seen: str, is_push: bool = True, is_typed: bool = False
) -> Sense | None:
    """Whether ``value`` in the channel's unit can be a person's; None when it can, or the unit has no range.

    ``seen``: what it was, for people. What is no push (rest, a zero) may be as small as it likes. A typed number comes
    from no sensor: the mistake is in what was typed.
    """
    known = _find_range(channel)
    if known is None:
        return None
    per_unit, (low, high), unit, giver = known
    size = abs(value) * per_unit
    if low <= size <= high or (size < low and not is_push):
        return None
    shown = f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"
    what = f"{channel.name}: {seen} {shown} {channel.unit}; {giver} gives {low:g} to {high:g} {unit}"
    return Sense(what, _guess_cure(channel, size, low, high, is_typed=is_typed))


def find_sense(account: Account, channel: Channel) -> Sense | None:
    """The newest number of the channel that no person gives; None when there is none.

    Looked at: what it reads with nothing on it, practice pushes, attempts that count. A light push may be as light as
    it likes.
    """
    zero = account.zeros.get(channel.name)
    found = [check_sense(channel, zero.level, seen="with nothing on it it reads", is_push=False)] if zero else []
    pushes = [made.channels[channel.name] for made in account.practice if channel.name in made.channels]
    found += [check_sense(channel, value, seen="a practice push gave", is_push=False) for value in pushes]
    attempts = [made.channels[channel.name] for made in account.search if channel.name in made.channels]
    found += [
        check_sense(channel, attempt.value, seen="an attempt gave")
        for attempt in attempts
        if attempt.accepted and attempt.value
    ]
    return next((sense for sense in reversed(found) if sense), None)


def _find_range(channel: Channel) -> tuple[float, tuple[float, float], str, str] | None:
    """In which unit, by which factor, between what, and who gives it."""
    if channel.kind == "force" and channel.unit == TORQUE:
        return 1.0, RANGE_NEWTON_METRE, TORQUE, "a person's joint"
    if channel.kind == "force" and channel.unit in NEWTON_PER_UNIT:
        return NEWTON_PER_UNIT[channel.unit], RANGE_NEWTON, "N", "a person's joint"
    if channel.kind == "emg" and channel.unit in MILLIVOLT_PER_UNIT:
        return MILLIVOLT_PER_UNIT[channel.unit], RANGE_MILLIVOLT, "mV", "a muscle on the skin"
    return None


def _guess_cure(channel: Channel, size: float, low: float, high: float, *, is_typed: bool) -> str:
    """The mistake that would make the number right, where there is one."""
    guesses = (
        (("grams", NEWTON_PER_GRAM), ("kilograms", 1000 * NEWTON_PER_GRAM))
        if channel.kind == "force"
        else (("thousandths of it", 0.001), ("a thousand times it", 1000.0))
    )
    likely = [name for name, factor in guesses if low <= size * factor <= high]
    if channel.kind == "emg":
        hint = f"it looks as if the sensor sends {likely[0]}: " if likely else ""
        return f"{hint}check the unit and the gain that were given with the source"
    hint = f"it looks like {likely[0]}: " if likely else ""
    if is_typed:
        return f"{hint}read the display again, the number and its unit"
    return f"{hint}check the sensor's factor and unit, best with known loads under Scale"
