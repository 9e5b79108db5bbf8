"""Four sensors, four phones and a coach: the whole shared session in a real browser, checked against its recordings."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from biofeedback.analysis.trace import compute_trace
from biofeedback.storage.recording import open_recording

from .program import Program, start_live
from .test_browser import shown

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.waits(104)]

CODES = ("A01", "A02", "A03", "A04")
RATINGS = (3, 4, 5, 6)  # what each athlete answers on their own phone
STRENGTHS = (250, 300, 350, 400)
WATCH = """(all) => {
  const numbers = [...document.querySelectorAll(all)];
  window.seen = numbers.map(() => new Map());
  const note = () => {
    numbers.forEach((number, k) => {
      const form = number.closest(".form");
      if (["target", "free"].includes(form.dataset.mode)) window.seen[k].set(+number.dataset.level, number.textContent);
    });
    requestAnimationFrame(note);
  };
  requestAnimationFrame(note);
}"""
SEEN = "() => window.seen.map((each) => [...each])"


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    program = start_live(tmp_path, dict(zip(CODES, STRENGTHS, strict=True)), "--share", "--share-plain")
    yield program
    program.kill()


def test_a_phone_comes_back_to_its_seat_when_the_program_is_started_anew(
    browser: Any, program: Program, tmp_path: Path
) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    phone = context.new_page()
    phone.goto(program.invitations[1])
    phone.wait_for_url("**/athlete?seat=2")
    drive(phone, until=f"#athlete:text-is('{CODES[1]}')")
    program.end()
    strengths = {CODES[1]: STRENGTHS[1], CODES[3]: STRENGTHS[3]}  # the same athlete, at another seat
    again = start_live(tmp_path, strengths, "--share", "--share-plain", port=program.port)
    try:
        phone.reload()
        phone.wait_for_url("**/athlete?seat=1")
        drive(phone, until=f"#athlete:text-is('{CODES[1]}')")
        stranger = browser.new_context()
        tab = stranger.new_page()
        tab.goto(phone.url)
        tab.wait_for_url("**/pair")  # without the cookie
        stranger.close()
    finally:
        context.close()
        again.kill()


def drive(tab: Any, *, until: str, within_s: float = 90.0) -> None:
    tab.wait_for_selector(until, timeout=1000 * within_s)


def test_four_phones_and_a_coach_show_and_change_the_right_athlete(
    browser: Any, program: Program, tmp_path: Path
) -> None:
    assert len(program.invitations) == 4
    with contextlib.ExitStack() as stack:

        def open_tab(address: str, **options: Any) -> Any:
            context = browser.new_context(**options)
            stack.callback(context.close)
            tab = context.new_page()
            tab.goto(address)
            return tab

        phones = [open_tab(url, viewport={"width": 390, "height": 844}) for url in program.invitations]
        for k, phone in enumerate(phones):
            phone.wait_for_url(f"**/athlete?seat={k + 1}")
            drive(phone, until=f"#athlete:text-is('{CODES[k]}')")
        coach = open_tab(f"{program.address}group", viewport={"width": 1280, "height": 800})
        drive(coach, until="#phones-joined:text-is('4 of 4')")
        for code in CODES:
            coach.get_by_text(f"{code}: read, none applies").click()
        drive(coach, until=".seat[data-stage='zero'] >> nth=3")
        coach.click("#zero-all")
        drive(coach, until=".seat[data-stage='ready'] >> nth=3")
        coach.select_option("#plan", "short")
        coach.click("#start-all")
        drive(coach, until=".seat[data-stage='plan'] >> nth=3")
        coach.evaluate(WATCH, ".seat .number .digits")
        for phone in phones:
            drive(phone, until="body[data-stage='plan']")
            phone.evaluate(WATCH, "#number")
        for k, phone in enumerate(phones):
            drive(phone, until="#pad[data-open='yes']")
            phone.click(f"#pad-keys [data-rating='{RATINGS[k]}']")
        for k in range(4):
            drive(coach, until=f".seat >> nth={k} >> .given:text-is('last: {RATINGS[k]}')")
        phones[1].click("#stop")
        drive(coach, until=".seat >> nth=1 >> text=Come out of the position slowly")
        assert coach.locator(".seat[data-stage='plan']").count() == 3  # nobody else was stopped
        coach.click("#phones summary")
        coach.get_by_label("Send device 3 away").click()
        phones[2].wait_for_url("**/pair")
        assert [phone.url.rpartition("/")[2] for phone in phones] == [
            "athlete?seat=1",
            "athlete?seat=2",
            "pair",
            "athlete?seat=4",
        ]
        coach.click("#stop-all")
        drive(phones[3], until="body[data-stage='done']")
        seen = [dict(each) for each in coach.evaluate(SEEN)]
        seen_on = [dict(phone.evaluate(SEEN)[0]) for phone in (phones[0], phones[1], phones[3])]
    program.end()
    for k, code in enumerate(CODES):
        (path,) = tmp_path.glob(f"{code}-*.hold")
        recording = open_recording(path)
        ratings = [event.data for event in recording.events if event.kind == "rating"]
        assert [(each["value"], each["by"]) for each in ratings] == [(RATINGS[k], "athlete")]
        stops = [event.data["by"] for event in recording.events if event.kind == "stop"]
        assert stops == ["athlete" if k == 1 else "coach"]
        percent = compute_trace(recording).percent[:, 0]
        screens = [seen[k]] + ([seen_on[{0: 0, 1: 1, 3: 2}[k]]] if k != 2 else [])
        for screen in screens:
            assert len(screen) > 100
            for level, text in screen.items():
                assert text == ("–" if math.isnan(percent[level]) else shown(percent[level])), (code, level)
