from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from .conftest import Findings, Page, Served
from .scenes import SCENES, holding

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = {"phone": (390, 844), "lying": (844, 390), "tablet": (820, 1180), "laptop": (1280, 800), "wall": (1920, 1080)}
COUNT_TONES = """window.tones = [];
const make = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () {
  const tone = make.call(this);
  setTimeout(() => window.tones.push(tone.frequency.value));
  return tone;
};
"""
LIVE_SCENES = ("passive", "below", "inside", "above", "far_above", "light")


def shown(percent: float) -> str:
    return str(math.floor(percent + 0.5)).replace("-", "−")


def test_a_question_with_answers_is_asked_of_the_coach_only(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(lambda live: (live.restart(), SCENES["another_device"](live)))  # type: ignore[func-returns-value]
    athlete, coach = open_tab(path="athlete"), open_tab(path="coach")
    coach.wait(lambda: "ID 1A2B3C4D" in coach.text("banner-what"))
    athlete.wait(lambda: "ID 1A2B3C4D" in athlete.text("banner-what"))
    assert not athlete.tab.is_visible("#banner-actions button")
    coach.tab.click("#banner-actions button >> nth=1")
    coach.wait(lambda: served.live.commands[-1][0].get("do") == "device")
    message, by = served.live.commands[-1]
    assert (message["answer"], by) == ("renew", "coach")


def test_every_number_on_the_screen_is_the_sessions_at_that_level(served: Served, open_tab: Any) -> None:
    served.do(SCENES["below"])
    page = open_tab()
    page.wait(lambda: page.tab.get_attribute("#number", "data-level") == str(served.live.snap.level))
    page.tab.evaluate(
        """() => {
        const number = document.getElementById("number");
        window.seen = [];
        const note = () => {
          window.seen.push([Number(number.dataset.level), number.textContent]);
          requestAnimationFrame(note);
        };
        requestAnimationFrame(note);
      }"""
    )
    first = served.live.snap.level + 1
    values = np.random.default_rng(5).uniform(-3, 140, 240).round(3)
    for start in range(0, 240, 2):
        served.do(lambda live, start=start: live.feed(values[start : start + 2]))
        page.tab.wait_for_timeout(8)  # about the pace of a real session
    page.wait(lambda: page.tab.get_attribute("#number", "data-level") == str(first + 239))
    page.tab.wait_for_timeout(50)
    seen = [(level, text) for level, text in page.tab.evaluate("() => window.seen") if level >= first]
    assert len({level for level, _ in seen}) > 20
    for level, text in seen:
        assert text == shown(values[level - first]), level
    assert page.complaints == []


@pytest.mark.parametrize(("place", "scheme"), [("", "light"), ("athlete", "dark")])  # they differ in colours only
def test_nothing_is_cut_off_in_any_stage_at_any_size(served: Served, open_tab: Any, place: str, scheme: str) -> None:
    page = open_tab(path=place, color_scheme=scheme)
    found = Findings()
    for name, scene in SCENES.items():
        served.do(lambda live, scene=scene: (live.restart(), scene(live)))
        page.wait(lambda: page.tab.get_attribute("body", "data-stage") == served.live.state()["stage"])
        page.tab.wait_for_timeout(60)
        for size, (width, height) in SIZES.items():
            page.resize((width, height))
            with found.at(size, name):
                wide, tall = page.tab.evaluate("() => [document.body.scrollWidth, document.body.scrollHeight]")
                assert wide <= width
                assert tall <= height  # what is longer scrolls inside main
                if name in LIVE_SCENES:
                    check_live_layout(page, min(width, height), name)
    assert found == []
    assert page.complaints == []


def check_live_layout(page: Page, shorter_px: int, name: str) -> None:
    """Digits at least a fifth of the shorter side; number, Stop and all eleven ratings inside the window."""
    measured = page.tab.evaluate(
        """() => {
        const number = document.getElementById("number");
        const style = getComputedStyle(number);
        const ctx = document.createElement("canvas").getContext("2d");
        ctx.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
        const box = (e) => { const r = e.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; };
        const hit = (e) => {
          const r = e.getBoundingClientRect();
          return e.contains(document.elementFromPoint((r.left + r.right) / 2, (r.top + r.bottom) / 2));
        };
        const buttons = [...document.querySelectorAll("#pad-keys button"), document.getElementById("stop")];
        return {
          digit: ctx.measureText("0").actualBoundingBoxAscent,
          number: box(number.parentElement), form: box(document.getElementById("form")),
          buttons: buttons.map((e) => [e.id || e.textContent, hit(e), ...box(e)]),
        };
      }"""
    )
    assert measured["digit"] >= 0.2 * shorter_px, name
    left, _, right, bottom = measured["number"]
    form = measured["form"]
    assert left >= form[0], name
    assert right <= form[2], name
    assert bottom <= form[3], name
    for label, is_hit, x0, y0, x1, y1 in measured["buttons"]:
        assert is_hit, (name, label)
        assert min(x1 - x0, y1 - y0) >= 24, (name, label)  # target size, WCAG 2.2 success criterion 2.5.8


def test_a_lost_signal_takes_the_number_away_and_says_so(served: Served, open_tab: Any) -> None:
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("number") == "71")
    served.do(SCENES["lost"])
    page.wait(lambda: page.text("number") == "–")
    assert "signal lost" in page.text("banner").lower()
    assert "Check the cable" in page.text("banner")
    assert page.tab.get_attribute("#form", "data-band") == "none"


