"""The page's server: a handful of routes on loopback, nothing reachable by a stranger's page."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from biofeedback.errors import BiofeedbackError, SessionError
from biofeedback.web.access import Access, find_place, is_here, read_address, read_token
from biofeedback.web.access_control import AccessControl
from biofeedback.web.certificate import PageCertificate
from biofeedback.web.connection_limits import PagePlaces, RefusalLog
from biofeedback.web.live import Live
from biofeedback.web.own_browser import OwnBrowsers
from biofeedback.web.page_files import PAGE_HEADERS, PageFiles
from biofeedback.web.page_socket import serve_page
from biofeedback.web.pairing import Right
from biofeedback.web.review import Review
from biofeedback.web.seats import Report, Seat, find_seat
from biofeedback.web.serving import bind, make_server
from biofeedback.web.sharing import Invitation, Keeper, Sharing, find_network_address
from biofeedback.web.shortage import told_shortages
from biofeedback.web.start import StartPage, is_running, make_routes, reply_late, reply_to_renewal

DEFAULT_PORT = 8765
MAX_CODE_BYTES = 200
PLACES = ("/", "/athlete", "/coach")  # one page; it shows what belongs to the place

# The report is one self-contained file: its own styles and figures, no script, nothing fetched.
REPORT_HEADERS = PAGE_HEADERS | {
    "content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "cache-control": "no-store",
}


@dataclass(slots=True)
class Site:
    """The routes around the live sessions, one for each seat; or around the start page while there is none."""

    seats: Sequence[Seat]
    sharing: Sharing | None = None
    review: Review | None = None
    start: tuple[StartPage, Callable[[], None]] | None = None
    renew: Callable[[], None] | None = None
    own: OwnBrowsers | None = None
    place: str = "/"
    _places: PagePlaces = field(init=False, default_factory=PagePlaces)
    _refusals: RefusalLog = field(init=False, default_factory=RefusalLog)
    _files: PageFiles = field(init=False, default_factory=PageFiles)

    def routes(self) -> list[BaseRoute]:
        """All that can be asked for, but the page's WebSocket (``/ws``)."""
        routes: list[BaseRoute] = [
            *(Route(place, self._index) for place in PLACES),
            Route("/group", self._group),
            Route("/static/{name:path}", self._static),
            Route("/report", self._report),
            Route("/pair", self._pair, methods=["GET", "POST"]),
        ]
        if self.review:
            routes += self.review.routes(
                self._review, REPORT_HEADERS, self._bring, self._name_recordings, self._confirm
            )
        if self.start:
            routes += make_routes(*self.start, self._start)
        else:
            routes += [Route("/start", self._start), Route("/start/new", self._renew, methods=["POST"])]
            routes.append(Route("/start/{late}", reply_late, methods=["GET", "POST"]))
        return routes

    def app(self, access: Access) -> ASGIApp:
        """The ASGI application behind ``access``."""
        pages = Starlette(routes=self.routes())

        async def answer(scope: Scope, receive: Receive, send: Send) -> None:
            if scope["type"] == "websocket" and scope["path"] == "/ws":  # not by way of routes: updates take no detour
                await self._page(WebSocket(scope, receive, send), send)
            else:
                await pages(scope, receive, send)

        return AccessControl(answer, access, len(self.seats), self.own)

    def _name_recordings(self) -> set[str]:
        """The recordings that these sessions write."""
        return {str((seat.live.state().get("recording") or {}).get("file")) for seat in self.seats}

    async def _confirm(self, request: Request, what: str) -> None:
        """Let whoever sits here say whether another device may do ``what``."""
        if self.sharing is None:
            raise SessionError(f"another device asks {what}", "do it at the computer that records")

        async def leave() -> None:
            while (await request.receive())["type"] != "http.disconnect":
                pass

        await self.sharing.wait_for_yes(request.scope["device"], what, leave)

    async def _index(self, request: Request) -> Response:
        if not self.seats:
            place = "/start" if self.start else "/review"
            return RedirectResponse(place, status_code=303, headers=PAGE_HEADERS)
        right: Right = request.scope["right"]
        if find_seat(self.seats, request.query_params, right):
            return self._files.reply(request, "live/live.html")
        if right.role == "athlete":
            return RedirectResponse(find_place(right, len(self.seats)), status_code=303, headers=PAGE_HEADERS)
        return PlainTextResponse("Not here.\n", status_code=404, headers=PAGE_HEADERS)

    async def _group(self, request: Request) -> Response:
        if len(self.seats) < 2:
            return RedirectResponse("/", status_code=303, headers=PAGE_HEADERS)
        return self._files.reply(request, "group/group.html")

    async def _start(self, request: Request) -> Response:
        if self.start is None:  # a start page still open elsewhere asks here where the session is led that began
            return RedirectResponse(self.place, status_code=303, headers=PAGE_HEADERS)
        return self._files.reply(request, "start/start.html")

    async def _renew(self, request: Request) -> Response:
        if self.renew is None or not is_here(request.scope):
            return PlainTextResponse("Not from here.\n", status_code=403, headers=PAGE_HEADERS)
        return reply_to_renewal(self.renew, [seat.live for seat in self.seats])

    async def _review(self, request: Request) -> Response:
        return self._files.reply(request, "review/review.html")

    async def _bring(self, request: Request) -> Response:
        return self._files.reply(request, "bring/bring.html")

    async def _static(self, request: Request) -> Response:
        return self._files.reply(request, request.path_params["name"])

    async def _pair(self, request: Request) -> Response:
        if self.start:
            return RedirectResponse("/start", status_code=303, headers=PAGE_HEADERS)
        if self.sharing is None:
            return PlainTextResponse("This session is not shared.\n", status_code=404, headers=PAGE_HEADERS)
        if request.method == "GET":
            return self._files.reply(request, "pair/pair.html")
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > MAX_CODE_BYTES:
                return PlainTextResponse("Too long.\n", status_code=413, headers=PAGE_HEADERS)
        typed, address = body.decode("utf-8", "replace"), read_address(request.scope)
        return self.sharing.reply_to_code(typed, address=address, earlier=read_token(request.scope))

    async def _report(self, request: Request) -> Response:
        seat = find_seat(self.seats, request.query_params, request.scope["right"])
        if seat is None or seat.report is None:
            return PlainTextResponse("There is no report yet.\n", status_code=404, headers=PAGE_HEADERS)
        try:
            html = await asyncio.to_thread(seat.report)  # drawing takes seconds: never on the session's loop
        except BiofeedbackError as error:
            return PlainTextResponse(f"No report: {error}.\n", status_code=404, headers=PAGE_HEADERS)
        return HTMLResponse(html, headers=REPORT_HEADERS)

    async def _page(self, socket: WebSocket, send: Send) -> None:
        right: Right = socket.scope["right"]
        seat = find_seat(self.seats, socket.query_params, right)
        if self.start:  # a page of the session before: it goes where the next one is chosen
            await socket.accept()
        if seat is None:
            await socket.close(1008)
            return
        with self._places.take(right, socket.scope["device"]) as has_place:
            if has_place:
                await self._serve_page(socket, send, seat, right)
            else:
                self._refusals.tell("all the pages that this device, or its seat, may have are open already")
                await socket.close(1013)

    async def _serve_page(self, socket: WebSocket, send: Send, seat: Seat, right: Right) -> None:
        try:
            await socket.accept()
            about: dict[str, Any] = {"shared": self.sharing is not None, "review": self.review is not None}
            if right.role == "coach":
                about["device"] = socket.scope["device"]
            if self.renew and is_here(socket.scope):
                about["renew"] = True
            if len(self.seats) > 1 and right.role == "coach":  # an athlete's device is told of no other seat
                about["seats"] = len(self.seats)
            await serve_page(socket, send, seat, self.seats.index(seat) + 1, sharing=self.sharing, about=about)
        except (WebSocketDisconnect, OSError):
            pass  # a page may leave at any moment; the session does not notice


