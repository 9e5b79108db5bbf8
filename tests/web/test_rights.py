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
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from starlette.background import BackgroundTask
from starlette.responses import FileResponse
from starlette.routing import Route
from websockets.exceptions import ConnectionClosed, InvalidStatus

from biofeedback.account.commands import COMMANDS
from biofeedback.errors import RecordingError, SessionError
from biofeedback.web import access_control, accounts, connection_limits, recording_actions, review
from biofeedback.web.access import Access
from biofeedback.web.connection_limits import PAGES, PagePlaces
from biofeedback.web.pairing import COACH, EVENING_S, MAX_TRIES, Pairing, Right
from biofeedback.web.seats import Seat
from biofeedback.web.server import Site, open_page
from biofeedback.web.sharing import Sharing
from biofeedback.web.slots import MAX_REPLIES
from biofeedback.wiring.group import MAX_ATHLETES

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
        shared.request_invitation(COACH, by=1)
    for number in (2, None):
        with pytest.raises(SessionError, match="at the computer that records"):
            shared.request_revocation(number, by=1)
    shared.request_revocation(3, by=1)
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


def test_every_page_that_may_be_open_finds_connections_and_the_program_its_files() -> None:
    """A page holds one connection, and while it comes up at least one more."""
    pages = {who: of_all * (MAX_ATHLETES if who == "athlete" else 1) for who, (of_all, _) in PAGES.items()}
    assert 2 * (pages["coach"] + pages["athlete"]) <= connection_limits.MAX_KNOWN
    assert 2 * pages["here"] <= connection_limits.MAX_PER_DEVICE
    assert 2 * max(of_one for who, (_, of_one) in PAGES.items() if who != "here") <= connection_limits.MAX_PER_KNOWN
    assert connection_limits.MAX_CONNECTIONS <= 1024 // 2  # what systems commonly let a program open


# ---- the matrix over a real server ----

# s stranger, a athlete's phone, c coach's device, h this machine. A new route or command fails here until it is placed.

