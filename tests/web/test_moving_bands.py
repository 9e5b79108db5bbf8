"""A ramp, a step and a blind stretch are followed on gauge and strip, at four sizes: the edge is where the level is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.account.target import Target
from biofeedback.model import Band

from .conftest import Page, Served
from .fake_live import LEVEL_RATE_HZ
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = [(390, 844), (844, 390), (820, 1180), (1280, 800)]
SHAPES: dict[str, dict[str, Any]] = {
    "ramp": {"band": [10, 20], "ramp": [[50, 60], [20, 30]]},
    "steps": {"band": [10, 20], "steps": [[40, 50], [20, 30]]},
    "blind": {"band": [20, 30], "blind": [[8, 12]]},
}
NOW = """() => ({level: Number(document.getElementById("number").dataset.level), number: document.getElementById(
  "number").textContent, word: document.getElementById("word").textContent,
  texts: painted.belly?.texts ?? [], strip: painted.strip?.points ?? [],
  width: document.getElementById("strip").clientWidth, height: document.getElementById("strip").clientHeight})"""
SINCE_S = 20.0


def target_of(shape: dict[str, Any]) -> Target:
    bands = {key: tuple(Band(*band) for band in shape.get(key, [])) for key in ("ramp", "steps")}
    return Target(Band(*shape["band"]), 20.0, **bands, blind=tuple(map(tuple, shape.get("blind", []))))


def put_up(shape: dict[str, Any]) -> Any:
    def scene(live: Any) -> None:
        SCENES["moving"](live)
        phase = {key: value for key, value in live.state()["phase"].items() if key != "ramp"} | shape
        plan = live.state()["plan"]
        phases = [phase if each["index"] == 1 else each for each in plan["phases"]]
        live.change(plan=plan | {"phases": phases}, phase=phase, band=shape["band"])

    return scene


def read_live(page: Page, level: int) -> dict[str, Any]:
    """What the page shows at ``level``, once it calls it the present: on a busy machine it says "Not live" first."""
    told: list[dict[str, Any]] = []

    def is_there() -> bool:
        told.append(page.tab.evaluate(NOW))
        return bool(told[-1]["level"] == level and told[-1]["word"] != "Not live")

    page.wait(is_there)
    return told[-1]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", SHAPES)
def test_the_edges_are_painted_with_the_level_that_they_are_about(
    browser: Any, served: Served, name: str, size: tuple[int, int]
) -> None:
    shape, target = SHAPES[name], target_of(SHAPES[name])
    served.do(put_up(shape))
    script = Path(__file__).parent / "watch_painting.js"
    page = Page(browser, served, script=script, viewport={"width": size[0], "height": size[1]})
    page.wait(lambda: page.tab.evaluate(NOW)["texts"])
    seen = set()
    for _ in range(15):
        served.do(lambda live: live.feed(np.full(40, 33.0), band_state=2, remaining_s=10.0))
        wanted = served.do(lambda live: live.snapshot().level)
        now = read_live(page, wanted)
        time_s = (now["level"] + 0.5) / LEVEL_RATE_HZ - SINCE_S
        band = target.at(time_s)
        texts = [text for text in now["texts"] if text.isdigit()]
        for edge in (band.low_percent, band.high_percent):
            assert any(abs(int(text) - edge) <= 0.51 for text in texts), (time_s, band, now["texts"])
        assert (now["number"] == "") == target.is_blind(time_s), time_s
        if now["width"] and name == "ramp":
            check_strip(now, band)
        seen.add((round(band.low_percent), now["number"] == ""))
    assert len(seen) > (2 if name == "ramp" else 1)
    assert page.complaints == []
    page.close()


def check_strip(now: dict[str, Any], band: Band) -> None:
    """At its right edge the strip's band has the edges of the newest level."""
    edge = sorted({round(y, 1) for x, y in now["strip"] if abs(x - now["width"]) < 0.6})
    crest, foot, top = 24, now["height"] - 4, 75
    for percent in (band.low_percent, band.high_percent):
        y = foot - percent / top * (foot - crest)
        assert any(abs(each - y) < 1.0 for each in edge), (percent, y, edge)
