"""A phone measures in a real browser, under a name of the network, over TLS, by the browser's own sensor overrides."""

from __future__ import annotations

import asyncio
import itertools
import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
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

from ..busy import wait_until
from ..requirements import CHROMIUM_WITH_WINDOWS, need
from .test_encrypted import NAME, OUTSIDE, pretend_network

G = 9.80665
MOTION = ("accelerometer", "linear-acceleration", "gyroscope")
pytestmark = [pytest.mark.browser, pytest.mark.waits(60)]


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


Scenario = Callable[[Phone, LiveSession, Memory, Any], None]


@pytest.fixture
def with_phone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[Scenario], None]:
    need(CHROMIUM_WITH_WINDOWS, "chromium is not installed")
    pretend_network(monkeypatch)
    monkeypatch.setattr(certificates, "name_this_computer", lambda: [NAME])

    def run(scenario: Scenario) -> None:
        async def session() -> None:
            LOOPS[:] = [asyncio.get_running_loop()]
            inbox = PhoneInbox()
            source = WithPhone(FeltSource(), inbox)
            source.open()
            setup = Setup(
                **GRADED, lever_m=0.9, exercise_notes={"Phone": "flat on the thigh: sees the angle of the leg"}
            )
            engine = Engine(source.channels, source.rate_hz, setup, [load_plan("felt-check")])
            memory = Memory()
            live = LiveSession(
                Session(engine, memory, utc=lambda: "", cue=source.cue), WiredFeed(make_reader(source)),
                recording_name="A01.hold", phone=inbox,
            )  # fmt: skip
            live.command({"do": "accept_cautions"}, by="coach")
            running = asyncio.create_task(live.run())
            invitations: list[Invitation] = []
            certify = lambda hosts: find_certificate(tmp_path, hosts)  # noqa: E731
            async with open_page(live, port=0, share=invitations.extend, certify=certify) as address:
                port = urlsplit(address).port or 0
                try:
                    await asyncio.to_thread(visit, scenario, port, invitations[0].code, live, memory)
                finally:
                    live.stop()
                    await running

        asyncio.run(session())

    return run