PLACED_ROUTES = {
    "GET /": "ch",
    "GET /coach": "ch",
    "GET /athlete": "ach",
    "GET /group": "ch",
    "GET /report": "ch",
    "GET /pair": "sach",
    "POST /pair": "sach",
    "GET /static/{name:path}": "sach",
    "GET /review": "ch",
    "GET /review/list": "ch",
    "GET /review/about": "ch",
    "GET /review/answer": "ch",
    "GET /review/trace": "ch",
    "GET /review/files-to-delete": "ch",
    "GET /review/report": "ch",
    "GET /review/history": "ch",
    "GET /review/export": "ch",
    "POST /review/rename": "h",  # on a coach's device after a yes here: test_asking.py
    "POST /review/delete": "h",
    "GET /review/bring": "h",
    "POST /review/bring/file": "h",
    "POST /review/bring/look": "h",
    "POST /review/bring/draw": "h",
    "POST /review/bring/take": "h",
    "GET /start": "ch",
    "POST /start/new": "h",
    "GET /start/{late}": "ch",
    "POST /start/{late}": "ch",
}
PLACED_BEFORE = {  # while there is no session: nobody else can connect
    "/", "/coach", "/athlete", "/group", "/report", "/pair", "/static/{name:path}", "/start", "/start/about",
    "/start/ports", "/start/ask", "/start/radios", "/start/write", "/start/which", "/start/hear", "/start/keep",
    "/start/check", "/start/begin", "/start/athletes", "/start/programme", "/start/keep-programme",
    "/start/trial", "/start/draw-trial", "/start/seat", "/start/begin-group", "/review",
    "/review/list", "/review/about", "/review/answer", "/review/trace", "/review/files-to-delete", "/review/report",
    "/review/history", "/review/export", "/review/rename", "/review/delete", "/review/bring", "/review/bring/file",
    "/review/bring/look", "/review/bring/draw", "/review/bring/take",
}  # fmt: skip
SAMPLES = {"{name:path}": "live/live.js", "{late}": "begin"}
ATHLETES = {
    "attempt_felt", "expect", "aftermath", "range", "rate", "effort", "stop", "explain_stop", "zero_position",
    "take_back", "phone_angle", "phone_hidden", "phone_data", "ping",
}  # fmt: skip
COACHES = {
    "accept_cautions", "zero", "screening", "practice", "attempt", "way", "reject_attempt", "accept_maximum",
    "typed_maximum", "revise_maximum", "guide", "device", "keep_rate", "start_plan", "choose_band", "end_phase",
    "extend_phase",
    "correct", "position", "limit", "take_up", "resume", "finish", "note", "covariates", "feedback", "scale_load",
    "scale_undo", "scale_creep", "scale_finish", "scale_check", "open_plan", "check_plan", "save_plan",
    "save_exercise", "invite", "trust_numbers",
}  # fmt: skip
HERE_ONLY = {"revoke", "allow"}  # revoke: of all; on a coach's device after a yes here: test_asking.py
VALUES = {
    "a number": 1,
    "a whole number from 0": 0,
    "a text": "athlete",
    "yes or no": True,
    "an object": {},
    "rows of numbers": [],
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
        str(parts.hostname), parts.port, timeout=60, source_address=(of, 0) if of else None
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
            await asyncio.wait_for(scenario(people, live), 120)

    asyncio.run(run())


def list_routes(site: Site) -> set[str]:
    """``METHOD /path`` of each."""
    routes = [route for route in site.routes() if isinstance(route, Route)]
    assert len(routes) == len(site.routes())
    return {f"{method} {route.path}" for route in routes for method in (route.methods or ()) if method != "HEAD"}


class NoStart:
    """A start page of which only the routes count."""

    def __getattr__(self, name: str) -> Callable[..., Any]:
        return lambda *_: {}


def test_every_route_is_placed(folder: Path) -> None:  # noqa: F811
    assert list_routes(Site([Seat(FakeLive())], review=make_review(folder))) == set(PLACED_ROUTES)
    before = Site([], review=make_review(folder), start=(NoStart(), lambda: None))
    assert {route.partition(" ")[2] for route in list_routes(before)} == PLACED_BEFORE


def test_before_there_is_a_session_only_this_machine_can_connect(network: None, folder: Path) -> None:  # noqa: F811
    async def run() -> None:
        async with open_page(None, port=0, review=make_review(folder), start=(NoStart(), lambda: None)) as here:
            assert await asyncio.to_thread(lambda: request(here, "/start/about")[0]) == 200
            with pytest.raises(ConnectionRefusedError):
                await asyncio.to_thread(request, f"http://{OUTSIDE}:{urlsplit(here).port}/", "/start/about")

    asyncio.run(run())


def test_every_route_is_open_to_whom_it_is_for(network: None, folder: Path) -> None:  # noqa: F811
    name = next(path.name for path in folder.iterdir() if path.suffix == ".hold")
    before = sorted(path.name for path in folder.iterdir())
    query = f"?name={name}&to=csv&athlete=A01&columns=5&from=0&to_s=1"

    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        for route, allowed in PLACED_ROUTES.items():
            method, _, path = route.partition(" ")
            for placeholder, sample in SAMPLES.items():
                path = path.replace(placeholder, sample)
            for who, (address, headers) in people.items():
                body = json.dumps({"name": name, "code": "not its code", "files": []}) if method == "POST" else ""
                own = headers | ({"Origin": address.rstrip("/")} if body else {})
                asked = path + query if path.startswith("/review/") and not body else path
                status, leads, told = await asyncio.to_thread(
                    request, address, asked, method=method, body=body, headers=own
                )
                is_refused = status == 303 and leads in ("/pair", "/athlete")
                is_refused |= told.startswith((b"Refused", b"Not from here")) or (
                    status == 404 and b"computer that records" in told
                )
                assert is_refused == (who not in allowed), (route, who, status, leads, told[:100])

    over_all(scenario, folder)
    assert before == sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


def test_a_device_gets_one_export_at_a_time_and_none_too_large(
    network: None,
    monkeypatch: pytest.MonkeyPatch,
    folder: Path,  # noqa: F811
) -> None:
    name = next(path.name for path in folder.iterdir() if path.suffix == ".hold")
    wanted = f"/review/export?name={name}&to=numpy"
    may_go_on, is_making = threading.Event(), threading.Event()
    make = review.send_export

    def make_slowly(*args: Any, **more: Any) -> Any:
        is_making.set()
        assert may_go_on.wait(60)
        return make(*args, **more)

    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        def ask(who: str) -> tuple[int, bytes]:
            address, headers = people[who]
            status, _, told = request(address, wanted, headers=headers)
            return status, told

        monkeypatch.setattr(review, "send_export", make_slowly)
        first = asyncio.create_task(asyncio.to_thread(ask, "c"))
        await asyncio.to_thread(is_making.wait, 60)
        status, told = await asyncio.to_thread(ask, "c")
        assert status == 404
        assert b"an export to this device is under way; wait until it has come" in told
        may_go_on.set()
        assert (await first)[0] == 200
        assert (await asyncio.to_thread(ask, "c"))[0] == 200  # and the next one
        monkeypatch.setattr(recording_actions, "MAX_SENT_BYTES", 1000)
        status, told = await asyncio.to_thread(ask, "c")
        assert status == 404
        assert b"export it at the computer that records: biofeedback export" in told
        assert (await asyncio.to_thread(ask, "h"))[0] == 200

    over_all(scenario, folder)


def test_an_export_that_nobody_fetches_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_actions, "SENT_S", 0.05)
    exports, cleaned = recording_actions.SentExports(), []
    (tmp_path / "a.csv").write_bytes(bytes(1000))
    made = FileResponse(tmp_path / "a.csv", background=BackgroundTask(cleaned.append, 1))

    async def never(*_message: Any) -> Any:
        await asyncio.Event().wait()

    async def run() -> None:
        with contextlib.ExitStack() as held:
            held.enter_context(exports.hold(1))
            sent = recording_actions.SentExport(made, held.pop_all())
        with pytest.raises(RecordingError, match="under way"), exports.hold(1):
            pass
        await sent({"type": "http", "method": "GET", "headers": []}, never, never)
        with exports.hold(1):
            assert cleaned == [1]

    asyncio.run(run())


