"""The group page in a real browser: every number is its own engine's, Stop reaches all, and no violation of WCAG AA."""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.storage.recording import open_recording
from biofeedback.web.seats import Seat
from biofeedback.web.server import open_page

from ..busy import wait_until
from .axe import axe_script
from .care_scenes import CARE_SCENES
from .conftest import Page, Served
from .fake_live import FakeLive
from .scenes import SCENES
from .test_accessibility import violations_light_and_dark
from .test_browser import COUNT_TONES, shown

pytestmark = [pytest.mark.browser, pytest.mark.slow]

CODES = ["A01", "A02", "A03", "A04"]
SIZES = {"phone": (390, 844), "lying": (844, 390), "tablet": (820, 1180), "laptop": (1280, 800)}
STAGES = ["cautions", "zero", "maximum_push", "ready", "inside", "above", "lost", "stopped", "done", "position"]
STAGES += ["paused", "resting", "doubted", "effort_asked"]


class ServedGroup(Served):
    """Four fake sessions; ``each`` changes one of them."""

    def __init__(self, *, share: bool = False) -> None:
        self.lives = [FakeLive() for _ in CODES]
        super().__init__(share=share)
        self.live = self.lives[0]

    def each(self, change: Callable[[FakeLive, int], Any]) -> None:
        async def apply() -> None:
            for k, live in enumerate(self.lives):
                change(live, k)
                live.change(athlete=CODES[k])

        self.call(apply())

    async def _up(self) -> None:
        ready = asyncio.Event()
        self._closed = closed = asyncio.Event()

        async def run() -> None:
            others = [Seat(live) for live in self.lives[1:]]
            async with open_page(self.live, port=self.port, others=others, share=self._share) as address:
                self.address = address
                self.port = int(address.rstrip("/").rpartition(":")[2])
                ready.set()
                await closed.wait()

        self._task = self._loop.create_task(run())
        await ready.wait()

    def renew(self) -> None:
        self.each(lambda live, k: live.renew())
        super().renew()


def show(page: Page, group: ServedGroup, scene: str) -> None:
    """All seats in a scene, and painted: the page names the exercise only when it is the same everywhere."""
    name = f"standing hamstring stretch, {scene}"

    def change(live: FakeLive, k: int) -> None:
        live.restart()
        SCENES[scene](live)
        live.change(exercise=name)

    group.each(change)
    page.wait(lambda: page.text("setting").startswith(name))
    page.tab.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


@pytest.fixture(scope="module")
def kept_groups() -> Iterator[dict[bool, ServedGroup]]:
    groups = {share: ServedGroup(share=share) for share in (False, True)}
    for group in groups.values():
        group.up()
    yield groups
    for group in groups.values():
        group.end()


@pytest.fixture
def group(kept_groups: dict[bool, ServedGroup]) -> ServedGroup:
    """Four sessions as new for each test, at one address."""
    kept_groups[False].renew()
    return kept_groups[False]


@pytest.fixture
def shared_group(kept_groups: dict[bool, ServedGroup]) -> ServedGroup:
    kept_groups[True].renew()
    return kept_groups[True]


def numbers(page: Page) -> list[str]:
    return list(page.tab.locator(".seat .number .digits").all_inner_texts())


def test_every_gauge_shows_its_own_sessions_number_at_that_level(browser: Any, group: ServedGroup) -> None:
    group.each(lambda live, k: SCENES["below"](live))
    page = Page(browser, group, path="group")
    page.wait(lambda: numbers(page) == ["48"] * 4)
    page.tab.evaluate(
        """() => {
        const all = [...document.querySelectorAll(".seat .number .digits")];
        const words = all.map((number) => number.closest(".seat").querySelector("[data-part=word]"));
        window.seen = [];
        const note = () => {
          all.forEach((number, k) =>
            window.seen.push([k, Number(number.dataset.level), number.textContent, words[k].textContent]));
          requestAnimationFrame(note);
        };
        requestAnimationFrame(note);
      }"""
    )
    first = [live.snap.level + 1 for live in group.lives]
    values = np.random.default_rng(6).uniform(-3, 140, (4, 120)).round(3)
    for start in range(0, 120, 2):
        page.wait(lambda: "Not live" not in page.tab.locator(".seat [data-part=word]").all_inner_texts())
        group.each(lambda live, k, start=start: live.feed(values[k, start : start + 2]))  # type: ignore[misc]
        page.tab.wait_for_timeout(8)
    page.wait(lambda: numbers(page) == [shown(value) for value in values[:, -1]])
    seen = [each for each in page.tab.evaluate("() => window.seen") if each[1] >= first[each[0]]]
    for seat in range(4):
        assert len({level for k, level, _, word in seen if k == seat and word != "Not live"}) > 10
    for k, level, text, word in seen:  # on a machine too busy to show the present, the page says so instead
        assert text == ("–" if word == "Not live" else shown(values[k, level - first[k]])), (k, level, word)
    assert page.complaints == []
    page.close()


