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
    page.tab.wait_for_selector("#accept-cautions:visible", timeout=20000)
    page.tab.click("#accept-cautions")
    page.tab.click("#zero")
    page.tab.wait_for_selector("#care-none:visible", timeout=20000)
    return page


def test_the_list_is_read_before_anything_and_none_opens_the_practice_pushes(session: Page) -> None:
    assert session.tab.is_disabled("#attempt")
    for text in NO_MAXIMUM:
        assert text in session.tab.inner_text("#attempts")
    session.tab.click("#care-none")
    session.tab.wait_for_selector("text=Start practice push, felt 25 %")
    session.tab.click("#attempt")
    session.tab.wait_for_selector("text=Push with 25 %", timeout=15000)
    session.tab.wait_for_selector("text=Start practice push, felt 50 %", timeout=15000)


def test_who_says_yes_starts_a_check_by_felt_effort(session: Page) -> None:
    session.tab.click("#care-yes")
    session.tab.wait_for_selector("text=no percentage")
    assert session.tab.is_disabled("#attempt")
    session.tab.click("text=Start Response check by felt effort")
    session.tab.wait_for_selector("#stop:visible")
    session.wait(lambda: "Relax" in session.text("now") or "Let go" in session.text("now"))