def visit(scenario: Scenario, port: int, code: str, live: LiveSession, memory: Memory) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM_WITH_WINDOWS,
            args=["--no-sandbox", f"--host-resolver-rules=MAP {NAME} {OUTSIDE}"],
        )
        context = browser.new_context(ignore_https_errors=True, viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(f"https://{NAME}:{port}/pair")
        page.fill("#code", code)
        page.click("button[type=submit]")
        page.wait_for_url("**/athlete")
        page.click("#read-them")  # the cautions stay until somebody has pressed here: sound needs it
        page.wait_for_selector("#angle-panel", state="visible")
        scenario(Phone(page), live, memory, browser)
        browser.close()


def wait_for(condition: Callable[[], object], within_s: float = 20.0, told: Callable[[], object] = str) -> None:
    try:
        wait_until(condition, within_s=within_s, pause=lambda: time.sleep(0.02))
    except AssertionError as error:
        raise AssertionError(f"{error}: {told()}") from None


def shown(live: LiveSession) -> float:
    return float(live.snapshot().percent[1])


def orientations() -> list[Any]:
    """Twelve ways for a phone to lie."""
    found = []
    for axis, sign, other in itertools.product(range(3), (1, -1), (1, 2)):
        first, second = np.eye(3)[axis] * sign, np.eye(3)[(axis + other) % 3]
        found.append(np.array([first, second, np.cross(first, second)]))
    return found


def test_known_turns_come_back_within_half_a_degree_in_twelve_orientations_and_both_signs(with_phone):
    def scenario(phone: Phone, live: LiveSession, memory: Memory, browser: Any) -> None:
        phone.has_sensor()
        phone.hold((0, 0, G))
        phone.page.click("#angle-use")
        wait_for(lambda: (live.state()["phone"] or {})["state"] == "live")
        worst = 0.0
        for number, matrix in enumerate(orientations()):
            for sign in (1, -1):
                phone.hold(sign * matrix @ np.array([0, 0, G]))
                time.sleep(0.9)  # past the filter, and half a second for the zero
                phone.page.click("#angle-zero")
                for degrees in (0, 30, 60, 90) if number else range(0, 91, 10):
                    turn = math.radians(degrees)
                    phone.hold(sign * matrix @ np.array([G * math.sin(turn), 0, G * math.cos(turn)]))
                    wait_for(
                        lambda degrees=degrees: abs(shown(live) - degrees) < 0.5,
                        told=lambda number=number, sign=sign, degrees=degrees: (number, sign, degrees, shown(live)),
                    )
                    time.sleep(0.1)
                    worst = max(worst, abs(shown(live) - degrees))
        assert worst < 0.5

    with_phone(scenario)


def test_a_phone_in_the_background_is_told_and_comes_back(with_phone):
    def scenario(phone: Phone, live: LiveSession, memory: Memory, browser: Any) -> None:
        phone.has_sensor()
        phone.hold((0, 0, G))
        phone.page.click("#angle-use")
        wait_for(lambda: live.state()["phone"]["state"] == "live")
        phone.page.evaluate(
            "Object.defineProperty(document, 'hidden', {value: true, configurable: true});"
            "document.dispatchEvent(new Event('visibilitychange'))"
        )
        wait_for(lambda: live.state()["phone"]["state"] in ("hidden", "silent"))
        phone.page.evaluate(
            "Object.defineProperty(document, 'hidden', {value: false, configurable: true});"
            "document.dispatchEvent(new Event('visibilitychange'))"
        )
        wait_for(lambda: live.state()["phone"]["state"] == "live")

    with_phone(scenario)


def test_a_device_without_the_sensor_says_so_with_a_cure(with_phone):
    def scenario(phone: Phone, live: LiveSession, memory: Memory, browser: Any) -> None:
        phone.page.click("#angle-use")
        wait_for(lambda: "no motion comes" in (phone.page.text_content("#angle-wrong") or ""))

    with_phone(scenario)


REFUSE = """() => {
  window.asked = 0;
  DeviceMotionEvent.requestPermission = async () => (window.asked++ ? "granted" : "denied");
}"""


def test_a_refused_permission_says_so_with_its_cure_and_can_be_given_after_all(with_phone):
    def scenario(phone: Phone, live: LiveSession, memory: Memory, browser: Any) -> None:
        phone.has_sensor()
        phone.hold((0, 0, G))
        phone.page.evaluate(REFUSE)
        phone.page.click("#angle-use")
        wait_for(lambda: "refused its motion sensor" in (phone.page.text_content("#angle-wrong") or ""))
        assert "allow motion for this page" in (phone.page.text_content("#angle-wrong") or "")
        assert (live.state()["phone"] or {}).get("state") != "live"
        phone.page.click("#angle-use")
        wait_for(lambda: (live.state()["phone"] or {}).get("state") == "live")
        assert phone.page.evaluate("window.asked") == 2
        wait_for(lambda: "refused" not in (phone.page.text_content("#angle-wrong") or ""))

    with_phone(scenario)


def test_the_slider_is_recorded_while_it_is_touched_and_not_otherwise(with_phone):
    def rated(memory: Memory) -> set[int]:
        counts = [chunk.counts[:, 0] for chunk in memory.items if hasattr(chunk, "counts")]
        known = np.concatenate(counts) if counts else np.empty(0, int)
        return set(known[(known >= 0) & (known <= 1000)].tolist())

    def scenario(phone: Phone, live: LiveSession, memory: Memory, browser: Any) -> None:
        phone.page.click("#slider-use")
        phone.page.wait_for_selector("#slider", state="visible")
        assert "Practise for half a minute" in (phone.page.text_content("#slider-said") or "")
        assert rated(memory) == set()  # untouched is no rating
        box = phone.page.locator("#slider").bounding_box()
        phone.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 0.3 * box["height"])
        phone.page.mouse.down()
        wait_for(lambda: any(abs(value - 700) <= 10 for value in rated(memory)), told=lambda: rated(memory))
        assert phone.page.text_content("#slider-value") == "7.0"
        phone.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 0.6 * box["height"], steps=4)
        wait_for(lambda: any(abs(value - 400) <= 10 for value in rated(memory)), told=lambda: rated(memory))
        phone.page.mouse.up()
        assert phone.page.get_attribute("#slider", "aria-valuetext") == "not touched"
        time.sleep(1.0)  # what was under way has arrived
        n_items, seen = len(memory.items), rated(memory)
        time.sleep(1.0)
        later = Memory()
        later.items = memory.items[n_items:]
        assert later.items
        assert rated(later) == set()
        assert min(seen) >= 390

    with_phone(scenario)


def test_five_degrees_of_slow_drift_are_told_on_the_page_while_the_plan_runs(with_phone):
    def scenario(phone: Phone, live: LiveSession, memory: Memory, browser: Any) -> None:
        phone.has_sensor()
        phone.hold((0, 0, G))
        phone.page.click("#angle-use")
        wait_for(lambda: live.state()["phone"]["state"] == "live")
        time.sleep(0.8)
        live_loop_command(live, {"do": "start_plan", "plan": "felt-check"})
        for tenth in range(51):
            turn = math.radians(tenth / 10)
            phone.hold((G * math.sin(turn), 0, G * math.cos(turn)))
            time.sleep(0.02)
        wait_for(lambda: "go back" in (phone.page.text_content("#form > .angle-now") or ""))

    with_phone(scenario)


def live_loop_command(live: LiveSession, message: dict[str, Any]) -> None:
    """As the coach's page would: on the session's own loop."""
    LOOPS[0].call_soon_threadsafe(lambda: live.command(message, by="coach"))


LOOPS: list[asyncio.AbstractEventLoop] = []
