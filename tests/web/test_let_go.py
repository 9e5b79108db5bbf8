"""What the athlete is told when the signal or the connection dies in a contraction, seen, heard and by Stop."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from .conftest import Findings, Page, Served
from .scenes import SCENES
from .test_browser import SIZES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

# Stands in for the browser's speech: one English voice of this machine that begins at once and never says it ended.
SPEECH = """window.spoken = [];
window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
Object.defineProperty(window, "speechSynthesis", { value: {
  getVoices: () => [{ lang: "en-GB", localService: true, name: "test" }],
  cancel: () => window.spoken.push(["cancel", performance.now()]),
  speak: (utterance) => {
    window.spoken.push([utterance.text, performance.now()]);
    setTimeout(() => utterance.onstart?.(), 5);
  },
  addEventListener: () => {},
} });
"""


@pytest.fixture
def speaking(tmp_path: Path) -> Path:
    script = tmp_path / "speech.js"
    script.write_text(SPEECH)
    return script


def said(page: Page) -> list[str]:
    return [text for text, _ in page.tab.evaluate("() => window.spoken") if text != "cancel"]


@pytest.mark.parametrize("place", ["", "athlete", "coach"])
@pytest.mark.parametrize("scene", ["lost", "clipping", "another_device"])
def test_a_contraction_without_its_sensor_says_let_go_in_letters_and_in_words(
    served: Served, open_tab: Callable[..., Page], speaking: Path, place: str, scene: str
) -> None:
    served.do(SCENES["inside"])
    page = open_tab(path=place, script=speaking)
    page.wait(lambda: page.text("number") == "71")
    page.tab.click("#now")
    served.do(SCENES[scene])
    assert page.wait(lambda: page.text("now") == "Let go: no signal") < 1.0
    page.wait(lambda: "Let go: no signal" in said(page), within_s=1.0)
    page.wait(lambda: said(page).count("Let go: no signal") >= 2, within_s=4.0)  # until somebody acts
    page.tab.click("#now")
    page.tab.wait_for_timeout(300)
    heard = said(page).count("Let go: no signal")
    page.tab.wait_for_timeout(2500)
    assert said(page).count("Let go: no signal") == heard
    page.wait(lambda: page.text("now") == "Let go: no signal")  # heard, but still true; a number may come late


def test_a_phone_in_the_background_is_heard_all_the_same(
    served: Served, open_tab: Callable[..., Page], speaking: Path
) -> None:
    """Behind another app, or with the screen off, a browser gives a page no frames."""
    served.do(SCENES["inside"])
    page = open_tab(path="athlete", script=speaking)
    page.wait(lambda: page.text("number") == "71")
    page.tab.click("#now")
    page.tab.evaluate(
        """() => {
        Object.defineProperty(document, "hidden", { get: () => true });
        window.requestAnimationFrame = () => 0;
      }"""
    )
    page.tab.wait_for_timeout(100)
    served.do(SCENES["lost"])
    page.wait(lambda: "Let go: no signal" in said(page))
    served.do(lambda live: live.pause("force: no signal for 3 s"))
    page.wait(lambda: "Paused. Come out and rest" in said(page))


@pytest.mark.parametrize("place", ["", "athlete", "coach"])
def test_a_key_held_down_counts_once(served: Served, open_tab: Callable[..., Page], place: str) -> None:
    served.do(SCENES["inside"])
    page = open_tab(path=place)
    page.wait(lambda: page.text("given") == "last: 7")
    served.do(lambda live: live.commands.clear())

    def by_hand() -> list[tuple[str, object]]:
        return [(message["do"], message.get("value", "")) for message, _ in served.live.commands]

    def hold(key: str, n: int = 12) -> None:
        for _ in range(n):  # from the second on the browser says that it repeats
            page.tab.keyboard.down(key)
        page.tab.keyboard.up(key)

    hold("6")
    page.wait(lambda: by_hand() == [("rate", 6)])
    page.wait(lambda: page.text("given") == "last: 6")
    hold("ArrowUp")
    hold("Enter")
    page.wait(lambda: by_hand() == [("rate", 6), ("rate", 7)])
    page.tab.wait_for_timeout(900)
    hold("Escape")
    page.wait(lambda: page.tab.get_attribute("body", "data-stage") == "done")
    hold("Escape")
    hold(" ")
    page.tab.wait_for_timeout(200)
    assert by_hand() == [("rate", 6), ("rate", 7), ("stop", "")]


def test_a_passive_phase_without_its_sensor_goes_on(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["passive"])
    page = open_tab()
    page.wait(lambda: page.text("now") == "Relax, stay in the position")
    served.do(lambda live: live.show(stale=True))
    page.wait(lambda: "signal lost" in page.text("banner").lower())
    assert page.text("now") == "Relax, stay in the position"


def test_a_stop_pressed_while_disconnected_is_sent_first(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["inside"])
    page = open_tab(path="athlete")
    page.wait(lambda: page.text("number") == "71")
    served.down()
    page.wait(lambda: page.text("now") == "Let go now", within_s=2.0)
    page.tab.click("#stop")
    page.wait(lambda: "kept" in page.text("stop").lower())
    page.tab.wait_for_timeout(700)
    before = len(served.live.commands)
    served.up()
    page.wait(lambda: served.live.commands[before:], within_s=4.0)
    (message, by), *_ = served.live.commands[before:]
    assert (message["do"], message["reason"], by) == ("stop", "stopped by hand", "coach")
    assert 0.6 < message["pressed_ago_s"] < 10
    page.wait(lambda: page.tab.is_visible("#ended"))


@pytest.mark.parametrize("place", ["athlete", ""])
def test_stay_or_come_out_is_said_at_every_size(served: Served, open_tab: Callable[..., Page], place: str) -> None:
    page = open_tab(path=place)
    fits = "(e) => e.scrollWidth <= e.clientWidth + 1 && e.getBoundingClientRect().right <= innerWidth"
    found = Findings()
    for size in SIZES:
        with found.at(size):
            page.resize(SIZES[size])
            served.do(lambda live: (live.restart(), SCENES["passive"](live)))  # type: ignore[func-returns-value]
            page.wait(lambda: page.text("now") == "Relax, stay in the position")
            assert page.tab.locator("#now").evaluate(fits)
            served.do(lambda live: live.change(phase={"index": 2, "kind": "rest", "title": "Rest", "band": None}))
            page.wait(lambda: page.text("now") == "Come out and rest")
    assert found == []


def test_what_is_said_through_a_hold(served: Served, open_tab: Callable[..., Page], speaking: Path) -> None:
    served.do(SCENES["passive"])
    page = open_tab(script=speaking)
    page.wait(lambda: page.text("now") == "Relax, stay in the position")
    page.tab.click("#now")
    page.tab.evaluate("() => { window.spoken = []; }")
    served.do(lambda live: live.enter_phase(1))
    page.wait(lambda: "Contract, 60 to 80 percent" in said(page))
    page.tab.wait_for_timeout(2600)
    served.do(lambda live: live.change(ask={"id": 9, "text": "Discomfort now, 0 to 10?", "said": None}))
    page.wait(lambda: "Rate now" in said(page))
    served.do(lambda live: live.enter_phase(2))
    page.wait(lambda: "Relax, stay in the position" in said(page))
    page.tab.click("#stop")
    page.wait(lambda: "Stopped. Come out slowly" in said(page))
    assert said(page) == [
        "Contract, 60 to 80 percent", "Rate now", "Relax, stay in the position", "Stopped. Come out slowly",
    ]  # fmt: skip


def test_sound_on_is_shown_only_where_sound_can_come(served: Served, open_tab: Callable[..., Page]) -> None:
    page = open_tab(path="athlete", pressed=False)
    page.wait(lambda: page.text("sound-name") == "Tap for sound")
    assert page.tab.is_visible("text=We have read them; play the sound")
    assert "not before one press" in page.tab.inner_text(".abilities >> nth=0")
    page.tab.click("text=We have read them; play the sound")
    page.wait(lambda: page.text("sound-name") == "Sound on")  # there is no voice in this browser
    assert "Sound: ready" in page.tab.inner_text(".abilities >> nth=0")
    assert "Voice: none" in page.tab.inner_text(".abilities >> nth=0")


def test_pushing_while_relaxing_is_told_at_once(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["passive"])
    page = open_tab()
    page.wait(lambda: page.text("now") == "Relax, stay in the position")
    served.do(lambda live: live.feed(np.full(300, 2.0), band_state=0))
    page.tab.wait_for_timeout(200)
    for _ in range(14):
        served.do(lambda live: live.feed(np.full(10, 53.0), band_state=0))
        page.tab.wait_for_timeout(30)
    page.wait(lambda: page.text("word") == "You are pushing: let it go")
    assert page.tab.get_attribute("#form", "data-band") == "pushing"
    served.do(lambda live: live.feed(np.full(10, 3.0), band_state=0))
    page.wait(lambda: page.tab.get_attribute("#form", "data-band") == "none")


def test_nothing_claims_a_good_signal_while_disconnected(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["inside"])
    page = open_tab(path="coach")
    page.wait(lambda: "Good signal" in page.text("traces"))
    served.down()
    page.wait(lambda: page.text("now") == "Let go now", within_s=2.0)
    page.wait(lambda: "Good signal" not in page.text("traces"), within_s=1.0)
    served.up()


def test_a_paused_hold_says_why_and_goes_on_only_when_asked_to(
    served: Served, open_tab: Callable[..., Page], speaking: Path
) -> None:
    served.do(SCENES["inside"])
    page = open_tab(script=speaking)
    page.wait(lambda: page.text("number") == "71")
    page.tab.click("#now")
    served.do(lambda live: live.pause("force: no signal for 3 s"))
    page.wait(lambda: page.text("now") == "Come out and rest")
    assert "no signal for 3 s" in page.text("more")
    assert "Force: no signal for 3 s." in page.text("paused")
    page.wait(lambda: said(page).count("Paused. Come out and rest") >= 2, within_s=5.0)
    page.tab.click("text=Go on: Contract 60–80 %")
    page.wait(lambda: page.text("now") == "Contract 60–80 %")
    assert served.live.commands[-1][0] == {"do": "take_up"}
    assert not page.tab.is_visible("#paused")


def test_the_page_that_pressed_stop_asks_why_and_a_sharp_sensation_offers_no_other_hold(
    served: Served, open_tab: Callable[..., Page]
) -> None:
    served.do(SCENES["inside"])
    page, other = open_tab(path="athlete"), open_tab()
    page.wait(lambda: page.text("number") == "71")
    other.wait(lambda: other.text("number") == "71")
    page.tab.click("#stop")
    page.wait(lambda: page.tab.is_visible("text=Why was it stopped?"))
    other.wait(lambda: other.tab.is_visible("#again"))
    assert not other.tab.is_visible("text=Why was it stopped?")
    page.tab.click("text=Sharp or odd sensation")
    page.wait(lambda: "Do not go on today" in page.text("why"))
    other.wait(lambda: "Do not go on today" in other.text("why"))
    assert not other.tab.is_visible("#again")
    assert {"do": "explain_stop", "why": "sharp"} in [message for message, _ in served.live.commands]


@pytest.mark.parametrize("place", ["athlete", "", "coach"])
def test_the_pad_is_as_wide_as_the_phone_and_every_key_is_at_least_56_px(
    served: Served, open_tab: Callable[..., Page], place: str
) -> None:
    served.do(SCENES["inside"])
    page = open_tab(path=place)
    page.wait(lambda: page.text("number") == "71")
    for width, height in ((390, 844), (360, 740)):
        page.resize((width, height))
        pad = page.tab.locator("#pad").bounding_box()
        for key in page.tab.locator("#pad-keys button").all():
            box = key.bounding_box()
            assert min(box["width"], box["height"]) >= 56, (width, key.inner_text())
            assert box["y"] + box["height"] <= pad["y"] + pad["height"], (width, key.inner_text())
        assert page.tab.locator("#pad").bounding_box()["width"] >= width - 2 * 14
        stop = page.tab.locator("#stop").bounding_box()
        gauge = page.tab.locator("#form").bounding_box()
        assert stop["y"] + stop["height"] <= height
        assert gauge["height"] > 150
        assert gauge["y"] + gauge["height"] <= page.tab.locator("#pad").bounding_box()["y"]


def test_two_pedals_rate_alone(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("given") == "last: 7")
    page.tab.click("#options summary")
    page.tab.select_option("#pedals", "pages")
    page.tab.click("#options summary")
    page.tab.focus("#main")
    page.tab.keyboard.press("PageUp")
    page.wait(lambda: page.text("given").startswith("8"))
    page.tab.keyboard.press("PageUp")
    page.tab.wait_for_timeout(1200)
    assert [message for message, by in served.live.commands if by == "coach"] == []  # not before it is confirmed
    page.tab.keyboard.press("PageDown")
    page.wait(lambda: served.live.commands[-1][0].get("value") == 9)
    page.tab.keyboard.press("ArrowDown")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: served.live.commands[-1][0].get("value") == 8)
