"""Without a command line: the real program on its start page, from an empty form into the live session and back."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from biofeedback.acquisition.understand import understand
from biofeedback.commands.live import add_arguments
from biofeedback.storage.recording import open_recording
from biofeedback.web.server import open_page
from biofeedback.wiring.hearing import describe_understanding
from biofeedback.wiring.start_page import LocalStartPage
from biofeedback.wiring.user_files import find_exercises

from ..pty_device import PtyDevice
from ..wiring.test_athletes import make_maximum, record
from .axe import axe_script
from .conftest import Page
from .program import Program
from .test_accessibility import violations
from .test_keyboard import press_focused

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NOT_THERE = "ERR_CONNECTION_REFUSED"  # between the two servers: said by the browser, cured by asking again


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    command = [sys.executable, "-m", "biofeedback", "live", "--port", "0", "--no-browser", "--folder", str(tmp_path)]
    environment = {**os.environ, "BIOFEEDBACK_PROFILES": str(tmp_path / "profiles")}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    assert process.stdout
    found = re.search(r"Page: (http://[^/]+/)start", process.stdout.readline())
    assert found
    program = Program(process, found.group(1), [])
    yield program
    program.kill()


@pytest.fixture
def open_start(browser: Any, program: Program) -> Iterator[Callable[..., Page]]:
    pages: list[Page] = []

    def open_one(**options: Any) -> Page:
        place: Any = program
        pages.append(Page(browser, place, **options))
        pages[-1].tab.wait_for_selector("#exercise option[value='hamstring-standing']", state="attached")
        return pages[-1]

    yield open_one
    for page in pages:
        page.close()


def complaints(page: Page) -> list[str]:
    return [each for each in page.complaints if NOT_THERE not in each]


def reach(page: Page, place: str) -> None:
    """Look until the address is this one: a page that moves on twice interrupts a wait for its loading."""
    page.wait(lambda: page.tab.url.endswith(place), within_s=20.0)


def find_recording(folder: Path) -> Any:
    (path,) = folder.glob("*.hold")
    return open_recording(path)


def test_from_an_empty_form_into_the_session_and_back(
    program: Program, open_start: Callable[..., Page], tmp_path: Path
) -> None:
    page, other = open_start(), open_start(viewport={"width": 390, "height": 844})
    assert page.tab.url.endswith("/start")
    page.wait(lambda: page.text("listing") == "")
    assert page.tab.is_hidden("#athletes")
    page.tab.click("#begin")
    page.wait(lambda: "No sensor is chosen" in page.text("sensor-wrong"))
    assert "No code is given" in page.text("athlete-wrong")
    page.tab.click("text=Simulated athlete")
    page.tab.fill("#athlete", "A07")
    page.tab.select_option("#exercise", "hamstring-standing")
    assert "hamstrings" in page.text("about-exercise")
    page.tab.select_option("#side", "left")
    page.tab.fill("#position", "heel on a box, 60 cm")
    page.tab.check("[name=before][value=heat]")
    page.tab.fill("#before-other", "long walk")
    page.tab.fill("#limit", "7")
    page.tab.click("#check")
    page.tab.wait_for_selector("#picture:visible", timeout=40_000)
    assert page.text("checking").startswith("Simulated. ")
    assert page.tab.locator("#findings li").count() > 4
    page.tab.click("#same summary")
    page.wait(lambda: page.text("command").startswith("biofeedback live --source"))
    page.tab.click("#begin")
    reach(page, "/coach")
    reach(other, "/coach")
    for each in (page, other):  # a page whose scripts are still on their way when its server ends stays where it is
        each.tab.wait_for_selector("body[data-stage=cautions]")
    page.tab.click("#new-session")
    assert page.text("new-session") == "End this one?"
    page.tab.click("#new-session")
    reach(page, "/start")
    reach(other, "/start")
    settings = find_recording(tmp_path).settings
    chosen = {name: settings[name] for name in ("athlete", "side", "position", "covariates", "limit", "simulated")}
    assert chosen == {
        "athlete": "A07",
        "side": "left",
        "position": "heel on a box, 60 cm",
        "covariates": ["heat", "long walk"],
        "limit": 7.0,
        "simulated": True,
    }
    assert settings["exercise"] == "Standing hamstring stretch"
    assert page.tab.input_value("#athlete") == ""  # the last athlete is nobody's default
    assert page.tab.input_value("#position") == ""
    assert page.tab.is_checked("[value=simulated]")  # the sensor is the room's
    page.tab.wait_for_selector("[data-code=A07]")
    assert "Standing hamstring stretch · left · heel on a box, 60 cm" in page.tab.inner_text("[data-code=A07]")
    page.tab.click("text=Start A07")  # one press, with all of it filled in
    reach(page, "/coach")
    again = max(tmp_path.glob("*.hold"), key=lambda path: path.stat().st_mtime_ns)
    settings = open_recording(again).settings
    assert {name: settings[name] for name in chosen} == chosen | {"covariates": []}
    page.tab.wait_for_selector("body[data-stage=cautions]")
    assert complaints(page) == complaints(other) == []


def test_a_plain_board_is_described_and_used_and_nothing_typed_is_lost(
    program: Program, open_start: Callable[..., Page], tmp_path: Path
) -> None:
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are a Unix thing")
    board = PtyDevice(tmp_path / "board", rate_hz=100.0, line="{k} 7\n")
    try:
        page = open_start()
        page.wait(lambda: page.tab.is_visible("#none-found") or page.tab.locator("[value^='port:/']").count() > 0)
        page.tab.click("text=Another port")
        page.tab.fill("#port", f"{board.path}-wrong")
        page.tab.click("#add-column")
        page.tab.select_option("#column-0", "-")
        page.tab.fill("[aria-label='Column 2: value of one count']", "0.01")
        page.tab.fill("[aria-label='Column 2: unit']", "N")
        page.tab.fill("#rate", "100")
        page.tab.fill("#athlete", "A08")
        page.tab.check("#alone")
        page.tab.click("#begin")
        page.wait(lambda: "check plug and cable" in page.text("form-wrong"))
        assert list(tmp_path.glob("*.hold")) == []
        page.tab.fill("#port", board.path)
        page.tab.click("#begin")
        page.tab.wait_for_selector("body[data-stage=cautions]", timeout=90_000)
        assert page.tab.url == program.address
        settings = find_recording(tmp_path).settings
        assert settings["source"] == f"serial:{board.path}?rate=100&channels=force:N*0.01&columns=-,force"
        assert (settings["athlete"], settings["simulated"], settings["rate_hz"]) == ("A08", False, 100.0)
        assert complaints(page) == []
        program.end()
        assert find_recording(tmp_path).n_frames > 0
    finally:
        board.unplug()


class TwoPorts(LocalStartPage):
    """A machine with one of our boards, another one, and a radio."""

    def find_ports(self) -> list[dict[str, str]]:
        return [
            {"port": "/dev/ttyUSB0", "name": "Some UART"},
            {"port": "/dev/ttyACM1", "name": "A second board"},
        ]

    def ask_port(self, order: Mapping[str, Any]) -> dict[str, Any]:
        if order["port"] == "/dev/ttyUSB0":
            return {"board": None, "reason": "is in use by another program"}
        return {"board": "board 1A2B, firmware 3, 1000 readings/s", "profile": "frame-lines", "reason": ""}

    def scan_radios(self) -> list[dict[str, Any]]:
        boards = [("Board 7", -60), ("Board 8", -58)]
        return [{"radio": name, "dbm": dbm, "profiles": ["frame-radio"]} for name, dbm in boards]

    def tell_apart(self, order: Mapping[str, Any]) -> dict[str, Any]:
        return {"which": [form["radio"] for form in order["forms"]].index("Board 8"), "failed": []}

    def check(self, form: Mapping[str, Any]) -> dict[str, Any]:
        findings = []
        if form["rate"] != "10":
            fix = {"words": "Use 10 readings a second", "field": "rate", "value": "10"}
            findings.append({"state": "bad", "about": "wire", "text": "9.997 frames/s", "cure": "rate=10", "fix": fix})
        if not form["columns"][0]["envelope"]:
            fix = {"words": "The board smooths it", "field": "envelope", "channel": "emg_left", "value": True}
            findings.append({"state": "look", "about": "emg_left", "text": "smooth", "cure": "say so", "fix": fix})
        return {"title": "board", "simulated": False, "findings": findings, "picture": ""}


@pytest.fixture
def two_ports(tmp_path: Path) -> Iterator[str]:
    """The start page of such a machine, on an event loop of its own; its address."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(["--folder", str(tmp_path)])
    start_page = TwoPorts(args, open_session=lambda choice: None, open_recording=open_recording)
    ready = threading.Event()
    told: dict[str, Any] = {}

    async def serve() -> None:
        over = asyncio.Event()
        async with open_page(None, port=0, start=(start_page, lambda: None)) as address:
            told.update(address=address, loop=asyncio.get_running_loop(), over=over)
            ready.set()
            await over.wait()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    assert ready.wait(10)
    yield told["address"]
    told["loop"].call_soon_threadsafe(told["over"].set)
    thread.join()


