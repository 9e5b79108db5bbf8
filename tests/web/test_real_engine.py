"""The real session behind the page wherever a number is looked at: countdown, time in band, what comes next, question.

Time is what the test feeds in; what should stand on the page is worked out here from the plan and the efforts fed, not
asked of the session. The form's pixels are held against geometry worked out here as well.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from biofeedback.model import Channel, Chunk
from biofeedback.session.engine import Engine
from biofeedback.session.plan import parse_plan
from biofeedback.session.run import LiveSession
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup

from .conftest import Page, Served
from .test_two_gauges import Feed, NoRecorder

pytestmark = [pytest.mark.browser, pytest.mark.slow]

RATE_HZ = 1000.0
LEVELS_PER_S = 100
MAXIMUM = 400.0
PLAN = """
name = "one"
grace_s = 1.0
ask_before_end_s = 3.0
[[block]]
[[block.phase]]
kind = "passive"
duration_s = 75
ask = true
[[block.phase]]
kind = "contract"
duration_s = 12
band = [60, 80]
ask = true
[[block.phase]]
kind = "rest"
duration_s = 40
"""
LOW, HIGH = 60, 80
TOP = 100  # the scale ends a quarter above the highest band, at a multiple of 5
SIZES = {"phone": (390, 844), "lying": (844, 390), "laptop": (1280, 800), "wall": (1920, 1080)}


class OneFeed(Feed):
    """One force channel; a hundredth of a second for each effort."""

    def put_seconds(self, seconds: float, percent: float) -> None:
        efforts = np.full(round(seconds * RATE_HZ), percent)
        counts = 10.0 + efforts / 100.0 * MAXIMUM + 0.01 * (np.arange(self.frame, self.frame + len(efforts)) % 2)
        self.put_counts(counts)

    def put_counts(self, counts: Any) -> None:
        self.items.put([Chunk(self.frame, counts[:, None])])
        self.frame += len(counts)


class Rig(Served):
    """The session, its page, and a hand on the sensor."""

    def up(self) -> None:
        self.feed = OneFeed()
        channel = Channel(name="force", kind="force", unit="N")
        self.engine = Engine([channel], RATE_HZ, Setup(), [parse_plan(PLAN, "one.toml")])
        session = Session(self.engine, NoRecorder(), utc=lambda: "", cue=lambda cue: None)
        self.session = LiveSession(session, self.feed, recording_name="x.hold", clock=lambda: 0.0)  # never stale
        self.live: Any = self.session
        self._running = self.start_run()
        super().up()

    def start_run(self) -> Any:
        return asyncio.run_coroutine_threadsafe(self.session.run(), self._loop)

    def end(self) -> None:
        self.do(lambda live: live.stop())
        self._running.result(10)
        super().end()

    def ask(self, **message: Any) -> None:
        self.do(lambda live: live.command(message, by="test"))

    def wait(self, seconds: float, percent: float) -> None:
        """Let so much sample time pass at this effort."""
        level = self.engine.level + round(seconds * LEVELS_PER_S)
        self.feed.put_seconds(seconds, percent)

        async def reach() -> None:
            seen = -1
            while self.engine.level < level:
                seen = await self.session.wait_for_update(seen)

        self.call(reach())

    def start_plan(self) -> None:
        self.ask(do="accept_cautions")
        self.ask(do="zero")
        self.wait(2.5, 0.0)
        self.ask(do="typed_maximum", value=MAXIMUM)
        self.ask(do="start_plan", plan="one")


@pytest.fixture
def rig() -> Iterator[Rig]:
    rig = Rig()
    rig.up()
    yield rig
    rig.end()


def settle(page: Page, rig: Rig) -> None:
    """Until the page shows the newest level."""
    level = str(rig.engine.level - 1)
    page.wait(lambda: page.tab.get_attribute("#number", "data-level") == level, within_s=20)
    page.wait(lambda: page.tab.get_attribute("#form", "data-mode") != "lost", within_s=20)


def clock(seconds: float) -> str:
    """Whole seconds still to go, from a minute on with minutes: as a person counts down."""
    whole = math.ceil(seconds - 1e-3)
    return f"{whole // 60}:{whole % 60:02}" if whole >= 60 else str(whole)


def test_the_countdown_is_the_time_that_is_left_of_the_phase(browser: Any, rig: Rig) -> None:
    rig.start_plan()
    page = Page(browser, rig)
    page.wait(lambda: page.tab.is_visible("#time"))
    left_s = 75.0
    for seconds in (0.5, 9.0, 6.3, 30.0, 20.0, 8.95):
        rig.wait(seconds, 0.0)
        left_s -= seconds
        settle(page, rig)
        assert page.text("time") == clock(left_s)
        assert page.text("time-unit") == ("" if left_s >= 60 else "s")
        assert "60–80 %" in page.text("next")
        assert "12 s" in page.text("next")
    rig.wait(0.3, 0.0)  # 0.25 s left, and 0.05 s of the next
    settle(page, rig)
    assert page.text("time") == "12"
    assert "60–80 %" in page.text("now")
    assert "40 s" in page.text("next")
    rig.ask(do="extend_phase", seconds=10)
    rig.wait(0.2, 70.0)
    settle(page, rig)
    assert page.text("time") == clock(12 + 10 - 0.25)
    rig.ask(do="end_phase")
    rig.wait(1.5, 0.0)
    settle(page, rig)
    assert page.text("time") == clock(40 - 1.5)
    assert "finished" in page.text("next")
    assert page.complaints == []
    page.close()


def test_the_share_in_band_is_the_efforts_that_lay_in_it_after_the_ramp(browser: Any, rig: Rig) -> None:
    rig.start_plan()
    rig.ask(do="end_phase")
    page = Page(browser, rig)
    rig.wait(1.0, 70.0)
    counted = inside = 0.0
    for seconds, percent in ((3.0, 70.0), (2.0, 45.0), (1.0, 70.0), (2.0, 95.0), (0.5, 61.5)):
        rig.wait(seconds, percent)
        settle(page, rig)
        counted += seconds
        inside += seconds * (LOW <= percent <= HIGH)
        told = page.text("share")
        assert told.startswith("in the band ")
        assert int(told.split()[3]) == pytest.approx(100 * inside / counted, abs=4)  # the filter takes 0.1 s to follow
        assert page.text("number") == str(math.floor(percent + 0.5))
        state = "in" if LOW <= percent <= HIGH else "below" if percent < LOW else "above"
        assert page.tab.get_attribute("#form", "data-band") == state
    page.close()


def test_the_question_opens_and_closes_when_the_plan_says_and_its_answer_is_the_sessions(
    browser: Any, rig: Rig
) -> None:
    rig.start_plan()
    page = Page(browser, rig)
    is_asked = "() => document.getElementById('pad').dataset.asking ?? document.getElementById('ask').textContent"
    rig.wait(71.9, 0.0)
    settle(page, rig)
    before = page.tab.evaluate(is_asked)
    assert rig.engine.hold.ask is None
    rig.wait(0.2, 0.0)  # three seconds before the end of the phase
    settle(page, rig)
    assert page.tab.evaluate(is_asked) != before
    page.tab.click("#pad-keys button >> nth=6")
    page.wait(lambda: rig.engine.account.ratings and rig.engine.account.ratings[-1].value == 6)
    assert rig.engine.account.ratings[-1].phase_index == 0
    page.wait(lambda: page.tab.evaluate(is_asked) == before or "6" in page.text("given"))
    assert page.complaints == []
    page.close()


COLORS = ["in", "in-tint", "above", "above-tint", "below", "below-tint", "sleeve", "ink", "line"]
MEASURE = """(names) => {
  const canvas = document.getElementById("belly");
  const style = getComputedStyle(document.documentElement);
  const probe = document.createElement("canvas").getContext("2d");
  const plain = (name) => {
    probe.clearRect(0, 0, 1, 1);
    probe.fillStyle = style.getPropertyValue(`--${name}`).trim();
    probe.fillRect(0, 0, 1, 1);
    return [...probe.getImageData(0, 0, 1, 1).data];
  };
  const [w, h] = [canvas.clientWidth, canvas.clientHeight];
  return { w, h, ratio: canvas.width / w, colors: names.map(plain) };
}"""
LOOK = """([x, y]) => {
  const data = document.getElementById("belly").getContext("2d").getImageData(Math.round(x), Math.round(y), 1, 1).data;
  return document.getElementById("form").dataset.mode === "lost" ? null : [...data];
}"""


class Picture:
    """The form's canvas as it is on the screen, asked at places in css pixels."""

    def __init__(self, page: Page) -> None:
        self.tab = page.tab
        found = self.tab.evaluate(MEASURE, COLORS)
        self.w, self.h, self.ratio = found["w"], found["h"], found["ratio"]
        self.colors = dict(zip(COLORS, found["colors"], strict=True))
        letter = max(13.0, min(40.0, 0.12 * self.h, 0.13 * self.w))  # of the labels, in a column for two digits
        edge = max(6.0, min(24.0, 0.02 * self.w))
        self.left, self.right = edge, self.w - edge - (2 * 0.74 + 0.35) * letter
        self.middle = (self.left + self.right) / 2
        self.ground = self.h - max(8.0, 0.05 * self.h)
        self.height = self.ground - max(0.6 * letter, 0.05 * self.h)

    def y(self, percent: float) -> float:
        return self.ground - self.height * percent / TOP

    def at(self, x: float, y: float) -> str:
        """The name of the colour there; "" where nothing is drawn."""
        found = None
        for _ in range(200):  # a busy machine's page says for a moment that it is not live, and draws that
            found = self.tab.evaluate(LOOK, [x * self.ratio, y * self.ratio])
            if found:
                break
            self.tab.wait_for_timeout(50)
        assert found, "the page is not live"
        pixel = np.array(found, int)
        if pixel[3] == 0:
            return ""
        distance = {name: np.abs(pixel - np.array(color)).sum() for name, color in self.colors.items()}
        name = min(distance, key=distance.__getitem__)
        return name if distance[name] <= 6 else "mixed"


