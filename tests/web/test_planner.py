"""A plan is changed on the page: with the keyboard alone, told of every mistake, saved as a file, started at once."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from biofeedback.model import Band
from biofeedback.session.plan import Plan, load_plan
from biofeedback.session.view import describe_plans
from biofeedback.wiring.plans import PlanShelf
from biofeedback.wiring.user_files import find_exercises

from ..session.test_plan_file import MIXED
from .axe import axe_script
from .conftest import Page, Served
from .scenes import SCENES
from .test_accessibility import violations, violations_light_and_dark

pytestmark = [pytest.mark.browser, pytest.mark.slow]


class Offered:
    """Stands for the engines: what is saved can be chosen at once."""

    def __init__(self, served: Served, shelf: PlanShelf) -> None:
        self._served, self._shelf = served, shelf

    def offer_plan(self, plan: Plan) -> None:
        assert self._shelf.plans[plan.name] == plan
        self._served.live.change(plans=describe_plans(self._shelf.plans.values(), "general"))


@pytest.fixture
def folder(served: Served, tmp_path: Path) -> Path:
    """A session that is ready for a plan, with a real shelf of plans."""
    shelf = PlanShelf(tmp_path / "plans")
    engine: Any = Offered(served, shelf)
    shelf.engines.append(engine)

    def put_up(live: Any) -> None:
        SCENES["ready"](live)
        live.change(plans=describe_plans(shelf.plans.values(), "general"))
        for name in ("open_plan", "check_plan", "save_plan", "save_exercise"):
            setattr(live, f"_do_{name}", shelf.carry_out)
        live._do_start_plan = lambda message: None

    served.do(put_up)
    return tmp_path / "plans"


def last(served: Served, name: str) -> dict[str, Any] | None:
    sent = [message for message, by in served.live.commands if message["do"] == name and by == "coach"]
    return sent[-1] if sent else None


def open_planner(page: Page, name: str = "light-hold") -> None:
    page.wait(lambda: page.tab.is_visible(f"#change-{name}"))
    page.tab.focus(f"#change-{name}")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: page.tab.is_visible("#planner"))


def focused(page: Page) -> str:
    return str(page.tab.evaluate("() => document.activeElement.id"))


def tab_to(page: Page, name: str) -> None:
    for _ in range(60):
        page.tab.keyboard.press("Tab")
        if focused(page) == name:
            return
    raise AssertionError(f"{name} is not reached with the Tab key")


@pytest.mark.parametrize("place", ["", "coach"])
def test_a_plan_is_changed_saved_and_started_with_the_keyboard_alone(
    served: Served, open_tab: Any, folder: Path, place: str
) -> None:
    page = open_tab(path=place)
    open_planner(page)
    page.wait(lambda: "phases" in page.text("plan-sum"))
    assert focused(page) == "planner-title"
    keys = page.tab.keyboard
    keys.press("Tab")
    keys.type("Mine, lighter")
    before = load_plan("light-hold")
    tab_to(page, "b0p0-duration_s")
    keys.press("Control+a")
    keys.type("25")
    tab_to(page, "b0p1-band")
    keys.press("Control+a")
    keys.type("15")
    keys.press("Tab")
    keys.press("Control+a")
    keys.type("25,5")
    tab_to(page, "b0-add")
    keys.press("Enter")
    n = len(page.tab.query_selector_all("#plan-blocks fieldset:first-of-type .plan-phases > li"))
    assert focused(page) == f"b0p{n - 1}-kind"
    keys.type("Leave")
    page.wait(lambda: page.tab.input_value(f"#b0p{n - 1}-kind") == "rest")
    tab_to(page, f"b0p{n - 1}-up")
    keys.press("Enter")
    assert page.tab.input_value(f"#b0p{n - 2}-kind") == "rest"
    assert focused(page) == f"b0p{n - 2}-up"
    tab_to(page, "plan-save-start")
    keys.press("Enter")
    page.wait(lambda: last(served, "start_plan") == {"do": "start_plan", "plan": "mine-lighter"})
    [path] = folder.iterdir()
    plan = load_plan(path)
    assert plan.title == "Mine, lighter"
    assert plan.phases[1].band == Band(15.0, 25.5)
    assert plan.phases[0].duration_s == 25.0
    assert len(plan.phases) > len(before.phases)
    assert load_plan("light-hold") == before
    page.wait(lambda: "Mine, lighter" in page.text("plans"))
    assert page.complaints == []


def test_every_mistake_stands_at_its_field_and_nothing_is_saved(served: Served, open_tab: Any, folder: Path) -> None:
    page = open_tab()
    open_planner(page, "response-check")
    page.tab.fill("#plan-title", "Light hold")
    page.tab.fill("#b0p0-duration_s", "")
    page.tab.fill("#b0p1-band", "90")
    page.tab.fill("#b0-repeat", "many")
    page.wait(lambda: page.text("plan-sum") == "3 things are to be set right.")
    assert page.text("b0p0-wrong") == "Seconds is empty: use a number from 1 to 3600."
    assert page.text("b0p1-wrong") == "Band [90, 80]: use two numbers, low below high, in % of maximum."
    assert page.text("b0-wrong") == "Times 'many': use a number from 1 to 100."
    for name in ("b0p0-duration_s", "b0p1-band", "b0-repeat"):
        assert page.tab.get_attribute("#" + name, "aria-invalid") == "true"
        assert page.tab.get_attribute("#" + name, "aria-describedby")
    page.tab.click("#plan-save-start")
    page.wait(lambda: "choose another name" in page.text("plan-title-wrong"))
    assert focused(page) == "plan-title"
    assert not folder.exists()
    assert last(served, "start_plan") is None
    page.tab.fill("#b0p0-duration_s", "20")
    page.tab.fill("#b0p1-band", "60")
    page.tab.fill("#b0-repeat", "5")
    page.wait(lambda: page.text("plan-sum") == "3 min 40 s, 11 phases, 11 ratings asked.")
    assert page.tab.locator("#planner [aria-invalid]").count() == 0
    page.tab.click("#plan-leave")
    assert focused(page) == "change-response-check"
    assert page.tab.is_visible("#plans")


def test_a_new_plan_and_an_own_one_changed_again(served: Served, open_tab: Any, folder: Path) -> None:
    page = open_tab()
    page.wait(lambda: page.tab.is_visible("#plan-new"))
    page.tab.click("#plan-new")
    page.tab.fill("#plan-title", "Own")
    page.tab.click("#plan-add-block")
    page.tab.click("#b1-add")
    page.tab.click("#b1p0-remove")
    page.tab.select_option("#plan-randomise", "pairs")
    page.wait(lambda: page.text("plan-sum").startswith("3 min 40 s"))
    page.tab.click("#plan-save")
    page.wait(lambda: page.text("plan-said") == "Saved: Own.")
    made = load_plan(folder / "own.toml")
    assert [phase.kind for phase in made.phases] == ["passive", "contract"] * 5 + ["contract"]
    assert made.randomise == "pairs"
    assert last(served, "start_plan") is None
    page.tab.click("#change-own")
    page.wait(lambda: page.tab.input_value("#plan-title") == "Own")
    page.tab.click("#b1-up")
    assert page.tab.input_value("#b0-repeat") == "1"
    page.tab.click("#b0-remove")
    page.wait(lambda: page.text("plan-sum").startswith("3 min 20 s"))
    page.tab.click("#plan-save")
    page.wait(lambda: not page.tab.is_visible("#planner"))
    assert len(load_plan(folder / "own.toml").phases) == 10
    assert page.complaints == []


def test_a_plan_goes_by_feeling_and_against_a_hand_squeeze(served: Served, open_tab: Any, folder: Path) -> None:
    page = open_tab()
    page.wait(lambda: page.tab.is_visible("#plan-new"))
    page.tab.click("#plan-new")
    page.tab.fill("#plan-title", "By feeling")
    page.tab.fill("#b0-repeat", "4")
    page.tab.select_option("#b0p1-kind", "felt")
    page.tab.fill("#b0p1-felt", "4")
    page.wait(lambda: page.text("b0p1-wrong") == "Felt effort 4: use a number from 0 to 3.")
    page.tab.fill("#b0p1-felt", "1")
    page.tab.click("#b0-add")
    page.tab.click("#b0-add")
    page.tab.select_option("#b0p3-kind", "remote")
    page.tab.select_option("#plan-randomise", "control")
    page.wait(lambda: page.text("plan-sum") == "5 min 20 s, 16 phases, 16 ratings asked.")
    page.tab.click("#plan-save")
    page.wait(lambda: page.text("plan-said") == "Saved: By feeling.")
    made = load_plan(folder / "by-feeling.toml")
    assert [phase.kind for phase in made.phases[:4]] == ["passive", "contract", "passive", "remote"]
    assert (made.phases[1].felt, made.phases[1].band, made.randomise) == (1.0, None, "control")
    page.tab.click("#change-by-feeling")
    page.wait(lambda: page.tab.input_value("#b0p1-kind") == "felt")
    assert page.tab.input_value("#b0p1-felt") == "1"
    assert page.complaints == []


def test_a_plan_that_mixes_all_is_edited_and_loses_nothing(served: Served, open_tab: Any, folder: Path) -> None:
    assert "saved" in served.do(lambda live: live._do_save_plan({"do": "save_plan", "draft": MIXED}))
    page = open_tab()
    page.wait(lambda: page.tab.is_visible("#change-everything"))
    page.tab.click("#change-everything")
    page.wait(lambda: page.tab.input_value("#plan-title") == "Everything")
    assert page.tab.input_value("#b1p1-ramp").replace("\u2013", "-") == "40-50, 20-30"
    assert page.tab.input_value("#b1p1-blind").replace("\u2013", "-") == "8-12"
    assert page.tab.is_checked("#b0p1-until")
    assert page.tab.is_checked("#b0p2-until")
    page.tab.fill("#b1p1-ramp", "90-110")
    page.wait(lambda: page.text("b1p1-wrong"))
    assert page.text("b1p1-wrong").replace("\u2013", "-").casefold().startswith("ramp to 90-110 %")
    page.tab.fill("#b1p1-ramp", "45-55, 20-30")
    page.tab.fill("#b0p0-duration_s", "25")
    page.wait(lambda: not page.text("b1p1-wrong"))
    page.tab.click("#plan-save")
    page.wait(lambda: not page.tab.is_visible("#planner"))
    wanted = copy.deepcopy(MIXED)
    wanted["block"][0]["phase"][0]["duration_s"] = 25
    wanted["block"][1]["phase"][1]["ramp"][0] = [45, 55]
    kept = tomllib.loads((folder / "everything.toml").read_text(encoding="utf-8"))
    assert {key: value for key, value in kept.items() if key != "name"} == wanted
    assert page.complaints == []


def test_an_athlete_changes_no_plan(served: Served, open_tab: Any, folder: Path) -> None:
    page = open_tab(path="athlete")
    page.wait(lambda: page.tab.get_attribute("body", "data-stage") == "ready")
    assert not page.tab.is_visible("#plan-new")
    assert not page.tab.is_visible("#plans")


@pytest.mark.network
@pytest.mark.parametrize("size", [(390, 844), (844, 390), (1280, 800)])
def test_no_violation_and_nothing_cut_off(served: Served, open_tab: Any, folder: Path, size: tuple[int, int]) -> None:
    page = open_tab(viewport={"width": size[0], "height": size[1]}, color_scheme="light", script=axe_script())
    open_planner(page, "dose-search")
    page.tab.fill("#b0p0-duration_s", "0")
    page.tab.fill("#plan-randomise_bands", "20-30, 40-50")
    page.wait(lambda: "to be set right" in page.text("plan-sum"))
    assert violations_light_and_dark(page) == []
    wide = page.tab.evaluate("() => [document.body.scrollWidth, document.getElementById('main').scrollWidth]")
    assert max(wide) <= size[0]


@pytest.mark.network
@pytest.mark.parametrize("size", [(390, 844), (1280, 800)])
def test_an_exercise_of_ones_own_is_kept_or_told_what_it_lacks(
    served: Served, open_tab: Any, folder: Path, size: tuple[int, int]
) -> None:
    page = open_tab(path="coach", viewport={"width": size[0], "height": size[1]}, script=axe_script())
    page.wait(lambda: page.tab.is_visible("#own-exercise summary"))
    page.tab.focus("#own-exercise summary")
    page.tab.keyboard.press("Enter")
    page.tab.keyboard.press("Tab")
    assert focused(page) == "exercise-title"
    page.tab.keyboard.type("Calf on a step")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: focused(page) == "exercise-muscle")
    assert page.text("exercise-muscle-wrong").startswith("An exercise without muscle")
    assert violations(page) == []
    page.tab.keyboard.type("calf")
    page.tab.fill("#exercise-lever_m", "0.4")
    page.tab.fill("#exercise-drift", "6 and 3 deg")
    page.tab.keyboard.press("Enter")
    page.wait(lambda: "the first is above 0 and below the second" in page.text("exercise-drift-wrong").lower())
    assert focused(page) == "exercise-drift"
    page.tab.fill("#exercise-drift", "3 and 6 deg")
    for field, answer in (("force", "no force sensor"), ("cautions", "stop on pain at the heel")):  # asked once
        page.tab.keyboard.press("Enter")
        page.wait(lambda field=field: focused(page) == f"exercise-{field}")
        assert page.text(f"exercise-{field}-wrong").startswith("Not said yet")
        page.tab.keyboard.type(answer)
    page.tab.keyboard.press("Enter")
    page.wait(lambda: "Kept as calf-on-a-step" in page.text("exercise-said"))
    assert find_exercises(folder.parent, None)["calf-on-a-step"].muscle == "calf"
    assert find_exercises(folder.parent, None)["calf-on-a-step"].cautions == ("stop on pain at the heel",)
    assert find_exercises(folder.parent, None)["calf-on-a-step"].to_notes()["Position held"].endswith("lost over 6 deg")
    assert page.tab.input_value("#exercise-title") == ""
    assert page.tab.evaluate("() => document.documentElement.scrollWidth") <= size[0]
    assert page.complaints == []
