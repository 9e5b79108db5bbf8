"""The whole job without a pointer, and at twice the text size."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def press_focused(page: Page, name: str, *, key: str = "Enter") -> None:
    """Tab until ``#name`` (or a button named so) has the focus, then press ``key``."""
    for _ in range(60):
        at = page.tab.evaluate("() => document.activeElement.id || document.activeElement.getAttribute('aria-label')")
        if at == name:
            page.tab.keyboard.press(key)
            return
        page.tab.keyboard.press("Tab")
    raise AssertionError(f"the keyboard does not reach {name}")


def stage(page: Page) -> str | None:
    return str(page.tab.get_attribute("body", "data-stage"))


def test_the_whole_job_by_keyboard(served: Served, open_tab: Callable[..., Page]) -> None:
    page = open_tab()
    page.wait(lambda: stage(page) == "cautions")
    press_focused(page, "accept-cautions")
    page.wait(lambda: stage(page) == "zero")
    press_focused(page, "zero", key="Space")  # nothing runs: Space presses the button
    page.wait(lambda: stage(page) == "maximum")
    for number in (1, 2, 3):
        press_focused(page, "attempt")
        page.wait(lambda number=number: len(served.live.state()["maximum"]["attempts"]) == number)  # type: ignore[misc]
    press_focused(page, "accept-maximum")
    page.wait(lambda: stage(page) == "ready")
    press_focused(page, "limit-down")
    page.wait(lambda: page.text("limit") == "8")
    press_focused(page, "Start Response check")
    page.wait(lambda: stage(page) == "plan")
    served.do(lambda live: live.change(ask={"id": 1, "text": "Discomfort now?", "said": 7}))
    page.wait(lambda: page.text("ask") == "Discomfort now?")
    page.tab.keyboard.press("7")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: len(served.live.state()["ratings"]) == 1)
    served.do(lambda live: live.finish())
    page.wait(lambda: stage(page) == "done")
    press_focused(page, "again")
    page.wait(lambda: stage(page) == "ready")
    did = [message["do"] for message, _ in served.live.commands]
    assert did == [
        "accept_cautions",
        "zero",
        *["attempt"] * 3,
        "accept_maximum",
        "limit",
        "start_plan",
        "rate",
        "resume",
    ]
    assert page.complaints == []


def test_focus_is_always_visible(served: Served, open_tab: Callable[..., Page]) -> None:
    for name in ("cautions", "maximum_rest", "ready", "inside", "done"):
        served.do(lambda live, name=name: (live.restart(), SCENES[name](live)))  # type: ignore[misc]
        page = open_tab()
        page.tab.wait_for_selector(f"body[data-stage={served.live.state()['stage']}]")
        reached = set()
        for _ in range(20):
            page.tab.keyboard.press("Tab")
            found = page.tab.evaluate(
                """() => {
                const at = document.activeElement;
                const style = getComputedStyle(at);
                if (at === document.body) return null;
                return [at.id || at.textContent.trim(), style.outlineStyle, style.outlineWidth, style.outlineColor];
              }"""
            )
            if found is None:  # past the last one, round to the page itself
                continue
            assert (found[1], float(found[2][:-2]) >= 2) == ("solid", True), (name, found)
            assert "rgba" not in found[3], (name, found)  # not see-through
            reached.add(found[0])
        assert len(reached) >= 2, (name, reached)
        page.close()


def test_at_twice_the_size_nothing_is_lost(served: Served, open_tab: Callable[..., Page]) -> None:
    """Zooming a 1280 x 800 window to 200 % leaves 640 x 400 css px (WCAG 2.2, 1.4.4)."""
    page = open_tab(viewport={"width": 640, "height": 400}, device_scale_factor=2)
    for name, scene in SCENES.items():
        served.do(lambda live, scene=scene: (live.restart(), scene(live)))  # type: ignore[misc]
        page.wait(lambda: stage(page) == served.live.state()["stage"])
        page.tab.wait_for_timeout(60)
        lost = page.tab.evaluate(
            """() => [...document.querySelectorAll("main button, main h1, main a, main .lead")].filter((e) => {
            if (!e.checkVisibility()) return false;
            e.scrollIntoView({ block: "nearest" });
            const r = e.getBoundingClientRect();
            const cut = e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflow !== "visible";
            return cut || r.left < -1 || r.right > innerWidth + 1 || r.bottom > innerHeight + 1;
          }).map((e) => e.id || e.textContent)"""
        )
        assert lost == [], name
