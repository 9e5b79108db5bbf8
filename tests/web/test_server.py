from __future__ import annotations

import asyncio
import contextlib
import gzip
import hashlib
import http.client
import json
import os
import re
import socket
import time
from base64 import b64encode
from collections.abc import Awaitable, Callable, Iterator
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, InvalidMessage, InvalidStatus

from biofeedback.errors import AnalysisError, SessionError
from biofeedback.web import connection_limits
from biofeedback.web.access import Access
from biofeedback.web.connection_limits import (
    MAX_CONNECTIONS,
    MAX_PAGES,
    MAX_PER_DEVICE,
    MAX_PER_KNOWN,
    MAX_PER_STRANGER,
    MAX_REFUSALS,
    MAX_STRANGERS,
    RefusalLog,
    exceeds_limit,
)
from biofeedback.web.page_files import read_static
from biofeedback.web.pairing import HERE
from biofeedback.web.server import open_page

from ..busy import FreeTime
from .fake_live import FakeLive
from .reading import read_update


def serve_fake(scenario: Callable[[FakeLive, str], Awaitable[None]], **options: Any) -> None:
    async def run() -> None:
        live = FakeLive()
        async with open_page(live, port=0, **options) as address:
            await asyncio.wait_for(scenario(live, address), 120)

    asyncio.run(run())


async def fetch(address: str, path: str, headers: dict[str, str] | None = None) -> tuple[int, dict[str, str], bytes]:
    parts = urlsplit(address)

    def request() -> tuple[int, dict[str, str], bytes]:
        connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=60)
        connection.putrequest("GET", path, skip_host=True)
        for name, value in ({"Host": parts.netloc} | (headers or {})).items():
            connection.putheader(name, value)
        connection.endheaders()
        response = connection.getresponse()
        result = response.status, {k.lower(): v for k, v in response.getheaders()}, response.read()
        connection.close()
        return result

    return await asyncio.to_thread(request)


def join(address: str, **options: Any) -> connect:
    parts = urlsplit(address)
    options = {"origin": f"http://{parts.netloc}", "compression": None} | options
    return connect(f"ws://{parts.netloc}/ws", proxy=None, **options)


async def next_reply(page: ClientConnection) -> dict[str, Any]:
    while True:
        message = await page.recv()
        if isinstance(message, str) and "reply" in (told := json.loads(message)):
            reply: dict[str, Any] = told["reply"]
            return reply


async def drain(page: ClientConnection) -> None:
    while True:
        await page.recv()


def test_the_page_and_its_files_are_served_with_a_strict_policy() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        status, headers, body = await fetch(address, "/")
        assert status == 200
        assert headers["content-type"].startswith("text/html")
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'self'; ")
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        for name in read_static():
            status, headers, _ = await fetch(address, f"/static/{name}")
            assert status == 200
            assert "default-src 'self'" in headers["content-security-policy"]
            assert not name.endswith(".js") or headers["content-type"].startswith("text/javascript")
        assert b"//" not in body.replace(b"http://www.w3.org/2000/svg", b"")  # nothing from elsewhere

    serve_fake(scenario)


def test_the_whole_page_is_small() -> None:
    """All pages, comments included; 487 kB with files brought in, groups, trials, and what a phone asks and tells.

    No page loads all of it: the live page, the largest, takes nothing of the start page's or the review's, and what it
    takes is packed.
    """
    assert sum(len(body) for body, _ in read_static().values()) < 490_000


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/%2e%2e/server.py",
        "/static/..%2fserver.py",
        "/static//etc/passwd",
        "/x",
        "/static/",
    ],
)
def test_no_path_leads_elsewhere(path: str) -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        status, _, body = await fetch(address, path)
        assert status == 404
        assert b"import" not in body

    serve_fake(scenario)


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "rebound.example:80"},
        {"Host": "127.0.0.1"},
        {"Host": "localhost:1"},
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
    ],
    ids=str,
)
def test_strangers_are_refused(headers: dict[str, str], caplog: pytest.LogCaptureFixture) -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        status, _, body = await fetch(address, "/", headers)
        assert status == 403
        assert body.startswith(b"Refused: ")
        assert b"<" not in body
        parts = urlsplit(address)
        named = headers.get("Host", parts.netloc)
        with pytest.raises(InvalidStatus) as refused:
            await connect(
                f"ws://{named}/ws",
                host=parts.hostname,
                port=parts.port,
                origin=headers.get("Origin", f"http://{named}"),
                proxy=None,
            )
        assert refused.value.response.status_code == 403

    serve_fake(scenario)
    assert "refused" in caplog.text


