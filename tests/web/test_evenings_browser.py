"""Evening after evening in a real browser: known athletes in two presses, a trial drawn up, a group of four by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from biofeedback.storage.recording import open_recording
from biofeedback.wiring.trials import find_trial

from ..wiring.test_athletes import make_maximum, record
from .conftest import Page
from .program import Program
from .test_start_page import complaints, open_start, program, reach  # noqa: F401

pytestmark = [pytest.mark.browser, pytest.mark.slow]

CODES = ("A01", "A02", "A03", "A04")
SOURCE = "simulated:?seed=1&channels=force"
PLAN = """
name = "short"
title = "Short"
description = "One light contraction."
grace_s = 1.0
ask_before_end_s = 3.0

[[block]]
repeat = 1

[[block.phase]]
kind = "passive"
duration_s = 2
ask = false

[[block.phase]]
kind = "contract"
duration_s = 5
band = [20, 30]
ask = true
"""


def press_through(page: Page) -> None:
    """From the card over the cautions to a plan that runs: after the cautions two presses."""
    page.tab.click("text=Start A01")
    reach(page, "/coach")
    page.tab.wait_for_selector("body[data-stage=cautions]")
    page.tab.click("#accept-cautions")
    page.tab.wait_for_selector("body[data-stage=zero]")
    page.tab.click("text=Zero now")  # the first
    page.tab.wait_for_selector("body[data-stage=ready]", timeout=30_000)
    page.tab.locator("#plans button:enabled", has_text="Start").first.click()  # the second
    page.tab.wait_for_selector("body[data-stage=plan]")


def test_a_second_and_a_third_evening_are_two_presses_each_after_the_cautions(
    program: Program,  # noqa: F811
    open_start: Callable[..., Page],  # noqa: F811
    tmp_path: Path,
) -> None:
    record(tmp_path, "A01", 20, make_maximum(), simulated=True, source=SOURCE)
    page = open_start()
    for n_evenings in (2, 3):
        press_through(page)
        page.tab.click("#stop")
        page.tab.wait_for_selector("body:not([data-stage=plan])")
        page.tab.click("#new-session")
        page.tab.click("#new-session")  # the same button asks whether it is meant
        reach(page, "/start")
        page.tab.wait_for_selector("[data-code=A01]")
        assert "today" in page.tab.inner_text("[data-code=A01]")
        paths = sorted(tmp_path.glob("*.hold"))
        assert len(paths) == n_evenings
        for path in paths[1:]:
            recording = open_recording(path)
            assert recording.settings["side"] == "left"
            maximum = recording.account.maximum_history[0].maximum
            assert (maximum.method, maximum.strength) == ("carried", 412.0)
    assert complaints(page) == []


def test_a_trial_is_drawn_up_on_the_card_and_tonights_way_stands_there(
    program: Program,  # noqa: F811
    open_start: Callable[..., Page],  # noqa: F811
    tmp_path: Path,
) -> None:
    record(tmp_path, "A01", 20, make_maximum(), simulated=True, source=SOURCE)
    page = open_start()
    card = page.tab.locator("[data-code=A01]")
    card.get_by_text("Which way helps most").click()
    card.locator("[value=warmth]").check()
    card.get_by_text("Draw the order").click()
    page.wait(lambda: "Only one way is chosen" in card.inner_text())
    card.locator("[value=nothing]").check()
    card.get_by_label("Blocks").fill("3")
    page.wait(lambda: "6 evenings: 2 ways" in card.inner_text())
    card.get_by_text("Draw the order").click()
    page.wait(lambda: "Evening 1 of 6 of the trial" in card.inner_text())
    trial = find_trial(tmp_path, "A01")
    assert trial is not None
    page.wait(lambda: f"seed {trial.schedule.seed}" in card.inner_text())  # the fold stays open
    assert card.get_by_text("Draw the order").is_hidden()  # one trial at a time
    assert complaints(page) == []


@pytest.mark.waits(40)
def test_a_group_of_four_is_set_up_by_hand_and_walks_through_its_evening(
    program: Program,  # noqa: F811
    open_start: Callable[..., Page],  # noqa: F811
    tmp_path: Path,
) -> None:
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "short.toml").write_text(PLAN)
    for day, code in enumerate(CODES, 20):
        record(tmp_path, code, day, make_maximum(day=day), simulated=True, source=SOURCE)
    page, other = open_start(viewport={"width": 1280, "height": 800}), open_start()
    tab = page.tab
    tab.click("[aria-label='Add A01 to a group']")
    tab.wait_for_selector("#group-seats [data-athlete=A01]")
    tab.click("[aria-label='Add A02 to a group']")
    tab.wait_for_selector("#group-seats [data-athlete=A02]")
    tab.check("[value=simulated]")
    tab.fill("#athlete", "A01")
    tab.click("#add-seat")
    page.wait(lambda: "A01 has a seat already" in page.text("athlete-wrong"))  # told at its field
    tab.fill("#athlete", "A03")
    page.wait(lambda: tab.input_value("#side") == "left")
    tab.fill("#position", "floor")
    tab.click("#add-seat")
    tab.wait_for_selector("#group-seats [data-athlete=A03]")
    tab.fill("#athlete", "A04")
    page.wait(lambda: tab.input_value("#position") != "floor")
    tab.click("#add-seat")
    tab.wait_for_selector("#group-seats [data-athlete=A04]")
    assert tab.is_disabled("#add-seat")  # four are all
    tab.click("[aria-label='Change the seat of A04']")
    tab.fill("#position", "on the bench")
    tab.click("text=Keep as seat 4")
    page.wait(lambda: "on the bench" in tab.inner_text("#group-seats [data-athlete=A04]"))
    tab.click("text=Start the group of 4")
    reach(page, "/group")
    reach(other, "/group")  # a start page that was open elsewhere comes along
    tab.wait_for_selector(".seat >> nth=3")
    for code in CODES:
        tab.get_by_text(f"{code}: read, none applies").click(timeout=20_000)
    tab.wait_for_selector(".seat[data-stage='zero'] >> nth=3")
    assert "floor" in tab.inner_text(".seat >> nth=2")  # each athlete has a stretch of their own
    tab.click("#zero-all")
    tab.wait_for_selector(".seat[data-stage='ready'] >> nth=3", timeout=30_000)
    tab.select_option("#plan", "short")
    tab.click("#start-all")
    tab.wait_for_selector(".seat[data-stage='done'] >> nth=3", timeout=60_000)
    tab.click("#new-session")
    tab.click("#new-session")
    reach(page, "/start")
    tab.wait_for_selector("[data-code=A04]")
    assert complaints(page) == []
    for code in CODES:
        newest = sorted(tmp_path.glob(f"{code}-*.hold"))[-1]
        account = open_recording(newest).account
        assert [one.phase_number for one in account.ratings] == [2]  # asked in the contraction, answered
        assert account.stage == "done"
    assert open_recording(sorted(tmp_path.glob("A04-*.hold"))[-1]).settings["position"] == "on the bench"
