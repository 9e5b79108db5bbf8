"""The page's server: a handful of routes on loopback, nothing reachable by a stranger's page."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import mimetypes
import socket
from collections.abc import AsyncIterator, Callable, Generator, Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from biofeedback.errors import BiofeedbackError, SessionError
from biofeedback.web.live import Live
from biofeedback.web.messages import parse_command
from biofeedback.web.slots import PageSlot, StateText

LOG = logging.getLogger("biofeedback.web")
DEFAULT_PORT = 8765
MAX_PAGES = 32
PLACES = ("/", "/athlete", "/coach")  # one page; it shows what belongs to the place
MAX_FRAME_BYTES = 65536  # larger frames close the connection; the message limit answers politely well before
SEND_BUFFER_BYTES = 65536  # a small kernel buffer: a page that wakes has little old news to read through

PAGE_HEADERS = {
    "content-security-policy": "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-cache",
}
# The report is one self-contained file: its own styles and figures, no script, nothing fetched.
REPORT_HEADERS = PAGE_HEADERS | {
    "content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "cache-control": "no-store",
}

Report = Callable[[], str]


def read_static() -> Mapping[str, tuple[bytes, str]]:
    """Every static file by name, with its media type. Only these names are served, so no path can lead elsewhere."""
    files = {}
    for entry in resources.files("biofeedback.web").joinpath("static").iterdir():
        kind = mimetypes.guess_type(entry.name)[0] or "application/octet-stream"
        files[entry.name] = (entry.read_bytes(), "text/javascript" if entry.name.endswith(".js") else kind)
    return files


@dataclass(frozen=True, slots=True)
class Door:
    """Which Host and Origin headers may enter: the addresses we serve, and pages that came from them.

    Without this any web page open in the same browser could read the session (WebSockets have no same-origin rule)
    and any name that resolves to 127.0.0.1 could reach it.
    """

    hosts: frozenset[str]

    @classmethod
    def for_address(cls, host: str, port: int) -> Door:
        """The names under which a socket bound to ``host`` may be addressed."""
        names = {"127.0.0.1", "localhost", "[::1]"} if host in ("127.0.0.1", "localhost", "::1") else {host}
        return cls(frozenset(f"{name}:{port}" for name in names) | (frozenset(names) if port == 80 else frozenset()))

    def refusal(self, scope: Scope) -> str | None:
        """Why this request may not enter, or None."""
        headers: dict[bytes, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value.decode("latin-1").lower())
        host = headers.get(b"host", [])
        if len(host) != 1 or host[0] not in self.hosts:
            return f"host {', '.join(host)[:80] or 'missing'!r} is not this page's address"
        origin = headers.get(b"origin", [])
        if not origin and scope["type"] == "http":
            return None  # plain navigation carries none
        if len(origin) != 1 or origin[0] not in {f"http://{name}" for name in self.hosts}:
            return f"origin {', '.join(origin)[:80] or 'missing'!r} is another site"
        return None


class Doorkeeper:
    """Middleware that turns away what ``Door`` refuses."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI entry."""
        why = self._door.refusal(scope) if scope["type"] in ("http", "websocket") else None
        if why is None:
            await self._app(scope, receive, send)
            return
        LOG.warning("refused: %s", why)
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": "refused"})
        else:
            await PlainTextResponse(f"Refused: {why}.\n", status_code=403)(scope, receive, send)


