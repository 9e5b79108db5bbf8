"""Several athletes behind one address: each has a seat, counted from 1, with a session of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from biofeedback.web.live import Live
from biofeedback.web.pairing import Right
from biofeedback.web.slots import StateText

Report = Callable[[], str]


@dataclass(slots=True, eq=False)
class Seat:
    """One athlete's session, and the report that can be made of it."""

    live: Live
    report: Report | None = None
    state_text: StateText = field(init=False)

    def __post_init__(self) -> None:
        self.state_text = StateText(self.live)


def find_seat(seats: Sequence[Seat], query: Mapping[str, str], right: Right) -> Seat | None:
    """The seat that ``?seat=2`` names, the first without it; None where there is none or it is not this right's."""
    by_number = {str(number): seat for number, seat in enumerate(seats, 1)}
    asked = query.get("seat", "1")
    return by_number.get(asked) if right.seat is None or asked == str(right.seat) else None
