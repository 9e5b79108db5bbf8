"""What a coach's device may have done after a yes at this machine. Pure: the clock is handed in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from biofeedback.errors import SessionError

ANSWER_S = 60.0  # to say yes at this machine
MAX_ASKS = 4  # that wait at once


@dataclass(slots=True)
class Ask:
    """``device`` asks ``what`` ("to delete ...") until ``until_s``; ``on_yes`` or ``on_no`` is called once."""

    number: int
    device: int
    what: str
    until_s: float
    on_yes: Callable[[], object]
    on_no: Callable[[], object]
    state: Literal["waiting", "yes", "no"] = "waiting"


class Asks:
    """One of a device at a time; after a no, that device's next one waits until the time of the first is over."""

    def __init__(self) -> None:
        self._asks: list[Ask] = []
        self._n = 0

    def ask(
        self, device: int, what: str, on_yes: Callable[[], object], on_no: Callable[[], object], now_s: float
    ) -> Ask:
        """Begin to wait. SessionError when the device, or too many, wait already."""
        current = self.current(now_s)
        if any(ask.device == device and ask.state != "yes" for ask in current) or len(current) >= MAX_ASKS:
            raise SessionError(
                "something that was asked before is not settled at the computer that records", "wait a minute"
            )
        self._n += 1
        self._asks = [*current, Ask(self._n, device, what, now_s + ANSWER_S, on_yes, on_no)]
        return self._asks[-1]

    def settle(self, number: int, is_yes: bool, now_s: float) -> None:
        """The answer at this machine. SessionError when nothing of that number waits any more."""
        ask = next((one for one in self.current(now_s) if one.number == number and one.state == "waiting"), None)
        if ask is None:
            raise SessionError("this is not asked any more", "let the device ask again")
        ask.state = "yes" if is_yes else "no"
        (ask.on_yes if is_yes else ask.on_no)()

    def withdraw(self, ask: Ask) -> None:
        """The device does not wait any more; what was answered stays for its time."""
        if ask.state == "waiting":
            self._asks = [one for one in self._asks if one is not ask]

    def drop_of(self, devices: set[int]) -> None:
        """Devices that were sent away ask nothing any more."""
        for ask in self._asks:
            if ask.device in devices and ask.state == "waiting":
                ask.state = "no"
                ask.on_no()

    def current(self, now_s: float) -> list[Ask]:
        """Those whose time is not over."""
        return [ask for ask in self._asks if now_s <= ask.until_s]

    def describe(self, now_s: float) -> list[dict[str, Any]]:
        """For pages."""
        return [
            {
                "number": ask.number,
                "device": ask.device,
                "what": ask.what,
                "state": ask.state,
                "left_s": ask.until_s - now_s,
            }
            for ask in self.current(now_s)
        ]