@contextlib.asynccontextmanager
async def open_page(
    live: Live | None,
    *,
    host: str = "127.0.0.1",
    port: int = DEFAULT_PORT,
    report: Report | None = None,
    share: Callable[[Sequence[Invitation]], None] | None = None,
    review: Review | None = None,
    others: Sequence[Seat] = (),
    start: tuple[StartPage, Callable[[], None]] | None = None,
    renew: Callable[[], None] | None = None,
    certify: Callable[[Sequence[str]], PageCertificate] | None = None,
    own: OwnBrowsers | None = None,
    keeper: Keeper | None = None,
    place: str = "/",
) -> AsyncIterator[str]:
    """Serve ``live`` while the block runs; yields the page's address. ``port=0`` takes any free one.

    ``review`` adds the place where recordings are looked at; without ``live`` it is the only one. ``others`` sit beside
    ``live`` as seats 2, 3, ...: every path takes ``?seat=2``, and ``/group`` shows all of them. ``start`` (what answers
    it, what to call when a session has begun) serves the start page instead of ``live``; ``renew`` is called when the
    coach at this machine ends a session to go back there. Start pages that are still open are led to ``place``.

    With ``share`` the page can also be reached from the local network, by devices that know a one-time code; it is
    called with an invitation for each seat's athlete. ``certify`` finds the certificate for an address there; without
    it traffic is not encrypted: a network of one's own only. This machine's own page is always plain;
    ``own`` are the browsers here that may open it, everybody's without. ``keeper`` writes down the phones of athletes,
    so that they stay paired over a restart.

    Raises
    ------
    SessionError
        If the address is in use, or this machine has no address on a network to share on.
    """
    with contextlib.ExitStack() as sockets:
        sockets.enter_context(told_shortages(RefusalLog()))
        bound = [sockets.enter_context(bind(host, port))]
        port = int(bound[0].getsockname()[1])
        seats = [*([Seat(live, report)] if live else []), *others]
        sharing = certificate = None
        if share:
            outside = find_network_address()
            bound.append(sockets.enter_context(bind(outside, port)))
            codes = [str(seat.live.state().get("athlete", "")) for seat in seats]
            certificate = certify([outside]) if certify else None
            scheme = "https" if certificate else "http"
            reached = certificate.name_for(outside) if certificate else outside

            def is_busy() -> bool:
                return any(is_running(seat.live.state()) for seat in seats)

            sharing = Sharing(
                f"{scheme}://{reached}:{port}", codes, certificate=certificate, is_busy=is_busy, keeper=keeper
            )
        pairing = sharing.pairing if sharing else None
        hosts = [sock.getsockname()[0] for sock in bound] + list(certificate.names if certificate else ())
        access = Access.for_addresses(hosts, port, pairing, is_encrypted=certificate is not None)
        app = Site(seats, sharing, review, start, renew, own, place).app(access)
        known = pairing.addresses if pairing else tuple
        servers = [(make_server(app, known), bound[:1] if certificate else bound)]
        if certificate:
            servers.append((make_server(app, known, certificate), bound[1:]))
        tasks = [asyncio.create_task(server.serve(sockets=own)) for server, own in servers]
        try:
            while not all(server.started for server, _ in servers):
                for task in tasks:
                    if task.done():
                        task.result()
                await asyncio.sleep(0.005)
            if share and sharing:
                share(sharing.invite_athletes())
            yield f"http://{'[' + host + ']' if ':' in host else host}:{port}/"
        finally:
            for server, _ in servers:
                server.should_exit = True
            await asyncio.gather(*tasks)
