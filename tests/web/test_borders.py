"""Bounds of the page's server at their very border, with a clock moved by hand: how long, how many, how fast, who."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path
from typing import Any

import pytest

from biofeedback.errors import RecordingError, SessionError
from biofeedback.web import connection_limits as limits
from biofeedback.web.access import (
    Access,
    find_place,
    is_here,
    is_loopback,
    may_visit,
    name_cookie,
    read_address,
    read_cookie,
    read_port,
)
from biofeedback.web.bringing import _only_here
from biofeedback.web.connection_limits import MessagePace, PagePlaces, RefusalLog, exceeds_limit, make_protocol
from biofeedback.web.messages import MAX_MESSAGE_BYTES, read_message
from biofeedback.web.own_browser import OwnBrowsers
from biofeedback.web.pairing import ALPHABET, COACH, Pairing, Right, show_code
from biofeedback.web.recording_actions import SentExports, delete_recording, list_files_to_delete, read_order
from biofeedback.web.seats import find_seat

ATHLETE = Right("athlete", 1)
THERE = "192.168.1.20"


# -- codes and rights -------------------------------------------------------------------------------------------------


def test_a_code_is_good_for_ten_minutes_and_a_right_for_twelve_hours() -> None:
    for late_s, is_good in ((600.0, True), (600.1, False)):
        pairing = Pairing()
        code = pairing.invite(ATHLETE, 100.0).code
        assert (len(pairing.open_codes(100.0 + late_s)) == 1) == is_good
        if not is_good:
            with pytest.raises(SessionError, match="older than 10 minutes"):
                pairing.join(code, 100.0 + late_s)
            continue
        token, right = pairing.join(code, 100.0 + late_s, address=THERE)
        assert right == ATHLETE
        joined_s = 100.0 + late_s
        device = pairing.find_device(token, THERE, joined_s + 12 * 3600)
        assert device is not None
        assert pairing.is_joined(device, joined_s + 12 * 3600)
        assert not pairing.is_joined(device, joined_s + 12 * 3600 + 0.1)
        assert pairing.find_device(token, THERE, joined_s + 12 * 3600 + 0.1) is None
        assert pairing.find_device(token, "192.168.1.21", joined_s) is None
        assert pairing.find_device(token, None, joined_s) is device
        assert pairing.find_device("other", THERE, joined_s) is None


def test_the_newest_code_of_a_right_is_the_one_that_is_told_and_works() -> None:
    pairing = Pairing()
    first, second = (pairing.invite(Right("athlete", seat), 0.0) for seat in (1, 2))
    again = pairing.invite(ATHLETE, 5.0, inviter=3)
    assert (again.right, again.until_s, again.inviter) == (ATHLETE, 605.0, 3)
    assert pairing.open_codes(6.0) == [second, again]
    assert len(again.code) == 8
    assert set(again.code) <= set(ALPHABET)
    assert show_code("ABCDEFGH") == "ABCD-EFGH"
    with pytest.raises(SessionError):
        pairing.join(first.code, 6.0)
    assert pairing.join(f" {again.code[:4].lower()}-{again.code[4:]} ", 6.0)[1] == ATHLETE


@pytest.mark.parametrize(("after_s", "is_heard"), [(59.9, False), (60.0, True)])
def test_ten_codes_a_minute_may_be_tried_from_an_address(after_s: float, is_heard: bool) -> None:
    pairing = Pairing()
    code = pairing.invite(ATHLETE, 0.0).code
    for _ in range(10):
        with pytest.raises(SessionError, match="wrong, used"):
            pairing.join("WRONG", 0.0, address=THERE)
    if is_heard:
        pairing.join(code, after_s, address=THERE)
    else:
        with pytest.raises(SessionError, match="too many"):
            pairing.join(code, after_s, address=THERE)
    nine = Pairing()
    code = nine.invite(ATHLETE, 0.0).code
    for _ in range(9):
        with pytest.raises(SessionError, match="wrong, used"):
            nine.join("WRONG", 0.0, address=THERE)
    assert nine.join(code, 1.0, address=THERE)[1] == ATHLETE


def test_the_tries_of_sixty_four_addresses_are_counted_apart_and_the_rest_together() -> None:
    pairing = Pairing()
    code = pairing.invite(ATHLETE, 0.0).code
    for k in range(64):
        with pytest.raises(SessionError, match="wrong, used"):
            pairing.join("WRONG", 0.0, address=f"10.0.0.{k}")
    for k in range(10):
        with pytest.raises(SessionError, match="wrong, used"):
            pairing.join("WRONG", 1.0, address=f"10.0.1.{k}")
    with pytest.raises(SessionError, match="too many"):
        pairing.join(code, 2.0, address="10.0.2.1")
    assert pairing.join(code, 2.0, address="10.0.0.63")[1] == ATHLETE


def test_who_came_by_whom_is_known_over_several_steps() -> None:
    pairing = Pairing()

    def join(inviter: int) -> int:
        token, _ = pairing.join(pairing.invite(COACH, 0.0, inviter=inviter).code, 0.0)
        device = pairing.find_device(token)
        assert device is not None
        return device.number

    first = join(0)
    second, other = join(first), join(0)
    third = join(second)
    assert [first, second, other, third] == [1, 2, 3, 4]
    assert pairing.is_child(third, first)
    assert pairing.is_child(second, first)
    assert not pairing.is_child(first, first)
    assert not pairing.is_child(other, first)
    waiting = pairing.invite(ATHLETE, 0.0, inviter=third)
    kept = pairing.invite(Right("athlete", 2), 0.0, inviter=other)
    pairing.revoke(second)
    assert [device.number for device in pairing.devices()] == [first, other]
    assert waiting not in pairing.open_codes(0.0)
    assert pairing.open_codes(0.0) == [kept]
    with pytest.raises(SessionError, match="not joined any more"):
        pairing.revoke(second)
    pairing.revoke_all()
    assert pairing.devices() == pairing.open_codes(0.0) == []
    assert join(0) == 5, "a number is never used twice"


# -- connections ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "known", "most"), [("127.0.0.1", (), 96), (THERE, (THERE,), 48), (THERE, (), 16), ("", (), 16)]
)
def test_each_address_has_its_own_bound(address: str, known: tuple[str, ...], most: int) -> None:
    assert not exceeds_limit({address: most}, address, known)
    assert exceeds_limit({address: most + 1}, address, known)


def test_strangers_devices_and_this_machine_take_no_places_of_each_other() -> None:
    strangers = {f"10.0.0.{k}": 16 for k in range(4)}  # 64, all there are
    devices = {f"10.0.1.{k}": 48 for k in range(2)}  # 96
    known = tuple(devices)
    full = {**strangers, **devices, "127.0.0.1": 96}
    for newest in full:
        assert not exceeds_limit(full, newest, known)
    assert exceeds_limit({**full, "10.0.0.9": 1}, "10.0.0.9", known)
    assert exceeds_limit({**full, "10.0.1.9": 1}, "10.0.1.9", (*known, "10.0.1.9"))
    assert not exceeds_limit({**full, "::1": 1}, "::1", known)
    assert limits.MAX_CONNECTIONS == 96 + 96 + 64


@pytest.mark.parametrize(
    ("right", "device", "most_of_one", "most"),
    [(COACH, 0, 32, 32), (COACH, 5, 12, 24), (ATHLETE, 6, 3, 6), (Right("athlete", 2), 7, 3, 6)],
)
def test_pages_have_so_many_places_of_a_device_and_of_all(
    right: Right, device: int, most_of_one: int, most: int
) -> None:
    places = PagePlaces()
    held = []

    def take(number: int, whose: Right = right) -> bool:
        manager = places.take(whose, number)
        got = manager.__enter__()
        held.append(manager)
        return got

    assert [take(device) for _ in range(most_of_one + 1)] == [True] * most_of_one + [False]
    if device:
        assert [take(device + 1) for _ in range(most - most_of_one)] == [True] * (most - most_of_one)
        assert not take(device + 2), "the group has no more"
        assert take(0, COACH), "this machine has its own"
        if right.role == "athlete":
            assert take(20, Right("athlete", 9)), "so has another seat"
    for manager in held:
        manager.__exit__(None, None, None)
    assert take(device), "places come free again, also those that were refused"


class Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_a_page_may_say_120_at_once_and_sixty_a_second() -> None:
    clock = Clock()
    pace = MessagePace(clock)
    assert [pace.take() for _ in range(120)] == [0.0] * 120
    assert pace.take() == pytest.approx(1 / 60)
    assert pace.take() == pytest.approx(2 / 60)
    clock.now_s += 0.5  # thirty more
    assert [pace.take() for _ in range(28)] == [0.0] * 28
    assert pace.take() == pytest.approx(1 / 60)
    clock.now_s += 3600.0
    assert [pace.take() for _ in range(120)] == [0.0] * 120
    assert pace.take() > 0


def test_a_refusal_is_told_once_a_minute_and_twenty_of_them(caplog: pytest.LogCaptureFixture) -> None:
    clock = Clock()
    log = RefusalLog(clock)
    with caplog.at_level(logging.WARNING, "biofeedback.web"):
        for after_s, n_told in ((0.0, 1), (60.0, 1), (60.1, 2), (60.1 + 60.0, 2), (60.1 + 60.1, 3)):
            clock.now_s = 1000.0 + after_s
            log.tell("one")
            assert len(caplog.records) == n_told, after_s
        for k in range(30):
            log.tell(f"other {k}")
        assert len(caplog.records) == 3 + 19
        assert caplog.records[-1].getMessage() == "refused: other 18"


class Transport:
    """What a connection is made on: where from and where to, and whether it was dropped."""

    def __init__(self, client: tuple[str, int], server: tuple[str, int]) -> None:
        self.about = {"peername": client, "sockname": server}
        self.is_dropped = False

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return self.about.get(name, default)

    def abort(self) -> None:
        self.is_dropped = True

    def close(self) -> None:
        """When the other end has gone."""


class Loop:
    """Calls that were asked for, with their delays."""

    def __init__(self) -> None:
        self.calls: list[Any] = []

    def call_later(self, delay_s: float, call: Any) -> Any:
        handle = type("Handle", (), {"delay_s": delay_s, "call": staticmethod(call), "is_cancelled": False})()
        handle.cancel = lambda: setattr(handle, "is_cancelled", True)
        self.calls.append(handle)
        return handle


@pytest.fixture
def connect(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Connections to one server, as its protocol sees them."""
    from uvicorn.config import Config
    from uvicorn.server import ServerState

    config = Config(app=lambda: None, log_config=None)
    config.load()
    protocol_of = make_protocol(lambda: ())
    monkeypatch.setattr(limits, "is_own_account", lambda client, server: client[1] != 666)

    def make(address: str = THERE, port: int = 50_000, server: str = "192.168.1.2") -> tuple[Any, Transport, Loop]:
        loop = Loop()
        protocol = protocol_of(config=config, server_state=ServerState(), app_state={}, _loop=loop)
        transport = Transport((address, port), (server, 8000))
        protocol.connection_made(transport)
        return protocol, transport, loop

    return make


