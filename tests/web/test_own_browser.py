"""The address that is opened carries a one-time key: another account of this computer does not become the coach."""

from __future__ import annotations

import asyncio
import http.client
import socket
import subprocess
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from websockets.exceptions import InvalidStatus

from biofeedback.web import accounts, own_browser
from biofeedback.web.own_browser import OwnBrowsers
from biofeedback.web.server import open_page
from biofeedback.wiring import browser

from .fake_live import FakeLive
from .test_review import make_review
from .test_server import join, next_reply

PATHS = ("/", "/coach", "/group", "/report", "/review", "/review/list", "/static/live/live.js", "/start", "/nowhere")


def ask(address: str, path: str, *, method: str = "GET", **headers: str) -> tuple[int, http.client.HTTPMessage]:
    """Status and headers, without following."""
    parts = urlsplit(address)
    connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=60)
    body = "{}" if method == "POST" else None
    origin = {"Origin": address.rstrip("/")} if method == "POST" else {}
    connection.request(method, path, body, {"Host": parts.netloc} | origin | headers)
    response = connection.getresponse()
    response.read()
    connection.close()
    return response.status, response.headers


def serve_own(
    own: OwnBrowsers, scenario: Callable[[str, Callable[..., Any]], Awaitable[None]], folder: Path | None = None
) -> None:
    async def run() -> None:
        review = make_review(folder) if folder else None
        async with open_page(FakeLive(), port=0, own=own, review=review) as address:

            async def get(path: str, **options: str) -> tuple[int, http.client.HTTPMessage]:
                return await asyncio.to_thread(lambda: ask(address, path, **options))

            await asyncio.wait_for(scenario(address, get), 120)

    asyncio.run(run())


def path_of(address: str) -> str:
    parts = urlsplit(address)
    return f"{parts.path}?{parts.query}"


def test_where_keys_are_needed_nothing_is_open_without_one(tmp_path: Path) -> None:
    own = OwnBrowsers(is_needed=True)

    async def scenario(address: str, get: Callable[..., Any]) -> None:
        for path in (*PATHS, "/?key=", "/?key=wrong", "/?Key=x"):
            status, told = await get(path)
            if status == 303:  # a key that is none leads to the place without it, and to no cookie
                assert "set-cookie" not in told
                status, _ = await get(told["location"])
            assert status == 403, path
        for path in ("/review/delete", "/review/rename", "/start/new", "/?" + urlsplit(own.add_key(address)).query):
            assert (await get(path, method="POST"))[0] == 403
        with pytest.raises(InvalidStatus):
            await join(address)

    serve_own(own, scenario, tmp_path)


