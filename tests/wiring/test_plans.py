"""The shelf of plans: opened, checked, saved under a name of their own, and started at once."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from biofeedback.errors import PlanError
from biofeedback.model import Channel
from biofeedback.session.engine import Engine
from biofeedback.session.plan import BUILT_IN, load_plan
from biofeedback.session.setup import Setup
from biofeedback.wiring.plans import PlanShelf
from biofeedback.wiring.user_files import name_file


@pytest.fixture
def shelf(tmp_path: Path) -> PlanShelf:
    return PlanShelf(tmp_path / "plans")


def open_draft(shelf: PlanShelf, name: str) -> dict[str, Any]:
    draft: dict[str, Any] = shelf.carry_out({"do": "open_plan", "plan": name})["opened"]["draft"]
    return draft


def save(shelf: PlanShelf, draft: dict[str, Any], **more: Any) -> dict[str, Any]:
    return shelf.carry_out({"do": "save_plan", "draft": draft, **more})


def test_a_changed_plan_is_saved_under_its_own_name_and_can_be_started(shelf: PlanShelf, tmp_path: Path) -> None:
    engine = Engine([Channel(name="force", kind="force", unit="N")], 100.0, Setup(), list(shelf.plans.values()))
    shelf.engines.append(engine)
    draft = open_draft(shelf, "response-check")
    draft["title"] = "Tuesday: 70 %"
    draft["block"][0]["phase"][1]["band"] = [65, 75]
    before = engine.revision
    saved = save(shelf, draft)["saved"]
    assert saved["name"] == "tuesday-70"
    assert engine.revision > before
    path = tmp_path / "plans" / "tuesday-70.toml"
    assert load_plan(path) == engine.plans["tuesday-70"] == shelf.plans["tuesday-70"]
    assert path.stat().st_mode & 0o077 == 0
    assert PlanShelf(tmp_path / "plans").plans["tuesday-70"] == load_plan(path)
    assert list((tmp_path / "plans").iterdir()) == [path]


@pytest.mark.parametrize("name", BUILT_IN)
def test_a_built_in_plan_is_never_replaced(shelf: PlanShelf, tmp_path: Path, name: str) -> None:
    draft = open_draft(shelf, name)
    draft["title"] = name  # gives the same name
    for more in ({}, {"replace": True}):
        [mistake] = save(shelf, draft, **more)["refused"]["mistakes"]
        assert mistake["place"] == ["title"]
        assert mistake["cure"] == "choose another name"
    assert not (tmp_path / "plans").exists()
    assert shelf.plans[name] == load_plan(name)


def test_an_own_plan_is_replaced_only_when_asked_to(shelf: PlanShelf, tmp_path: Path) -> None:
    draft = open_draft(shelf, "light-hold") | {"title": "Mine"}
    save(shelf, draft)
    draft["description"] = "changed"
    assert save(shelf, draft)["refused"]["mistakes"][0]["place"] == ["title"]
    assert "saved" in save(shelf, draft, replace=True)
    assert load_plan(tmp_path / "plans" / "mine.toml").description == "changed"
    assert shelf.carry_out({"do": "open_plan", "plan": "mine"})["opened"]["own"] is True


def test_a_draft_with_mistakes_is_not_saved(shelf: PlanShelf, tmp_path: Path) -> None:
    draft = open_draft(shelf, "light-hold") | {"title": "Mine"}
    draft["block"][0]["phase"][0]["duration_s"] = "long"
    [mistake] = save(shelf, draft)["refused"]["mistakes"]
    assert mistake["place"][:4] == ["block", 0, "phase", 0]
    draft["title"] = " !"
    places = [mistake["place"] for mistake in save(shelf, draft)["refused"]["mistakes"]]
    assert ["title"] in places
    assert not (tmp_path / "plans").exists()


def test_a_check_tells_how_long_and_how_often_it_asks(shelf: PlanShelf) -> None:
    checked = shelf.carry_out({"do": "check_plan", "draft": open_draft(shelf, "response-check")})["checked"]
    plan = load_plan("response-check")
    assert checked["mistakes"] == []
    assert (checked["duration_s"], checked["n_phases"], checked["n_asks"]) == (plan.duration_s, 11, 11)
    assert tomllib.loads(checked["text"])["title"] == plan.title


def test_no_name_leads_out_of_the_folder() -> None:
    assert name_file("../../etc/passwd") == "etc-passwd"
    assert name_file("C:\\con.toml") == "c-con-toml"
    assert name_file("Übung Ⅱ, 60–80 %") == "übung-ⅱ-60-80"
    assert name_file("...") == ""
    assert len(name_file("x" * 300)) == 60


def test_a_damaged_file_is_left_out_told_and_never_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "mine.toml"
    bad.write_text("title = ")
    twin = tmp_path / "twin.toml"
    twin.write_text('name = "light-hold"\n[[block]]\n[[block.phase]]\nkind = "passive"\nduration_s = 5\n')
    shelf = PlanShelf(tmp_path)
    assert set(shelf.plans) == set(BUILT_IN)
    told = capsys.readouterr().err
    assert "mine.toml is left out" in told
    assert "twin.toml is left out" in told
    draft = open_draft(shelf, "light-hold") | {"title": "Mine"}
    assert save(shelf, draft, replace=True)["refused"]["mistakes"][0]["place"] == ["title"]
    assert bad.read_text() == "title = "


def test_a_folder_that_cannot_be_written_is_told_with_its_cure(tmp_path: Path) -> None:
    (tmp_path / "plans").write_text("a file is in the way")
    shelf = PlanShelf(tmp_path / "plans")
    with pytest.raises(PlanError, match="was not saved"):
        save(shelf, open_draft(shelf, "light-hold") | {"title": "Mine"})


def test_two_given_plans_of_one_name_do_not_hide_each_other(tmp_path: Path) -> None:
    text = 'name = "mine"\n[[block]]\n[[block.phase]]\nkind = "passive"\nduration_s = 5\n'
    files = [tmp_path / "a.toml", tmp_path / "b.toml"]
    for file in files:
        file.write_text(text, "utf-8")
    assert "mine" in PlanShelf(tmp_path / "plans", [str(files[0])]).plans
    with pytest.raises(PlanError, match=r"a\.toml and .*b\.toml are both named 'mine'"):
        PlanShelf(tmp_path / "plans", [str(file) for file in files])