def test_a_socket_without_an_origin_is_refused() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        with pytest.raises(InvalidStatus):
            async with join(address, origin=None):
                pass

    serve_fake(scenario)


def test_access_knows_every_name_of_loopback_and_no_other() -> None:
    access = Access.for_addresses(["127.0.0.1"], 8765)
    assert access.hosts == {"127.0.0.1:8765", "localhost:8765", "[::1]:8765"}
    assert Access.for_addresses(["192.0.2.7"], 80).hosts == {"192.0.2.7:80", "192.0.2.7"}


def test_state_update_and_reply_reach_the_page_uncompressed() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        live.feed(np.array([12.5, 13.5]))
        async with join(address, compression="deflate") as page:
            assert not page.protocol.extensions
            you = {"role": "coach", "shared": False, "review": False, "device": HERE}
            assert json.loads(await page.recv()) == {"you": you}
            state = json.loads(await page.recv())
            assert state["state"]["stage"] == "cautions"
            update = read_update(await page.recv())
            assert (update.level, update.percent) == (1, (13.5,))
            await page.send(json.dumps({"do": "accept_cautions", "id": 4}))
            assert await next_reply(page) == {"id": 4, "ok": True, "data": None}
            assert live.commands == [({"do": "accept_cautions"}, "coach")]
            assert live.state()["stage"] == "zero"

    serve_fake(scenario)


def test_bad_messages_get_one_reply_and_the_page_stays() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        async with join(address) as page:
            for sent, what in [
                ("{", "not JSON"),
                (b"\0\1", "bytes"),
                ("x" * 40_000, "longer"),
                ('{"do": "x"}', "unknown"),
                ('{"do": "stop", "reason": "\\ud800"}', "a broken character"),
            ]:
                await page.send(sent)
                reply = await next_reply(page)
                assert reply["ok"] is False
                assert what in reply["what"]
            await page.send(json.dumps({"do": "rate", "value": 11, "id": 1}))
            assert (await next_reply(page))["what"] == "rating 11 is not on the scale"
            assert live.state()["ratings"] == []

    serve_fake(scenario)


def test_a_huge_frame_ends_that_connection_only() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        async with join(address) as other, join(address) as page:
            await page.send("x" * 200_000)
            with pytest.raises(ConnectionClosed) as closed:
                await drain(page)
            assert closed.value.rcvd is not None
            assert closed.value.rcvd.code == 1009  # message too big, RFC 6455 section 7.4.1
            await other.send('{"do": "zero"}')
            assert (await next_reply(other))["ok"] is True

    serve_fake(scenario)


def test_more_pages_than_places_are_refused_and_places_come_free() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        pages = [await join(address) for _ in range(MAX_PAGES)]
        with pytest.raises(InvalidStatus):
            await join(address)
        await pages[0].close()
        for _ in range(50):
            try:
                pages[0] = await join(address)
                break
            except InvalidStatus:
                await asyncio.sleep(0)
        await pages[0].send('{"do": "zero"}')
        assert (await next_reply(pages[0]))["ok"] is True
        for page in pages:
            await page.close()

    serve_fake(scenario)


def test_many_pages_at_once_do_not_disturb_the_page_that_is_in() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        async with join(address) as page:
            many = await asyncio.gather(*(join(address) for _ in range(150)), return_exceptions=True)
            inside = [each for each in many if isinstance(each, ClientConnection)]
            assert len(inside) == MAX_PAGES - 1
            refused = [each for each in many if each not in inside]
            assert all(isinstance(each, InvalidStatus | OSError | InvalidMessage) for each in refused)
            live.feed(np.array([42.0]))
            while True:
                message = await page.recv()
                if isinstance(message, bytes) and read_update(message).level == 0:
                    break
            assert read_update(message).percent == (42.0,)
            for each in inside:
                await each.close()

    serve_fake(scenario)