def test_a_dead_server_is_noticed_and_a_restarted_one_found_within_two_seconds(served: Served, open_tab: Any) -> None:
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("number") == "71")
    served.down()
    page.wait(lambda: page.text("number") == "–", within_s=1.5)
    assert "disconnected" in page.text("banner")
    assert "Let go now" in page.text("banner")
    page.tab.wait_for_timeout(1200)
    served.do(lambda live: (live.restart(), SCENES["above"](live)))  # another session, another truth
    served.up()
    assert page.wait(lambda: page.text("number") == "94") < 2.0
    assert not page.tab.is_visible("#banner")


def test_a_page_that_was_asleep_wakes_in_the_present(served: Served, open_tab: Any) -> None:
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("number") == "71")
    session = page.context.new_cdp_session(page.tab)
    session.send("Network.enable")
    session.send("Page.enable")
    session.send("Page.setWebLifecycleState", {"state": "frozen"})  # a phone that was locked
    for _ in range(100):
        served.do(lambda live: live.feed(np.full(20, 55.0), band_state=1))
    served.do(lambda live: live.feed(np.array([88.0]), band_state=3))
    session.send("Page.setWebLifecycleState", {"state": "active"})
    assert page.wait(lambda: page.text("number") == "88") < 2.0
    assert page.text("word") == "Ease off a little"


def test_stop_by_button_space_and_escape(served: Served, open_tab: Any) -> None:
    page = open_tab()
    for press in (
        lambda: page.tab.click("#stop"),
        lambda: page.tab.keyboard.press("Space"),
        lambda: page.tab.keyboard.press("Escape"),
        lambda: (page.tab.focus("#pad-keys [data-rating='3']"), page.tab.keyboard.press("Space")),
    ):
        served.do(SCENES["inside"])
        page.wait(lambda: page.tab.is_visible("#stop") and page.text("number") == "71")
        before = len(served.live.commands)
        press()
        page.wait(lambda: page.tab.is_visible("#ended"))
        sent = [message for message, by in served.live.commands[before:] if by != "test"]
        assert [message["do"] for message in sent] == ["stop"]
    assert "Come out of the position slowly" in page.text("ended")


def test_space_ticks_a_box_without_stopping_and_stops_everywhere_else(served: Served, open_tab: Any) -> None:
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("number") == "71")
    page.tab.click("#options summary")
    page.tab.focus("#keys")
    page.tab.keyboard.press("Space")
    assert not page.tab.is_checked("#keys")  # digits rate no more; Space and Esc stop all the same
    page.tab.focus("#sound-tones")
    page.tab.keyboard.press("Space")
    page.tab.focus("#main")
    page.tab.keyboard.press("7")
    page.tab.wait_for_timeout(1200)
    assert [m for m, by in served.live.commands if by == "coach"] == []
    page.tab.keyboard.press("Space")
    page.wait(lambda: page.tab.is_visible("#ended"))