def test_a_board_of_ours_is_recognised_and_a_radio_is_found_when_asked_for(browser: Any, two_ports: str) -> None:
    place: Any = Program(None, two_ports, [])  # type: ignore[arg-type]
    page = Page(browser, place)
    page.tab.wait_for_selector("text=board 1A2B, firmware 3, 1000 readings/s")
    page.wait(lambda: page.tab.is_checked("[value='port:/dev/ttyACM1']"))  # the only one of ours: chosen by itself
    page.wait(lambda: page.tab.input_value("#profile") == "frame-lines")
    assert "is in use by another program" in page.text("sensors")
    assert page.tab.is_hidden("#none-found")
    assert page.tab.locator("[value^='radio:']").count() == 0  # nobody has asked
    page.tab.click("#same summary")
    page.wait(lambda: page.text("source") == "serial:/dev/ttyACM1?profile=frame-lines")
    page.tab.check("[value='port:/dev/ttyUSB0']")
    page.tab.fill("[aria-label='Column 1: unit']", "N")
    page.wait(lambda: page.text("source") == "serial:/dev/ttyUSB0?channels=force:N")
    page.tab.check("[value=udp]")
    page.wait(lambda: page.text("source") == "udp:4210?channels=force:N")
    page.tab.select_option("#profile", "wifi-lines")
    page.wait(lambda: page.text("source") == "udp:4210?profile=wifi-lines")
    page.tab.click("#look-radios")
    page.tab.click("text=Board 7")
    page.wait(lambda: page.text("source") == "ble:Board 7?profile=frame-radio")
    page.tab.click("#which")  # two of one kind: the one that is pulled is chosen
    page.wait(lambda: "It is Board 8." in page.text("apart"))
    page.wait(lambda: page.text("source") == "ble:Board 8?profile=frame-radio")
    assert page.complaints == []
    page.close()


