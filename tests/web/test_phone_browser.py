"""A phone measures in a real browser, under a name of the network, over TLS, by the browser's own sensor overrides."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.session.run import LiveSession

from ..busy import wait_until
from ..requirements import CHROMIUM_WITH_WINDOWS, need
from .phone_evening import Evening, Memory, Phone, run_evening

G = 9.80665
pytestmark = [pytest.mark.browser, pytest.mark.waits(60)]


@pytest.fixture
def with_phone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., None]:
    need(CHROMIUM_WITH_WINDOWS, "chromium is not installed")
    return lambda scenario, **options: run_evening(scenario, tmp_path, monkeypatch, **options)


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
    def scenario(evening: Evening) -> None:
        phone, live = evening.phone, evening.live
        phone.has_sensor()
        phone.hold((0, 0, G))
        phone.page.click("#angle-use")
        wait_for(lambda: (live.state()["phone"] or {})["state"] == "live")
        worst = 0.0
        for number, matrix in enumerate(orientations()):
            for sign in (1, -1):
                flat = sign * matrix @ np.array([0, 0, G])
                phone.hold(flat)
                wait_for(lambda flat=flat: lies_still(evening.memory, flat))
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


def lies_still(memory: Memory, gravity: Any, n_frames: int = 45) -> bool:
    """For 0.9 s of the session's own time: past the filter, and half a second for the zero."""
    last = gravity_in(memory.items[-2 * n_frames :])[-n_frames:]
    return len(last) == n_frames and bool((np.abs(last - gravity) < 0.05).all())


def in_use(evening: Evening) -> Phone:
    """The phone, lying still and measuring."""
    phone = evening.phone
    phone.has_sensor()
    phone.hold((0, 0, G))
    phone.page.click("#angle-use")
    wait_for(lambda: evening.state["state"] == "live" and shown_now(evening.live))
    return phone


def shown_now(live: LiveSession) -> bool:
    """Is there an angle since it was switched on?"""
    return bool(np.isfinite(live.strip_since(live.snapshot().level - 5)[1][1, :, 1]).any())


def within_a_second(condition: Callable[[], object]) -> None:
    wait_until(condition, within_s=1.0, pause=lambda: time.sleep(0.01))


HIDDEN = """(value) => {
  Object.defineProperty(document, 'hidden', {value, configurable: true});
  document.dispatchEvent(new Event('visibilitychange'));
}"""


def test_a_phone_in_the_background_or_locked_is_told_within_a_second_and_comes_back(with_phone):
    def scenario(evening: Evening) -> None:
        phone = in_use(evening)
        phone.page.evaluate(HIDDEN, True)
        within_a_second(lambda: evening.state["state"] in ("hidden", "silent"))
        phone.page.evaluate(HIDDEN, False)
        wait_for(lambda: evening.state["state"] == "live")
        phone.cdp.send("Debugger.enable")
        phone.cdp.send("Debugger.pause")  # as a lock: nothing of the page runs on
        within_a_second(lambda: evening.state["state"] == "silent")
        phone.cdp.send("Debugger.disable")
        wait_for(lambda: evening.state["state"] == "live")

    with_phone(scenario)


def test_a_device_without_the_sensor_says_so_with_a_cure(with_phone):
    def scenario(evening: Evening) -> None:
        phone = evening.phone
        phone.page.click("#angle-use")
        wait_for(lambda: "no motion comes" in (phone.page.text_content("#angle-wrong") or ""))

    with_phone(scenario)


REFUSE = """() => {
  window.asked = 0;
  DeviceMotionEvent.requestPermission = async () => (window.asked++ ? "granted" : "denied");
}"""


def test_a_refused_permission_says_so_with_its_cure_and_can_be_given_after_all(with_phone):
    def scenario(evening: Evening) -> None:
        phone, live = evening.phone, evening.live
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


def give_motion(evening: Evening, setting: str) -> None:
    """Take the permission back, or give it, as in the browser's settings for the page."""
    cdp = evening.browser.new_browser_cdp_session()
    pages = cdp.send("Target.getTargets")["targetInfos"]
    context = next(one["browserContextId"] for one in pages if one["url"] == evening.phone.page.url)
    for name in ("accelerometer", "gyroscope"):
        cdp.send(
            "Browser.setPermission", {"browserContextId": context, "permission": {"name": name}, "setting": setting}
        )


def test_a_permission_that_is_taken_back_is_told_and_the_angle_returns_with_it(with_phone):
    def words(evening: Evening) -> list[str]:
        return [item.text for item in evening.memory.items if hasattr(item, "text")]

    def scenario(evening: Evening) -> None:
        phone = in_use(evening)
        coach = evening.browser.new_page()
        coach.goto(evening.address + "coach")
        coach.click("#read-them")
        give_motion(evening, "denied")
        wait_for(lambda: phone.says("#angle-wrong", "no motion comes from this phone: allow motion for this page"))
        wait_for(lambda: evening.state["state"] == "mute")
        coach.wait_for_selector(".angle-now:visible:has-text('the phone gives no motion: allow motion for this page')")
        wait_for(lambda: "the phone gives no motion: its angle is missing" in words(evening))
        assert not any("slow" in text for text in words(evening))
        give_motion(evening, "granted")
        wait_for(lambda: evening.state["state"] == "live")
        wait_for(lambda: shown_now(evening.live))
        wait_for(lambda: not phone.says("#angle-wrong", "no motion"))
        wait_for(lambda: "the phone gives motion again" in words(evening))

    with_phone(scenario)


