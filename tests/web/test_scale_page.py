"""The coach's page leads through scaling a sensor."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.calibration.scale import make_certificate
from biofeedback.session.scaling import describe_certificate

from .conftest import Page, Served
from .fake_live import FakeLive

pytestmark = [pytest.mark.browser, pytest.mark.slow]
LOADS = [0.0, 5.0, 10.0, 20.0, 10.0, 5.0, 0.0]
READINGS = [400.0, 5402.0, 10407.0, 20400.0, 10410.0, 5405.0, 403.0]


def change(served: Served, **scale: Any) -> None:
    def apply(live: FakeLive) -> None:
        live.change(scale=live.state()["scale"] | scale)

    served.do(apply)


def rows(n: int) -> list[dict[str, Any]]:
    return [{"load": load, "unit": "kg", "reading": READINGS[k]} for k, load in enumerate(LOADS[:n])]


def open_panel(open_tab: Any, **options: Any) -> Page:
    page: Page = open_tab(path="coach", **options)
    page.wait(lambda: page.tab.is_visible("#scale summary"))
    assert not page.tab.is_visible("#scale-form")  # closed until it is wanted
    page.tab.focus("#scale summary")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: page.tab.is_visible("#scale-form"))
    return page


@pytest.mark.parametrize(("size", "scheme"), [((390, 844), "light"), ((1280, 800), "dark")])
def test_a_sensor_is_scaled_with_the_keyboard_alone(
    served: Served, open_tab: Any, size: tuple[int, int], scheme: str
) -> None:
    page = open_panel(open_tab, viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
    assert "Take everything off" in page.text("scale-step")
    page.tab.focus("#scale-load")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: "Type the load" in page.text("scale-status"))
    assert served.live.commands == []
    page.tab.keyboard.type("2,5")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: bool(served.live.commands))
    assert served.live.commands[-1][0] == {"do": "scale_load", "channel": "force", "load": 2.5, "unit": "kg"}
    change(served, loads=rows(2))
    page.wait(lambda: "heavier" in page.text("scale-step"))
    assert page.tab.is_disabled("#scale-finish")
    change(served, loads=rows(5), refused={"what": "the reading moves", "cure": "let the load hang still"})
    page.wait(lambda: "The reading moves: let the load hang still." in page.text("scale-said"))
    assert "one by one" in page.text("scale-step")
    change(served, loads=rows(7), refused=None)
    page.wait(lambda: "Empty again" in page.text("scale-step"))
    page.tab.fill("#scale-sensor", "cell 1")
    page.tab.keyboard.press("Tab")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: served.live.commands[-1][0] == {"do": "scale_finish", "sensor": "cell 1"})
    made = make_certificate([9.80665 * load for load in LOADS], READINGS, unit="N", sensor="cell 1")
    change(served, loads=rows(7), certificate=describe_certificate(made))
    page.wait(lambda: "this recording keeps the old scale" in page.text("scale-result"))
    assert page.tab.locator(".residuals polygon").count() == len(LOADS)
    assert f"{made.hysteresis_percent:.2f} %" in page.text("scale-result")
    assert page.tab.evaluate("() => document.documentElement.scrollWidth") <= size[0]
    assert page.complaints == []


def test_a_check_mass_that_disagrees_is_marked(served: Served, open_tab: Any) -> None:
    page = open_panel(open_tab)
    page.tab.fill("#scale-load", "5")
    page.tab.click("#scale-check")
    page.wait(lambda: bool(served.live.commands))
    assert served.live.commands[-1][0] == {"do": "scale_check", "channel": "force", "load": 5, "unit": "kg"}
    change(served, check={"good": False, "text": "49.03 N reads 51, +1.97 off"})
    page.wait(lambda: page.tab.locator("#scale-said [data-bad]").count() == 1)
    change(served, check={"good": True, "text": "49.03 reads 49.1: the scale in use holds"})
    page.wait(lambda: page.tab.locator("#scale-said [data-bad]").count() == 0)
    assert page.complaints == []


def test_scaling_waits_while_a_plan_runs(served: Served, open_tab: Any) -> None:
    page = open_panel(open_tab)
    served.do(lambda live: live.command({"do": "start_plan", "plan": "light-hold"}, "test"))
    page.wait(lambda: page.tab.is_disabled("#scale-read"))
    assert not page.tab.is_visible("#scale"), "during a hold the column shows what can be done in it"


def test_creep_and_lever_arm(served: Served, open_tab: Any) -> None:
    page = open_panel(open_tab)
    page.wait(lambda: page.tab.is_disabled("#scale-creep"))
    change(served, loads=rows(4))
    page.wait(lambda: page.tab.is_enabled("#scale-creep"))
    page.tab.click("#scale-creep")
    page.wait(lambda: served.live.commands[-1][0] == {"do": "scale_creep"})
    change(served, loads=rows(7), creep_counts=58.04)
    page.wait(lambda: "crept by 58 counts" in page.text("scale-said"))
    page.tab.fill("#scale-arm", "forty")
    page.tab.click("#scale-finish")
    page.wait(lambda: "number of metres" in page.text("scale-status"))
    page.tab.fill("#scale-arm", "0,4")
    page.tab.fill("#scale-sensor", "cell 1")
    page.tab.click("#scale-finish")
    wanted = {"do": "scale_finish", "sensor": "cell 1", "lever_arm_m": 0.4}
    page.wait(lambda: served.live.commands[-1][0] == wanted)
    made = make_certificate([9.80665 * 0.4 * load for load in LOADS], READINGS, unit="N·m", creep_percent=0.29)
    change(served, loads=rows(7), certificate=describe_certificate(made))
    page.wait(lambda: "0.29 %" in page.text("scale-result"))
    assert "N·m per count" in page.text("scale-result")
    assert page.complaints == []