def test_a_cure_that_the_page_can_apply_is_one_press(browser: Any, two_ports: str) -> None:
    page = Page(browser, Program(None, two_ports, []))  # type: ignore[arg-type]
    page.tab.check("[value='port:/dev/ttyUSB0']")
    page.tab.select_option("#column-0", "emg")
    page.tab.select_option("[aria-label='Column 1: side']", "left")
    page.tab.click("#check")
    page.tab.click("text=Use 10 readings a second")
    page.wait(lambda: page.tab.locator("#findings li").count() == 1)  # it was looked at again
    assert page.tab.input_value("#rate") == "10"
    page.tab.click("text=The board smooths it")
    page.wait(lambda: "Fit for use" in page.text("checking"))
    page.tab.click("#same summary")
    page.wait(lambda: page.text("source") == "serial:/dev/ttyUSB0?rate=10&channels=emg_left:uV@envelope")
    page.tab.check("[value='port:/dev/ttyACM1']")  # what was typed of one board is not of the next
    page.wait(lambda: page.text("source") == "serial:/dev/ttyACM1?profile=frame-lines")
    assert page.complaints == []
    page.close()


def test_a_board_nobody_described_is_read_put_right_kept_and_used(
    program: Program, open_start: Callable[..., Page], tmp_path: Path
) -> None:
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are a Unix thing")
    board = PtyDevice(tmp_path / "board", rate_hz=80.0, line="Zug: {k},5 | Akku 87 %\r\n", greeting=b"Press c ")
    board.talking = False
    hears = board.hear

    def hear(data: bytes) -> None:
        board.talking = board.talking or b"c" in data
        hears(data)

    board.hear = hear  # type: ignore[method-assign]
    try:
        page = open_start()
        page.tab.click("text=Another port")
        page.tab.fill("#port", board.path)
        page.tab.click("#hear")
        page.wait(lambda: "“Press c” and waits" in page.text("heard-words"), within_s=20)
        assert "Press c" in page.text("heard-raw")  # in trouble the lines themselves are seen
        page.tab.fill("#key", "c")
        page.tab.click("#send-key")
        page.wait(lambda: "how its last line is read" in page.text("heard-words"), within_s=20)
        assert "column 1 · “Zug”" in page.text("heard-lines")
        page.tab.select_option("#column-1", "-")
        page.tab.click("#heard-asks button:has-text('kilograms')")
        assert page.tab.input_value("[aria-label='Column 1: unit']") == "kg"
        page.tab.fill("[aria-label='Column 1: its numbers run from, to']", "0 to 4095")
        page.tab.fill("#rate", "80")
        page.tab.fill("#keep", "my-board")
        page.tab.click("#keep-it")
        page.wait(lambda: page.tab.input_value("#profile") == "my-board")
        assert (tmp_path / "profiles" / "my-board.toml").exists()
        page.tab.click("#same summary")
        page.wait(lambda: page.text("source").endswith("?profile=my-board&rate=80"))
        page.tab.fill("#athlete", "A08")
        page.tab.check("#alone")
        board.talking = False  # it restarts when its port is opened
        page.tab.click("#begin")
        page.tab.wait_for_selector("body[data-stage=cautions]", timeout=90_000)
        (channel,) = find_recording(tmp_path).channels
        assert (channel.unit, channel.factor, channel.rail_high_counts) == ("N", 9.80665, 4095)
        assert complaints(page) == []
        program.end()
        assert find_recording(tmp_path).n_frames > 0
    finally:
        board.unplug()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_exercise_shows_the_drawing_of_its_rig_and_its_own_cautions(
    open_start: Callable[..., Page], scheme: str
) -> None:
    page = open_start(color_scheme=scheme)
    assert not page.tab.is_visible("#rig")
    page.tab.select_option("#exercise", "hip-flexor-lunge")
    page.tab.wait_for_function("document.querySelector('#rig-picture').naturalWidth > 100")
    assert "Pushing makes the number rise" in (page.tab.get_attribute("#rig-picture", "alt") or "")
    text = page.tab.inner_text("#about-exercise")
    assert "no model for the hip: knee used" in text
    assert "low back" in text
    page.tab.select_option("#exercise", "")
    assert not page.tab.is_visible("#rig")