def test_the_seventeenth_connection_of_a_stranger_is_dropped_until_one_ends(connect: Any) -> None:
    opened = [connect() for _ in range(16)]
    assert not any(transport.is_dropped for _, transport, _ in opened)
    late, transport, loop = connect()
    assert transport.is_dropped
    assert loop.calls == [], "nothing more is waited for"
    late.connection_lost(None)
    assert connect()[1].is_dropped
    opened[0][0].connection_lost(None)
    opened[1][0].connection_lost(None)
    assert not connect()[1].is_dropped
    assert not connect("192.168.1.99")[1].is_dropped


def test_another_account_of_this_computer_is_dropped_and_only_on_this_computer(connect: Any) -> None:
    assert connect("127.0.0.1", 666, "127.0.0.1")[1].is_dropped
    assert not connect("127.0.0.1", 667, "127.0.0.1")[1].is_dropped
    assert not connect(THERE, 666)[1].is_dropped


def test_a_connection_that_says_nothing_for_ten_seconds_is_dropped(connect: Any) -> None:
    protocol, transport, loop = connect()
    (waiting,) = loop.calls
    assert waiting.delay_s == 10.0
    waiting.call()
    assert transport.is_dropped
    protocol.connection_lost(None)
    assert waiting.is_cancelled


# -- who may enter ----------------------------------------------------------------------------------------------------


