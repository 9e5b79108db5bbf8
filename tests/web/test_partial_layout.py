"""When a number changes the browser lays out the number's own room, not the page: counted in its trace, not timed."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from .conftest import Page, Served
from .fake_live import FakeLive
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = {"phone": (390, 844), "lying": (844, 390), "tablet": (820, 1180), "laptop": (1280, 800)}
MOST_OBJECTS = 8  # of over a hundred on the page: digits and their text, of one gauge or both


def feed(live: FakeLive, level: float) -> None:
    """Digits only: the number of them stays, as they have a room by their number."""
    live.feed(np.array([[level, level - 20]]), band_state=2, beside_state=1, remaining_s=5.6)


@pytest.mark.parametrize("place", ["", "coach", "athlete"])
@pytest.mark.parametrize("size", SIZES)
def test_a_changed_number_leaves_the_rest_of_the_page_where_it_is(
    browser: Any, served: Served, size: str, place: str
) -> None:
    served.do(SCENES["two_sides"])
    width, height = SIZES[size]
    page = Page(browser, served, path=place, alone=True, viewport={"width": width, "height": height})
    page.wait(lambda: page.tab.is_visible("#number") and page.text("number") == "71")
    page.tab.wait_for_timeout(700)  # what is told twice a second at most is told
    browser.start_tracing(page=page.tab, categories=["devtools.timeline"])
    for level in (72.0, 75.0, 71.0, 78.0, 64.0):
        served.do(lambda live, level=level: feed(live, level))
        page.wait(lambda level=level: page.text("number") == f"{level:.0f}")  # type: ignore[misc]
    events = json.loads(browser.stop_tracing())["traceEvents"]
    page.close()
    layouts = [event["args"] for event in events if event["name"] == "Layout" and "beginData" in event.get("args", {})]
    drawn = [args for args in layouts if args["beginData"]["dirtyObjects"]]
    assert len(drawn) >= 5, "nothing was laid out: this test looks at nothing"
    for args in drawn:
        assert args["beginData"]["partialLayout"], args
        assert args["beginData"]["dirtyObjects"] <= MOST_OBJECTS, args
