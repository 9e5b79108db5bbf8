"""A laptop and a phone at 200 %, the phone either way round: nothing is cut off at the side, Stop stays in sight."""

from __future__ import annotations

from typing import Any

import pytest

from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = [(640, 400), (195, 422), (422, 195)]  # half of 1280x800, 390x844 and 844x390, as WCAG 2.2 1.4.4 zooms
OUTSIDE = """(wide) => [...document.querySelectorAll("button, select, input, summary, p, li, strong, canvas, h1, h2")]
  .filter((e) => e.offsetParent !== null && !e.closest("[aria-hidden], .hide, #steps, details:not([open]) > div"))
  .filter((e) => e.id !== "setting")
  .map((e) => [e, e.getBoundingClientRect()])
  .filter(([, box]) => box.width && (box.left < -1 || box.right > wide + 1))
  .map(([e]) => `${e.tagName} ${e.id} ${e.className} ${e.textContent.slice(0, 40)}`)"""


@pytest.mark.parametrize("place", ["coach", "athlete"])
def test_everything_can_be_reached_at_twice_the_size(browser: Any, place: str) -> None:
    served = Served(share=True)
    served.up()
    try:
        for size in SIZES:
            look_everywhere(browser, served, place, size)
    finally:
        served.end()


def look_everywhere(browser: Any, served: Served, place: str, size: tuple[int, int]) -> None:
    page = Page(browser, served, path=place, viewport={"width": size[0], "height": size[1]})
    for name, scene in SCENES.items():
        served.do(lambda live, scene=scene: (live.restart(), scene(live)))  # type: ignore[misc]
        page.wait(lambda: page.tab.get_attribute("body", "data-stage") == served.live.state()["stage"])
        page.tab.wait_for_timeout(60)
        assert page.tab.evaluate(OUTSIDE, size[0]) == [], name
    served.do(lambda live: (live.restart(), SCENES["inside"](live)))
    page.wait(lambda: page.text("number") == "71")
    page.tab.click("#options summary")
    assert page.tab.evaluate(OUTSIDE, size[0]) == [], "options"
    page.tab.click("#options summary")
    for reached in ("#form", "#time", "#pad-keys [data-rating='10']", "#no-answer"):
        page.tab.locator(reached).scroll_into_view_if_needed()
        top, bottom = page.tab.evaluate(
            "() => { const b = document.getElementById('stop').getBoundingClientRect(); return [b.top, b.bottom]; }"
        )
        assert 0 <= top < bottom <= size[1] + 1, reached
    page.tab.click("[data-rating='10']")
    page.wait(lambda: served.live.commands[-1][0].get("value") == 10)
    assert page.complaints == []
    page.close()