@pytest.mark.parametrize("key", ["Space", "Escape", ""])
def test_stop_for_all_reaches_those_who_run_and_their_own_stop_only_them(
    browser: Any, group: ServedGroup, key: str
) -> None:
    group.each(lambda live, k: SCENES["inside" if k < 3 else "ready"](live))
    page = Page(browser, group, path="group")
    page.wait(lambda: page.tab.locator(".seat[data-stage='plan']").count() == 3)

    def stops() -> list[int]:
        """Who was stopped; a page that hears no answer on a busy machine says it again."""
        return [int(any(message["do"] == "stop" for message, _ in live.commands)) for live in group.lives]

    page.tab.click("text=Stop A02")
    page.wait(lambda: stops() == [0, 1, 0, 0])
    page.wait(lambda: page.tab.locator(".seat[data-stage='plan']").count() == 2)
    if key:
        page.tab.keyboard.press(key)
    else:
        page.tab.click("#stop-all")
    page.wait(lambda: stops() == [1, 1, 1, 0])
    page.wait(lambda: page.tab.is_disabled("#stop-all"))
    page.close()


def test_what_is_for_all_goes_to_those_it_fits_and_a_rating_to_one(browser: Any, group: ServedGroup) -> None:
    group.each(lambda live, k: SCENES["zero" if k < 2 else "ready"](live))
    page = Page(browser, group, path="group")
    page.wait(lambda: page.text("start-all") == "Start 2 of 4")
    before = [len(live.commands) for live in group.lives]
    page.tab.click("#zero-all")
    page.tab.click("#start-all")
    page.wait(lambda: [len(live.commands) for live in group.lives] == [n + 1 for n in before])
    assert [live.commands[-1][0]["do"] for live in group.lives] == ["zero", "zero", "start_plan", "start_plan"]
    page.tab.locator(".seat").nth(2).locator("[data-rating='6']").click()
    page.wait(lambda: group.lives[2].commands[-1][0] == {"do": "rate", "value": 6})
    assert group.lives[3].commands[-1][0]["do"] == "start_plan"
    page.tab.locator(".seat").nth(3).locator("[data-rating='1']").focus()
    page.tab.keyboard.press("4")
    page.wait(lambda: group.lives[3].commands[-1][0] == {"do": "rate", "value": 4})
    page.tab.click(".seat >> nth=1 >> .code")
    page.wait(lambda: page.text("athlete") == "A02")
    assert page.tab.get_attribute("#group", "href") == "/group"
    page.close()


@pytest.mark.parametrize("size", [(844, 390), (1280, 800), (1920, 1080)])
def test_all_numbers_and_stops_are_seen_at_one_glance(browser: Any, group: ServedGroup, size: tuple[int, int]) -> None:
    group.each(lambda live, k: SCENES["inside"](live))
    page = Page(browser, group, path="group", viewport={"width": size[0], "height": size[1]})
    page.wait(lambda: numbers(page) == ["71"] * 4)
    end = page.tab.locator("#stop-all").bounding_box()["y"]
    for part in (".number .digits", ".stop", ".stage"):
        for k in range(4):
            box = page.tab.locator(f".seat >> nth={k} >> {part}").bounding_box()
            assert 0 <= box["x"] <= box["x"] + box["width"] <= size[0], (k, part)
            assert 0 <= box["y"] <= box["y"] + box["height"] <= end, (k, part)
    page.close()


