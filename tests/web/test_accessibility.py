"""WCAG 2.2 level A and AA, as far as a rule engine can see, on every state of every place, light and dark."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from .axe import TAGS, axe_script
from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.network, pytest.mark.slow]


def violations(page: Page) -> list[str]:
    found = page.tab.evaluate(
        """async (tags) => {
        const result = await axe.run(document, { runOnly: { type: "tag", values: tags } });
        return result.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target + " " + n.failureSummary)}`);
      }""",
        TAGS,
    )
    return [str(each) for each in found]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("place", ["", "athlete", "coach"])
def test_no_violation_in_any_state(served: Served, open_tab: Callable[..., Page], place: str, scheme: str) -> None:
    script = axe_script()
    page = open_tab(path=place, color_scheme=scheme, script=script)
    problems: list[str] = []
    for name, scene in SCENES.items():
        served.do(lambda live, scene=scene: (live.restart(), scene(live)))  # type: ignore[misc]
        page.wait(lambda: page.tab.get_attribute("body", "data-stage") == served.live.state()["stage"])
        page.tab.wait_for_timeout(300)  # banners and labels follow within a watch of 200 ms
        problems += [f"{name}: {each}" for each in violations(page)]
    page.tab.click("#options summary")
    problems += [f"options: {each}" for each in violations(page)]
    assert problems == []


def test_where_a_device_joins(browser: Any) -> None:
    script = axe_script()
    served = Served(share=True)
    served.up()
    try:
        page = Page(browser, served, path="pair", script=script)
        assert violations(page) == []
        page.context.close()
        page = Page(browser, served, path="coach", script=script)
        page.tab.click("[data-invite='coach']")
        page.wait(lambda: page.tab.locator("#devices canvas").count() == 2)
        assert violations(page) == []
        page.context.close()
    finally:
        served.end()


def test_the_rule_engine_finds_what_is_wrong(open_tab: Callable[..., Page], served: Served) -> None:
    page: Any = open_tab(script=axe_script())
    page.tab.evaluate("() => { document.body.append(document.createElement('button')); }")
    assert any(each.startswith("button-name") for each in violations(page))