def scope_of(*headers: tuple[str, str], kind: str = "http", method: str = "GET", path: str = "/") -> dict[str, Any]:
    return {
        "type": kind, "method": method, "path": path, "server": ("192.168.1.2", 8000), "client": (THERE, 50_000),
        "headers": [(name.encode(), value.encode()) for name, value in headers],
    }  # fmt: skip


HOST = ("host", "192.168.1.2:8000")
LINK = (("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate"), ("sec-fetch-dest", "document"))


@pytest.mark.parametrize(
    ("headers", "about", "why"),
    [
        ([HOST], {}, None),
        ([("Host", "192.168.1.2:8000")], {}, None),
        ([], {}, "host"),
        ([HOST, HOST], {}, "host"),
        ([("host", "evil:8000")], {}, "host"),
        ([HOST], {"kind": "websocket"}, "origin"),
        ([HOST], {"method": "POST"}, "origin"),
        ([HOST], {"method": "HEAD"}, None),
        ([HOST, ("origin", "https://192.168.1.2:8000")], {"kind": "websocket"}, None),
        ([HOST, ("origin", "http://192.168.1.2:8000")], {"kind": "websocket"}, "origin"),
        ([HOST, ("origin", "https://192.168.1.2:8000"), ("origin", "https://192.168.1.2:8000")], {}, "origin"),
        ([HOST, ("origin", "https://evil:8000")], {}, "origin"),
        ([("host", "127.0.0.1:8000"), ("origin", "http://127.0.0.1:8000")], {"method": "POST"}, None),
        ([("host", "localhost:8000"), ("origin", "http://localhost:8000")], {"method": "POST"}, None),
        ([("host", "127.0.0.1:8000"), ("origin", "https://127.0.0.1:8000")], {"method": "POST"}, "origin"),
        ([HOST, ("sec-fetch-site", "same-origin")], {}, None),
        ([HOST, ("sec-fetch-site", "none")], {}, None),
        ([HOST, ("sec-fetch-site", "cross-site")], {}, "another site"),
        ([HOST, *LINK], {}, None),
        ([HOST, *LINK],
         {"path": "/report"}, "another site"),
        ([HOST, LINK[0], LINK[1], ("sec-fetch-dest", "iframe")], {}, "another site"),
        ([HOST, LINK[0], ("sec-fetch-mode", "cors"), LINK[2]], {}, "another site"),
        ([HOST, *LINK],
         {"method": "HEAD"}, "another site"),
    ],
)  # fmt: skip
def test_only_our_own_pages_by_the_right_name_and_way_may_ask(headers: Any, about: Any, why: str | None) -> None:
    access = Access.for_addresses(["127.0.0.1", "192.168.1.2"], 8000, is_encrypted=True)
    said = access.refusal(scope_of(*headers, **about))
    assert (said is None) if why is None else (why in (said or ""))