def test_one_phone_is_the_sensor_and_another_of_the_same_seat_its_screen(with_phone):
    def scenario(evening: Evening) -> None:
        sensor, screen = in_use(evening), evening.phone.open_second()
        sensor.page.click("#angle-zero")
        wait_for(lambda: "position_phone" in evening.live.state()["zero"]["results"])
        turn = math.radians(30)
        sensor.hold((G * math.sin(turn), 0, G * math.cos(turn)))
        wait_for(lambda: screen.says(".angle-now", "phone: 30."), told=lambda: screen.page.text_content(".angle-now"))
        wait_for(lambda: sensor.says(".angle-now", "phone: 30."))
        screen.has_sensor()
        screen.hold((0, 0, G))
        screen.page.click("#angle-use")  # it claims the seat as well: refused, with the cure, and the first goes on
        wait_for(lambda: screen.says("#angle-wrong", "another phone is the sensor of this seat: switch its angle"))
        assert screen.page.text_content("#angle-use") == "Use this phone's angle"
        assert abs(shown(evening.live) - 30) < 0.5
        assert sensor.page.text_content("#angle-use") == "Stop using this phone's angle"
        sensor.page.click("#angle-use")
        wait_for(lambda: evening.state["state"] == "off")
        screen.page.click("#angle-use")
        wait_for(lambda: evening.state["state"] == "live")
        wait_for(lambda: not screen.says("#angle-wrong", "another"))

    with_phone(scenario)


def test_a_phone_that_leaves_the_network_in_the_hold_is_told_and_the_recording_goes_on(with_phone):
    def scenario(evening: Evening) -> None:
        phone = in_use(evening)
        evening.command(do="start_plan", plan="felt-check")
        wait_for(lambda: evening.live.state()["stage"] == "plan")
        first = len(evening.memory.items)
        evening.radio.carries.clear()
        within_a_second(lambda: evening.state["state"] == "silent")
        wait_for(lambda: phone.page.evaluate("document.querySelector('#form').dataset.mode") == "lost")
        gone = len(evening.memory.items)
        wait_for(lambda: count_frames(evening.memory.items[gone:]) > 100)  # two seconds of the session
        missing = gravity_in(evening.memory.items[gone:])
        assert np.isnan(missing).all()
        assert evening.live.state()["stage"] == "plan"
        evening.radio.carries.set()
        wait_for(lambda: evening.state["state"] == "live")
        back = len(evening.memory.items)
        wait_for(lambda: np.isfinite(gravity_in(evening.memory.items[back:])).any())
        frames = [item.first_frame for item in evening.memory.items[first:] if hasattr(item, "counts")]
        assert frames == sorted(frames)

    with_phone(scenario)


def count_frames(items: list[Any]) -> int:
    return sum(item.n_frames for item in items if hasattr(item, "n_frames"))


def gravity_in(items: list[Any]) -> Any:
    counts = [item.counts[:, 2:] for item in items if hasattr(item, "counts")]
    return np.concatenate(counts) if counts else np.empty((0, 3))


def test_a_second_finger_on_the_slider_does_not_count(with_phone):
    def scenario(evening: Evening) -> None:
        phone = evening.phone
        phone.page.click("#slider-use")
        phone.page.wait_for_selector("#slider", state="visible")
        box = phone.page.locator("#slider").bounding_box()
        middle = box["x"] + box["width"] / 2

        def touch(kind: str, *shares: float) -> None:
            points = [
                {"x": middle, "y": box["y"] + (1 - k / 10) * box["height"], "id": n} for n, k in enumerate(shares)
            ]
            phone.cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        touch("touchStart", 7.0)
        wait_for(lambda: phone.page.text_content("#slider-value") == "7.0")
        touch("touchStart", 7.0, 2.0)
        wait_for(lambda: phone.says("#slider-said", "A second finger does not count."))
        touch("touchMove", 6.0, 3.0)
        wait_for(lambda: phone.page.text_content("#slider-value") == "6.0")
        wait_for(lambda: 600 in rated(evening.memory))
        assert not [value for value in rated(evening.memory) if value < 590]
        touch("touchEnd")
        wait_for(lambda: phone.page.get_attribute("#slider", "aria-valuetext") == "not touched")

    with_phone(scenario, has_touch=True)


def test_the_slider_goes_on_when_the_angle_is_switched_off(with_phone):
    def scenario(evening: Evening) -> None:
        phone = in_use(evening)
        phone.page.click("#slider-use")
        phone.page.click("#angle-use")
        wait_for(lambda: evening.state["state"] == "slider")
        box = phone.page.locator("#slider").bounding_box()
        phone.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 0.5 * box["height"])
        phone.page.mouse.down()
        wait_for(lambda: 500 in rated(evening.memory), told=lambda: rated(evening.memory))

    with_phone(scenario)


def rated(memory: Memory) -> set[int]:
    counts = [chunk.counts[:, 0] for chunk in memory.items if hasattr(chunk, "counts")]
    known = np.concatenate(counts) if counts else np.empty(0, int)
    return set(known[(known >= 0) & (known <= 1000)].tolist())


def test_the_slider_is_recorded_while_it_is_touched_and_not_otherwise(with_phone):
    def scenario(evening: Evening) -> None:
        phone, memory = evening.phone, evening.memory
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
    def scenario(evening: Evening) -> None:
        phone, live = evening.phone, evening.live
        phone.has_sensor()
        phone.hold((0, 0, G))
        phone.page.click("#angle-use")
        wait_for(lambda: live.state()["phone"]["state"] == "live")
        time.sleep(0.8)
        evening.command(do="start_plan", plan="felt-check")
        for tenth in range(51):
            turn = math.radians(tenth / 10)
            phone.hold((G * math.sin(turn), 0, G * math.cos(turn)))
            time.sleep(0.02)
        wait_for(lambda: "go back" in (phone.page.text_content("#form > .angle-now") or ""))

    with_phone(scenario)