def test_this_screen_plays_one_chosen_athletes_sound_or_none(browser: Any, group: ServedGroup, tmp_path: Path) -> None:
    count = tmp_path / "count.js"
    count.write_text(COUNT_TONES)
    scenes = ["inside", "above", "below", "ready"]
    group.each(lambda live, k: SCENES[scenes[k]](live))
    page = Page(browser, group, path="group", script=count)
    page.wait(lambda: page.tab.locator(".seat[data-stage='plan']").count() == 3)

    def listen() -> list[float]:
        page.tab.wait_for_timeout(400)
        page.tab.evaluate("() => { window.tones = []; }")
        for _ in range(15):
            group.each(lambda live, k: live.feed(np.array([live.snap.percent[0]])))
            page.tab.wait_for_timeout(100)
        return list(page.tab.evaluate("() => window.tones"))

    page.tab.click("#options summary")
    assert page.tab.is_checked("#whose input[value='0']")
    assert listen() == []  # until somebody is chosen
    page.tab.check("#whose input[value='1']")
    assert listen() == []  # in the band
    page.tab.check("#whose input[value='2']")
    above = listen()
    assert above
    assert above[0] > above[1]  # falling: ease off
    assert page.text("sound-whose") == "A02"
    assert page.tab.locator(".code[data-heard]").all_inner_texts() == ["A02"]
    page.tab.check("#whose input[value='3']")
    below = listen()
    assert below
    assert below[0] < below[1]  # rising: push more
    page.tab.locator("body").press("m")
    assert listen() == []
    assert page.text("sound-name") == "Sound off"
    page.tab.reload()  # the choice outlives a reload, in this tab
    page.wait(lambda: page.tab.is_checked("#whose input[value='3']"))
    assert page.complaints == []
    page.close()


def test_who_left_the_band_is_marked_with_the_time_since(browser: Any, group: ServedGroup) -> None:
    scenes = ["inside", "above", "below", "lost"]
    group.each(lambda live, k: SCENES[scenes[k]](live))
    page = Page(browser, group, path="group")
    bands = "(cards) => cards.map((card) => card.dataset.band)"

    def stages() -> list[str]:
        return list(page.tab.locator(".seat .stage").all_inner_texts())

    page.wait(lambda: page.tab.eval_on_selector_all(".seat", bands) == ["in", "above", "below", "lost"])
    assert stages() == ["Hold", "Above the band", "Below the band", "Signal lost"]
    boxes = "() => [...document.querySelectorAll('.seat > *')].map((e) => JSON.stringify(e.getBoundingClientRect()))"
    before = page.tab.evaluate(boxes)
    for _ in range(12):
        group.each(lambda live, k: live.feed(np.full(20, live.snap.percent[0])) if k < 3 else None)
        page.tab.wait_for_timeout(20)
    page.wait(lambda: stages()[1] == "Above the band 2 s")
    assert page.tab.evaluate(boxes) == before
    group.each(lambda live, k: live.feed(np.array([70.0]), band_state=2) if k == 1 else None)
    page.wait(lambda: stages()[1] == "Hold")
    assert page.tab.eval_on_selector_all(".seat", bands)[1] == "in"
    page.close()


@pytest.mark.parametrize(  # light and dark differ in colours only
    ("size", "scheme"), [("phone", "light"), ("lying", "dark"), ("tablet", "light"), ("laptop", "dark")]
)
def test_nothing_is_cut_off_or_moves_when_a_question_opens(
    browser: Any, group: ServedGroup, size: str, scheme: str
) -> None:
    width, height = SIZES[size]
    page = Page(browser, group, path="group", viewport={"width": width, "height": height}, color_scheme=scheme)
    for scene in STAGES:
        show(page, group, scene)
        wide, tall = page.tab.evaluate("() => [document.body.scrollWidth, document.body.scrollHeight]")
        assert (wide, tall) == (width, height), scene
        cut = page.tab.evaluate(
            """() => [...document.querySelectorAll(".task, .rating, .seat-clock")].filter((e) => !e.hidden
              && (e.scrollHeight > e.clientHeight + 1 || e.scrollWidth > e.clientWidth + 1)).map((e) => e.innerText)"""
        )
        assert cut == [], scene
    boxes = "() => [...document.querySelectorAll('.seat > *')].map((e) => JSON.stringify(e.getBoundingClientRect()))"
    show(page, group, "above")
    assert page.tab.locator(".rating[data-open='no']").count() == 4
    before = page.tab.evaluate(boxes)
    group.each(lambda live, k: live.change(ask={"id": 2, "text": "Discomfort now, 0 to 10?", "said": 5}))
    page.wait(lambda: page.tab.locator(".rating[data-open='yes']").count() == 4)
    assert page.tab.evaluate(boxes) == before
    assert page.complaints == []
    page.close()