@pytest.mark.parametrize("size", SIZES)
def test_the_form_on_the_screen_stands_where_the_effort_is(browser: Any, rig: Rig, size: str) -> None:
    rig.start_plan()
    rig.ask(do="end_phase")
    page = Page(browser, rig, viewport=dict(zip(("width", "height"), SIZES[size], strict=True)))
    rig.wait(2.0, 70.0)
    settle(page, rig)
    inside = Picture(page)
    x = inside.middle
    assert inside.at(x, inside.y(76)) == inside.at(x, inside.y(64)) == "in"
    assert inside.at(x, inside.y(30)) == "in-tint"
    assert inside.at(x, inside.y(90)) == ""
    left_of_time = (12 - 2.0) / 12
    margin = max(0.06, 5 / ((inside.right - inside.left) / 2))  # the line of time has round ends
    for share, color in ((left_of_time - margin, "ink"), (left_of_time + margin, "line")):
        for side in (-1, 1):
            found = inside.at(x + side * share * (inside.right - inside.left) / 2, inside.ground)
            feet = ("mixed", "in") if color == "line" else ()  # on a narrow form the belly's feet stand there
            assert found in (color, *feet), (share, side)
    rig.wait(2.0, 40.0)
    settle(page, rig)
    below = Picture(page)
    assert below.at(x, below.y(30)) == "below-tint"
    assert below.at(x, below.y(50)) == ""
    assert below.at(x, below.y(70)) == "sleeve"
    assert below.at(x, below.y(90)) == ""
    rig.wait(2.0, 95.0)
    settle(page, rig)
    above = Picture(page)
    strip = {above.at(x + dx, above.y(88)) for dx in range(-9, 10)}
    assert {"above", "above-tint"} <= strip, "hatched where it spills out"
    assert {above.at(x + dx, above.y(70)) for dx in range(-9, 10)} <= {"sleeve", "above-tint"}
    assert above.at(x, above.y(99)) in ("", "mixed")
    left_of_time = (12 - 6.0) / 12
    assert above.at(x + (left_of_time - margin) * (above.right - above.left) / 2, above.ground) == "ink"
    assert above.at(x + (left_of_time + margin) * (above.right - above.left) / 2, above.ground) != "ink"
    page.close()
