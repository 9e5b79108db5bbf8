"""WCAG 2.2 level A and AA, as far as a rule engine can see, on every state of every place, light and dark."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import biofeedback.web

from .axe import TAGS, axe_script
from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.network, pytest.mark.slow]

STATIC = Path(biofeedback.web.__file__).parent / "static"
COLOR_RULES = ["color-contrast", "link-in-text-block"]
# What contrast depends on: an element's own colours and letters, those that it inherits, and what lies at its place.
# Whoever looks the same has been asked already: contrast takes most of the engine's time.
MARK_NEW_LOOKS = """() => {
  const seen = (window.looks ??= new Set());
  const styles = new Map();
  const style = (element) => {
    if (!styles.has(element)) {
      const at = getComputedStyle(element);
      styles.set(element, [element.localName, at.color, at.backgroundColor, at.backgroundImage, at.opacity, at.fontSize,
        at.fontWeight, at.filter, at.mixBlendMode, at.textShadow, at.visibility, at.clipPath].join());
    }
    return styles.get(element);
  };
  const name = (element) => {
    const own = [...element.childNodes].filter((node) => node.nodeType === 3).map((node) => node.data.trim()).join("");
    const control = element.closest("label")?.control;
    const is_dead = Boolean(element.closest(":disabled, [aria-disabled=true], [inert]") || control?.disabled);
    const told = [Math.min(own.length, 2), is_dead];  // a single letter, a dead button: judged otherwise
    for (let each = element; each; each = each.parentElement) told.push(style(each));
    const [box] = element.getClientRects();
    const behind = document.elementsFromPoint((box.left + box.right) / 2, (box.top + box.bottom) / 2);
    return [...told, "at", ...behind.map(style)].join(";");
  };
  for (const element of document.body.querySelectorAll("*")) {
    if (!element.getClientRects().length) continue;
    const look = name(element);
    if (!seen.has(look)) element.setAttribute("data-new-look", "");
    seen.add(look);
  }
  return document.querySelectorAll("[data-new-look]").length;
}"""
FIND = """async ([tags, only]) => {
  axe.configure({ rules: [{ id: "color-contrast", selector: "[data-new-look]" }] });
  const runOnly = only ? { type: "rule", values: only } : { type: "tag", values: tags };
  const result = await axe.run(document, { runOnly, resultTypes: ["violations"] });
  for (const element of document.querySelectorAll("[data-new-look]")) element.removeAttribute("data-new-look");
  return result.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target + " " + n.failureSummary)}`);
}"""
FINISH = """() => {
  for (const one of document.getAnimations()) if (one instanceof CSSTransition) one.finish();  // no mixed colour
}"""


def violations(page: Page, only: list[str] | None = None) -> list[str]:
    """What the engine finds now; ``only`` by these rules. What looks as something before it on this page is not asked
    for its contrast again."""
    page.tab.evaluate(FINISH)
    n_new = page.tab.evaluate(MARK_NEW_LOOKS)
    if only == COLOR_RULES and not n_new:
        return []
    return [str(each) for each in page.tab.evaluate(FIND, [TAGS, only])]


def violations_light_and_dark(page: Page) -> list[str]:
    """Every rule on the light page; on the dark one, which differs in its colours only, those that look at colours."""
    found = violations(page)
    page.tab.emulate_media(color_scheme="dark", reduced_motion="reduce")  # else a colour may be caught half-way
    page.tab.wait_for_timeout(50)  # canvases are painted again
    found += [f"dark: {each}" for each in violations(page, COLOR_RULES)]
    page.tab.emulate_media(color_scheme="light")
    return found


@pytest.mark.parametrize("place", ["", "athlete", "coach"])
def test_no_violation_in_any_state(served: Served, open_tab: Callable[..., Page], place: str) -> None:
    script = axe_script()
    page = open_tab(path=place, color_scheme="light", script=script)
    problems: list[str] = []
    for name, scene in SCENES.items():
        served.do(lambda live, scene=scene: (live.restart(), scene(live)))  # type: ignore[misc]
        page.wait(lambda: page.tab.get_attribute("body", "data-stage") == served.live.state()["stage"])
        page.tab.wait_for_timeout(300)  # banners and labels follow within a watch of 200 ms
        problems += [f"{name}: {each}" for each in violations_light_and_dark(page)]
    page.tab.click("#options summary")
    problems += [f"options: {each}" for each in violations_light_and_dark(page)]
    assert problems == []


def test_light_and_dark_differ_in_colours_only() -> None:
    """Why the dark page need not be asked everything again: its one block of style names colours and nothing else."""
    styles = {path.name: path.read_text("utf-8") for path in STATIC.rglob("*.css")}
    assert [name for name, style in styles.items() if "prefers-color-scheme" in style] == ["style.css"]
    (block,) = re.findall(r"@media [^{]*prefers-color-scheme[^{]*\{\s*:root \{([^}]*)\}\s*\}", styles["style.css"])
    assert styles["style.css"].count("prefers-color-scheme") == 1
    said = [each.strip() for each in block.split(";") if each.strip()]
    assert len(said) > 20
    assert [each for each in said if not re.fullmatch(r"--[a-z0-9-]+: #[0-9a-f]{6}", each)] == []


@pytest.mark.parametrize("place", ["", "athlete", "coach"])
def test_no_violation_where_the_page_itself_makes_the_state(
    served: Served, open_tab: Callable[..., Page], place: str
) -> None:
    """Before the press, pushing while relaxing, why it was stopped, a Stop kept without a connection."""
    script = axe_script()
    problems: list[str] = []

    def look(name: str) -> None:
        page.tab.wait_for_timeout(300)
        problems.extend(f"{name}: {each}" for each in violations_light_and_dark(page))

    served.do(SCENES["ready"])
    page = open_tab(path=place, color_scheme="light", script=script, pressed=False)
    page.wait(lambda: page.tab.is_visible("#read-them"))
    look("before the press")
    served.do(lambda live: (live.restart(), SCENES["passive"](live)))  # type: ignore[func-returns-value]
    page.wait(lambda: page.text("now").startswith("Relax"))
    served.do(lambda live: live.feed(np.full(300, 2.0), band_state=0))
    page.tab.wait_for_timeout(200)
    for _ in range(14):
        served.do(lambda live: live.feed(np.full(10, 53.0), band_state=0))
        page.tab.wait_for_timeout(30)
    page.wait(lambda: page.tab.get_attribute("#form", "data-band") == "pushing")
    look("pushing")
    page.tab.click("#stop")
    page.wait(lambda: page.tab.is_visible("text=Why was it stopped?"))
    look("why")
    page.tab.click("text=Sharp or odd sensation")
    page.wait(lambda: "Do not go on today" in page.text("why"))
    look("sharp")
    served.do(lambda live: (live.restart(), SCENES["inside"](live)))  # type: ignore[func-returns-value]
    page.wait(lambda: page.text("number") == "71")
    served.down()
    page.wait(lambda: page.text("now") == "Let go now", within_s=5)
    page.tab.keyboard.press("Escape")
    page.wait(lambda: "kept" in page.text("stop-hint"))
    look("kept")
    served.up()
    assert problems == []


def test_where_a_device_joins(browser: Any) -> None:
    script = axe_script()
    served = Served(share=True)
    served.up()
    try:
        page = Page(browser, served, path="pair", script=script)
        assert violations(page) == []
        page.close()
        page = Page(browser, served, path="coach", script=script)
        page.tab.click("[data-invite='coach']")
        page.wait(lambda: page.tab.locator("#devices canvas").count() == 2)
        assert violations(page) == []
        page.close()
    finally:
        served.end()


def test_the_rule_engine_finds_what_is_wrong(open_tab: Callable[..., Page], served: Served) -> None:
    page: Any = open_tab(script=axe_script())
    page.tab.evaluate("() => { document.body.append(document.createElement('button')); }")
    assert any(each.startswith("button-name") for each in violations(page))


BAD = """(name) => {
  const text = document.querySelector("#look") ?? document.createElement("p");
  document.body.append(text);
  text.id = "look";
  text.textContent = "a word";
  text.style = "position: fixed; z-index: 999; top: 40%; left: 40%; color: black; background: white";
  const changes = {
    sound: () => {},
    color: () => { text.style.color = "#ddd"; },
    ground: () => { text.style.background = "#222"; },
    parent: () => { document.body.append(Object.assign(document.createElement("div"), { style: "opacity: 0.3" }));
      text.style.position = "static"; document.body.lastElementChild.append(text); },
    behind: () => { text.style.background = "none"; const ground = document.createElement("div");
      ground.style = "position: fixed; z-index: 998; top: 30%; left: 30%; width: 40%; height: 40%; background: #111";
      document.body.append(ground); },
  };
  changes[name]();
}"""


@pytest.mark.parametrize("change", ["color", "ground", "parent", "behind"])
def test_what_looks_otherwise_than_before_is_asked_again(open_tab: Callable[..., Page], change: str) -> None:
    page = open_tab(script=axe_script())
    page.tab.evaluate(BAD, "sound")
    assert violations(page) == []
    assert violations(page, COLOR_RULES) == []
    page.tab.evaluate(BAD, change)
    (found,) = violations(page, COLOR_RULES)
    assert found.startswith("color-contrast")