def test_a_complaint_moves_nothing_in_a_group(browser: Any, group: ServedGroup) -> None:
    page = Page(browser, group, path="group", viewport={"width": 1280, "height": 800})
    show(page, group, "inside")
    boxes = "() => [...document.querySelectorAll('.seat button')].map((e) => JSON.stringify(e.getBoundingClientRect()))"
    before = page.tab.evaluate(boxes)
    assert len(before) > 12
    group.down()  # so that Stop reaches nobody
    page.wait(lambda: "disconnected" in page.tab.inner_text(".seat >> nth=0").lower())
    page.tab.keyboard.press("Escape")
    page.wait(lambda: "Stop has not reached" in page.text("banner"))
    assert page.tab.evaluate(boxes) == before
    page.close()
    group.up()


@pytest.mark.parametrize("size", [(640, 400), (195, 422), (422, 195)])  # a laptop and a phone, both ways, at 200 %
def test_at_twice_the_size_everything_can_be_reached(
    browser: Any, shared_group: ServedGroup, size: tuple[int, int]
) -> None:
    group = shared_group
    scenes = ["inside", "above", "maximum_push", "cautions"]
    group.each(lambda live, k: SCENES[scenes[k]](live))
    page = Page(browser, group, path="group", viewport={"width": size[0], "height": size[1]})
    page.wait(lambda: page.tab.locator(".seat[data-stage='plan']").count() == 2)
    outside = """(wide) => [...document.querySelectorAll("button, select, input, summary, p, li, strong, canvas")]
      .filter((e) => e.offsetParent !== null && !e.closest("[aria-hidden], .hide") && e.id !== "setting")
      .map((e) => [e, e.getBoundingClientRect()])
      .filter(([, box]) => box.width && (box.left < -1 || box.right > wide + 1))
      .map(([e]) => `${e.tagName} ${e.id} ${e.className} ${e.textContent}`)"""
    for box in ("", "phones", "options"):
        if box:
            page.tab.click(f"#{box} summary")
        assert page.tab.evaluate(outside, size[0]) == [], box
        assert page.tab.evaluate("() => document.documentElement.scrollWidth") <= size[0]
        if box:
            page.tab.click(f"#{box} summary")
    for name in (".seat >> nth=3 >> text=read, none applies", ".seat >> nth=0 >> [data-rating='10']", "#zero-all"):
        page.tab.locator(name).scroll_into_view_if_needed()
        stop = page.tab.locator("#stop-all").bounding_box()
        assert stop["y"] >= 0, name
        assert stop["y"] + stop["height"] <= size[1] + 1, name  # Stop stays in sight
    page.tab.locator(".seat >> nth=0 >> [data-rating='10']").click()
    page.wait(lambda: group.lives[0].commands[-1][0].get("value") == 10)
    page.tab.click("#stop-all")
    page.wait(lambda: group.lives[1].commands[-1][0]["do"] == "stop")
    page.close()


def test_the_whole_group_is_led_by_keyboard(browser: Any, shared_group: ServedGroup) -> None:
    group = shared_group
    page = Page(browser, group, path="group")
    page.wait(lambda: page.tab.locator(".seat[data-stage='cautions']").count() == 4)

    def reach(matches: str) -> None:
        """Tab until the focus is there; a mouse is not needed."""
        for _ in range(120):
            page.tab.keyboard.press("Tab")
            if page.tab.evaluate("(name) => document.activeElement.matches(name)", matches):
                return
        pytest.fail(f"{matches} cannot be reached")

    def seats(stage: str) -> int:
        return int(page.tab.locator(f".seat[data-stage='{stage}']").count())

    reach("#phones summary")
    page.tab.keyboard.press("Enter")
    code = page.tab.locator(".device-card[data-seat='2'] strong").inner_text()
    reach(".device-card[data-seat='2'] button")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: page.tab.locator(".device-card[data-seat='2'] strong").inner_text() != code)
    assert page.tab.evaluate("() => document.activeElement.matches(\".device-card[data-seat='2'] button\")")
    reach("#options summary")
    page.tab.keyboard.press("Enter")
    reach("#whose input")
    page.tab.keyboard.press("ArrowDown")
    page.wait(lambda: page.text("sound-whose") == "A01")
    for number in range(4):
        reach(".seat[data-stage='cautions'] .task .primary")
        page.tab.keyboard.press("Enter")
        page.wait(lambda number=number: seats("zero") == number + 1)  # type: ignore[misc]
    reach("#zero-all")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: seats("maximum") == 4)
    group.each(lambda live, k: SCENES["ready"](live))
    page.wait(lambda: seats("ready") == 4)
    reach("#start-all")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: seats("plan") == 4)
    reach(".seat .keys button")
    page.tab.keyboard.press("6")
    page.wait(lambda: any(live.commands[-1][0] == {"do": "rate", "value": 6} for live in group.lives))
    page.tab.keyboard.press("Escape")
    page.wait(lambda: seats("done") == 4)
    assert page.complaints == []
    page.close()