@pytest.mark.parametrize(
    ("port", "encrypted", "is_short"), [(80, False, True), (443, False, False), (443, True, True), (8000, True, False)]
)
def test_the_port_may_be_left_out_where_browsers_do(port: int, encrypted: bool, is_short: bool) -> None:
    access = Access.for_addresses(["192.168.1.2"], port, is_encrypted=encrypted)
    assert (access.refusal(scope_of(("host", "192.168.1.2"))) is None) == is_short
    assert access.refusal(scope_of(("host", f"192.168.1.2:{port}"))) is None
    origin = ("origin", f"{'https' if encrypted else 'http'}://192.168.1.2:{port}")
    assert access.refusal(scope_of(("host", f"192.168.1.2:{port}"), origin, method="POST")) is None


def test_this_machine_is_the_coach_and_other_devices_are_what_their_token_says() -> None:
    pairing = Pairing()
    clock = Clock()
    token, _ = pairing.join(pairing.invite(ATHLETE, clock()).code, clock(), address=THERE)
    access = Access(frozenset(), pairing, clock)
    here = scope_of() | {"server": ("127.0.0.1", 8000)}
    assert access.find_right(here) == COACH
    assert access.find_right(scope_of()) is None
    cookie = ("cookie", f"x=1; biofeedback-pair-8000={token}; y=2")
    assert access.find_right(scope_of(cookie)) == ATHLETE
    assert access.find_right(scope_of(cookie) | {"server": ("192.168.1.2", 8001)}) is None
    assert access.find_right(scope_of(cookie) | {"client": ("192.168.1.21", 1)}) is None
    assert Access(frozenset(), None, clock).find_right(scope_of(cookie)) is None
    clock.now_s += 12 * 3600 + 1
    assert access.find_right(scope_of(cookie)) is None
    for server, there in ((("127.0.0.1", 1), True), (("::1", 1), True), (("192.168.1.2", 1), False), (None, False)):
        assert is_here({"server": server}) == there
    assert [is_loopback(h) for h in ("127.9.9.9", "[::1]", "localhost", "10.0.0.1", "evil")] == [
        True,
        True,
        True,
        False,
        False,
    ]
    assert (read_address({"client": None}), read_port({"server": None})) == ("", 0)
    assert (name_cookie(80), read_cookie(scope_of(cookie), "y")) == ("biofeedback-pair-80", "2")
    assert read_cookie(scope_of(cookie), "z") is None


