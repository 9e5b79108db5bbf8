"""Access to the server: refuses requests that are not allowed, and says of the others who asks."""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque

from starlette.requests import ClientDisconnect
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from biofeedback.web.access import Access, find_place, is_here, may_visit
from biofeedback.web.connection_limits import BODY_S, RefusalLog
from biofeedback.web.own_browser import OwnBrowsers
from biofeedback.web.pairing import HERE
from biofeedback.web.shortage import find_shortage

MAX_BODY_PARTS = 64  # read before a request is answered; no order of ours comes in so many
REDIRECT_HEADERS = {"x-content-type-options": "nosniff", "referrer-policy": "no-referrer", "cache-control": "no-store"}
NO_KEY = (
    "this page opens by the address that the program shows in its terminal, with the key in it; each address works once"
)


class AccessControl:
    """Middleware that turns away what ``Access`` refuses, and tells the rest apart by what they may reach."""

    def __init__(self, app: ASGIApp, access: Access, n_seats: int, own: OwnBrowsers | None = None) -> None:
        self._app = app
        self._access = access
        self._own = own
        self._n_seats = n_seats
        self._refusals = RefusalLog()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI entry."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        why = self._access.refusal(scope)
        if why is None and self._own and is_here(scope):
            if (told := self._own.exchange(scope)) is not None:
                place, cookie = told
                headers = REDIRECT_HEADERS | ({"set-cookie": cookie} if cookie else {})
                await RedirectResponse(place, status_code=303, headers=headers)(scope, receive, send)
                return
            if not self._own.may_enter(scope):
                why = NO_KEY
        right = self._access.find_right(scope)
        if why is None and may_visit(scope["path"], right):
            device = None if is_here(scope) else self._access.find_device(scope)
            about = {**scope, "right": right, "device": device.number if device else HERE}
            await self._serve(about, receive, send)
        elif why is None and scope["type"] == "http":
            place = find_place(right, self._n_seats)
            await RedirectResponse(place, status_code=303, headers=REDIRECT_HEADERS)(scope, receive, send)
        else:
            await self._refuse(why or "this device is not paired", scope, receive, send)

    async def _serve(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand the request on once its body is there; one that does not come in time is not waited for.

        What is longer is handed on as it comes, in time from this machine when it does not stand still; from elsewhere
        there is nothing that long.
        """
        if scope["type"] == "websocket" or scope["method"] in ("GET", "HEAD"):
            await self._answer(scope, receive, send)
            return
        parts: deque[Message] = deque()
        try:
            async with asyncio.timeout(BODY_S):
                while not parts or (parts[-1].get("more_body") and len(parts) < MAX_BODY_PARTS):
                    parts.append(await receive())
        except TimeoutError:
            self._refusals.tell(f"what belongs to {scope['path'][:40]} did not come in {BODY_S:.0f} s")
            await PlainTextResponse("Too slow.\n", 408, headers={"connection": "close"})(scope, receive, send)
            return

        if parts[-1].get("more_body") and not is_here(scope):
            self._refusals.tell(f"too much came for {scope['path'][:40]}")
            await PlainTextResponse("Too long.\n", 413, headers={"connection": "close"})(scope, receive, send)
            return
        is_coming = bool(parts[-1].get("more_body"))

        async def receive_again() -> Message:
            nonlocal is_coming
            if parts or not is_coming:
                return parts.popleft() if parts else await receive()
            try:
                async with asyncio.timeout(BODY_S):
                    message = await receive()
            except TimeoutError:
                message = {"type": "http.disconnect"}
            is_coming = bool(message.get("more_body"))
            return message

        with contextlib.suppress(ClientDisconnect):  # nobody is there to be told
            await self._answer(scope, receive_again, send)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        """The site's answer; a computer that is out of something has been told (500) and fills no log."""
        try:
            await self._app(scope, receive, send)
        except (OSError, MemoryError, RuntimeError) as error:
            short = find_shortage(error)
            if short is None:
                raise
            self._refusals.tell(f"{scope['path'][:40]}: there are not enough {short} left on this computer")

    async def _refuse(self, why: str, scope: Scope, receive: Receive, send: Send) -> None:
        self._refusals.tell(why)
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": "refused"})
        else:
            await PlainTextResponse(f"Refused: {why}.\n", status_code=403, headers=REDIRECT_HEADERS)(
                scope, receive, send
            )