@pytest.mark.parametrize("size", ["phone", "laptop"])
def test_the_group_asks_for_one_press_before_the_first_hold_and_hides_no_effort(
    browser: Any, group: ServedGroup, size: str
) -> None:
    width, height = SIZES[size]
    page = Page(browser, group, path="group", pressed=False, viewport={"width": width, "height": height})
    for scene in ("inside", "maximum_push"):
        show(page, group, scene)
        page.wait(lambda: len(numbers(page)) == 4 and page.tab.locator(".seat .stop >> visible=true").count() == 4)
        assert not page.tab.is_visible("#read-them"), scene
    for scene in ("zero", "ready"):
        show(page, group, scene)
        page.wait(lambda: page.tab.is_visible("#read-them"))
        assert not page.tab.is_visible(".seat >> nth=0")
        assert page.tab.is_disabled("#start-all")
        assert page.tab.is_disabled("#zero-all")
        assert page.tab.locator("[data-abilities] li >> visible=true").count() == 5
    page.tab.click("#read-them")
    page.wait(lambda: page.tab.is_visible(".seat >> nth=3") and not page.tab.is_visible("#read-them"))
    page.wait(lambda: page.tab.is_enabled("#start-all"))
    assert page.complaints == []
    page.close()


def test_an_answer_to_the_cautions_in_the_group_is_the_press(browser: Any, group: ServedGroup) -> None:
    page = Page(browser, group, path="group", pressed=False)
    show(page, group, "cautions")
    page.tab.click(".seat .task .primary >> nth=0")
    page.wait(lambda: not page.tab.is_visible("#read-them"))
    show(page, group, "zero")
    assert page.tab.is_visible(".seat >> nth=0")
    page.close()


@pytest.mark.parametrize("size", [(390, 844), (360, 740), (820, 1180), (1180, 820), (1280, 800)])
def test_every_rating_key_of_the_group_is_at_least_56_px(
    browser: Any, group: ServedGroup, size: tuple[int, int]
) -> None:
    width, height = size
    page = Page(browser, group, path="group", viewport={"width": width, "height": height})
    show(page, group, "inside")
    page.tab.wait_for_selector(".seat .keys button >> nth=0", state="visible")
    for key in page.tab.locator(".seat .keys button >> visible=true").all():
        box = key.bounding_box()
        assert min(box["width"], box["height"]) >= 56, (width, key.inner_text(), box)
    for card in page.tab.locator(".seat").all():
        pad, last = card.locator(".rating").bounding_box(), card.locator(".keys button").last.bounding_box()
        assert last["y"] + last["height"] <= pad["y"] + pad["height"] + 1, "no key is cut off"
    page.close()


@pytest.mark.network
def test_no_violation_in_any_state(browser: Any, shared_group: ServedGroup) -> None:
    group = shared_group
    page = Page(browser, group, path="group", color_scheme="light", script=axe_script(), pressed=False)
    problems: list[str] = []
    show(page, group, "ready")
    page.wait(lambda: page.tab.is_visible("#read-them"))
    problems += [f"before the press: {each}" for each in violations_light_and_dark(page)]
    page.tab.click("#read-them")
    for scene in STAGES:
        show(page, group, scene)
        page.tab.wait_for_timeout(300)  # until a button's colour has finished changing
        problems += [f"{scene}: {each}" for each in violations_light_and_dark(page)]
    for box in ("phones", "options"):
        page.tab.click(f"#{box} summary")
        problems += [f"{box}: {each}" for each in violations_light_and_dark(page)]
        page.tab.click(f"#{box} summary")
    page.close()
    assert problems == []


