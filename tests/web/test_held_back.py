"""A set that would be wasted: the coach may begin it all the same by one press, the athlete not, nobody after pain."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]
OpenTab = Callable[..., Page]


def show(served: Served, name: str) -> None:
    served.do(lambda live: (live.restart(), SCENES[name](live)))


def sent(served: Served, what: str) -> list[dict[str, Any]]:
    return [message for message, _ in served.live.commands if message["do"] == what]


def test_the_coach_begins_a_held_back_set_with_one_press(served: Served, open_tab: OpenTab) -> None:
    show(served, "held_back")
    page = open_tab(path="coach")
    page.wait(lambda: page.tab.is_visible("#begin-set"))
    assert page.text("held-back").startswith("Not yet. A set now would last about 6 s of 15 s")
    assert not page.tab.is_visible("#end-phase")
    page.tab.click("#begin-set")
    page.wait(lambda: sent(served, "end_phase"))
    assert sent(served, "end_phase") == [{"do": "end_phase", "phase_index": 2, "anyway": True}]
    served.do(lambda live: live.show(time_s=90.5))  # the wait is over without news from the session
    page.wait(lambda: page.tab.is_visible("#end-phase"))
    assert not page.tab.is_visible("#begin-set")
    assert page.complaints == []


def test_after_a_set_that_hurt_nobody_is_offered_to_insist(served: Served, open_tab: OpenTab) -> None:
    show(served, "held_back_by_pain")
    page = open_tab(path="coach")
    page.wait(lambda: "Nobody begins the next one earlier." in page.text("held-back"))
    assert not page.tab.is_visible("#begin-set")
    assert not page.tab.is_visible("#end-phase")
    assert page.tab.is_visible("#extend-phase")


def test_the_athletes_page_has_no_such_press(served: Served, open_tab: OpenTab) -> None:
    show(served, "held_back")
    page = open_tab(path="athlete")
    page.wait(lambda: page.tab.get_attribute("body", "data-stage") == "plan")
    assert not page.tab.is_visible("#begin-set")
    show(served, "early")
    page.wait(lambda: page.tab.get_attribute("body", "data-stage") == "ready")
    assert page.tab.get_by_role("button", name="Start Hard hold all the same").count() == 0 or not (
        page.tab.get_by_role("button", name="Start Hard hold all the same").is_visible()
    )


def test_a_plan_of_sets_soon_after_others_starts_only_all_the_same(served: Served, open_tab: OpenTab) -> None:
    show(served, "early")
    page = open_tab(path="coach")
    insist = page.tab.get_by_role("button", name="Start Hard hold all the same")
    plain = page.tab.get_by_role("button", name="Start Hard hold", exact=True)
    page.wait(insist.is_visible)
    assert not plain.is_visible()
    assert page.tab.get_by_role("button", name="Start Light hold", exact=True).is_visible()
    insist.click()
    page.wait(lambda: sent(served, "start_plan"))
    assert sent(served, "start_plan") == [{"do": "start_plan", "plan": "hard-hold", "anyway": True}]
    show(served, "early")
    served.do(lambda live: live.show(time_s=90.5))
    page.wait(plain.is_visible)
    assert not insist.is_visible()
