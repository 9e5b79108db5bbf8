"""What an earlier evening lends to the next one of the same stretch: its force maximum, with age and doubts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from biofeedback.calibration.maxima import CarriedMaximum, carry_maximum
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel, same_name
from biofeedback.storage.evening import Evening, KeptMaximum, read_evening
from biofeedback.storage.library import Entry
from biofeedback.wiring.earlier import SETUP

DAY_S = 86_400.0
LOOK_BACK = 12  # evenings of an athlete that are searched for a maximum and a range


@dataclass(frozen=True, slots=True)
class Setup:
    """What an evening was held with, as one entry of the library says it; compared however it was written."""

    exercise: str
    side: str
    position: str

    @classmethod
    def of(cls, entry: Entry) -> Setup:
        """Of a recording."""
        return cls(entry.exercise, entry.side, entry.position)

    def is_same(self, entry: Entry) -> bool:
        """Whether an evening was held with the same stretch, side and position, however they are written."""
        return all(same_name(getattr(self, name)) == same_name(getattr(entry, name)) for name in SETUP)

    def holds(self, maximum: KeptMaximum) -> bool:
        """Whether a maximum is of this stretch and side; another position is a doubt, not another thing."""
        then = maximum.maximum
        return same_name(then.exercise) == same_name(self.exercise) and then.side == self.side


@dataclass(frozen=True, slots=True)
class Lent:
    """A maximum that is taken over from the recording ``name``, and what has to be said about it."""

    name: str
    carried: CarriedMaximum
    age_days: float | None
    doubts: tuple[str, ...]

    @property
    def text(self) -> str:
        """Number and age."""
        maximum = self.carried.maximum
        return f"{maximum.strength:.0f} {maximum.unit}, {describe_age(self.age_days)}"


def find_lent(entries: Sequence[Entry], setup: Setup, *, now_utc: str) -> Lent | None:
    """The newest force maximum of this stretch and side among an athlete's ``entries``, newest first."""
    for entry, evening in look_back(entries):
        if evening.learning:
            continue
        for kept in evening.maxima:
            if not setup.holds(kept):
                continue
            channel = Channel(name=kept.maximum.channel, kind="force", unit=kept.maximum.unit)
            try:
                carried = carry_maximum(
                    kept.maximum,
                    channel=channel,
                    now_utc=now_utc,
                    position=setup.position,
                    side=setup.side,
                    exercise=setup.exercise,
                )
            except CalibrationError:
                continue
            age = find_age_days(kept.maximum.utc, now_utc)
            return Lent(entry.name, carried, age, tuple(filter(None, (*carried.warnings, kept.doubt))))
    return None


def find_age_days(utc: str, now_utc: str) -> float | None:
    """Days from one moment to another; None where a date cannot be read."""
    try:
        then, now = (datetime.fromisoformat(text) for text in (utc, now_utc))
    except ValueError:
        return None
    then, now = (one if one.tzinfo else one.replace(tzinfo=UTC) for one in (then, now))
    return (now - then).total_seconds() / DAY_S


def describe_age(age_days: float | None) -> str:
    """In words; a date that lies ahead is told as what it is."""
    if age_days is None:
        return "without a date"
    if age_days < -1 / 24:
        return "dated later than now: check the computer's clock"
    if age_days < 0.5:
        return "earlier today"
    n_days = max(1, round(age_days))
    return "1 day old" if n_days == 1 else f"{n_days} days old"


def look_back(entries: Sequence[Entry]) -> Iterator[tuple[Entry, Evening]]:
    """The newest evenings with what the index keeps of them."""
    return ((entry, read_evening(entry.evening)) for entry in entries[:LOOK_BACK])
