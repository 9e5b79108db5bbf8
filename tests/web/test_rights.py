"""Who may do what, from where: a stranger, an athlete's phone, a coach's device, whoever sits at this machine."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import logging
import os
import socket
import subprocess
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus

from biofeedback.errors import SessionError
from biofeedback.web import access_control, accounts, connection_limits
from biofeedback.web.access import Access
from biofeedback.web.connection_limits import PAGES, PagePlaces
from biofeedback.web.pairing import COACH, EVENING_S, MAX_TRIES, Pairing, Right
from biofeedback.web.server import open_page
from biofeedback.web.sharing import Sharing

from .fake_live import FakeLive
from .test_review import folder, make_review  # noqa: F401
from .test_server import drain, fetch, join, next_reply, serve_fake
from .test_sharing import OUTSIDE, pair, pretend_network

ATHLETE = Right("athlete", 1)
ANOTHER = "127.0.0.3"  # another device on the same network


# ---- what a right is bound to ----


def test_a_right_is_good_at_its_own_address_only_and_ends_with_the_evening() -> None:
    pairing = Pairing()
    token, _ = pairing.join(pairing.invite(COACH, 0.0).code, 0.0, address="192.0.2.1")
    assert pairing.find_device(token, "192.0.2.1", 1.0)
    assert pairing.find_device(token, "192.0.2.2", 1.0) is None
    assert pairing.find_device(token, "192.0.2.1", EVENING_S + 1) is None


def test_who_invited_whom_is_known_and_revoking_takes_the_children_too() -> None:
    pairing = Pairing()
    tokens = [pairing.join(pairing.invite(COACH, 0.0).code, 0.0)[0]]
    for inviter in (1, 2, 0):
        tokens.append(pairing.join(pairing.invite(ATHLETE, 0.0, inviter=inviter).code, 0.0)[0])
    assert [device.inviter for device in pairing.devices()] == [0, 1, 2, 0]
    pairing.invite(ATHLETE, 0.0, inviter=3)
    pairing.revoke(1)
    assert [pairing.find_device(token) is not None for token in tokens] == [False, False, False, True]
    assert pairing.open_codes(0.0) == []


def test_a_strangers_guesses_keep_nobody_else_out() -> None:
    pairing = Pairing()
    code = pairing.invite(ATHLETE, 0.0).code
    for k in range(MAX_TRIES):
        with pytest.raises(SessionError, match="wrong"):
            pairing.join("AAAAAAAA", k * 0.1, address="192.0.2.66")
    with pytest.raises(SessionError, match="too many"):
        pairing.join(code, 2.0, address="192.0.2.66")
    assert pairing.join(code, 2.0, address="192.0.2.1")[1] == ATHLETE


def test_guesses_from_ever_new_addresses_are_slowed_down_and_fill_no_memory() -> None:
    pairing = Pairing()
    refused = 0
    for k in range(5000):
        try:
            pairing.join("AAAAAAAA", k * 0.001, address=f"192.0.{k // 256}.{k % 256}")
        except SessionError as error:
            refused += "too many" in str(error)
    assert refused > 4900
    assert len(pairing._tries_s) <= 65


def sharing_with(*rights: Right) -> Sharing:
    shared = Sharing("http://192.0.2.9:8765", ["A01", "A02"], clock=lambda: 0.0)
    for right in rights:
        shared.pairing.join(shared.pairing.invite(right, 0.0).code, 0.0)
    return shared


def test_only_this_machine_invites_a_coach_or_sends_one_away() -> None:
    shared = sharing_with(COACH, COACH, ATHLETE)
    with pytest.raises(SessionError, match="at the computer that records"):
        shared.invite(COACH, by=1)
    for number in (2, None):
        with pytest.raises(SessionError, match="at the computer that records"):
            shared.revoke(number, by=1)
    shared.revoke(3, by=1)
    assert shared.invite(ATHLETE, by=1).role == "athlete"
    assert shared.invite(COACH).role == "coach"
    assert [device["inviter"] for device in shared.describe()["devices"]] == [0, 0]
    shared.revoke(2)
    shared.revoke()
    assert shared.describe()["devices"] == []


def test_places_are_kept_for_this_machine_the_coach_and_each_seat() -> None:
    places = PagePlaces()
    held = []

    def take(right: Right, device: int) -> bool:
        place = places.take(right, device)
        held.append(place)
        return place.__enter__()

    assert [take(ATHLETE, 1) for _ in range(31)].count(True) == PAGES["athlete"][1] == 3
    assert [take(ATHLETE, 2) for _ in range(4)].count(True) == 3
    assert not take(ATHLETE, 3)  # the seat's places are all taken
    assert take(Right("athlete", 2), 4)
    assert take(COACH, 5)
    assert [take(COACH, 0) for _ in range(40)].count(True) == PAGES["here"][0]
    held[0].__exit__(None, None, None)
    assert take(ATHLETE, 3)


# ---- the matrix over a real server ----

PAGES_OF = {  # what may be opened: s stranger, a athlete's phone, c coach's device, h this machine
    "/": "ch",
    "/coach": "ch",
    "/athlete": "ach",
    "/group": "ch",
    "/report": "ch",
    "/pair": "sach",
    "/static/live/live.js": "sach",
    "/start": "ch",
    "/review": "ch",
    "/review/list": "ch",
    "/review/about?name=A01-1.hold": "ch",
    "/review/files-to-delete?name=A01-1.hold": "ch",
    "/review/export?name=A01-1.hold&to=csv": "ch",
}
ORDERS = {"/review/rename": "h", "/review/delete": "h", "/start/new": "h"}
COMMANDS = {
    '{"do": "ping", "id": 1}': "ach",
    '{"do": "stop", "id": 1}': "ach",
    '{"do": "zero", "id": 1}': "ch",
    '{"do": "invite", "role": "athlete", "id": 1}': "ch",
    '{"do": "invite", "role": "coach", "id": 1}': "h",
    '{"do": "revoke", "id": 1}': "h",
}


@pytest.fixture
def network(monkeypatch: pytest.MonkeyPatch) -> None:
    pretend_network(monkeypatch)
    monkeypatch.setattr(connection_limits, "is_loopback", lambda host: host == "127.0.0.1")


def request(
    address: str, path: str, *, method: str = "GET", body: str = "", headers: dict[str, str] | None = None, of: str = ""
) -> tuple[int, str, bytes]:
    """Status, where it leads, and content; ``of`` is the address that asks."""
    parts = urlsplit(address)
    connection = http.client.HTTPConnection(
        str(parts.hostname), parts.port, timeout=5, source_address=(of, 0) if of else None
    )
    connection.request(method, path, body or None, {"Host": parts.netloc} | (headers or {}))
    response = connection.getresponse()
    told = response.status, response.getheader("location") or "", response.read()
    connection.close()
    return told


def over_all(
    scenario: Callable[[dict[str, tuple[str, dict[str, str]]], FakeLive], Awaitable[None]], where: Path
) -> None:
    """Run it with the address and the cookie of each of the four."""

    async def run() -> None:
        live, invitations = FakeLive(), []
        renewed: list[int] = []
        async with open_page(
            live,
            port=0,
            share=invitations.extend,
            review=make_review(where),
            report=lambda: "<p>",
            renew=lambda: renewed.append(1),
        ) as here:
            outside = f"http://{OUTSIDE}:{urlsplit(here).port}/"
            people: dict[str, tuple[str, dict[str, str]]] = {"s": (outside, {}), "h": (here, {})}
            async with join(here) as page:
                await page.send('{"do": "invite", "role": "coach", "id": 1}')
                while True:
                    told = await page.recv()
                    if isinstance(told, str) and '"role": "coach"' in told and '"code": "' in told:
                        found = json.loads(told)["reply"]["data"]["sharing"]["invitations"]
                        code = next(one["code"] for one in found if one["role"] == "coach")
                        break
            for who, typed in (("a", invitations[0].code), ("c", code)):
                status, cookie, _ = await pair(outside, typed)
                assert status == 200
                people[who] = outside, {"Cookie": cookie.split(";")[0]}
            await asyncio.wait_for(scenario(people, live), 30)

    asyncio.run(run())


def test_every_page_is_open_to_whom_it_is_for(network: None, folder: Path) -> None:  # noqa: F811
    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        name = next(path.name for path in folder.iterdir() if path.suffix == ".hold")
        for path, allowed in PAGES_OF.items():
            for who, (address, headers) in people.items():
                asked = path.replace("A01-1.hold", name)
                status, leads, _ = await asyncio.to_thread(request, address, asked, headers=headers)
                is_open = status != 403 and leads not in ("/pair", "/athlete")
                assert is_open == (who in allowed), (path, who, status, leads)

    over_all(scenario, folder)


def test_every_order_is_carried_out_for_whom_it_is_for(network: None, folder: Path) -> None:  # noqa: F811
    name = next(path.name for path in folder.iterdir() if path.suffix == ".hold")
    before = sorted(path.name for path in folder.iterdir())

    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        for path, allowed in ORDERS.items():
            for who, (address, headers) in people.items():
                body = json.dumps({"name": name, "code": "not its code", "files": []})
                own = headers | {"Origin": address.rstrip("/")}
                status, _, told = await asyncio.to_thread(request, address, path, method="POST", body=body, headers=own)
                refused = status in (303, 403) or b"computer that records" in told
                assert refused == (who not in allowed), (path, who, status, told)

    over_all(scenario, folder)
    assert before == sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


def test_every_command_is_carried_out_for_whom_it_is_for(network: None, folder: Path) -> None:  # noqa: F811
    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        for command, allowed in COMMANDS.items():
            for who, (address, headers) in people.items():
                if who == "h" and '"revoke"' in command:
                    continue  # last of all, below: it sends the others away
                if who == "s":
                    with pytest.raises(InvalidStatus):
                        await join(address)
                    continue
                async with join(address, additional_headers=headers) as page:
                    await page.send(command)
                    reply = await next_reply(page)
                    while reply["id"] != 1:
                        reply = await next_reply(page)
                    refused = not reply["ok"] and ("coach" in reply["what"])
                    assert refused == (who not in allowed), (command, who, reply)
        async with join(people["h"][0]) as page, join(people["c"][0], additional_headers=people["c"][1]) as coach:
            await page.send('{"do": "revoke", "id": 2}')
            with pytest.raises(ConnectionClosed):
                await drain(coach)

    over_all(scenario, folder)


def test_a_coachs_cookie_is_worth_nothing_elsewhere(network: None, folder: Path) -> None:  # noqa: F811
    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        address, headers = people["c"]
        for path in ("/coach", "/review/list", "/report"):
            assert (await asyncio.to_thread(request, address, path, headers=headers, of="127.0.0.1"))[0] == 200
            told = await asyncio.to_thread(request, address, path, headers=headers, of=ANOTHER)
            assert told[:2] == (303, "/pair")

    over_all(scenario, folder)


def test_an_athletes_phone_with_31_pages_keeps_no_coach_out(network: None, folder: Path) -> None:  # noqa: F811
    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        address, headers = people["a"]
        pages = []
        for _ in range(31):
            page = join(address, additional_headers=headers)
            try:
                pages.append(await page)
            except InvalidStatus:
                continue
        assert len(pages) == 3
        for who in ("h", "c"):
            async with join(people[who][0], additional_headers=people[who][1]) as page:
                assert await page.recv()
        for page in pages:
            await page.close()

    over_all(scenario, folder)


def test_nothing_secret_or_of_a_person_is_in_the_log(
    network: None,
    folder: Path,  # noqa: F811
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    seen: list[str] = []

    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        for address, headers in people.values():
            seen.extend(value.partition("=")[2] for value in headers.values())
            await asyncio.to_thread(request, address, "/nowhere/A01", headers=headers)
        status, _, _ = await pair(people["s"][0], "WRNG-CDEX")
        assert status == 403
        seen.append("WRNG")
        await asyncio.to_thread(request, people["s"][0], "/coach", headers={"Cookie": "biofeedback-pair-1=mysecret"})
        seen.append("mysecret")

    over_all(scenario, folder)
    assert len(seen) == 4
    for secret in (*seen, "A01"):
        assert secret not in caplog.text


# ---- other sites, slow and half requests, other accounts ----


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [
        ("/report", {}, 404),
        ("/report", {"Sec-Fetch-Site": "same-origin"}, 404),
        ("/report", {"Sec-Fetch-Site": "none"}, 404),
        ("/report", {"Sec-Fetch-Site": "cross-site"}, 403),
        ("/report", {"Sec-Fetch-Site": "same-site"}, 403),
        ("/static/live/live.js", {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}, 403),
        ("/", {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, 200),
        ("/", {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"}, 403),
        ("/report", {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, 403),
    ],
)
def test_what_another_site_asks_for_is_refused(path: str, headers: dict[str, str], status: int) -> None:
    """W3C Fetch Metadata Request Headers: what browsers send with every request."""

    async def scenario(live: FakeLive, address: str) -> None:
        assert (await fetch(address, path, headers))[0] == status

    serve_fake(scenario)


@pytest.mark.parametrize(
    "said", [b"", b"GET /", b"GET / HTTP/1.1\r\nHost: a\r\nX: "], ids=["nothing", "a word", "a half"]
)
def test_a_request_that_is_never_finished_is_not_held(
    monkeypatch: pytest.MonkeyPatch, said: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(connection_limits, "HEADER_S", 0.2)

    async def scenario(live: FakeLive, address: str) -> None:
        parts = urlsplit(address)
        reader, writer = await asyncio.open_connection(parts.hostname, parts.port)
        writer.write(said)
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""
        writer.close()
        assert (await fetch(address, "/"))[0] == 200

    serve_fake(scenario)
    assert "was not finished" in caplog.text


def test_a_second_request_that_is_never_finished_is_not_held_either(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection_limits, "HEADER_S", 0.2)

    async def scenario(live: FakeLive, address: str) -> None:
        parts = urlsplit(address)
        reader, writer = await asyncio.open_connection(parts.hostname, parts.port)
        writer.write(f"GET /report HTTP/1.1\r\nHost: {parts.netloc}\r\n\r\n".encode())
        assert (await reader.readline()).startswith(b"HTTP/1.1 404")
        writer.write(b"GET /rep")
        with contextlib.suppress(ConnectionResetError):
            await reader.read()
        writer.close()

    serve_fake(scenario)


def test_a_page_that_is_open_longer_than_that_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection_limits, "HEADER_S", 0.1)

    async def scenario(live: FakeLive, address: str) -> None:
        async with join(address) as page:
            await asyncio.sleep(0.4)
            await page.send('{"do": "zero", "id": 1}')
            assert (await next_reply(page))["ok"]

    serve_fake(scenario)


def test_a_body_that_does_not_come_is_not_waited_for(monkeypatch: pytest.MonkeyPatch, network: None) -> None:
    monkeypatch.setattr(access_control, "BODY_S", 0.2)

    async def scenario(live: FakeLive, address: str) -> None:
        parts = urlsplit(address)
        reader, writer = await asyncio.open_connection(parts.hostname, parts.port)
        head = f"POST /pair HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: {address.rstrip('/')}\r\n"
        writer.write(f"{head}Content-Length: 9\r\n\r\nAB".encode())
        assert (await reader.readline()).startswith(b"HTTP/1.1 408")
        writer.close()

    serve_fake(scenario, share=lambda invitations: None)


def test_the_account_of_a_connection_is_found() -> None:
    if sys.platform != "linux":
        pytest.skip("only Linux tells")
    with socket.create_server(("127.0.0.1", 0)) as listening:
        with socket.create_connection(listening.getsockname()) as client:
            ends = client.getsockname(), listening.getsockname()
            assert accounts.find_owner(*ends) == os.getuid()
            assert accounts._look_up(*ends) == os.getuid()  # the way of kernels that answer no questions
        assert accounts.find_owner(("127.0.0.1", 1), listening.getsockname()) == -1
    assert accounts.write_end(("::1", 80)) == (
        "00000000" * 3 + "01000000:0050" if sys.byteorder == "little" else "0" * 31 + "1:0050"
    )


def test_another_account_of_this_computer_is_not_the_coach() -> None:
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("becoming another account needs root")
    code = (
        "import os, sys, http.client, encodings.idna\n"
        "os.setuid(int(sys.argv[2]))\n"
        "connection = http.client.HTTPConnection(sys.argv[1], timeout=5)\n"
        "connection.request('GET', '/coach')\n"
        "print(connection.getresponse().status)\n"
    )

    async def scenario(live: FakeLive, address: str) -> None:
        def ask(account: int) -> str:
            command = [sys.executable, "-c", code, urlsplit(address).netloc, str(account)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            return done.stdout.strip() or done.stderr.splitlines()[-1]

        assert await asyncio.to_thread(ask, 0) == "200"
        told = await asyncio.to_thread(ask, 65534)
        assert "Remote" in told or "reset" in told, told

    serve_fake(scenario)


def test_access_knows_the_clock() -> None:
    pairing = Pairing()
    token, _ = pairing.join(pairing.invite(COACH, 0.0).code, 0.0, address="192.0.2.1")
    now = [1.0]
    door = Access.for_addresses(["192.0.2.9"], 8765, pairing)
    scope = {
        "type": "http",
        "server": ("192.0.2.9", 8765),
        "client": ("192.0.2.1", 5),
        "headers": [(b"cookie", f"biofeedback-pair-8765={token}".encode())],
    }
    door = Access(door.hosts, pairing, lambda: now[0])
    assert door.find_right(scope) == COACH
    now[0] = EVENING_S + 2.0
    assert door.find_right(scope) is None