def count_begun(folder: Path) -> int:
    """In how many recordings, still being written, a plan has begun."""
    recordings = [open_recording(path) for path in folder.glob("*.hold")]
    return sum(any(event.kind == "plan" for event in recording.events) for recording in recordings)


SIX = """
name = "six"
title = "Six"
description = "Three times relaxed, three times contracting."
grace_s = 1.0
ask_before_end_s = 6.0

[[block]]
repeat = 3

[[block.phase]]
kind = "passive"
duration_s = 10
ask = true

[[block.phase]]
kind = "contract"
duration_s = 10
band = [20, 30]
ask = true
"""


def wait_for_codes(tab: Any) -> None:
    """Each seat has its own session's state."""
    wait_until(
        lambda: tab.locator(".seat .code").all_inner_texts() == CODES,
        within_s=20,
        pause=lambda: tab.wait_for_timeout(50),
    )


@pytest.mark.waits(115)
def test_four_simulated_athletes_hold_at_once_and_each_has_a_recording(browser: Any, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "biofeedback", "demo", "--athletes", "4", "--fast", "--auto", "--channels=force"]
    (tmp_path / "six.toml").write_text(SIX)
    command += ["--port", "0", "--no-browser", "--folder", str(tmp_path), "--plan", str(tmp_path / "six.toml")]
    program = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={**os.environ})
    try:
        assert program.stdout
        address = ""
        while not (found := re.search(r"http://\S+/group", address)):
            address = program.stdout.readline()
            assert address, "the program ended"
        tab = browser.new_page()
        tab.goto(found.group())
        tab.wait_for_selector(".seat:not([data-stage='plan']) >> nth=3", timeout=60_000)
        wait_for_codes(tab)
        tab.close()  # for one and a half minutes it would draw what nothing here looks at
        wait_until(lambda: count_begun(tmp_path) == len(CODES), within_s=240, pause=lambda: time.sleep(2))
        tab = browser.new_page()
        tab.goto(found.group())
        tab.wait_for_selector(".seat[data-stage='plan'] >> nth=3", timeout=60_000)
        tab.wait_for_selector(".seat .form[data-band='in']", timeout=60_000)
        wait_for_codes(tab)
        tab.close()
        assert program.wait(timeout=400) == 0
    finally:
        program.kill()
        program.communicate()
    recordings = [open_recording(path) for path in sorted(tmp_path.glob("*.hold"))]
    assert [recording.settings["athlete"] for recording in recordings] == CODES
    strengths = {event.data["strength"] for each in recordings for event in each.events if event.kind == "maximum"}
    assert len(strengths) == 4  # a truth of their own
    for recording in recordings:
        assert sum(event.kind == "rating" and event.data["value"] is not None for event in recording.events) >= 5


def test_what_a_card_says_is_what_holds_now(browser: Any, group: ServedGroup) -> None:
    page = Page(browser, group, path="group")
    show(page, group, "ready")
    task = page.tab.locator(".seat .task").first
    page.wait(lambda: "discomfort 9." in task.inner_text())
    group.each(lambda live, k: live.change(limit=7))
    page.wait(lambda: "discomfort 7." in task.inner_text())
    assert page.text("stop-hint") == "Space or Esc"
    page.close()


@pytest.mark.parametrize("scene", [*CARE_SCENES, "ready", "stopped", "done"])
def test_no_id_names_two_things_on_a_page_of_several(browser: Any, group: ServedGroup, scene: str) -> None:
    page = Page(browser, group, path="group")
    show(page, group, scene)
    ids = page.tab.evaluate("() => [...document.querySelectorAll('[id]')].map((element) => element.id)")
    assert sorted({each for each in ids if ids.count(each) > 1}) == []
    if scene == "asked_list":  # and each seat's button is still its own
        page.tab.click("#seat3-care-none")
        page.wait(lambda: group.lives[2].commands)
        assert group.lives[2].commands[-1][0]["do"] == "screening"
        assert [len(live.commands) for live in group.lives] == [0, 0, 1, 0]
    page.close()
