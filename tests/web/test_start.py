"""The start page's routes: for whoever sits at this machine, and for nobody else."""

from __future__ import annotations

import asyncio
import http.client
import json
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import pytest
from starlette.requests import Request
from websockets.exceptions import ConnectionClosed

from biofeedback.errors import PlanError, SourceError
from biofeedback.web.access import Access
from biofeedback.web.pairing import Right
from biofeedback.web.server import Site, open_page
from biofeedback.web.start import is_running

from .fake_live import FakeLive
from .scenes import SCENES
from .test_server import fetch, join, serve_fake


@dataclass
class FakeStartPage:
    """Answers at once; ``orders`` is what it was asked to do."""

    orders: list[tuple[str, Mapping[str, Any]]] = field(default_factory=list)

    def describe(self) -> dict[str, Any]:
        return {"form": {}}

    def list_athletes(self) -> list[dict[str, Any]]:
        return []

    def open_programme(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("programme", order)

    def save_programme(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("keep-programme", order)

    def open_trial(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("trial", order)

    def draw_trial(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("draw-trial", order)

    def find_ports(self) -> list[dict[str, str]]:
        return [{"port": "/dev/ttyX", "name": "board"}]

    def scan_radios(self) -> list[Any]:
        raise SourceError("Bluetooth cannot be used", "switch it on")

    def ask_port(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("ask", order)

    def write(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("write", order)

    def check(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("check", order)

    def tell_apart(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("which", order)

    def hear(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("hear", order)

    def keep(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("keep", order)

    def begin(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        if not order.get("athlete"):
            error = PlanError("no code is given", "use A01")
            error.mistakes = {"athlete": error}  # type: ignore[attr-defined]
            raise error
        return self._note("begin", order)

    def seat(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("seat", order)

    def begin_group(self, order: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._note("begin-group", order)

    def _note(self, name: str, order: Mapping[str, Any]) -> Mapping[str, Any]:
        self.orders.append((name, order))
        return {"place": "/coach"}


def serve_start(scenario: Callable[[FakeStartPage, str, list[str]], Awaitable[None]]) -> None:
    async def run() -> None:
        start_page, begun = FakeStartPage(), list[str]()
        async with open_page(None, port=0, start=(start_page, lambda: begun.append("begun"))) as address:
            await asyncio.wait_for(scenario(start_page, address, begun), 120)

    asyncio.run(run())


async def post(address: str, path: str, order: Any, headers: dict[str, str] | None = None) -> tuple[int, Any]:
    parts = urlsplit(address)
    told = {"Host": parts.netloc, "Origin": f"http://{parts.netloc}"} | (headers or {})
    body = order if isinstance(order, bytes) else json.dumps(order).encode()

    def request() -> tuple[int, Any]:
        connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=60)
        connection.request("POST", path, body, {name: value for name, value in told.items() if value})
        response = connection.getresponse()
        text = response.read().decode()
        connection.close()
        return response.status, json.loads(text) if text.startswith(("{", "[")) else text

    return await asyncio.to_thread(request)


def test_everything_leads_to_the_start_place_while_no_session_runs() -> None:
    async def scenario(start_page: FakeStartPage, address: str, begun: list[str]) -> None:
        for path in ("/", "/coach", "/athlete", "/pair"):
            status, headers, _ = await fetch(address, path)
            assert (status, headers["location"]) == (303, "/start")
        status, headers, body = await fetch(address, "/start")
        assert status == 200
        assert b"Start a session" in body
        assert "default-src 'self'" in headers["content-security-policy"]
        assert json.loads((await fetch(address, "/start/ports"))[2]) == start_page.find_ports()

    serve_start(scenario)


def test_a_page_of_the_session_before_is_sent_on() -> None:
    async def scenario(start_page: FakeStartPage, address: str, begun: list[str]) -> None:
        async with join(address) as page:
            with pytest.raises(ConnectionClosed) as closed:
                await page.recv()
        assert closed.value.rcvd
        assert closed.value.rcvd.code == 1008  # the page goes where it belongs

    serve_start(scenario)


def test_a_session_is_begun_and_mistakes_come_back_at_their_fields() -> None:
    async def scenario(start_page: FakeStartPage, address: str, begun: list[str]) -> None:
        _, told = await post(address, "/start/begin", {"athlete": ""})
        assert told == {"mistakes": [{"field": "athlete", "what": "no code is given", "cure": "use A01"}]}
        _, told = await post(address, "/start/radios", {})
        assert told == {"mistakes": [{"field": "", "what": "Bluetooth cannot be used", "cure": "switch it on"}]}
        assert begun == []
        assert await post(address, "/start/begin", {"athlete": "A01"}) == (200, {"place": "/coach"})
        assert start_page.orders == [("begin", {"athlete": "A01"})]
        await asyncio.sleep(0)
        assert begun == ["begun"]

    serve_start(scenario)


@pytest.mark.parametrize(
    "path", ["ask", "radios", "write", "check", "begin", "programme", "keep-programme", "trial", "draw-trial"]
)
@pytest.mark.parametrize(
    "headers", [{"Host": "evil.example"}, {"Origin": "http://evil.example"}, {"Origin": ""}, {"Origin": "null"}]
)
def test_strangers_reach_no_sensor(path: str, headers: dict[str, str]) -> None:
    async def scenario(start_page: FakeStartPage, address: str, begun: list[str]) -> None:
        status, _ = await post(address, f"/start/{path}", {"athlete": "A01"}, headers)
        assert status == 403
        assert start_page.orders == []
        assert begun == []
        assert (await fetch(address, f"/start/{path}"))[0] == 405  # a link or an image cannot do it either

    serve_start(scenario)


@pytest.mark.parametrize("body", [b"", b"[1]", b"{", b'"x"', b"{" * 70000, b'{"a": "' + b"x" * 70000 + b'"}'])
def test_a_malformed_order_is_answered_and_nothing_is_done(body: bytes) -> None:
    async def scenario(start_page: FakeStartPage, address: str, begun: list[str]) -> None:
        _, told = await post(address, "/start/begin", body)
        assert told["mistakes"][0]["what"] == "the page's request is not understood"
        assert start_page.orders == []

    serve_start(scenario)


def test_the_start_place_is_never_on_the_network() -> None:
    """A device of the network is nobody without a token, and there are no tokens: it is sent to where codes go."""
    start_page = FakeStartPage()
    app = Site([], start=(start_page, lambda: None)).app(Access(frozenset({"192.0.2.7:8765"})))
    for method, path in [("GET", "/start"), ("GET", "/start/about"), ("GET", "/start/ports"), ("POST", "/start/begin")]:
        assert asyncio.run(visit_from_network(app, method, path)) == (303, b"/pair")
    assert start_page.orders == []


async def visit_from_network(app: Any, method: str, path: str) -> tuple[int, bytes]:
    """Status and place of an answer to a request that came in by the network's socket."""
    headers = [(b"host", b"192.0.2.7:8765"), (b"origin", b"http://192.0.2.7:8765")]
    scope = {"type": "http", "method": method, "path": path, "headers": headers, "server": ("192.0.2.7", 8765)}
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b'{"athlete": "A01"}'}

    async def send(message: Any) -> None:
        sent.append(message)

    await app(scope, receive, send)
    return sent[0]["status"], dict(sent[0]["headers"]).get(b"location", b"")


def test_a_running_session_has_no_start_place_and_ends_only_between_efforts() -> None:
    asked: list[str] = []

    async def scenario(live: FakeLive, address: str) -> None:
        status, headers, _ = await fetch(address, "/start")
        assert (status, headers["location"]) == (303, "/")
        late = [(await fetch(address, "/start/ports"))[::2], await post(address, "/start/begin", {})]
        for status, told in late:
            answer = told if isinstance(told, dict) else json.loads(told)
            assert (status, answer["mistakes"][0]["what"]) == (200, "a session has begun")
        assert (await fetch(address, "/start/ports/more"))[0] == 404
        SCENES["inside"](live)
        _, told = await post(address, "/start/new", {})
        assert told["mistakes"][0]["what"] == "an effort is under way"
        SCENES["done"](live)
        assert asked == []
        assert await post(address, "/start/new", {}) == (200, {"place": "/start"})
        assert (await post(address, "/start/new", {}, {"Origin": "http://evil.example"}))[0] == 403
        await asyncio.sleep(0)
        assert asked == ["renew"]

    serve_fake(scenario, renew=lambda: asked.append("renew"))


def test_a_session_of_the_command_line_cannot_be_ended_for_another() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        assert (await post(address, "/start/new", {}))[0] == 403

    serve_fake(scenario)


def test_only_this_machine_ends_a_session_for_another() -> None:
    """A coach's phone would be left without a page: the start page is not on the network."""
    asked: list[str] = []

    async def scenario() -> None:
        site = Site([], renew=lambda: asked.append("renew"))
        scope = {"type": "http", "server": ("192.0.2.7", 80), "right": Right("coach", None)}
        assert (await site._renew(Request(scope))).status_code == 403

    asyncio.run(scenario())
    assert asked == []


@pytest.mark.parametrize(
    ("state", "running"),
    [
        ({"stage": "plan"}, True),
        ({"stage": "maximum", "maximum": {"step": "push"}}, True),
        ({"stage": "maximum", "maximum": {"step": "rest"}}, False),
        ({"stage": "done", "maximum": None}, False),
        ({}, False),
    ],
)
def test_an_effort_is_under_way(state: dict[str, Any], running: bool) -> None:
    assert is_running(state) is running
