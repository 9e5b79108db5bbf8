"""What the page asks around a maximum, in a real session: the list, practice, and what there is instead."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.cautions import NO_MAXIMUM

from .conftest import Page
from .test_start_page import open_start, program  # noqa: F401 - fixtures

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def session(open_start: Any) -> Page:  # noqa: F811 - the fixture
    page = open_start()
    page.tab.click("text=Simulated athlete")
    page.tab.fill("#athlete", "A01")
    page.tab.select_option("#exercise", "hip-flexor-lunge")
    page.tab.click("#begin")
    page.tab.wait_for_selector("#accept-cautions:visible", timeout=90_000)
    page.tab.click("#accept-cautions")
    page.tab.click("#zero")
    page.tab.wait_for_selector("#care-none:visible", timeout=90_000)
    return page


def test_the_list_is_read_before_anything_and_none_opens_the_practice_pushes(session: Page) -> None:
    assert not session.tab.is_visible("#attempt")
    for text in NO_MAXIMUM:
        assert text in session.tab.inner_text("#asked-first")
        assert session.tab.is_visible(f"text={text}")  # whole, and not in a box to be scrolled
    session.tab.click("#care-none")
    session.tab.wait_for_selector("text=Start practice push, felt 25 %")
    session.tab.click("#attempt")
    session.tab.wait_for_selector("text=Push with a quarter of your strength", timeout=90_000)
    session.tab.wait_for_selector("text=Start practice push, felt 50 %", timeout=90_000)


def test_who_says_yes_starts_a_check_by_felt_effort(session: Page) -> None:
    session.tab.click("#care-yes")
    session.tab.wait_for_selector("text=no percentage")
    assert not session.tab.is_visible("#attempt")
    session.tab.click("text=Start Response check by felt effort")
    session.tab.wait_for_selector("#stop:visible")
    session.wait(lambda: "Relax" in session.text("now") or "Let go" in session.text("now"))


def test_a_whole_short_evening_asks_before_and_after_and_ends_when_something_hurts(session: Page) -> None:
    """By felt effort: what is expected, a plan stopped at once, how it is now."""
    session.tab.click("#care-yes")
    session.tab.click("text=Start Response check by felt effort")
    session.tab.wait_for_selector("#stop:visible")
    session.tab.click("#stop")
    session.tab.wait_for_selector("#end-well:visible")
    session.tab.check("#end-numbness")
    session.tab.click("#end-keep")
    session.tab.wait_for_selector("#asked-after .caution:visible")
    assert not session.tab.is_visible("#again")
    session.tab.click("text=Answer again")
    session.tab.click("#end-well")
    session.wait(lambda: "no numbness" in session.text("asked-after"))
    assert session.tab.is_visible("#again")
    assert [told for told in session.complaints if "REFUSED" not in told] == []  # the start page's server had ended
