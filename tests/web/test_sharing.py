"""A shared session: what another device may see and do. Its network address is simulated by a second loopback one."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import urlsplit

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus

from biofeedback.errors import SessionError
from biofeedback.web import access, server, sharing
from biofeedback.web.server import open_page
from biofeedback.web.serving import bind
from biofeedback.web.sharing import Invitation

from .fake_live import FakeLive
from .test_server import drain, fetch, join, next_reply

OUTSIDE = "127.0.0.2"  # Linux answers on all of 127.0.0.0/8


def pretend_network(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "find_network_address", lambda: OUTSIDE)
    for module in (access, sharing):
        monkeypatch.setattr(module, "is_loopback", lambda host: host == "127.0.0.1")


@pytest.fixture
def shared(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[..., Awaitable[None]]], None]:
    pretend_network(monkeypatch)

    def run(scenario: Callable[..., Awaitable[None]]) -> None:
        async def session() -> None:
            live = FakeLive()
            invitations: list[Invitation] = []
            async with open_page(live, port=0, share=invitations.extend) as address:
                outside = f"http://{OUTSIDE}:{urlsplit(address).port}/"
                await asyncio.wait_for(scenario(live, address, outside, invitations[0]), 120)

        asyncio.run(session())

    return run


async def pair(outside: str, code: str, earlier: str = "") -> tuple[int, str, dict[str, Any]]:
    """Status, cookie and told."""
    parts = urlsplit(outside)

    def post() -> tuple[int, str, dict[str, Any]]:
        import http.client

        connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=60)
        connection.request("POST", "/pair", code, {"Origin": outside.rstrip("/"), "Cookie": earlier})
        response = connection.getresponse()
        told = json.loads(response.read())
        cookie = response.getheader("set-cookie") or ""
        connection.close()
        return response.status, cookie, told

    return await asyncio.to_thread(post)


async def next_sharing(page: Any) -> dict[str, Any]:
    """Who is invited and who has joined, as the coach is told next."""
    while True:
        data = (await next_reply(page)).get("data")
        if data and "sharing" in data:
            return dict(data["sharing"])


async def next_invitation(page: Any, role: str) -> dict[str, Any]:
    while True:
        for invitation in (await next_sharing(page))["invitations"]:
            if invitation["role"] == role:
                return dict(invitation)


def test_a_device_without_a_code_sees_only_where_to_type_one(shared: Any) -> None:
    async def scenario(live: FakeLive, address: str, outside: str, invitation: Invitation) -> None:
        for path in ("/", "/coach", "/athlete", "/report"):
            status, headers, _ = await fetch(outside, path)
            assert (status, headers["location"]) == (303, "/pair")
        status, _, body = await fetch(outside, "/pair")
        assert status == 200
        assert b"Join the session" in body
        for cookie in ({}, {"Cookie": f"{access.name_cookie(urlsplit(outside).port or 0)}=guess"}):
            with pytest.raises(InvalidStatus):
                await join(outside, additional_headers=cookie)
        status, _, told = await pair(outside, "AAAA-AAAA")
        assert status == 403
        assert "wrong" in told["what"]

    shared(scenario)


def test_the_athletes_device_sees_rates_and_stops_and_nothing_else(shared: Any) -> None:
    async def scenario(live: FakeLive, address: str, outside: str, invitation: Invitation) -> None:
        assert invitation.url == f"{outside}pair#{invitation.code}"
        status, cookie, told = await pair(outside, invitation.code)
        assert (status, told) == (200, {"place": "/athlete"})
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        token = {"Cookie": cookie.split(";")[0]}
        assert (await fetch(outside, "/athlete", token))[0] == 200
        for path in ("/", "/coach", "/report"):
            status, headers, _ = await fetch(outside, path, token)
            assert (status, headers["location"]) == (303, "/athlete")
        async with join(outside, additional_headers=token) as page:
            assert json.loads(await page.recv()) == {"you": {"role": "athlete", "shared": True, "review": False}}
            for command in ({"do": "zero"}, {"do": "finish"}, {"do": "invite", "role": "coach"}, {"do": "revoke"}):
                await page.send(json.dumps(command))
                reply = await next_reply(page)
                assert reply["what"] == f"{command['do']} is the coach's to do"
            assert live.commands == []
            await page.send('{"do": "rate", "value": 6}')
            assert (await next_reply(page))["ok"]
            await page.send('{"do": "stop"}')
            assert (await next_reply(page))["ok"]
            assert [by for _, by in live.commands] == ["athlete", "athlete"]
        assert (await pair(outside, invitation.code))[0] == 403  # once

    shared(scenario)


def test_a_second_coach_is_invited_and_sent_away(shared: Any) -> None:
    async def scenario(live: FakeLive, address: str, outside: str, invitation: Invitation) -> None:
        async with join(address) as own:
            await own.send('{"do": "invite", "role": "coach", "id": 9}')
            invited = await next_invitation(own, "coach")
            _, cookie, told = await pair(outside, invited["code"])
            assert told == {"place": "/coach"}
            token = {"Cookie": cookie.split(";")[0]}
            other = await join(outside, additional_headers=token)
            await other.send('{"do": "zero"}')
            assert (await next_reply(other))["ok"]
            await own.send('{"do": "revoke"}')
            assert (await next_reply(own))["ok"]
            with pytest.raises(ConnectionClosed):
                await drain(other)
            with pytest.raises(InvalidStatus):
                await join(outside, additional_headers=token)
            await own.send('{"do": "zero"}')
            assert (await next_reply(own))["ok"]  # this machine stays

    shared(scenario)


def test_claiming_to_be_this_machine_does_not_help(shared: Any) -> None:
    async def scenario(live: FakeLive, address: str, outside: str, invitation: Invitation) -> None:
        port = urlsplit(outside).port
        status, headers, _ = await fetch(outside, "/coach", {"Host": f"127.0.0.1:{port}"})
        assert (status, headers["location"]) == (303, "/pair")

    shared(scenario)


def test_a_code_sent_from_another_site_is_refused(shared: Any) -> None:
    async def scenario(live: FakeLive, address: str, outside: str, invitation: Invitation) -> None:
        import http.client

        def post(origin: dict[str, str], body: str) -> int:
            connection = http.client.HTTPConnection(OUTSIDE, urlsplit(outside).port, timeout=60)
            connection.request("POST", "/pair", body, origin)
            status = connection.getresponse().status
            connection.close()
            return status

        assert await asyncio.to_thread(post, {"Origin": "http://elsewhere.example"}, invitation.code) == 403
        assert await asyncio.to_thread(post, {}, invitation.code) == 403
        assert await asyncio.to_thread(post, {"Origin": outside.rstrip("/")}, "x" * 1000) == 413
        assert (await pair(outside, invitation.code))[0] == 200  # none of these used the code up

    shared(scenario)


def test_without_sharing_there_is_no_pairing_and_no_other_address() -> None:
    async def run() -> None:
        async with open_page(FakeLive(), port=0) as address:
            assert (await fetch(address, "/pair"))[0] == 404
            with pytest.raises(OSError, match=r"refused|Connect call failed"):
                await asyncio.open_connection(OUTSIDE, urlsplit(address).port)

    asyncio.run(run())


def test_a_machine_on_no_network_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sharing, "is_loopback", lambda host: True)
    with pytest.raises(SessionError, match="on no network"):
        sharing.find_network_address()


def test_a_phone_joins_two_programs_on_one_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    """One set of cookies serves all ports of an address (RFC 6265, section 8.5)."""
    pretend_network(monkeypatch)

    async def both() -> None:
        jar: dict[str, str] = {}
        first: list[Invitation] = []
        second: list[Invitation] = []
        async with (
            open_page(FakeLive(), port=0, share=first.extend) as here,
            open_page(FakeLive(), port=0, share=second.extend) as there,
        ):
            places = [f"http://{OUTSIDE}:{urlsplit(address).port}/" for address in (here, there)]
            for place, invitation in zip(places, (first[0], second[0]), strict=True):
                _, cookie, _ = await pair(place, invitation.code)
                name, _, value = cookie.partition(";")[0].partition("=")
                jar[name] = value
            told = {"Cookie": "; ".join(f"{name}={value}" for name, value in jar.items())}
            for place in places:
                assert (await fetch(place, "/athlete", told))[0] == 200

    asyncio.run(both())


def test_an_address_is_free_again_when_there_is_no_network_to_share_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def find_none() -> str:
        raise SessionError("no network", "join one")

    monkeypatch.setattr(server, "find_network_address", find_none)
    bound: list[Any] = []
    monkeypatch.setattr(server, "bind", lambda host, port: bound.append(bind(host, port)) or bound[-1])

    async def share() -> None:
        async with open_page(FakeLive(), port=0, share=print):
            raise AssertionError("shared without a network")

    with pytest.raises(SessionError, match="no network"):
        asyncio.run(share())
    assert [sock.fileno() for sock in bound] == [-1]  # closed