@contextlib.contextmanager
def many_files(n: int) -> Iterator[None]:
    """Room for ``n`` open files, which the strangers' ends need in this process; the product needs none of it."""
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < n:
        pytest.skip(f"this machine allows {hard} open files; the strangers alone need {n}")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, n), hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def knock(host: str, port: int, n: int, held: list[socket.socket]) -> int:
    """Open ``n`` silent connections, hold them all, and count those that are not thrown out; from a thread."""
    try:
        for _ in range(n):
            held.append(socket.create_connection((host, port), timeout=60))
        time.sleep(0.3)
        dropped = 0
        for each in held:
            each.setblocking(False)
            try:
                dropped += each.recv(1) == b""
            except BlockingIOError:
                pass
            except OSError:
                dropped += 1
        return n - dropped
    finally:
        for each in held:
            each.close()


def test_a_thousand_connections_are_thrown_out_and_logged_and_delay_no_update(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    n_strangers = 1000
    monkeypatch.setattr(connection_limits, "HEADER_S", 60.0)  # a busy machine knocks for longer than silence is borne

    async def scenario(live: FakeLive, address: str) -> None:
        parts = urlsplit(address)
        files_before = len(os.listdir("/proc/self/fd"))
        async with join(address) as page:
            held: list[socket.socket] = []
            strangers = asyncio.create_task(
                asyncio.to_thread(knock, str(parts.hostname), int(parts.port or 0), n_strangers, held)
            )
            late_s: list[float] = []
            n_knocks: list[int] = []  # that were heard while an update was on its way
            while not strangers.done() or len(n_knocks) < 60:
                live.feed(np.array([42.0]))
                n_before, free = len(held), FreeTime()
                while True:
                    message = await page.recv()
                    if isinstance(message, bytes) and read_update(message).level == live.snap.level:
                        break
                n_knocks.append(len(held) - n_before)
                late_s.append(free.tick())
                await asyncio.sleep(1 / 60)
            alive = await strangers
            assert alive == MAX_PER_DEVICE - 1
            assert max(n_knocks) < n_strangers / 4  # no update waits until all of them are done with
            assert max(late_s) < 0.6, max(late_s)  # from then on a page calls a number late
            await page.send('{"do": "zero", "id": 1}')
            assert (await next_reply(page))["ok"] is True
        await asyncio.sleep(0.1)
        assert len(os.listdir("/proc/self/fd")) <= files_before + 2

    with many_files(n_strangers + MAX_CONNECTIONS + 200):
        serve_fake(scenario)
    told = [record for record in caplog.records if "too many connections" in record.getMessage()]
    assert 1 <= len(told) <= 3  # said, but a thousand knocks fill no log
    assert told[0].levelname == "WARNING"


def test_one_device_cannot_take_the_places_of_others() -> None:
    for address, most, known in (
        ("127.0.0.1", MAX_PER_DEVICE, ()),
        ("192.0.2.1", MAX_PER_STRANGER, ()),
        ("192.0.2.1", MAX_PER_KNOWN, ("192.0.2.1",)),
    ):
        assert not exceeds_limit({address: most}, address, known)
        assert exceeds_limit({address: most + 1}, address, known)
        assert not exceeds_limit({address: most, "192.0.2.2": 1}, "192.0.2.2", known)
    strangers = {f"192.0.2.{k}": 1 for k in range(1, MAX_STRANGERS + 2)}
    assert exceeds_limit(strangers, "192.0.2.1")
    for place in ("127.0.0.1", "198.51.100.1"):  # this machine, and a device that joined
        assert not exceeds_limit(strangers | {place: 1}, place, ("198.51.100.1",))


def test_one_that_knocks_in_ever_new_ways_fills_no_log(caplog: pytest.LogCaptureFixture) -> None:
    now = [0.0]
    log = RefusalLog(lambda: now[0])
    for k in range(1000):
        log.tell("this device is not paired")
        log.tell(f"host {k} is not this page's address")
    assert len(caplog.records) == MAX_REFUSALS
    now[0] = 61.0
    log.tell("this device is not paired")
    assert len(caplog.records) == MAX_REFUSALS + 1


def test_a_page_that_stops_reading_delays_no_other() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        parts = urlsplit(address)
        deaf = socket.create_connection((str(parts.hostname), int(parts.port or 0)))
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        request = (
            f"GET /ws HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: http://{parts.netloc}\r\nUpgrade: websocket\r\n"
            "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
        )
        await asyncio.to_thread(deaf.sendall, request.encode())
        async with join(address) as page:
            for k in range(300):  # 30 kB of strip a time: far more than any buffer between us and the deaf page
                live.feed(np.full((1000, 8), float(k)))
                while True:
                    message = await page.recv()
                    if isinstance(message, bytes) and read_update(message).level == live.snap.level:
                        break
            assert read_update(message).percent[0] == 299.0
        deaf.close()

    serve_fake(scenario)


def test_a_silent_session_is_still_heard_from() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        async with join(address) as page:
            await page.recv()  # who the page is
            await page.recv()  # the state
            levels = [read_update(await page.recv()).level for _ in range(3)]
            assert levels == [-1, -1, -1]

    serve_fake(scenario)


def test_the_report_is_made_off_the_loop_and_carries_no_script() -> None:
    def report() -> str:
        with pytest.raises(RuntimeError):
            asyncio.get_running_loop()
        return "<!doctype html><p>report</p>"

    async def scenario(live: FakeLive, address: str) -> None:
        status, headers, body = await fetch(address, "/report")
        assert (status, body) == (200, b"<!doctype html><p>report</p>")
        assert headers["content-security-policy"].startswith(
            "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
        )

    serve_fake(scenario, report=report)


def test_a_report_that_cannot_be_made_says_why() -> None:
    def report() -> str:
        raise AnalysisError("2 ratings; 3 are needed", "rate at the end of every phase")

    async def refused(live: FakeLive, address: str) -> None:
        status, _, body = await fetch(address, "/report")
        assert (status, body) == (404, b"No report: 2 ratings; 3 are needed; rate at the end of every phase.\n")

    async def absent(live: FakeLive, address: str) -> None:
        assert (await fetch(address, "/report"))[0] == 404

    serve_fake(refused, report=report)
    serve_fake(absent)


def test_a_port_in_use_names_its_cure() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]

        async def run() -> None:
            async with open_page(FakeLive(), port=port):
                pass

        with pytest.raises(SessionError, match=f"127.0.0.1:{port} cannot be used .* --port 0"):
            asyncio.run(run())


