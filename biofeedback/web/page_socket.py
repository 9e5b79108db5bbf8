"""One open page at one seat: what it is told and what it says, for as long as it is welcome."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Mapping
from typing import Any

from starlette.types import Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from biofeedback.web.connection_limits import MessagePace
from biofeedback.web.pairing import Right
from biofeedback.web.replies import reply_to_message
from biofeedback.web.seats import Seat
from biofeedback.web.sharing import Sharing
from biofeedback.web.slots import PageSlot

SENT_AWAY = 1008  # policy violation, RFC 6455 section 7.4.1


async def serve_page(
    socket: WebSocket, put: Send, seat: Seat, number: int, *, sharing: Sharing | None, about: Mapping[str, Any]
) -> None:
    """Serve an accepted page of seat ``number`` until it leaves or is sent away; ``about`` is the first it hears.

    ``put`` is where the socket sends: sixty times a second the way through its layers would cost as much as the rest.
    """
    right: Right = socket.scope["right"]
    device: int = socket.scope["device"]
    slot = PageSlot(seat.live, seat.state_text)

    def tell(shared: Mapping[str, Any]) -> None:
        slot.put_reply({"id": None, "ok": True, "data": {"sharing": shared}})

    with sharing.attend(socket.scope, right, tell) if sharing else contextlib.nullcontext(lambda: True) as is_welcome:

        async def send(message: str | bytes) -> None:
            if not is_welcome():
                raise WebSocketDisconnect(SENT_AWAY)
            await put({"type": "websocket.send", "text" if isinstance(message, str) else "bytes": message})

        async def listen() -> None:
            pace = MessagePace()
            while (message := await socket.receive())["type"] == "websocket.receive" and is_welcome():
                if wait_s := pace.take():
                    await asyncio.sleep(wait_s)
                text = message.get("text")
                reply = reply_to_message(seat.live, text, by=right, seat=number, sharing=sharing, device=device)
                slot.put_reply(reply)

        await send(json.dumps({"you": {"role": right.role, **about}}))
        tasks = [asyncio.create_task(slot.pump(send)), asyncio.create_task(listen())]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
        if not is_welcome():
            await socket.close(SENT_AWAY)
    for task in done:
        task.result()
