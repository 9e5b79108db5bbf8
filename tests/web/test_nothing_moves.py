"""During an effort nothing moves under a hand that reaches for Stop or for a number, whatever there is to say."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from .conftest import Findings, Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = [(390, 844), (844, 390), (820, 1180), (1280, 800)]
BOXES = """() => Object.fromEntries([...document.querySelectorAll(".live button, #form, #time, .coach button")]
  .filter((e) => e.offsetParent !== null)
  .map((e) => [e.id || e.textContent, JSON.stringify(e.getBoundingClientRect())]))"""

# What of the banner lies under the button for the sound, when that is as wide as it gets.
COVERED = """() => {
  const sound = document.querySelector("#options summary"), name = document.querySelector("#sound-name");
  const said = name.textContent;
  name.textContent = "Tap for sound";
  const a = sound.getBoundingClientRect();
  const lines = [...document.querySelectorAll("#banner p, #banner button")].flatMap((e) => {
    const range = document.createRange();
    range.selectNodeContents(e);
    return [...(e.matches("button") ? e : range).getClientRects()].map((b) => [e.textContent, b]);
  });
  name.textContent = said;
  return lines.filter(([, b]) => b.right > a.left && b.left < a.right && b.bottom > a.top && b.top < a.bottom)
    .map(([text]) => text);
}"""


@pytest.mark.parametrize("place", ["athlete", "coach", ""])
def test_trouble_moves_nothing_during_an_effort(served: Served, open_tab: Callable[..., Page], place: str) -> None:
    page = open_tab(path=place)
    found = Findings()
    for size in SIZES:
        with found.at(size):
            page.resize(size)
            served.do(lambda live: (live.restart(), SCENES["inside"](live)))  # type: ignore[func-returns-value]
            page.wait(lambda: page.text("number") == "71" and not page.tab.is_visible("#banner"))
            page.tab.wait_for_timeout(100)
            make_trouble(served, page)
    assert found == []


def make_trouble(served: Served, page: Page) -> None:
    before = page.tab.evaluate(BOXES)
    assert len(before) > 12
    for scene, text in (("lost", "signal lost"), ("clipping", "clips"), ("another_device", "Another device")):
        served.do(lambda live, scene=scene: (live.restart(), SCENES[scene](live)))  # type: ignore[misc]
        page.wait(lambda text=text: text in page.text("banner"))  # type: ignore[misc]
        page.tab.wait_for_timeout(100)
        now = page.tab.evaluate(BOXES)
        assert {name: box for name, box in before.items() if now.get(name) != box} == {}, scene
        sound = page.tab.locator("#options summary")
        sound.click(timeout=1000)  # in reach, not under the banner
        assert page.tab.is_visible("#sound-off")
        sound.click()
        covered = page.tab.evaluate(COVERED)
        assert covered == [], f"{scene}: under the sound's own button"
        banner, bar = page.tab.locator("#banner"), page.tab.locator(".bar")
        assert banner.bounding_box()["y"] == bar.bounding_box()["y"], (
            "a hand on Sound moves no trouble over the headline"
        )
    served.down()
    page.wait(lambda: "disconnected" in page.text("banner"))
    now = page.tab.evaluate(BOXES)  # only the form may grow where "Let go now" is shorter than what stood there
    assert {name: box for name, box in before.items() if name != "form" and now.get(name) != box} == {}
    served.up()


def apart(a: dict[str, float], b: dict[str, float]) -> bool:
    beside = a["x"] + a["width"] <= b["x"] or b["x"] + b["width"] <= a["x"]
    return beside or a["y"] + a["height"] <= b["y"] or b["y"] + b["height"] <= a["y"]


def test_whoever_goes_to_the_bar_by_keys_sees_it(browser: Any, served: Served) -> None:
    served.do(SCENES["lost"])
    page = Page(browser, served, viewport={"width": 1280, "height": 800})
    page.wait(lambda: "signal lost" in page.text("banner"))
    page.tab.focus("#options summary")
    bar, banner = (page.tab.locator(f"{name}").bounding_box() for name in (".bar", "#banner"))
    assert banner["y"] >= bar["y"] + bar["height"] - 1  # WCAG 2.2 success criterion 2.4.11, focus not obscured
    page.close()


def test_the_question_about_the_position_covers_nothing(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["position"])
    page = open_tab()
    page.wait(lambda: page.tab.is_visible("#position-ask"))
    for size in SIZES:
        page.resize(size)
        ask = page.tab.locator("#position-ask").bounding_box()
        for other in ("#number", "#stop", "#now", "#time"):
            assert apart(ask, page.tab.locator(other).bounding_box()), (size, other)
