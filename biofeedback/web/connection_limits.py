"""How many connections are held open at once: files are finite, and the recording needs some of them."""

from __future__ import annotations

import asyncio
import logging
import math
import time
from collections.abc import Callable, Sequence

from uvicorn.protocols.http.h11_impl import H11Protocol

LOG = logging.getLogger("biofeedback.web")
MAX_CONNECTIONS = 256  # systems commonly allow a program 1024 open files
MAX_PER_DEVICE = 96  # 32 pages and what loads them; one device cannot take the places of the others
SAME_REFUSAL_S = 60.0
MAX_REFUSALS = 20

Client = tuple[str, int] | None


def exceeds_limit(clients: Sequence[Client], newest: Client) -> bool:
    """Whether the connection from ``newest``, already among ``clients``, is one too many."""
    device = newest[0] if newest else None
    same = sum(1 for client in clients if (client[0] if client else None) == device)
    return len(clients) > MAX_CONNECTIONS or same > MAX_PER_DEVICE


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


def make_protocol() -> type[H11Protocol]:
    """The protocol of one server: it drops connections beyond the limits before anything is read from them."""
    refusals = RefusalLog()

    class BoundedProtocol(H11Protocol):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            if exceeds_limit([getattr(connection, "client", None) for connection in self.connections], self.client):
                refusals.tell(f"too many connections from {self.client[0] if self.client else 'somewhere'}")
                transport.abort()

    return BoundedProtocol