@pytest.mark.parametrize(
    ("right", "n_seats", "place"),
    [(None, 1, "/pair"), (COACH, 1, "/coach"), (COACH, 2, "/group"), (ATHLETE, 1, "/athlete"),
     (Right("athlete", 2), 2, "/athlete?seat=2")],
)  # fmt: skip
def test_everybody_has_a_place(right: Right | None, n_seats: int, place: str) -> None:
    assert find_place(right, n_seats) == place


@pytest.mark.parametrize(
    ("path", "stranger", "athlete"),
    [("/pair", True, True), ("/athlete", False, True), ("/ws", False, True), ("/coach", False, False),
     ("/report", False, False), ("/static/a.js", True, True)],
)  # fmt: skip
def test_paths_are_the_coachs_but_for_a_few(path: str, stranger: bool, athlete: bool) -> None:
    assert (may_visit(path, None), may_visit(path, ATHLETE), may_visit(path, COACH)) == (stranger, athlete, True)


@pytest.mark.parametrize(
    ("query", "right", "seat"),
    [({}, COACH, 1), ({"seat": "2"}, COACH, 2), ({"seat": "3"}, COACH, None), ({"seat": "0"}, COACH, None),
     ({"seat": "2"}, ATHLETE, None), ({}, ATHLETE, 1), ({}, Right("athlete", 2), None),
     ({"seat": "2"}, Right("athlete", 2), 2), ({"seat": "01"}, COACH, None)],
)  # fmt: skip
def test_a_seat_is_reached_by_its_number_and_by_whose_it_is(query: Any, right: Right, seat: int | None) -> None:
    seats: Any = ["one", "two"]
    assert find_seat(seats, query, right) == (seats[seat - 1] if seat else None)


# -- keys and messages ------------------------------------------------------------------------------------------------


def test_eight_keys_wait_and_the_oldest_goes_first() -> None:
    browsers = OwnBrowsers(is_needed=True)
    keys = [browsers.add_key("http://localhost/").partition("?")[2] for _ in range(9)]
    used: list[int] = []
    browsers.on_used = lambda: used.append(1)

    def exchange(query: str) -> tuple[str, str] | None:
        return browsers.exchange(scope_of(path="//evil/x") | {"query_string": query.encode()})

    assert exchange(keys[0]) == ("/evil/x", "")
    assert used == []
    place, cookie = exchange(f"seat=2&{keys[1]}") or ("", "")
    assert place == "/evil/x?seat=2"
    assert used == [1]
    assert cookie.startswith("biofeedback-here-8000=")
    assert "Max-Age=604800; Path=/; HttpOnly; SameSite=lax" in cookie
    assert exchange(keys[1]) == ("/evil/x", ""), "good once"
    token = cookie.partition(";")[0]
    assert browsers.may_enter(scope_of(("cookie", token)))
    assert not browsers.may_enter(scope_of(("cookie", token[:-1])))
    assert not browsers.may_enter(scope_of())
    assert OwnBrowsers(is_needed=False).may_enter(scope_of())
    for other in ({"method": "POST"}, {"kind": "websocket"}):
        assert browsers.exchange(scope_of(**other) | {"query_string": keys[2].encode()}) is None
    assert browsers.exchange(scope_of() | {"query_string": b"seat=2"}) is None