def test_another_code_never_gets_the_stretch_of_the_one_before(
    program: Program, open_start: Callable[..., Page], tmp_path: Path
) -> None:
    source = "simulated:?seed=1&channels=force"
    record(tmp_path, "A01", 20, make_maximum(), simulated=True, source=source)
    record(tmp_path, "A02", 25, simulated=True, source=source, side="right", position="floor", limit=6.0)
    page = open_start()
    page.tab.wait_for_selector("[data-code=A02]")
    page.tab.fill("#athlete", "a01")
    page.wait(lambda: page.tab.input_value("#position") == "heel on a box, 60 cm")
    assert page.tab.is_checked("#carry")
    assert "412 N" in page.text("carry-words")
    page.tab.fill("#athlete", "A02")
    page.wait(lambda: page.tab.input_value("#position") == "floor")
    assert (page.tab.input_value("#side"), page.tab.input_value("#limit")) == ("right", "6")
    assert page.tab.is_hidden("#for-carry")
    page.tab.fill("#athlete", "A03")
    page.wait(lambda: page.tab.input_value("#position") == "")
    assert [page.tab.input_value(f"#{name}") for name in ("exercise", "side", "limit")] == ["", "", "8"]
    page.tab.fill("#position", "on the bench")
    page.tab.fill("#athlete", "A04")
    assert page.tab.input_value("#position") == "on the bench"  # typed, of nobody else
    assert complaints(page) == []


