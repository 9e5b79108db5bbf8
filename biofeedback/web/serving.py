"""Sockets and the server behind the page."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable, Collection, Generator

import uvicorn
from starlette.types import ASGIApp

from biofeedback.errors import SessionError
from biofeedback.web.certificate import PageCertificate, make_context
from biofeedback.web.connection_limits import make_protocol

BACKLOG = 64  # connections waiting to be taken; out of open files, asyncio fails this often before it pauses
MAX_FRAME_BYTES = 65536  # larger frames close the connection; the message limit answers politely well before
SEND_BUFFER_BYTES = 65536  # a small kernel buffer: a page that wakes has little old news to read through


class _Server(uvicorn.Server):
    """Leaves signals to the program that owns the event loop."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Take no signal."""
        yield


def bind(host: str, port: int) -> socket.socket:
    """A listening address; SessionError with its cure where it is taken."""
    bound = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        bound.bind((host, port))
    except (OSError, OverflowError) as error:  # the latter: no such port number
        bound.close()
        what = f"the page's address {host}:{port} cannot be used ({getattr(error, 'strerror', None) or error})"
        raise SessionError(what, "close the other program, or use --port 0 for any free port") from None
    return bound


def make_server(
    app: ASGIApp, known: Callable[[], Collection[str]] = tuple, certificate: PageCertificate | None = None
) -> uvicorn.Server:
    """A server for ``app`` that is quiet and patient with nobody; ``known`` are the addresses of joined devices.

    With a ``certificate`` it speaks TLS and nothing else.
    """
    config = uvicorn.Config(
        app,
        http=make_protocol(known),
        log_config=None,
        access_log=False,
        lifespan="off",
        server_header=False,
        ws_max_size=MAX_FRAME_BYTES,
        ws_per_message_deflate=False,
        ws_ping_interval=5.0,
        ws_ping_timeout=10.0,
        timeout_graceful_shutdown=1,
        backlog=BACKLOG,
    )
    if certificate:
        config.load()
        config.ssl = make_context(certificate)
    return _Server(config)