def test_ratings_by_pointer_and_by_key(served: Served, open_tab: Any) -> None:
    page = open_tab()

    def given(*actions: Callable[[], object]) -> dict[str, Any]:
        served.do(SCENES["inside"])
        page.wait(lambda: page.tab.get_attribute("#pad", "data-open") == "yes")
        before = len(served.live.commands)
        for action in actions:
            action()
        page.wait(lambda: len(served.live.commands) > before)
        message, by = served.live.commands[-1]
        assert by == "coach"
        return dict(message)

    def click(name: str) -> Callable[[], object]:
        return lambda: page.tab.click(name)

    def press(key: str) -> Callable[[], object]:
        return lambda: page.tab.keyboard.press(key)

    rate = {"do": "rate", "ask": 2}
    assert given(click("[data-rating='6']")) == rate | {"value": 6}
    assert given(click("[data-rating='6']"), click("#half")) == rate | {"value": 6.5}
    assert given(click("#no-answer")) == rate | {"value": None}
    assert given(press("1"), press("0")) == rate | {"value": 10}
    assert given(press("4"), press("."), press("Enter")) == rate | {"value": 4.5}
    assert given(press("0")) == rate | {"value": 0}


def test_what_the_simulated_athlete_says_is_there_to_be_pressed(served: Served, open_tab: Any) -> None:
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("said") == "Says 4.5")
    assert page.tab.evaluate("() => document.querySelector('[data-rating][data-said]').textContent") == "4"
    assert page.tab.is_visible("#simulated")


def test_refusals_are_shown_with_their_cure(served: Served, open_tab: Any) -> None:
    served.do(SCENES["zero"])
    page = open_tab()
    served.do(lambda live: live.change(message={"level": "error", "text": "the signal moves", "cure": "keep it still"}))
    page.wait(lambda: page.tab.is_visible("#banner"))
    assert page.text("banner") == "The signal moves. Keep it still."


def test_nothing_moves_while_a_question_opens_during_a_hold(served: Served, open_tab: Any) -> None:
    page = open_tab()
    for width, height in SIZES.values():
        page.resize((width, height))
        served.do(lambda live: (live.restart(), holding(live, 71.3, 2)))
        page.wait(lambda: page.text("number") == "71" and page.tab.get_attribute("#pad", "data-open") != "yes")
        page.tab.wait_for_timeout(100)
        boxes = """() => ["form", "stop", "pad-keys", "time"].map(
          (id) => JSON.stringify(document.getElementById(id).getBoundingClientRect()))"""
        before = page.tab.evaluate(boxes)
        served.do(lambda live: live.change(ask={"id": 2, "text": "Discomfort now, 0 to 10?", "said": 5}))
        page.wait(lambda: page.tab.get_attribute("#pad", "data-open") == "yes")
        assert page.tab.evaluate(boxes) == before, (width, height)


@pytest.mark.parametrize("place", ["", "athlete", "coach"])
def test_how_to_push_and_breathe_is_never_cut(served: Served, open_tab: Any, place: str) -> None:
    page = open_tab(path=place)
    if place == "athlete":
        page.tab.click("#read-them")  # the cautions stay until somebody has pressed here: sound needs it
    for width, height in SIZES.values():
        served.do(lambda live: live.restart())
        page.resize((width, height))
        for scene in ("maximum_idle", "maximum_countdown", "maximum_push", "maximum_rest"):
            served.do(lambda live, scene=scene: (live.restart(), SCENES[scene](live)))
            said = {"maximum_push": "Count aloud: 3 building", "maximum_countdown": "Count aloud"}.get(scene, ".")
            line = page.tab.locator("#more")
            page.wait(lambda said=said, line=line: line.is_visible() and said in page.text("more"))
            page.tab.wait_for_timeout(60)
            assert line.evaluate("(e) => e.scrollWidth - e.clientWidth") <= 1, (scene, width, height)