def test_a_known_athlete_is_two_presses_after_the_cautions_from_the_first_attempt(
    program: Program, open_start: Callable[..., Page], tmp_path: Path
) -> None:
    record(tmp_path, "A01", 20, make_maximum(), simulated=True, source="simulated:?seed=1&channels=force")
    page = open_start()
    page.tab.click("text=Start A01")
    reach(page, "/coach")
    page.tab.wait_for_selector("body[data-stage=cautions]")
    page.tab.click("#accept-cautions")
    page.tab.wait_for_selector("body[data-stage=zero]")
    page.tab.click("text=Zero now")  # the first
    page.tab.wait_for_selector("body[data-stage=ready]", timeout=90_000)
    page.wait(lambda: "days old" in page.tab.inner_text("main"))  # the maximum says its age
    # the second; how the last evening was is not answered, so only plans that are not hard are open
    page.tab.locator("#plans button:enabled", has_text="Start").first.click()
    page.tab.wait_for_selector("body[data-stage=plan]")
    assert complaints(page) == []


def test_by_keyboard_alone(open_start: Callable[..., Page], tmp_path: Path) -> None:
    last = {
        "sensor": "simulated",
        "simulated": "force",
        "seed": "2",
        "athlete": "A09",
        "limit": "9",
        "before": ["heat"],
    }
    (tmp_path / "last-start.json").write_text(json.dumps(last))
    page = open_start()
    assert page.tab.is_checked("[value=simulated]")
    page.tab.fill("#athlete", "A09")
    for name in ("check", "exercise", "limit", "begin"):
        press_focused(page, name, key="Shift")
    press_focused(page, "begin")
    reach(page, "/coach")
    assert find_recording(tmp_path).settings["athlete"] == "A09"


def test_a_program_that_has_ended_is_told(program: Program, open_start: Callable[..., Page]) -> None:
    page = open_start()
    page.tab.fill("#athlete", "A10")
    program.end()
    page.wait(lambda: "does not answer" in page.text("banner-text"), within_s=8)
    page.tab.click("#begin")
    page.wait(lambda: "does not answer" in page.text("form-wrong"))
    assert page.tab.input_value("#athlete") == "A10"


