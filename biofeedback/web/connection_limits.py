"""How many connections are held open at once: files are finite, and the recording needs some of them."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from biofeedback.web.access import is_loopback
from biofeedback.web.accounts import is_own_account
from biofeedback.web.pairing import HERE, Right

LOG = logging.getLogger("biofeedback.web")
MAX_PER_DEVICE = 96  # of this machine: 32 pages and what loads them
MAX_KNOWN, MAX_PER_KNOWN = 96, 48  # devices that joined
MAX_STRANGERS, MAX_PER_STRANGER = 64, 16  # who has yet to type a code
MAX_CONNECTIONS = MAX_PER_DEVICE + MAX_KNOWN + MAX_STRANGERS  # systems commonly allow a program 1024 open files
MAX_PAGES = 32  # at this machine
PAGES: Mapping[str, tuple[int, int]] = {  # of a group together, of one device
    "here": (MAX_PAGES, MAX_PAGES),
    "coach": (24, 12),  # four seats on one screen, and again after a reload
    "athlete": (6, 3),  # of each seat
}
HEADER_S, BODY_S = 10.0, 30.0  # to say what is wanted, and to send what belongs to it
MESSAGES_AT_ONCE, MESSAGES_PER_S = 120, 60.0  # of a page; a hand, its pings and what a phone measures stay below
SAME_REFUSAL_S = 60.0
MAX_REFUSALS = 20


def exceeds_limit(n_open: Mapping[str, int], newest: str, known: Collection[str] = ()) -> bool:
    """Whether the connection from the address ``newest``, already counted in ``n_open``, is one too many.

    This machine, devices that joined (``known`` addresses) and strangers have places of their own.
    """
    if is_loopback(newest):
        return n_open[newest] > MAX_PER_DEVICE
    is_known = newest in known
    most, most_of_one = (MAX_KNOWN, MAX_PER_KNOWN) if is_known else (MAX_STRANGERS, MAX_PER_STRANGER)
    if n_open[newest] > most_of_one:
        return True
    return sum(n for one, n in n_open.items() if not is_loopback(one) and (one in known) == is_known) > most


class PagePlaces:
    """How many pages are open where: a phone cannot take the coach's places, nor one seat those of another."""

    def __init__(self) -> None:
        self._n: Counter[tuple[object, ...]] = Counter()

    @contextlib.contextmanager
    def take(self, right: Right, device: int) -> Iterator[bool]:
        """Hold a place while the block runs; False when there is none."""
        group = ("here",) if device == HERE else (right.role, right.seat)
        limits = PAGES[right.role if device else "here"]
        keys = (group, ("device", device))
        has_place = all(self._n[key] < limit for key, limit in zip(keys, limits, strict=True))
        self._n.update(keys if has_place else ())
        try:
            yield has_place
        finally:
            self._n.subtract(keys if has_place else ())


class MessagePace:
    """How fast a page is listened to: what it says beyond that waits on the wire, and nobody else waits for it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._n_free, self._at_s = float(MESSAGES_AT_ONCE), clock()

    def take(self) -> float:
        """One message came: seconds to let pass before it is heard."""
        now_s = self._clock()
        self._n_free = min(MESSAGES_AT_ONCE, self._n_free + MESSAGES_PER_S * (now_s - self._at_s)) - 1.0
        self._at_s = now_s
        return max(0.0, -self._n_free / MESSAGES_PER_S)


class RefusalLog:
    """Tells each refusal once a minute, and few of them: one that knocks all day, each time otherwise, fills no log."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._told: set[str] = set()
        self._since_s = -math.inf

    def tell(self, why: str) -> None:
        """Log ``why`` unless it, or ``MAX_REFUSALS`` others, were told in this minute."""
        if self._clock() - self._since_s > SAME_REFUSAL_S:
            self._told, self._since_s = set(), self._clock()
        if why not in self._told and len(self._told) < MAX_REFUSALS:
            self._told.add(why)
            LOG.warning("refused: %s", why)


def make_protocol(known: Callable[[], Collection[str]] = tuple) -> type[H11Protocol]:
    """The protocol of one server: it drops connections beyond the limits before anything is read from them.

    And those that have not said what they want within `HEADER_S`, and those of other accounts of this computer.
    """
    refusals = RefusalLog()
    n_open: Counter[str] = Counter()  # by address

    class BoundedProtocol(H11Protocol):
        _from = ""
        _overdue: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            self._from = self.client[0] if self.client else ""
            n_open[self._from] += 1
            if exceeds_limit(n_open, self._from, known()):
                refusals.tell(f"too many connections from {self._from or 'somewhere'}")
                transport.abort()
            elif self.server and is_loopback(self.server[0]) and not is_own_account(self.client, self.server):
                refusals.tell("another account of this computer asks for the page")
                transport.abort()
            else:
                self._expect_request()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            if self.conn.their_state is not h11.IDLE:
                self._stop_waiting()
            elif self._overdue is None:
                self._expect_request()

        def connection_lost(self, exc: Exception | None) -> None:
            self._stop_waiting()
            self._leave()
            super().connection_lost(exc)

        def handle_websocket_upgrade(self, event: h11.Request) -> None:
            super().handle_websocket_upgrade(event)
            protocol: Any = self.transport.get_protocol()
            if protocol is self:
                return
            self._stop_waiting()
            end = protocol.connection_lost  # from now on another protocol hears that the connection is over

            def connection_lost(exc: Exception | None) -> None:
                self._leave()
                end(exc)

            protocol.connection_lost = connection_lost

        def _leave(self) -> None:
            n_open[self._from] -= 1
            if n_open[self._from] <= 0:
                del n_open[self._from]

        def _expect_request(self) -> None:
            self._overdue = self.loop.call_later(HEADER_S, self._give_up)

        def _stop_waiting(self) -> None:
            if self._overdue:
                self._overdue.cancel()
                self._overdue = None

        def _give_up(self) -> None:
            refusals.tell(f"a request from {self._from or 'somewhere'} was not finished in {HEADER_S:.0f} s")
            self.transport.abort()

    return BoundedProtocol
