"""Where pages wait for news of a session."""

from __future__ import annotations

import asyncio
import math
import time

HEARTBEAT_S = 0.25  # a page that hears nothing for 1 s says it is disconnected


class Updates:
    """Counts what there is to tell, and wakes whoever waits: ``most_per_s`` times a second at most, and every quarter
    of a second even without news. One timer serves all pages, because one for each update and page is what costs.
    """

    def __init__(self, most_per_s: float = math.inf) -> None:
        self._least_s = 1 / most_per_s
        self._counter = 0
        self._waiters: list[asyncio.Future[None]] = []
        self._last_s = -math.inf
        self._due: asyncio.TimerHandle | None = None
        self._beat: asyncio.TimerHandle | None = None

    def publish(self) -> None:
        """Something has changed."""
        if self._due is not None:
            return
        wait_s = self._last_s + self._least_s - time.monotonic()
        if wait_s <= 0:
            self._wake()
        else:
            self._due = asyncio.get_running_loop().call_later(wait_s, self._wake)

    async def wait(self, seen: int) -> int:
        """The counter, as soon as it is no longer ``seen``; may be cancelled at any time."""
        loop = asyncio.get_running_loop()
        while self._counter == seen:
            if self._beat is None:
                self._beat = loop.call_later(HEARTBEAT_S, self._tell_nothing)
            waiter = loop.create_future()
            self._waiters.append(waiter)
            await waiter
        return self._counter

    def _tell_nothing(self) -> None:
        wait_s = self._last_s + HEARTBEAT_S - time.monotonic()
        if self._waiters and wait_s > 0:
            self._beat = asyncio.get_running_loop().call_later(wait_s, self._tell_nothing)
        else:
            self._beat = None  # the next wait sets it again
            self._wake()

    def _wake(self) -> None:
        self._due = None
        self._last_s = time.monotonic()
        self._counter += 1
        waiters, self._waiters = self._waiters, []
        for waiter in waiters:
            if not waiter.done():
                waiter.set_result(None)
