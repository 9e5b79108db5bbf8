"""A shared session under TLS: what a client that is no browser, and a real browser under a network name, make of it."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import ssl
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from websockets.asyncio.client import connect

from biofeedback.web import certificate as certificates
from biofeedback.web.certificate import PageCertificate, find_certificate
from biofeedback.web.server import open_page
from biofeedback.web.sharing import Invitation

from ..requirements import need
from .fake_live import FakeLive
from .test_server import next_reply
from .test_sharing import OUTSIDE, pretend_network

NAME = "coach.test"  # a network name, unlike 127.0.0.1, proves something to a browser
Scenario = Callable[[PageCertificate, int, Invitation], Awaitable[None]]


@pytest.fixture
def encrypted(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[Scenario], None]:
    pretend_network(monkeypatch)
    monkeypatch.setattr(certificates, "name_this_computer", lambda: [NAME])

    def run(scenario: Scenario) -> None:
        async def session() -> None:
            found: list[PageCertificate] = []
            invitations: list[Invitation] = []

            def certify(hosts: Any) -> PageCertificate:
                found.append(find_certificate(tmp_path, hosts))
                return found[-1]

            async with open_page(FakeLive(), port=0, share=invitations.extend, certify=certify) as address:
                assert address.startswith("http://127.0.0.1")  # this machine's own page stays plain
                port = urlsplit(address).port or 0
                await asyncio.wait_for(scenario(found[0], port, invitations[0]), 60)

        asyncio.run(session())

    return run


def ask(
    context: ssl.SSLContext, port: int, method: str, path: str, body: str | None = None, **headers: str
) -> tuple[http.client.HTTPResponse, bytes]:
    connection = http.client.HTTPSConnection(OUTSIDE, port, timeout=60, context=context)
    with contextlib.closing(connection):
        connection.request(method, path, body, headers)
        response = connection.getresponse()
        return response, response.read()


def test_a_phone_joins_sees_and_stops_over_tls(encrypted: Callable[[Scenario], None]) -> None:
    async def scenario(certificate: PageCertificate, port: int, invitation: Invitation) -> None:
        own = f"https://{OUTSIDE}:{port}"
        assert invitation.url.startswith(f"{own}/pair#")
        context = ssl.create_default_context(cafile=str(certificate.chain))
        response, body = await asyncio.to_thread(ask, context, port, "POST", "/pair", invitation.code, Origin=own)
        assert (response.status, json.loads(body)["place"]) == (200, "/athlete")
        cookie = response.getheader("set-cookie") or ""
        assert "Secure" in cookie
        assert response.getheader("strict-transport-security") is None  # it would break other programs of this name
        token = cookie.split(";")[0]
        async with connect(
            f"wss://{OUTSIDE}:{port}/ws", ssl=context, origin=own, additional_headers={"Cookie": token}
        ) as page:  # type: ignore[arg-type]
            assert await asyncio.wait_for(page.recv(), 60)
            await page.send(json.dumps({"id": 1, "do": "stop"}))
            assert (await next_reply(page))["ok"]

    encrypted(scenario)


def test_a_page_of_the_plain_address_is_another_site(encrypted: Callable[[Scenario], None]) -> None:
    async def scenario(certificate: PageCertificate, port: int, invitation: Invitation) -> None:
        context = ssl.create_default_context(cafile=str(certificate.chain))
        response, _ = await asyncio.to_thread(
            ask, context, port, "POST", "/pair", invitation.code, Origin=f"http://{OUTSIDE}:{port}"
        )
        assert response.status == 403

    encrypted(scenario)


def test_nothing_is_said_in_the_clear(encrypted: Callable[[Scenario], None]) -> None:
    async def scenario(certificate: PageCertificate, port: int, invitation: Invitation) -> None:
        reader, writer = await asyncio.open_connection(OUTSIDE, port)
        writer.write(f"GET /pair HTTP/1.1\r\nHost: {OUTSIDE}:{port}\r\n\r\n".encode())
        try:
            said = await asyncio.wait_for(reader.read(), 10)
        except ConnectionError:
            said = b""
        assert b"HTTP" not in said
        writer.close()

    encrypted(scenario)


@pytest.mark.browser
def test_a_browser_under_a_network_name_may_keep_the_screen_lit(encrypted: Callable[[Scenario], None]) -> None:
    need(Path("/usr/bin/chromium").exists(), "Debian's chromium is not installed")

    def visit(port: int, code: str) -> dict[str, Any]:
        from playwright.sync_api import sync_playwright

        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path="/usr/bin/chromium",
                args=["--no-sandbox", f"--host-resolver-rules=MAP {NAME} {OUTSIDE}"],
            )
            page = browser.new_context(ignore_https_errors=True).new_page()
            page.goto(f"https://{NAME}:{port}/pair")
            page.fill("#code", code)
            page.click("button[type=submit]")
            page.wait_for_url("**/athlete")
            page.wait_for_function("document.querySelector('main') && document.body.innerText.length > 20")
            told: dict[str, Any] = page.evaluate(
                "({secure: isSecureContext, lock: !!navigator.wakeLock, motion: typeof DeviceMotionEvent})"
            )
            browser.close()
        return told

    async def scenario(certificate: PageCertificate, port: int, invitation: Invitation) -> None:
        told = await asyncio.to_thread(visit, port, invitation.code)
        assert told == {"secure": True, "lock": True, "motion": "function"}

    encrypted(scenario)