def test_every_command_is_placed() -> None:
    assert set(COMMANDS) == ATHLETES | COACHES | HERE_ONLY
    assert len(ATHLETES) + len(COACHES) + len(HERE_ONLY) == len(COMMANDS)
    assert {name for name, command in COMMANDS.items() if command.by == "athlete"} == ATHLETES


def make_message(name: str) -> dict[str, Any]:
    """A command with all that it needs."""
    return {"do": name, "id": 1} | {
        key: VALUES[kind.name.removesuffix(" or nothing")] for key, kind in COMMANDS[name].needs.items()
    }


def test_every_command_is_carried_out_for_whom_it_is_for(network: None, folder: Path) -> None:  # noqa: F811
    async def scenario(people: dict[str, tuple[str, dict[str, str]]], live: FakeLive) -> None:
        with pytest.raises(InvalidStatus):
            await join(people["s"][0])
        for who in ("a", "c", "h"):
            address, headers = people[who]
            allowed = {"a": ATHLETES, "c": ATHLETES | COACHES, "h": set(COMMANDS)}[who]
            names = [name for name in COMMANDS if (who, name) != ("h", "revoke")]  # below: it sends the others away
            live.commands.clear()
            refused = set()
            async with join(address, additional_headers=headers) as page:
                for first in range(0, len(names), MAX_REPLIES // 2):
                    waiting = dict(enumerate(names[first : first + MAX_REPLIES // 2], first))
                    for number, name in waiting.items():
                        await page.send(json.dumps(make_message(name) | {"id": number}))
                    while waiting:
                        reply = await next_reply(page)
                        name = waiting.pop(reply["id"], "")
                        told = "" if reply["ok"] else reply["what"]
                        if name and ("the coach's to do" in told or "computer that records" in told):
                            refused.add(name)
            assert refused == set(names) - allowed, who
            sessions = {name for name in names if COMMANDS[name].place != "server"}
            assert {message["do"] for message, _ in live.commands} == sessions & allowed, who
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


def test_a_page_that_reconnects_all_evening_takes_one_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection_limits, "MAX_PER_DEVICE", 4)

    async def scenario(live: FakeLive, address: str) -> None:
        for _ in range(12):
            async with join(address) as page:
                assert await page.recv()

    serve_fake(scenario)


def test_a_page_is_heard_at_a_hands_pace_in_the_long_run() -> None:
    now = [0.0]
    pace = connection_limits.MessagePace(lambda: now[0])
    assert [pace.take() for _ in range(120)] == [0.0] * 120
    for _ in range(1000):  # a flood, each message heard after its wait
        now[0] += pace.take()
    assert now[0] == pytest.approx(1000 / 60, rel=0.05)
    now[0] += 10.0
    assert pace.take() == 0.0


def test_a_page_that_talks_without_end_keeps_nobody_else_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection_limits, "MESSAGES_AT_ONCE", 5)
    monkeypatch.setattr(connection_limits, "MESSAGES_PER_S", 0.01)

    async def scenario(live: FakeLive, address: str) -> None:
        async with join(address) as flood, join(address) as coach:
            for _ in range(500):
                await flood.send('{"do": "note", "text": "flood"}')
            await coach.send('{"do": "note", "text": "mine", "id": 1}')
            assert (await next_reply(coach))["ok"]
            assert [message["text"] for message, _ in live.commands].count("flood") == 5

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


def test_a_long_body_that_stands_still_is_not_held(monkeypatch: pytest.MonkeyPatch, network: None) -> None:
    monkeypatch.setattr(access_control, "BODY_S", 0.3)
    monkeypatch.setattr(access_control, "MAX_BODY_PARTS", 1)

    async def scenario(live: FakeLive, address: str) -> None:
        for host, told in ((OUTSIDE, b"HTTP/1.1 413"), (str(urlsplit(address).hostname), b"")):
            netloc = f"{host}:{urlsplit(address).port}"
            reader, writer = await asyncio.open_connection(host, urlsplit(address).port)
            head = f"POST /pair HTTP/1.1\r\nHost: {netloc}\r\nOrigin: http://{netloc}\r\n"
            writer.write(f"{head}Transfer-Encoding: chunked\r\n\r\n1\r\nA\r\n".encode())
            answer = await asyncio.wait_for(reader.read(), 60)  # ends: the connection is closed
            assert answer.startswith(told), answer
            writer.close()

    serve_fake(scenario, share=lambda invitations: None)


def test_a_body_that_a_plain_request_promises_is_not_held(monkeypatch: pytest.MonkeyPatch, network: None) -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        parts = urlsplit(address)
        reader, writer = await asyncio.open_connection(parts.hostname, parts.port)
        writer.write(f"GET /pair HTTP/1.1\r\nHost: {parts.netloc}\r\nContent-Length: 9\r\n\r\nAB".encode())
        assert (await asyncio.wait_for(reader.read(), 60)).startswith(b"HTTP/1.1 200")
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
        "connection = http.client.HTTPConnection(sys.argv[1], timeout=60)\n"
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
    access = Access.for_addresses(["192.0.2.9"], 8765, pairing)
    scope = {
        "type": "http",
        "server": ("192.0.2.9", 8765),
        "client": ("192.0.2.1", 5),
        "headers": [(b"cookie", f"biofeedback-pair-8765={token}".encode())],
    }
    access = Access(access.hosts, pairing, lambda: now[0])
    assert access.find_right(scope) == COACH
    now[0] = EVENING_S + 2.0
    assert access.find_right(scope) is None
