"""How many connections are held open at once: files are finite, and the recording needs some of them."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence

from uvicorn.protocols.http.h11_impl import H11Protocol

LOG = logging.getLogger("biofeedback.web")
MAX_CONNECTIONS = 256  # systems commonly allow a program 1024 open files
MAX_PER_DEVICE = 96  # 32 pages and what loads them; one device cannot take the places of the others

Client = tuple[str, int] | None


def is_crowded(clients: Sequence[Client], newest: Client) -> bool:
    """Whether the connection from ``newest``, already among ``clients``, is one too many."""
    device = newest[0] if newest else None
    same = sum(1 for client in clients if (client[0] if client else None) == device)
    return len(clients) > MAX_CONNECTIONS or same > MAX_PER_DEVICE


class BoundedProtocol(H11Protocol):
    """Drops connections beyond the limits before anything is read from them."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take or drop a new connection."""
        super().connection_made(transport)
        if is_crowded([getattr(connection, "client", None) for connection in self.connections], self.client):
            LOG.debug("dropped: too many connections from %s", self.client)
            transport.abort()