def test_sound_tells_below_and_above_is_silent_in_the_band_and_when_muted(
    served: Served, open_tab: Any, tmp_path: Path
) -> None:
    count = tmp_path / "count.js"
    count.write_text(COUNT_TONES)
    served.do(SCENES["inside"])
    page = open_tab(script=count)
    page.wait(lambda: page.text("number") == "71")
    page.tab.click("#ask")  # browsers allow sound after the first press

    def listen(band_state: int, percent: float) -> list[float]:
        served.do(lambda live: live.feed(np.array([percent]), band_state=band_state))
        page.tab.wait_for_timeout(400)
        page.tab.evaluate("() => { window.tones = []; }")
        page.tab.wait_for_timeout(1500)
        return list(page.tab.evaluate("() => window.tones"))

    below, inside, above = listen(1, 40.0), listen(2, 70.0), listen(3, 95.0)
    assert below
    assert below[0] < below[1]  # rising
    assert inside == []
    assert above
    assert above[0] > above[1]  # falling
    assert min(above) > max(below)
    page.tab.keyboard.press("m")
    assert listen(3, 96.0) == []
    assert page.text("sound-name") == "Sound off"


def test_a_press_answers_the_question_it_was_made_for(served: Served, open_tab: Callable[..., Page]) -> None:
    """A press waits a moment for its half; the question may close meanwhile, and another one may open."""
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("ask") == "Discomfort now, 0-10?")
    page.tab.click("[data-rating='6']")
    served.do(lambda live: live.change(ask=None))
    page.wait(lambda: served.live.commands[-1][0].get("value") == 6)
    assert served.live.commands[-1][0]["ask"] == 2


def test_what_is_pending_is_said_and_nothing_else(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["inside"])
    page = open_tab()
    page.wait(lambda: page.text("given") == "last: 7")
    page.tab.keyboard.press("5")
    assert page.text("given").startswith("5 …")
    page.tab.keyboard.press("Backspace")
    assert page.text("given") == "last: 7"
    page.tab.keyboard.press("4")
    served.down()
    page.wait(lambda: page.text("given") == "last: 7")  # not sent, and no longer pending
    served.up()


def test_a_question_with_answers_is_not_hidden_by_what_else_is_wrong(
    served: Served, open_tab: Callable[..., Page]
) -> None:
    served.do(SCENES["another_device"])
    offset = {"phase_index": 0, "state": "drifted", "reason": "3 cm", "by": "coach"}
    problem = {"what": "signal clips", "cure": "lower the gain"}
    served.do(lambda live: live.change(position_offset=offset))
    page = open_tab(path="coach")
    page.wait(lambda: page.tab.is_visible("#banner-actions button"))
    served.do(lambda live: live.change(channels=[live.state()["channels"][0] | {"problem": problem}]))
    page.wait(lambda: "clips" in page.text("traces"))
    assert page.tab.is_visible("#banner-actions button")
    served.do(lambda live: setattr(live, "_do_device", lambda message: 1 / 0))
    page.tab.click("#banner-actions button >> nth=0")
    page.wait(lambda: "failed inside the program" in page.text("banner"))  # a refusal is said before it is asked again


def test_nothing_of_an_earlier_session_stays_in_the_strip(served: Served, open_tab: Callable[..., Page]) -> None:
    """The program was started again while the page was open: bands of the session before are not this one's."""
    served.do(SCENES["below"])
    page = open_tab()
    page.wait(lambda: page.text("now") == "Contract 60–80 %")
    served.do(lambda live: live.enter_phase(2))
    page.wait(lambda: page.text("now") == "Relax, stay in the position")
    bands = """() => {
      window.bands = 0;
      const fill = CanvasRenderingContext2D.prototype.strokeRect;
      CanvasRenderingContext2D.prototype.strokeRect = function (...box) {
        if (this.canvas.id === "strip") window.bands += 1;
        fill.apply(this, box);
      };
    }"""
    served.do(lambda live: (live.restart(), live.feed(np.zeros(2000))))  # type: ignore[func-returns-value]
    page.wait(lambda: page.tab.get_attribute("body", "data-stage") == "cautions")
    served.do(lambda live: (SCENES["passive"](live), live.feed(np.zeros(1500))))  # type: ignore[func-returns-value]
    page.wait(lambda: page.text("now") == "Relax, stay in the position")
    page.tab.evaluate(bands)
    served.do(lambda live: live.feed(np.zeros(10)))
    page.tab.wait_for_timeout(200)
    assert page.tab.evaluate("window.bands") == 0


