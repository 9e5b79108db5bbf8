"""Number, unit, word, band edges and belly each have a place of their own: nothing of a gauge touches another."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from .conftest import Findings, Page, Served
from .fake_live import FakeLive
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = [(390, 844), (360, 740), (844, 390), (820, 1180), (1280, 800), (900, 560)]
PERCENTS = (0.0, 7.0, 70.0, 100.0, 145.0)
# How large one CSS pixel is: a 390 px phone is 65 mm wide, an 820 px tablet 163 mm, a 1280 px laptop 286 mm
# (usual products), a 1920 px monitor 531 mm.
PX_MM = {
    **dict.fromkeys([(390, 844), (360, 740), (412, 915), (844, 390), (740, 360)], 65 / 390),
    **dict.fromkeys([(820, 1180), (1180, 820)], 163 / 820),
    (1280, 800): 286 / 1280,
    (1920, 1080): 531 / 1920,
}
PHONES = [(390, 844), (360, 740), (412, 915), (844, 390), (740, 360)]
# Letters on a canvas are noted with their box, in the canvas's own pixels, until that canvas is cleared.
# A text is written once on a picture of its own and copied from there.
WRITTEN = """
const { drawImage, clearRect } = CanvasRenderingContext2D.prototype;
const { fillText } = OffscreenCanvasRenderingContext2D.prototype;
CanvasRenderingContext2D.prototype.clearRect = function (...at) {
  this.canvas.written = [];
  return clearRect.apply(this, at);
};
OffscreenCanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
  const m = this.measureText(text);
  const box = [x - m.actualBoundingBoxLeft, y - m.actualBoundingBoxAscent,
    x + m.actualBoundingBoxRight, y + m.actualBoundingBoxDescent];
  Object.assign(this.canvas, { text, box });
  return fillText.call(this, text, x, y);
};
CanvasRenderingContext2D.prototype.drawImage = function (picture, x, y, ...size) {
  const [l, t, r, b] = picture.box;
  this.canvas.written.push({ text: picture.text, box: [x + l, y + t, x + r, y + b] });
  return drawImage.call(this, picture, x, y, ...size);
};
"""
# The ink of every part in page pixels: letters by a canvas's own measure at the baseline that the browser gave them.
PARTS = """() => [...document.querySelectorAll(".form")].filter((f) => f.offsetParent).map((form) => {
  const measure = document.createElement("canvas").getContext("2d");
  const parts = {};
  for (const [name, query] of Object.entries({ number: ".digits", unit: ".unit", word: ".word span:last-child",
      glyph: ".glyph", others: ".others", name: ".form-name" })) {
    const element = form.querySelector(query);
    if (!element || !element.getClientRects().length || (name !== "glyph" && !element.textContent)) continue;
    const outer = element.getBoundingClientRect();
    parts[name] = [outer.left, outer.top, outer.right, outer.bottom];
    if (!["number", "unit"].includes(name)) continue;
    const style = getComputedStyle(element);
    measure.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
    const ink = measure.measureText(element.textContent);
    const foot = document.createElement("span");
    foot.style.display = "inline-block";
    element.append(foot);  // an empty inline block stands on the baseline
    const base = foot.getBoundingClientRect().bottom;
    foot.remove();
    const range = document.createRange();
    range.selectNodeContents(element);
    const text = range.getBoundingClientRect();
    parts[name] = [text.left, base - ink.actualBoundingBoxAscent, text.right, base + ink.actualBoundingBoxDescent];
  }
  const canvas = form.querySelector("canvas");
  if (canvas.getClientRects().length) {
    const at = canvas.getBoundingClientRect();
    const labels = canvas.written ?? [];
    labels.forEach(({ text, box: [l, t, r, b] }, k) => {
      parts[`edge ${k} ${text}`] = [at.left + l, at.top + t, at.left + r, at.top + b];
    });
    parts.belly = [at.left, at.top, at.right, at.bottom];
  }
  const outer = form.getBoundingClientRect();
  return { parts, form: [outer.left, outer.top, outer.right, outer.bottom] };
})"""


@pytest.fixture
def noting(tmp_path: Path) -> Path:
    script = tmp_path / "written.js"
    script.write_text(WRITTEN)
    return script


def touches(a: list[float], b: list[float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def check(page: Page, words: str) -> dict[str, list[float]]:
    """The guide's parts; nothing in any gauge touches another part or leaves its gauge."""
    gauges = page.tab.evaluate(PARTS)
    for gauge in gauges:
        parts, form = gauge["parts"], gauge["form"]
        assert "number" in parts, (words, parts)
        for name, box in parts.items():
            inside = box[0] >= form[0] and box[1] >= form[1] and box[2] <= form[2] and box[3] <= form[3]
            assert inside, f"{words}: {name} {box} leaves {form}"
        for (one, a), (other, b) in itertools.combinations(parts.items(), 2):
            if "belly" in (one, other) and "edge" in one + other:
                continue  # the column beside the belly is part of its canvas: where it lies is tested with the drawing
            assert not touches(a, b), f"{words}: {one} {a} and {other} {b}"
    return dict(gauges[-1]["parts"] if len(gauges) == 1 else gauges[0]["parts"])


def show(live: FakeLive, percent: float, n: int) -> None:
    state = 1 if percent < 60 else 3 if percent > 80 else 2
    live.feed(np.full((3, n), percent), band_state=state, beside_state=state)


