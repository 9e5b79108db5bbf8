"""Several athletes behind one address: every request finds its own seat, and no seat disturbs another."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import InvalidStatus

from biofeedback.web.seats import Seat
from biofeedback.web.server import open_page

from .fake_live import FakeLive
from .reading import ReadUpdate, read_update
from .test_server import fetch, next_reply

CODES = ("A01", "A02", "A03", "A04")


def serve_group(scenario: Callable[[list[FakeLive], str], Awaitable[None]], *, n_seats: int = 4) -> None:
    async def run() -> None:
        lives = [FakeLive() for _ in range(n_seats)]
        for live, code in zip(lives, CODES, strict=False):
            live.change(athlete=code)
        seats = [Seat(live, lambda code=code: f"report of {code}") for live, code in zip(lives, CODES, strict=False)]
        async with open_page(lives[0], port=0, report=seats[0].report, others=seats[1:]) as address:
            await asyncio.wait_for(scenario(lives, address), 120)

    asyncio.run(run())


def sit(address: str, query: str) -> connect:
    host = urlsplit(address).netloc
    return connect(f"ws://{host}/ws{query}", origin=f"http://{host}", compression=None, proxy=None)


async def next_update(page: Any) -> ReadUpdate:
    while not isinstance(message := await page.recv(), bytes):
        pass
    return read_update(message)


@pytest.mark.parametrize(("query", "seat"), [("", 0), ("?seat=1", 0), ("?seat=2", 1), ("?seat=4", 3)])
def test_every_seat_is_told_of_its_own_athlete_and_commands_reach_it_alone(query: str, seat: int) -> None:
    async def scenario(lives: list[FakeLive], address: str) -> None:
        for k, live in enumerate(lives):
            live.feed(np.array([10.0 * (k + 1)]))
        async with sit(address, query) as page:
            assert json.loads(await page.recv())["you"]["seats"] == 4
            assert json.loads(await page.recv())["state"]["athlete"] == CODES[seat]
            assert (await next_update(page)).percent == (10.0 * (seat + 1),)
            await page.send('{"do": "zero", "id": 1}')
            assert (await next_reply(page))["ok"]
        assert [len(live.commands) for live in lives] == [int(k == seat) for k in range(4)]
        assert (await fetch(address, f"/report{query}"))[2] == f"report of {CODES[seat]}".encode()

    serve_group(scenario)


@pytest.mark.parametrize("query", ["?seat=0", "?seat=5", "?seat=-1", "?seat=01", "?seat=a", "?seat=", "?seat=1&seat=9"])
def test_a_seat_that_is_not_there_is_refused(query: str) -> None:
    async def scenario(lives: list[FakeLive], address: str) -> None:
        with pytest.raises(InvalidStatus) as refused:
            await sit(address, query)
        assert refused.value.response.status_code == 403
        for path in ("/", "/coach", "/athlete", "/report"):
            assert (await fetch(address, path + query))[0] == 404

    serve_group(scenario)


def test_the_group_is_shown_where_there_is_one() -> None:
    async def several(lives: list[FakeLive], address: str) -> None:
        status, headers, body = await fetch(address, "/group")
        assert status == 200
        assert "default-src 'self'" in headers["content-security-policy"]
        assert b"<title>Group</title>" in body

    async def alone(lives: list[FakeLive], address: str) -> None:
        status, headers, _ = await fetch(address, "/group")
        assert (status, headers["location"]) == (303, "/")
        async with sit(address, "") as page:
            assert "seats" not in json.loads(await page.recv())["you"]

    serve_group(several)
    serve_group(alone, n_seats=1)


def test_a_page_that_stops_reading_delays_no_other_seat() -> None:
    async def scenario(lives: list[FakeLive], address: str) -> None:
        parts = urlsplit(address)
        deaf = socket.create_connection((str(parts.hostname), int(parts.port or 0)))
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        request = (
            f"GET /ws?seat=2 HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: http://{parts.netloc}\r\n"
            "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
        )
        await asyncio.to_thread(deaf.sendall, request.encode())
        async with sit(address, "?seat=2") as beside, sit(address, "?seat=3") as other:
            for k in range(100):  # 30 kB of strip a time: far more than any buffer between us and the deaf page
                lives[1].feed(np.full((1000, 8), float(k)))
                lives[2].feed(np.array([float(k)]))
                for page, live in ((beside, lives[1]), (other, lives[2])):
                    while (await next_update(page)).level != live.snap.level:
                        pass
        deaf.close()

    serve_group(scenario)


def test_a_session_that_fails_or_falls_silent_takes_no_other_with_it() -> None:
    async def scenario(lives: list[FakeLive], address: str) -> None:
        def fail(*_: object) -> Any:
            raise RuntimeError("broken")

        lives[0].state = fail  # type: ignore[method-assign]
        lives[0].change()
        async with sit(address, "?seat=2") as page:
            lives[1].feed(np.array([42.0]))
            while (await next_update(page)).level < 0:
                pass
            await page.send('{"do": "stop"}')
            assert (await next_reply(page))["ok"]
        assert lives[1].commands == [({"do": "stop"}, "coach")]

    serve_group(scenario)