def test_a_note_that_could_not_be_sent_is_not_lost(served: Served, open_tab: Callable[..., Page]) -> None:
    page = open_tab(path="coach")
    page.tab.fill("#note", "heel moved 2 cm")
    served.down()
    page.wait(lambda: "disconnected" in page.text("banner"))
    page.tab.press("#note", "Enter")
    assert page.tab.input_value("#note") == "heel moved 2 cm"
    served.up()
    page.wait(lambda: "This page is" not in page.text("banner"))
    page.tab.press("#note", "Enter")
    page.wait(lambda: [one for one, _ in served.live.commands] == [{"do": "note", "text": "heel moved 2 cm"}])


def test_a_session_that_may_not_end_says_why(served: Served, open_tab: Callable[..., Page]) -> None:
    page = open_tab()
    page.wait(lambda: page.text("athlete") == "A01")
    refusal = {"mistakes": [{"field": "", "what": "an effort is under way", "cure": "stop it first"}]}
    page.tab.route("**/start/new", lambda route: route.fulfill(json=refusal))
    page.tab.evaluate("document.getElementById('new-session').hidden = false")
    page.tab.click("#new-session")
    page.tab.click("#new-session")
    page.wait(lambda: page.text("banner") == "An effort is under way. Stop it first.")


def test_a_correction_is_chosen_by_keys_before_it_is_sent(served: Served, open_tab: Callable[..., Page]) -> None:
    """WCAG 2.2, success criterion 3.2.2: an arrow key that moves a choice by one must not carry it out."""
    served.do(SCENES["done"])
    page = open_tab(path="coach")
    page.tab.focus("[aria-label='Correct rating 2 to']")
    for _ in range(3):
        page.tab.keyboard.press("ArrowDown")
    page.tab.keyboard.press("Tab")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: any(message["do"] == "correct" for message, _ in served.live.commands))
    sent = [message for message, _ in served.live.commands if message["do"] == "correct"]
    assert sent == [{"do": "correct", "rating": 2, "value": 1}]


def test_what_was_done_beforehand_is_kept_whole(served: Served, open_tab: Callable[..., Page]) -> None:
    """What was typed on the start page has no box, and two coaches see the same boxes."""
    served.do(lambda live: live.change(covariates=["heat", "long walk"]))
    page, other = open_tab(path="coach"), open_tab(path="coach")
    page.wait(lambda: page.tab.is_checked("[value=heat]"))
    page.tab.check("[value=massage]")
    page.wait(lambda: served.live.commands[-1:] != [] and served.live.commands[-1][0]["do"] == "covariates")
    assert served.live.commands[-1][0]["text"] == "heat, massage, long walk"
    served.do(lambda live: live.change(covariates=["heat", "massage", "long walk"]))
    other.wait(lambda: other.tab.is_checked("[value=massage]"))


@pytest.mark.parametrize("can", [True, False])
def test_a_phone_that_cannot_stay_lit_by_itself_says_so(
    browser: Any, served: Served, tmp_path: Path, can: bool
) -> None:
    """Screen Wake Lock (W3C) is for secure contexts: not for http from another device."""
    script = tmp_path / "as-a-phone.js"
    script.write_text("" if can else "Object.defineProperty(navigator, 'wakeLock', { value: undefined });")
    for scene in ("cautions", "ready"):
        served.do(lambda live, scene=scene: (live.restart(), SCENES[scene](live)))  # type: ignore[misc]
        for path in ("athlete", "coach"):
            page = Page(browser, served, path=path, script=script, alone=True, viewport={"width": 390, "height": 844})
            page.wait(lambda page=page, scene=scene: page.tab.get_attribute("body", "data-stage") == scene)  # type: ignore[misc]
            seen = [each.is_visible() for each in page.tab.locator("[data-dark]").all()]
            assert any(seen) == (path == "athlete" and not can)
            page.close()