def test_a_message_of_32768_bytes_is_read_and_none_longer() -> None:
    begin = '{"do": "note", "text": "'
    for n_bytes, letter in ((MAX_MESSAGE_BYTES, "x"), (MAX_MESSAGE_BYTES + 1, "x"), (MAX_MESSAGE_BYTES, "é")):
        room = n_bytes - len(begin) - 2
        text = begin + letter * (room // len(letter.encode())) + '"}'
        if letter == "é" and room % 2:
            text = text[:-2] + 'x"}'
        assert len(text.encode()) == n_bytes
        if n_bytes > MAX_MESSAGE_BYTES:
            with pytest.raises(SessionError, match="longer than 32768 bytes"):
                read_message(text)
        else:
            assert read_message(text)[1]["do"] == "note"


# -- what goes out and what comes in ----------------------------------------------------------------------------------


def test_a_device_is_sent_128_megabytes_at_most_and_one_export_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    exports = SentExports()
    for n_bytes, is_sent in ((128 * 2**20, True), (128 * 2**20 + 1, False)):
        with path.open("wb") as file:
            file.truncate(n_bytes)  # holds nothing on disk
        if is_sent:
            exports.check(path)
        else:
            with pytest.raises(RecordingError, match="128 MB; 128 are sent to another device"):
                exports.check(path)
    with exports.hold(3):
        with exports.hold(4):
            pass
        with pytest.raises(RecordingError, match="under way"), exports.hold(3):
            raise AssertionError("never begun")
    with exports.hold(3):
        pass


@pytest.mark.parametrize(("n_bytes", "is_read"), [(65536, True), (65537, False)])
def test_an_order_of_the_page_is_65536_bytes_long_at_most(n_bytes: int, is_read: bool) -> None:
    from starlette.requests import Request

    order = b'{"code": "A01"' + b" " * (n_bytes - 15) + b"}"
    parts = [order[k : k + 1000] for k in range(0, n_bytes, 1000)]

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": parts.pop(0), "more_body": bool(parts)}

    async def read() -> Any:
        return await read_order(Request(scope_of(method="POST"), receive))

    if is_read:
        assert asyncio.run(read()) == {"code": "A01"}
    else:
        with pytest.raises(RecordingError, match="not understood"):
            asyncio.run(read())
        assert not parts or len(parts) < 2


def test_files_are_deleted_only_as_they_were_told(tmp_path: Path) -> None:
    path = tmp_path / "A01-2026.hold"
    for name in ("A01-2026.hold", "A01-2026_report.html", "A01-2026.csv"):
        (tmp_path / name).write_text("x")
    told = [one.name for one in list_files_to_delete(path)]
    assert told[0] == "A01-2026.hold"
    for wrong in (None, [], told[:-1], [*told, "another"]):
        with pytest.raises(RecordingError, match="other files lie beside"):
            delete_recording(path, wrong)
    assert delete_recording(path, told) == len(told)
    assert not any((tmp_path / name).exists() for name in told)


@pytest.mark.parametrize(
    ("server", "raised", "status", "said"),
    [
        ("192.168.1.2", None, 403, "Not from here"),
        ("127.0.0.1", None, 200, "done"),
        ("127.0.0.1", RecordingError("no such file", "look again"), 404, "no such file"),
        ("127.0.0.1", OSError(28, "No space left on device"), 404, "."),
    ],
)
def test_files_are_brought_at_this_machine_alone(server: str, raised: Exception | None, status: int, said: str) -> None:
    from starlette.requests import Request
    from starlette.responses import PlainTextResponse

    async def respond(_request: Request) -> PlainTextResponse:
        if raised:
            raise raised
        return PlainTextResponse("done")

    answer = asyncio.run(_only_here(respond)(Request(scope_of() | {"server": (server, 8000)})))
    assert answer.status_code == status
    assert said in bytes(answer.body).decode()
