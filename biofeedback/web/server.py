"""The page's server: a handful of routes on loopback, nothing reachable by a stranger's page."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import mimetypes
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from biofeedback.errors import BiofeedbackError
from biofeedback.web.answers import answer_message
from biofeedback.web.door import Door, may_visit
from biofeedback.web.live import Live
from biofeedback.web.pairing import Invitation, Role
from biofeedback.web.review import Review
from biofeedback.web.seats import Report, Seat, find_seat
from biofeedback.web.serving import bind, make_server
from biofeedback.web.sharing import Sharing, find_network_address
from biofeedback.web.slots import PageSlot

LOG = logging.getLogger("biofeedback.web")
DEFAULT_PORT = 8765
MAX_PAGES = 32
MAX_CODE_BYTES = 200
SAME_REFUSAL_S = 60.0
PLACES = ("/", "/athlete", "/coach")  # one page; it shows what belongs to the place

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


def read_static() -> Mapping[str, tuple[bytes, str]]:
    """Every static file by name, with its media type. Only these names are served, so no path can lead elsewhere."""
    files = {}
    for entry in resources.files("biofeedback.web").joinpath("static").iterdir():
        kind = mimetypes.guess_type(entry.name)[0] or "application/octet-stream"
        files[entry.name] = (entry.read_bytes(), "text/javascript" if entry.name.endswith(".js") else kind)
    return files


class Doorkeeper:
    """Middleware that turns away what ``Door`` refuses, and tells the rest apart by role."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door
        self._told = ("", -math.inf)  # the last refusal logged, and when: one that knocks all day fills no log

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI entry."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        why = self._door.refusal(scope)
        role = self._door.role(scope)
        if why is None and may_visit(scope["path"], role):
            await self._app({**scope, "role": role}, receive, send)
        elif why is None and scope["type"] == "http":
            place = "/pair" if role is None else "/athlete"
            await RedirectResponse(place, status_code=303, headers=PAGE_HEADERS)(scope, receive, send)
        else:
            await self._refuse(why or "this device is not paired", scope, receive, send)

    async def _refuse(self, why: str, scope: Scope, receive: Receive, send: Send) -> None:
        if self._told[0] != why or time.monotonic() - self._told[1] > SAME_REFUSAL_S:
            self._told = (why, time.monotonic())
            LOG.warning("refused: %s", why)
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": "refused"})
        else:
            await PlainTextResponse(f"Refused: {why}.\n", status_code=403)(scope, receive, send)