@dataclass(slots=True)
class Site:
    """The routes around one live session."""

    live: Live
    report: Report | None = None
    _state_text: StateText = field(init=False)
    _n_pages: int = field(init=False, default=0)
    _files: Mapping[str, tuple[bytes, str]] = field(init=False)

    def __post_init__(self) -> None:
        self._state_text = StateText(self.live)
        self._files = read_static()

    def app(self, door: Door) -> ASGIApp:
        """The ASGI application behind ``door``."""
        routes = [
            *(Route(place, self._index) for place in PLACES),
            Route("/static/{name}", self._static),
            Route("/report", self._report),
            WebSocketRoute("/ws", self._page),
        ]
        return Doorkeeper(Starlette(routes=routes), door)

    async def _index(self, _request: Request) -> Response:
        return self._file("index.html")

    async def _static(self, request: Request) -> Response:
        return self._file(request.path_params["name"])

    def _file(self, name: str) -> Response:
        if name not in self._files:
            return PlainTextResponse("Not here.\n", status_code=404, headers=PAGE_HEADERS)
        body, kind = self._files[name]
        return Response(body, media_type=kind, headers=PAGE_HEADERS)

    async def _report(self, _request: Request) -> Response:
        if self.report is None:
            return PlainTextResponse("There is no report yet.\n", status_code=404, headers=PAGE_HEADERS)
        try:
            html = await asyncio.to_thread(self.report)  # drawing takes seconds: never on the session's loop
        except BiofeedbackError as error:
            return PlainTextResponse(f"No report: {error}.\n", status_code=404, headers=PAGE_HEADERS)
        return HTMLResponse(html, headers=REPORT_HEADERS)

    async def _page(self, socket: WebSocket) -> None:
        if self._n_pages >= MAX_PAGES:
            LOG.warning("refused: %d pages are open already", self._n_pages)
            await socket.close(1013)
            return
        self._n_pages += 1
        try:
            await socket.accept()
            await self._talk(socket)
        except (WebSocketDisconnect, OSError):
            pass  # a page may leave at any moment; the session does not notice
        finally:
            self._n_pages -= 1

    async def _talk(self, socket: WebSocket) -> None:
        slot = PageSlot(self.live, self._state_text)

        async def send(message: str | bytes) -> None:
            if isinstance(message, str):
                await socket.send_text(message)
            else:
                await socket.send_bytes(message)

        async def listen() -> None:
            while (message := await socket.receive())["type"] == "websocket.receive":
                slot.put_reply(answer_message(self.live, message.get("text"), by="coach"))

        tasks = [asyncio.create_task(slot.pump(send)), asyncio.create_task(listen())]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
        for task in done:
            task.result()


def answer_message(live: Live, text: str | None, *, by: str) -> dict[str, Any]:
    """Carry out one message of a page; whatever it says, the reply is one clear line."""
    number: int | None = None
    try:
        number, command = parse_command(text)
        data = None if command["do"] == "ping" else live.command(command, by)
    except BiofeedbackError as error:
        return {"id": number, "ok": False, "what": error.what, "cure": error.cure}
    except ValueError as error:
        return {"id": number, "ok": False, "what": str(error), "cure": "enter another value"}
    except Exception:  # a fault of ours in one command must not take the page, or the hold, with it
        LOG.exception("a command failed")
        return {"id": number, "ok": False, "what": "the command failed inside the program", "cure": "see the log"}
    return {"id": number, "ok": True, "data": data}


class _Server(uvicorn.Server):
    """Leaves signals to the program that owns the event loop."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Take no signal."""
        yield


def _bind(host: str, port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        bound.bind((host, port))
    except OSError as error:
        bound.close()
        what = f"the page's address {host}:{port} cannot be used ({error.strerror or error})"
        raise SessionError(what, "close the other program, or use --port 0 for any free port") from None
    return bound


@contextlib.asynccontextmanager
async def open_page(
    live: Live, *, host: str = "127.0.0.1", port: int = DEFAULT_PORT, report: Report | None = None
) -> AsyncIterator[str]:
    """Serve ``live`` while the block runs; yields the page's address. ``port=0`` takes any free one.

    Raises
    ------
    SessionError
        If the address is in use.
    """
    bound = _bind(host, port)
    port = int(bound.getsockname()[1])
    config = uvicorn.Config(
        Site(live, report).app(Door.for_address(host, port)),
        log_config=None,
        access_log=False,
        lifespan="off",
        server_header=False,
        ws_max_size=MAX_FRAME_BYTES,
        ws_per_message_deflate=False,
        ws_ping_interval=5.0,
        ws_ping_timeout=10.0,
        timeout_graceful_shutdown=1,
    )
    server = _Server(config)
    task = asyncio.create_task(server.serve(sockets=[bound]))
    try:
        while not server.started:
            if task.done():
                task.result()
            await asyncio.sleep(0.005)
        yield f"http://{'[' + host + ']' if ':' in host else host}:{port}/"
    finally:
        server.should_exit = True
        await task
        bound.close()


async def serve(
    live: Live,
    *,
    host: str = "127.0.0.1",
    port: int = DEFAULT_PORT,
    report: Report | None = None,
    on_ready: Callable[[str], None] = print,
) -> None:
    """Serve ``live`` until cancelled; ``on_ready`` is given the page's address once it answers."""
    async with open_page(live, host=host, port=port, report=report) as address:
        on_ready(address)
        await asyncio.Event().wait()