def test_a_key_opens_the_page_once_and_for_one_browser(tmp_path: Path) -> None:
    own = OwnBrowsers(is_needed=True)

    async def scenario(address: str, get: Callable[..., Any]) -> None:
        first, second = (path_of(own.add_key(f"{address}coach")) for _ in range(2))
        status, told = await get(f"{first}&seat=2")
        assert (status, told["location"], told["referrer-policy"]) == (303, "/coach?seat=2", "no-referrer")
        cookie = told["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite" in cookie
        mine = {"Cookie": "other=1; " + cookie.partition(";")[0]}
        for path in ("/", "/coach", "/review/list", "/static/live/live.js"):
            assert (await get(path, **mine))[0] == 200
        async with join(address, additional_headers=mine) as page:
            await page.send('{"do": "zero", "id": 1}')
            assert (await next_reply(page))["ok"]
        status, told = await get(first)  # used up
        assert (status, told["location"], told.get("set-cookie")) == (303, "/coach", None)
        assert (await get("/coach"))[0] == 403
        assert (await get("/coach", **{"Cookie": mine["Cookie"] + "x"}))[0] == 403
        assert "set-cookie" in (await get(second))[1]

    serve_own(own, scenario, tmp_path)


def test_a_page_stays_open_when_the_next_server_of_the_program_takes_over() -> None:
    own, kept = OwnBrowsers(is_needed=True), {}

    async def enter(address: str, get: Callable[..., Any]) -> None:
        _, told = await get(path_of(own.add_key(address)))
        kept["port"], kept["value"] = urlsplit(address).port, told["set-cookie"].partition(";")[0].partition("=")[2]

    async def stay(address: str, get: Callable[..., Any]) -> None:
        cookie = f"biofeedback-here-{urlsplit(address).port}={kept['value']}"
        assert (await get("/", Cookie=cookie))[0] == 200

    serve_own(own, enter)
    serve_own(own, stay)


def test_where_the_system_tells_accounts_the_key_is_only_carried_along() -> None:
    own = OwnBrowsers(is_needed=False)

    async def scenario(address: str, get: Callable[..., Any]) -> None:
        assert (await get("/coach"))[0] == 200
        status, told = await get(path_of(own.add_key(f"{address}coach")))
        assert (status, told["location"]) == (303, "/coach")

    serve_own(own, scenario)


@pytest.mark.parametrize("path", ["//evil.test/", "/\\evil.test/", "/a\r\nSet-Cookie: b=c", "/%0d%0ax"])
def test_a_key_leads_nowhere_else(path: str) -> None:
    """OWASP ASVS 5.1.5 (from memory): redirects go to known places only."""
    own = OwnBrowsers(is_needed=True)
    scope = {"type": "http", "method": "GET", "path": path, "query_string": b"key=x", "headers": []}
    told = own.exchange(scope)
    assert told is not None
    place, cookie = told
    assert place.startswith("/")
    assert not place.startswith(("//", "/\\"))
    assert not {"\r", "\n", "\\"} & set(place)
    assert cookie == ""


def test_keys_and_browsers_are_bounded() -> None:
    own = OwnBrowsers(is_needed=True)
    for _ in range(200):
        own.add_key("http://127.0.0.1:1/")
    assert len(own._keys) == own_browser.MAX_OPEN


@pytest.mark.parametrize("platform", ["darwin", "win32"])
def test_a_system_that_tells_no_accounts_needs_the_key(monkeypatch: pytest.MonkeyPatch, platform: str) -> None:
    accounts.tells_accounts.cache_clear()
    monkeypatch.setattr(accounts.sys, "platform", platform)
    try:
        assert OwnBrowsers().is_needed
        assert accounts.is_own_account(("127.0.0.1", 1), ("127.0.0.1", 2))  # the key is what decides there
    finally:
        accounts.tells_accounts.cache_clear()


def test_a_kernel_that_does_not_answer_needs_the_key_too(monkeypatch: pytest.MonkeyPatch) -> None:
    accounts.tells_accounts.cache_clear()
    monkeypatch.setattr(accounts, "find_owner", lambda client, server: None)
    try:
        assert OwnBrowsers().is_needed
    finally:
        accounts.tells_accounts.cache_clear()


def test_a_connection_that_the_kernel_says_nothing_about_this_once_is_turned_away(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Out of open files, say: who brings that about must not enter by it."""
    monkeypatch.setattr(accounts, "tells_accounts", lambda: True)
    monkeypatch.setattr(accounts, "find_owner", lambda client, server: None)
    assert not accounts.is_own_account(("127.0.0.1", 1), ("127.0.0.1", 2))
    assert not accounts.is_own_account(None, ("127.0.0.1", 2))


@pytest.mark.parametrize("is_needed", [True, False])
def test_the_terminal_tells_another_address_once_one_is_used(
    capsys: pytest.CaptureFixture[str], is_needed: bool
) -> None:
    own = OwnBrowsers(is_needed=is_needed)
    page = browser.add_key(own, "http://127.0.0.1:8765/")
    scope = {"type": "http", "method": "GET", "path": "/", "server": ("127.0.0.1", 8765), "headers": []}
    told = own.exchange(scope | {"query_string": urlsplit(page).query.encode()})
    assert told is not None
    assert told[1]
    said = capsys.readouterr().out
    assert ("In another browser" in said) is is_needed
    assert urlsplit(page).query not in said


@pytest.mark.parametrize("command", ["review", "live"])
def test_every_address_that_the_program_opens_carries_a_key(tmp_path: Path, command: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    options = [str(tmp_path)] if command == "review" else ["--folder", str(tmp_path)]
    asked = [sys.executable, "-m", "biofeedback", command, *options, "--port", str(port), "--no-browser"]
    with subprocess.Popen(asked, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout
        line = ""
        while not line.startswith("Page: "):
            line = program.stdout.readline()
            assert line
        program.terminate()
    assert f":{port}/" in line
    assert len(line.split("?key=")[1].split()[0]) == 22  # 16 random bytes
