"""An evening without a sensor, shared over TLS under a network name, and the phone that joins it in a real browser."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from biofeedback.acquisition.felt_source import FeltSource
from biofeedback.acquisition.phone import PhoneInbox, WithPhone
from biofeedback.acquisition.reader import make_reader
from biofeedback.session.engine import Engine
from biofeedback.session.plan import load_plan
from biofeedback.session.run import LiveSession
from biofeedback.session.session import Session
from biofeedback.session.setup import GRADED, Setup
from biofeedback.web import certificate as certificates
from biofeedback.web.certificate import find_certificate
from biofeedback.web.server import open_page
from biofeedback.web.sharing import Invitation
from biofeedback.wiring.live_sessions import WiredFeed

from ..requirements import CHROMIUM_WITH_WINDOWS
from .test_encrypted import NAME, OUTSIDE, pretend_network

MOTION = ("accelerometer", "linear-acceleration", "gyroscope")
SETTINGS: dict[str, Any] = {
    **GRADED,
    "lever_m": 0.9,
    "exercise_notes": {"Phone": "flat on the thigh: sees the angle of the leg"},
}


class Memory:
    """A recorder that keeps nothing on disk."""

    problem = None

    def __init__(self) -> None:
        self.items: list[Any] = []
        self.events: list[Any] = []

    def append(self, item: Any) -> None:
        self.items.append(item)

    def event(self, event: Any) -> None:
        self.events.append(event)


class Radio:
    """Carries what phone and computer say to each other, or nothing at all: no end of a connection is heard then."""

    def __init__(self, port: int) -> None:
        self._to = port
        self.carries = threading.Event()
        self.carries.set()
        self._server = socket.create_server((OUTSIDE, 0))
        self.port = self._server.getsockname()[1]
        self._ends: list[socket.socket] = [self._server]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._server.accept()
                far = socket.create_connection((OUTSIDE, self._to))
                self._ends += [near, far]
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while said := one.recv(65536):
                self.carries.wait()
                other.sendall(said)
        with suppress(OSError):
            other.shutdown(socket.SHUT_WR)

    def close(self) -> None:
        self.carries.set()
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


class Phone:
    """A page of the athlete, and a hand that turns the phone."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.cdp = page.context.new_cdp_session(page)

    def has_sensor(self) -> None:
        for kind in MOTION:
            self.cdp.send(
                "Emulation.setSensorOverrideEnabled",
                {
                    "enabled": True,
                    "type": kind,
                    "metadata": {"available": True, "minimumFrequency": 1, "maximumFrequency": 60},
                },
            )

    def hold(self, gravity: Any) -> None:
        x, y, z = (float(value) for value in gravity)
        for kind, xyz in zip(MOTION, ((x, y, z), (0, 0, 0), (0, 0, 0)), strict=True):
            reading = {"xyz": dict(zip("xyz", xyz, strict=True))}
            self.cdp.send("Emulation.setSensorOverrideReadings", {"type": kind, "reading": reading})

    def says(self, selector: str, text: str) -> bool:
        return text in (self.page.text_content(selector) or "")

    def open_second(self) -> Phone:
        """Another phone with a right to the same seat: a browser context of its own."""
        context = self.page.context.browser.new_context(
            ignore_https_errors=True,
            viewport={"width": 390, "height": 844},
            storage_state=self.page.context.storage_state(),
        )
        page = context.new_page()
        page.goto(self.page.url)
        page.click("#read-them")
        page.wait_for_selector("#angle-panel", state="visible")
        return Phone(page)


@dataclass
class Evening:
    """What a scenario has in its hands; ``address`` is the coach's own page on this computer."""

    live: LiveSession
    memory: Memory
    address: str
    radio: Radio
    loop: asyncio.AbstractEventLoop = field(repr=False)
    browser: Any = None
    phone: Phone = field(init=False)

    @property
    def state(self) -> dict[str, Any]:
        told: dict[str, Any] = self.live.state()["phone"] or {}
        return told

    def command(self, **message: Any) -> None:
        """As the coach's page would: on the session's own loop."""
        self.loop.call_soon_threadsafe(lambda: self.live.command(message, by="coach"))


Scenario = Callable[[Evening], None]


def run_evening(scenario: Scenario, folder: Path, patch: pytest.MonkeyPatch, **options: Any) -> None:
    """Carry a scenario out in a thread while the session runs; ``options`` are those of the phone's context."""
    pretend_network(patch)
    patch.setattr(certificates, "name_this_computer", lambda: [NAME])

    async def session() -> None:
        source = WithPhone(FeltSource(), inbox := PhoneInbox())
        source.open()
        engine = Engine(source.channels, source.rate_hz, Setup(**SETTINGS), [load_plan("felt-check")])
        memory = Memory()
        live = LiveSession(
            Session(engine, memory, utc=lambda: "", cue=source.cue), WiredFeed(make_reader(source)),
            recording_name="A01.hold", phone=inbox,
        )  # fmt: skip
        live.command({"do": "accept_cautions"}, by="coach")
        running = asyncio.create_task(live.run())
        invitations: list[Invitation] = []
        certify = lambda hosts: find_certificate(folder, hosts)  # noqa: E731
        async with open_page(live, port=0, share=invitations.extend, certify=certify) as address:
            radio = Radio(urlsplit(address).port or 0)
            evening = Evening(live, memory, address, radio, asyncio.get_running_loop())
            try:
                await asyncio.to_thread(visit, evening, scenario, invitations[0].code, options)
            finally:
                radio.close()
                live.stop()
                await running

    asyncio.run(session())


def visit(evening: Evening, scenario: Scenario, code: str, options: dict[str, Any]) -> None:
    from playwright.sync_api import sync_playwright

    port = urlsplit(evening.address).port
    with sync_playwright() as playwright:
        evening.browser = browser = playwright.chromium.launch(
            executable_path=CHROMIUM_WITH_WINDOWS,
            args=["--no-sandbox", f"--host-resolver-rules=MAP {NAME}:{port} {OUTSIDE}:{evening.radio.port}"],
        )
        context = browser.new_context(ignore_https_errors=True, viewport={"width": 390, "height": 844}, **options)
        context.set_default_timeout(90_000)  # a busy machine is slow, and not wrong
        page = context.new_page()
        page.goto(f"https://{NAME}:{port}/pair")
        page.fill("#code", code)
        page.click("button[type=submit]")
        page.wait_for_url("**/athlete")
        page.click("#read-them")  # the cautions stay until somebody has pressed here: sound needs it
        page.wait_for_selector("#angle-panel", state="visible")
        evening.phone = Phone(page)
        scenario(evening)
        browser.close()