@pytest.mark.parametrize("size", [(390, 844), (844, 390), (820, 1180), (1280, 800), (640, 400)])
def test_nothing_is_wider_than_the_page(open_start: Callable[..., Page], size: tuple[int, int]) -> None:
    page = open_start(viewport={"width": size[0], "height": size[1]})
    page.tab.click("text=Another port")
    page.tab.click("#add-column")
    page.tab.select_option("#column-1", "emg")
    page.tab.select_option("#exercise", "hamstring-standing")
    lost = page.tab.evaluate(
        """() => [...document.querySelectorAll("main *")].filter((e) => {
        if (!e.checkVisibility()) return false;
        const r = e.getBoundingClientRect();
        return r.width && !e.matches(".hide, option, .actions *:empty") && (r.left < -1 || r.right > innerWidth + 1);
      }).map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert lost == []


@pytest.mark.network
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_violation_in_any_state(open_start: Callable[..., Page], tmp_path: Path, scheme: str) -> None:
    (tmp_path / "last-start.json").write_text(json.dumps({"sensor": "simulated", "athlete": "A09", "limit": "9"}))
    record(tmp_path, "A01", 20, make_maximum())
    page = open_start(color_scheme=scheme, script=axe_script())
    page.tab.emulate_media(reduced_motion="reduce")  # else a colour may be caught half-way
    page.tab.wait_for_selector("[data-code=A01]")
    problems = violations(page)
    for choice in ("Another port", "A source as on the command line", "Simulated athlete"):
        page.tab.click(f"text={choice}")
        problems += violations(page)
    page.tab.click("text=Another port")
    page.tab.fill("#port", "/dev/none")
    page.tab.select_option("#column-0", "emg")
    page.tab.select_option("#exercise", "hamstring-standing")
    received = b"".join(b"%d; Zug: %d.5\r\n" % (k, 7 * k % 30) for k in range(30)) + b"Press c"
    told = describe_understanding(understand(received), received) | {"waits": True}
    page.tab.route("**/start/hear", lambda route: route.fulfill(json=told))
    page.tab.click("#hear")
    page.tab.wait_for_selector("#heard-asks button")
    for summary in filter(lambda one: one.is_visible(), page.tab.query_selector_all("details:not([open]) > summary")):
        summary.click()
    problems += violations(page)
    page.tab.fill("#athlete", "")
    page.tab.click("#begin")
    page.wait(lambda: "No code" in page.text("athlete-wrong"))
    problems += violations(page)
    page.tab.click("#heard-asks button:has-text('newtons')")
    page.tab.click("#check")
    page.tab.wait_for_selector("#findings li")
    page.wait(lambda: page.tab.is_enabled("#check"))
    problems += violations(page)
    assert problems == []


@pytest.mark.network
@pytest.mark.parametrize("size", [(390, 844), (1280, 800)])
def test_a_stretch_that_does_not_say_what_to_stop_for_is_asked_once(
    program: Program, open_start: Callable[..., Page], tmp_path: Path, size: tuple[int, int]
) -> None:
    page = open_start(viewport={"width": size[0], "height": size[1]}, script=axe_script())
    page.tab.click("text=No sensor tonight")
    page.tab.fill("#athlete", "A07")
    page.tab.select_option("#exercise", "hamstring-standing")
    assert page.tab.is_hidden("#unsaid")
    page.tab.select_option("#exercise", label="in own words …")
    page.tab.fill("#own", "Leg on the fence")
    assert page.tab.is_visible("#unsaid_cautions")
    assert page.tab.is_hidden("#unsaid_force")  # there is no sensor tonight
    page.tab.click("#begin")
    page.wait(lambda: page.text("unsaid_cautions-wrong").startswith("Not said yet"))
    assert page.tab.evaluate("() => document.activeElement.id") == "unsaid_cautions"
    assert violations(page) == []
    assert page.tab.evaluate("() => document.documentElement.scrollWidth") <= size[0]
    page.tab.keyboard.type("stop on pain at the heel")
    page.tab.click("#begin")
    reach(page, "/coach")
    page.tab.wait_for_selector("body[data-stage=cautions]")
    assert find_exercises(tmp_path, None)["leg-on-the-fence"].cautions == ("stop on pain at the heel",)
    page.wait(lambda: "stop on pain at the heel" in (page.tab.text_content("body") or ""))  # and told from now on
