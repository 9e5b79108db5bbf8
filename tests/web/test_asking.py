"""What a coach's device may do only after a yes at the computer that records: asked there, for a minute."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from websockets.asyncio.client import ClientConnection
from websockets.exceptions import ConnectionClosed

from biofeedback.errors import SessionError
from biofeedback.web import sharing
from biofeedback.web.asking import ANSWER_S, MAX_ASKS, Asks
from biofeedback.web.server import open_page

from .fake_live import FakeLive
from .test_recording_actions import NAME, folder  # noqa: F401
from .test_review import make_review
from .test_rights import request
from .test_server import drain, join, next_reply
from .test_sharing import OUTSIDE, next_invitation, next_sharing, pair, pretend_network

DELETE = {"name": NAME, "code": "A01", "files": [NAME, "A01-20260105-180000.html"]}
RENAME = {"name": NAME, "code": "B07", "files": []}


# ---- the rules, without a server ----


def test_a_device_asks_one_thing_at_a_time_and_a_no_holds_for_the_minute() -> None:
    asks, heard = Asks(), []
    first = asks.ask(1, "x", lambda: heard.append("yes"), lambda: heard.append("no"), 0.0)
    with pytest.raises(SessionError, match="not settled"):
        asks.ask(1, "y", print, print, 1.0)
    asks.settle(first.number, False, 2.0)
    assert heard == ["no"]
    with pytest.raises(SessionError, match="not settled"):
        asks.ask(1, "y", print, print, 3.0)
    with pytest.raises(SessionError, match="not asked any more"):
        asks.settle(first.number, True, 3.0)
    second = asks.ask(1, "y", lambda: heard.append("yes"), print, ANSWER_S + 1)
    asks.settle(second.number, True, ANSWER_S + 2)
    assert heard == ["no", "yes"]


def test_a_yes_that_comes_too_late_does_nothing() -> None:
    asks, heard = Asks(), []
    ask = asks.ask(1, "x", lambda: heard.append("yes"), print, 0.0)
    with pytest.raises(SessionError, match="not asked any more"):
        asks.settle(ask.number, True, ANSWER_S + 0.1)
    assert heard == []
    assert asks.describe(ANSWER_S + 0.1) == []


def test_many_devices_fill_no_screen_and_those_sent_away_ask_nothing() -> None:
    asks, heard = Asks(), []
    for device in range(1, MAX_ASKS + 1):
        asks.ask(device, "x", lambda: heard.append("yes"), lambda: heard.append("no"), 0.0)
    with pytest.raises(SessionError, match="not settled"):
        asks.ask(99, "x", print, print, 0.0)
    asks.drop_of({1, 2})
    assert heard == ["no", "no"]
    with pytest.raises(SessionError, match="not asked any more"):
        asks.settle(1, True, 1.0)


# ---- over a real server, the network address pretended ----

Scenario = Callable[["Table"], Awaitable[None]]


class Table:
    """A coach's page at this machine, if wanted, and a coach's device elsewhere."""

    def __init__(self, here: str, outside: str, headers: dict[str, str], live: FakeLive) -> None:
        self.here, self.outside, self.headers, self.live = here, outside, headers, live

    async def order(self, path: str, body: dict[str, Any]) -> tuple[int, str]:
        own = self.headers | {"Origin": self.outside.rstrip("/")}
        status, _, told = await asyncio.to_thread(
            request, self.outside, path, method="POST", body=json.dumps(body), headers=own
        )
        return status, told.decode()

    def join_device(self) -> Any:
        return join(self.outside, additional_headers=self.headers)


async def next_ask(page: ClientConnection) -> dict[str, Any]:
    while True:
        for ask in (await next_sharing(page))["asks"]:
            if ask["state"] == "waiting":
                return dict(ask)


async def say(page: ClientConnection, ask: dict[str, Any], is_yes: bool) -> dict[str, Any]:
    await page.send(json.dumps({"do": "allow", "ask": ask["number"], "yes": is_yes, "id": 77}))
    while (reply := await next_reply(page))["id"] != 77:
        pass
    return reply


@pytest.fixture
def at_table(monkeypatch: pytest.MonkeyPatch, folder: Path) -> Callable[[Scenario], None]:  # noqa: F811
    pretend_network(monkeypatch)

    def run(scenario: Scenario) -> None:
        async def session() -> None:
            live = FakeLive()
            async with open_page(live, port=0, share=lambda _: None, review=make_review(folder)) as here:
                outside = f"http://{OUTSIDE}:{urlsplit(here).port}/"
                async with join(here) as page:
                    await page.send('{"do": "invite", "role": "coach", "id": 1}')
                    code = (await next_invitation(page, "coach"))["code"]
                _, cookie, _ = await pair(outside, code)
                table = Table(here, outside, {"Cookie": cookie.split(";")[0]}, live)
                await asyncio.wait_for(scenario(table), 120)

        asyncio.run(session())

    return run


def test_a_recording_is_deleted_from_a_device_after_a_yes_here(
    at_table: Callable[[Scenario], None],
    folder: Path,  # noqa: F811
) -> None:
    async def scenario(table: Table) -> None:
        async with join(table.here) as page:
            asked = asyncio.create_task(table.order("/review/delete", DELETE))
            ask = await next_ask(page)
            assert ask["what"] == f"to delete {NAME} for good and delete 1 file made of it"
            assert (ask["device"], 50 < ask["left_s"] <= ANSWER_S) == (1, True)
            assert (folder / NAME).exists()
            assert (await say(page, ask, True))["ok"]
            assert await asked == (200, '{"n_files":2}')
        assert not (folder / NAME).exists()

    at_table(scenario)


def test_another_code_is_given_from_a_device_after_a_yes_here(
    at_table: Callable[[Scenario], None],
    folder: Path,  # noqa: F811
) -> None:
    async def scenario(table: Table) -> None:
        async with join(table.here) as page:
            asked = asyncio.create_task(table.order("/review/rename", RENAME))
            ask = await next_ask(page)
            assert ask["what"] == f"to give {NAME} the code 'B07'"
            await say(page, ask, True)
            assert (await asked)[0] == 200

    at_table(scenario)
    assert (folder / "B07-20260105-180000.hold").exists()


def test_a_no_changes_nothing_and_is_told(at_table: Callable[[Scenario], None], folder: Path) -> None:  # noqa: F811
    async def scenario(table: Table) -> None:
        async with join(table.here) as page, table.join_device() as device:
            asked = asyncio.create_task(table.order("/review/delete", DELETE))
            assert (await next_ask(device))["device"] == 1  # said on both pages
            await say(page, await next_ask(page), False)
            status, told = await asked
            assert (status, "not allowed at the computer that records" in told) == (404, True)
            status, told = await table.order("/review/delete", DELETE)  # no second question at once
            assert "not settled" in told

    at_table(scenario)
    assert (folder / NAME).exists()


def test_without_anybody_here_it_is_refused_at_once(
    at_table: Callable[[Scenario], None],
    folder: Path,  # noqa: F811
) -> None:
    async def scenario(table: Table) -> None:
        for path, order in (("/review/delete", DELETE), ("/review/rename", RENAME)):
            status, told = await table.order(path, order)
            assert (status, "no coach’s page is open there" in told) == (404, True)
        async with table.join_device() as device:
            await device.send('{"do": "invite", "role": "coach", "id": 5}')
            while (reply := await next_reply(device))["id"] != 5:
                pass
            assert "no coach’s page is open there" in reply["what"]

    at_table(scenario)
    assert (folder / NAME).exists()


def test_nobody_is_asked_during_an_effort(at_table: Callable[[Scenario], None]) -> None:
    async def scenario(table: Table) -> None:
        table.live.change(stage="plan")
        async with join(table.here) as page:
            assert await page.recv()
            assert "effort is under way" in (await table.order("/review/delete", DELETE))[1]

    at_table(scenario)


def test_without_an_answer_the_time_ends_it(
    at_table: Callable[[Scenario], None],
    folder: Path,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sharing, "ANSWER_S", 0.2)

    async def scenario(table: Table) -> None:
        async with join(table.here) as page:
            assert await page.recv()
            status, told = await table.order("/review/delete", DELETE)
            assert (status, "nobody said yes" in told) == (404, True)

    at_table(scenario)
    assert (folder / NAME).exists()


def test_a_device_that_gives_up_asks_no_longer(
    at_table: Callable[[Scenario], None],
    folder: Path,  # noqa: F811
) -> None:
    async def scenario(table: Table) -> None:
        async with join(table.here) as page:
            parts = urlsplit(table.outside)
            body = json.dumps(DELETE).encode()
            _, writer = await asyncio.open_connection(parts.hostname, parts.port)
            head = f"POST /review/delete HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: {table.outside.rstrip('/')}\r\n"
            head += f"Cookie: {table.headers['Cookie']}\r\nContent-Length: {len(body)}\r\n\r\n"
            writer.write(head.encode() + body)
            ask = await next_ask(page)
            writer.close()
            while (await next_sharing(page))["asks"]:
                pass
            assert "not asked any more" in (await say(page, ask, True))["what"]

    at_table(scenario)
    assert (folder / NAME).exists()


def test_a_device_that_is_sent_away_while_it_waits_gets_nothing(
    at_table: Callable[[Scenario], None],
    folder: Path,  # noqa: F811
) -> None:
    async def scenario(table: Table) -> None:
        async with join(table.here) as page:
            asked = asyncio.create_task(table.order("/review/delete", DELETE))
            ask = await next_ask(page)
            await page.send('{"do": "revoke", "device": 1}')
            assert "not allowed" in (await asked)[1]
            assert not (await say(page, ask, True))["ok"]

    at_table(scenario)
    assert (folder / NAME).exists()


def test_a_device_says_no_yes_to_itself(at_table: Callable[[Scenario], None], folder: Path) -> None:  # noqa: F811
    async def scenario(table: Table) -> None:
        async with join(table.here) as page, table.join_device() as device:
            asked = asyncio.create_task(table.order("/review/delete", DELETE))
            ask = await next_ask(device)
            assert "at the computer that records says yes" in (await say(device, ask, True))["what"]
            await say(page, ask, False)
            await asked

    at_table(scenario)
    assert (folder / NAME).exists()


def test_a_second_coach_is_invited_from_a_device_after_a_yes_and_leaves_with_it(
    at_table: Callable[[Scenario], None],
) -> None:
    async def scenario(table: Table) -> None:
        async with join(table.here) as page, table.join_device() as device:
            await device.send('{"do": "invite", "role": "coach", "id": 5}')
            ask = await next_ask(page)
            assert ask["what"] == "to invite another coach"
            assert (await say(page, ask, True))["ok"]
            code = (await next_invitation(device, "coach"))["code"]
            _, cookie, _ = await pair(table.outside, code)
            child = {"Cookie": cookie.split(";")[0]}
            async with join(table.outside, additional_headers=child) as second:
                await page.send('{"do": "revoke", "device": 1}')
                for gone in (device, second):
                    with pytest.raises(ConnectionClosed):
                        await drain(gone)

    at_table(scenario)


def test_all_are_sent_away_from_a_device_after_a_yes(at_table: Callable[[Scenario], None]) -> None:
    async def scenario(table: Table) -> None:
        async with join(table.here) as page, table.join_device() as device:
            await device.send('{"do": "revoke", "id": 5}')
            ask = await next_ask(page)
            assert ask["what"] == "to send all devices away"
            assert (await say(page, ask, True))["ok"]
            with pytest.raises(ConnectionClosed):
                await drain(device)

    at_table(scenario)


def test_an_athlete_is_invited_from_a_device_without_a_question(at_table: Callable[[Scenario], None]) -> None:
    async def scenario(table: Table) -> None:
        async with table.join_device() as device:
            await device.send('{"do": "invite", "role": "athlete", "id": 5}')
            assert (await next_invitation(device, "athlete"))["seat"] == 1

    at_table(scenario)