def test_the_address_is_free_again_at_once() -> None:
    async def run() -> None:
        async with open_page(FakeLive(), port=0) as address, join(address) as page:
            await page.recv()
        port = int(urlsplit(address).port or 0)
        async with open_page(FakeLive(), port=port) as again:
            assert again == address

    asyncio.run(run())


def test_what_a_page_names_may_be_kept_for_good_and_is_packed() -> None:
    """A browser that was here before asks for the page alone; everything else has a name that changes with it."""

    async def scenario(live: FakeLive, address: str) -> None:
        _, headers, body = await fetch(address, "/")
        assert headers["cache-control"] == "no-cache"
        named = re.findall(r'(?:src|href)="(/static/[^"]+)"', body.decode())
        assert len(named) > 5
        for path in named:
            status, headers, plain = await fetch(address, path)
            assert (status, headers["cache-control"]) == (200, "private, max-age=31536000, immutable")
            name = path.split("/", 3)[3]
            assert plain == read_static()[name][0]
            _, headers, packed = await fetch(address, path, headers={"Accept-Encoding": "gzip, br"})
            if headers.get("content-encoding") == "gzip":
                assert gzip.decompress(packed) == plain
                assert len(packed) < 0.7 * len(plain)
            assert "accept-encoding" in headers["vary"]
            _, headers, _ = await fetch(address, f"/static/{name}")
            assert headers["cache-control"] == "no-cache", "a name that stays must be asked about"
        version = named[0].split("/")[2]
        status, _, _ = await fetch(address, named[0].replace(version, "0123456789ab"))
        assert status == 404, "never one version's page with another's scripts"

    serve_fake(scenario)


def test_the_one_script_in_a_page_is_the_one_that_its_policy_allows() -> None:
    async def scenario(live: FakeLive, address: str) -> None:
        _, headers, body = await fetch(address, "/")
        scripts = re.findall(rb"<script>(.*?)</script>", body, re.DOTALL)
        assert scripts == [read_static()["shared/arrival.js"][0]]
        digest = b64encode(hashlib.sha256(scripts[0]).digest()).decode()
        assert headers["content-security-policy"].endswith(f"script-src 'self' 'sha256-{digest}'")

    serve_fake(scenario)