@pytest.mark.parametrize("shown", ["athlete: one", "athlete: two", "coach: one", "coach: two"])
def test_nothing_of_a_gauge_touches_another(
    served: Served, open_tab: Callable[..., Page], noting: Path, shown: str
) -> None:
    """At every size, light and dark, every word there is, efforts of one to three digits."""
    place, _, n_gauges = shown.partition(": ")
    n = {"one": 1, "two": 2}[n_gauges]
    served.do(SCENES["inside" if n == 1 else "two_sides"])
    page = open_tab(path=place, script=noting)
    found = Findings()
    for size, scheme in itertools.product(SIZES, ("light", "dark")):
        page.tab.emulate_media(color_scheme=scheme)
        page.resize(size)
        for percent in PERCENTS:
            with found.at(size, scheme, f"{percent} %"):
                served.do(lambda live, percent=percent: show(live, percent, n))
                page.wait(lambda percent=percent: page.text("number") == f"{percent:.0f}")
                page.tab.wait_for_timeout(30)
                check_gauge(check(page, ""))
    assert found == []
    assert page.complaints == []


def check_gauge(parts: dict[str, list[float]]) -> None:
    assert "unit" in parts
    labels = [name.rsplit(" ", 1)[1] for name in parts if name.startswith("edge")]
    assert labels == ["60", "80"]
    size_px = parts["number"][3] - parts["number"][1]
    assert 0 <= parts["unit"][0] - parts["number"][2] < 0.35 * size_px, "the unit stands beside its digits"


def test_words_times_and_long_numbers_have_their_place_too(
    served: Served, open_tab: Callable[..., Page], noting: Path
) -> None:
    page = open_tab(script=noting)
    scenes = ("lost", "clipping", "uncalibrated", "passive", "light", "two_kinds", "two_lost", "two_letting_go")
    scenes += ("maximum_countdown", "maximum_rest", "maximum_push", "maximum_settled")
    found = Findings()
    for size, name in itertools.product(SIZES, scenes):
        with found.at(size, name):
            page.resize(size)
            served.do(lambda live, name=name: (live.restart(), SCENES[name](live)))
            page.wait(lambda: page.tab.get_attribute("body", "data-stage") == served.live.state()["stage"])
            page.tab.wait_for_timeout(250)
            parts = check(page, name)
            if name == "maximum_countdown":
                box = page.tab.locator("#form").bounding_box()
                middle = box["x"] + box["width"] / 2
                word = (parts["word"][0] + parts["word"][2]) / 2
                assert abs(word - middle) < 0.02 * box["width"] + 8, "what comes stands in the middle"
                assert parts["unit"][0] - parts["number"][2] < 0.3 * (parts["number"][3] - parts["number"][1])
    assert found == []
    assert page.complaints == []


MEASURE = """() => {
  const number = document.getElementById("number");
  const style = getComputedStyle(number);
  const ctx = document.createElement("canvas").getContext("2d");
  ctx.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
  return ctx.measureText("0").actualBoundingBoxAscent;
}"""
LEAST_ARCMIN = 20.0  # from memory of ISO 9241-303


@pytest.mark.parametrize("place", ["athlete", "", "coach"])
def test_the_number_can_be_read_from_three_metres_and_on_a_phone_from_where_the_page_says(
    served: Served, open_tab: Callable[..., Page], place: str
) -> None:
    """One channel; the page says 1.5 m where it is a phone, before the first hold. A window's size is its screen's."""
    page = open_tab(path=place)
    said = "[data-abilities] li:has-text('Number: large enough to read from') >> visible=true"
    found = Findings()
    for size, px_mm in PX_MM.items():
        with found.at(size):
            page.resize(size)
            served.do(lambda live: live.restart())
            distance_mm = 1500 if size in PHONES else 3000
            page.wait(lambda: page.tab.locator(said).count() == 1)
            page.wait(lambda mm=distance_mm: f"from {mm / 1000:g} m" in page.tab.inner_text(said))
            served.do(SCENES["far_above"])
            page.wait(lambda: page.tab.is_visible("#number") and page.text("number") == "127")
            page.tab.wait_for_timeout(50)
            arcmin = math.degrees(page.tab.evaluate(MEASURE) * px_mm / distance_mm) * 60
            assert arcmin >= LEAST_ARCMIN, arcmin
    assert found == []


PAD = """() => [...document.querySelectorAll("#pad button, #ask, #given, #said, #stop, #time, #next, #share")]
  .filter((e) => e.offsetParent && e.textContent.trim() && getComputedStyle(e).visibility === "visible")
  .map((e) => [e.id || e.textContent, e.getBoundingClientRect()])
  .map(([name, b]) => [name, [b.left, b.top, b.right, b.bottom]])"""


@pytest.mark.parametrize("place", ["athlete", "coach"])
def test_nothing_of_the_pad_or_the_clock_touches_another(
    served: Served, open_tab: Callable[..., Page], place: str
) -> None:
    page: Any = open_tab(path=place)
    found = Findings()
    for size in SIZES:
        with found.at(size):
            page.resize(size)
            served.do(lambda live: (live.restart(), SCENES["inside"](live)))
            page.wait(lambda: page.text("number") == "71" and page.text("given") == "last: 7")
            check_pad(served, page)
    assert found == []


def check_pad(served: Served, page: Any) -> None:
    for n_given, simulated in ((1, True), (2, False)):
        ask = {"id": 3, "text": "Discomfort now, 0 to 10?"}
        served.do(lambda live, on=simulated, ask=ask: live.change(simulated=on, ask=live.state()["ask"] or ask))
        page.tab.wait_for_timeout(100)
        for pressed in (False, True):
            if pressed:
                page.tab.click("[data-rating='4']")
            boxes = page.tab.evaluate(PAD)
            assert pressed or page.text("given") in ("last: 7", "last: 4")
            for (one, a), (other, b) in itertools.combinations(boxes, 2):
                assert not touches(a, b), f"{one} {a} and {other} {b}, simulated {simulated}, pressed {pressed}"
        page.wait(lambda n=n_given: sum(message.get("value") == 4 for message, _ in served.live.commands) == n)