@dataclass(slots=True)
class Site:
    """The routes around the live sessions, one for each seat."""

    seats: Sequence[Seat]
    sharing: Sharing | None = None
    review: Review | None = None
    _n_pages: int = field(init=False, default=0)
    _files: Mapping[str, tuple[bytes, str]] = field(init=False)

    def __post_init__(self) -> None:
        self._files = read_static()

    def app(self, door: Door) -> ASGIApp:
        """The ASGI application behind ``door``."""
        routes: list[BaseRoute] = [
            *(Route(place, self._index) for place in PLACES),
            Route("/group", self._group),
            Route("/static/{name}", self._static),
            Route("/report", self._report),
            Route("/pair", self._pair, methods=["GET", "POST"]),
            WebSocketRoute("/ws", self._page),
        ]
        if self.review:
            routes += self.review.routes(self._review, REPORT_HEADERS, self._name_recordings)
        return Doorkeeper(Starlette(routes=routes), door)

    def _name_recordings(self) -> set[str]:
        """The recordings that these sessions write."""
        return {str((seat.live.state().get("recording") or {}).get("file")) for seat in self.seats}

    async def _index(self, request: Request) -> Response:
        if not self.seats:
            return RedirectResponse("/review", status_code=303, headers=PAGE_HEADERS)
        return self._file("index.html" if find_seat(self.seats, request.query_params) else "")

    async def _group(self, _request: Request) -> Response:
        if len(self.seats) < 2:
            return RedirectResponse("/", status_code=303, headers=PAGE_HEADERS)
        return self._file("group.html")

    async def _review(self, _request: Request) -> Response:
        return self._file("review.html")

    async def _static(self, request: Request) -> Response:
        return self._file(request.path_params["name"])

    def _file(self, name: str) -> Response:
        if name not in self._files:
            return PlainTextResponse("Not here.\n", status_code=404, headers=PAGE_HEADERS)
        body, kind = self._files[name]
        return Response(body, media_type=kind, headers=PAGE_HEADERS)

    async def _pair(self, request: Request) -> Response:
        if self.sharing is None:
            return PlainTextResponse("This session is not shared.\n", status_code=404, headers=PAGE_HEADERS)
        if request.method == "GET":
            return self._file("pair.html")
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > MAX_CODE_BYTES:
                return PlainTextResponse("Too long.\n", status_code=413, headers=PAGE_HEADERS)
        return self.sharing.answer_code(body.decode("utf-8", "replace"))

    async def _report(self, request: Request) -> Response:
        seat = find_seat(self.seats, request.query_params)
        if seat is None or seat.report is None:
            return PlainTextResponse("There is no report yet.\n", status_code=404, headers=PAGE_HEADERS)
        try:
            html = await asyncio.to_thread(seat.report)  # drawing takes seconds: never on the session's loop
        except BiofeedbackError as error:
            return PlainTextResponse(f"No report: {error}.\n", status_code=404, headers=PAGE_HEADERS)
        return HTMLResponse(html, headers=REPORT_HEADERS)

    async def _page(self, socket: WebSocket) -> None:
        seat = find_seat(self.seats, socket.query_params)
        if seat is None:
            await socket.close(1008)
            return
        if self._n_pages >= MAX_PAGES:
            LOG.warning("refused: %d pages are open already", self._n_pages)
            await socket.close(1013)
            return
        self._n_pages += 1
        try:
            await socket.accept()
            await self._talk(socket, seat)
        except (WebSocketDisconnect, OSError):
            pass  # a page may leave at any moment; the session does not notice
        finally:
            self._n_pages -= 1

    async def _talk(self, socket: WebSocket, seat: Seat) -> None:
        role: Role = socket.scope["role"]
        slot = PageSlot(seat.live, seat.state_text)
        still_welcome = self.sharing.guard(socket.scope) if self.sharing else None

        async def send(message: str | bytes) -> None:
            if still_welcome and not still_welcome():
                raise WebSocketDisconnect(1008)
            if isinstance(message, str):
                await socket.send_text(message)
            else:
                await socket.send_bytes(message)

        async def listen() -> None:
            while (message := await socket.receive())["type"] == "websocket.receive":
                slot.put_reply(answer_message(seat.live, message.get("text"), by=role, sharing=self.sharing))

        you = {"role": role, "shared": self.sharing is not None, "review": self.review is not None}
        group = {"seats": len(self.seats)} if len(self.seats) > 1 else {}
        await send(json.dumps({"you": you | group}))
        tasks = [asyncio.create_task(slot.pump(send)), asyncio.create_task(listen())]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
        if still_welcome and not still_welcome():
            await socket.close(1008)
        for task in done:
            task.result()


@contextlib.asynccontextmanager
async def open_page(
    live: Live | None,
    *,
    host: str = "127.0.0.1",
    port: int = DEFAULT_PORT,
    report: Report | None = None,
    share: Callable[[Invitation], None] | None = None,
    review: Review | None = None,
    others: Sequence[Seat] = (),
) -> AsyncIterator[str]:
    """Serve ``live`` while the block runs; yields the page's address. ``port=0`` takes any free one.

    ``review`` adds the place where recordings are looked at; without ``live`` it is the only one. ``others`` sit beside
    ``live`` as seats 2, 3, ...: every path takes ``?seat=2``, and ``/group`` shows all of them.

    With ``share`` the page can also be reached from the local network, by devices that know a one-time code; it is
    called with the first invitation, for the athlete. Traffic there is not encrypted: a network of one's own only.

    Raises
    ------
    SessionError
        If the address is in use, or this machine has no address on a network to share on.
    """
    bound = [bind(host, port)]
    port = int(bound[0].getsockname()[1])
    sharing = None
    if share:
        outside = find_network_address()
        bound.append(bind(outside, port))
        sharing = Sharing(f"http://{outside}:{port}")
    door = Door.for_addresses((sock.getsockname()[0] for sock in bound), port, sharing.pairing if sharing else None)
    seats = [*([Seat(live, report)] if live else []), *others]
    server = make_server(Site(seats, sharing, review).app(door))
    task = asyncio.create_task(server.serve(sockets=bound))
    try:
        while not server.started:
            if task.done():
                task.result()
            await asyncio.sleep(0.005)
        if share and sharing:
            share(sharing.invite("athlete"))
        yield f"http://{'[' + host + ']' if ':' in host else host}:{port}/"
    finally:
        server.should_exit = True
        await task
        for sock in bound:
            sock.close()
