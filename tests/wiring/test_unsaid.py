"""A stretch of one's own without a rig or cautions: asked once, at its fields, and kept where the stretch stands."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from biofeedback.errors import PlanError
from biofeedback.session.exercises import ASKED, load_exercises
from biofeedback.wiring.form_fields import FormError
from biofeedback.wiring.start_form import ChosenSession
from biofeedback.wiring.start_page import LocalStartPage
from biofeedback.wiring.unsaid import keep_answers, list_unsaid, read_answers
from biofeedback.wiring.user_files import EXERCISES_FILE, find_exercises

from .test_start_page import make_place

BARE = """# mine
[step] # in the yard
title = "Calf on a step"
muscle = "calf"
joint = "ankle"

[other]
title = "O"
muscle = "m"
"""
FORM: dict[str, Any] = {"sensor": "felt", "athlete": "A07", "side": "left", "limit": "8", "exercise": "step"}
SAID = {"unsaid_force": "plate under the forefoot", "unsaid_cautions": "stop on pain at the heel"}
SERIAL = {"sensor": "port"}


@pytest.fixture
def begun() -> list[ChosenSession]:
    return []


@pytest.fixture
def place(tmp_path: Path, begun: list[ChosenSession]) -> LocalStartPage:
    (tmp_path / EXERCISES_FILE).write_text(BARE, "utf-8")
    return make_place(tmp_path, begun)


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        (SERIAL, ("force", "cautions")),
        ({}, ("cautions",)),  # without a sensor nobody is asked where it goes
        ({"sensor": "simulated"}, ()),
        (SERIAL | {"exercise": "Calf  on a STEP"}, ("force", "cautions")),
        (SERIAL | {"exercise": "leg on the fence"}, ("force", "cautions")),
        (SERIAL | {"exercise": "hamstring-standing"}, ()),
        (SERIAL | {"exercise": ""}, ()),
    ],
)
def test_what_is_asked_follows_from_the_stretch_and_the_sensor(
    place: LocalStartPage, tmp_path: Path, change: dict[str, Any], asked: tuple[str, ...]
) -> None:
    assert list_unsaid(FORM | change, find_exercises(tmp_path, None)) == asked


def test_a_session_does_not_begin_before_it_is_said_and_is_asked_once(
    place: LocalStartPage, begun: list[ChosenSession], tmp_path: Path
) -> None:
    with pytest.raises(FormError) as refused:
        place.begin(FORM)
    assert set(refused.value.mistakes) == {"unsaid_cautions"}
    assert refused.value.mistakes["unsaid_cautions"].cure == ASKED["cautions"]
    assert begun == []
    assert place.begin(FORM | SAID) == {"place": "/coach"}
    step = find_exercises(tmp_path, None)["step"]
    assert step.cautions == ("stop on pain at the heel",)
    assert step.unanswered == ("force",)  # not asked without a sensor, and so not answered
    assert "stop on pain at the heel" in step.to_notes()["Careful"]
    again: list[ChosenSession] = []
    assert make_place(tmp_path, again).begin(FORM)
    assert [choice.exercise for choice in again] == ["step"]


def test_a_stretch_in_own_words_becomes_one_of_ones_own_with_its_answers(
    place: LocalStartPage, begun: list[ChosenSession], tmp_path: Path
) -> None:
    place.begin(FORM | SAID | {"exercise": "Leg on the fence"})
    made = find_exercises(tmp_path, None)["leg-on-the-fence"]
    assert (made.title, made.cautions) == ("Leg on the fence", ("stop on pain at the heel",))
    assert begun[0].exercise == "Leg on the fence"
    assert list_unsaid(FORM | {"exercise": "leg on  the fence"}, find_exercises(tmp_path, None)) == ()


def test_what_else_stands_in_the_file_stays_as_its_owner_wrote_it(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(BARE, "utf-8")
    library = load_exercises(path)
    answers = read_answers(FORM | SERIAL | SAID, library)
    keep_answers(path, "step", answers, library)
    text = path.read_text("utf-8")
    added = ['force = "plate under the forefoot"', 'cautions = "stop on pain at the heel"']
    assert [line for line in text.splitlines() if line not in added] == BARE.splitlines()
    assert load_exercises(path)["step"].unanswered == ()
    assert load_exercises(path)["other"].unanswered == ("force", "cautions")


@pytest.mark.parametrize(
    "text", ['step = {title = "S", muscle = "m"}\n', '[step]\ntitle = "S"\nmuscle = "m"\nforce = ""\n']
)
def test_what_cannot_be_added_is_told_and_nothing_is_lost(tmp_path: Path, text: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text, "utf-8")
    library = load_exercises(path)
    with pytest.raises(PlanError, match=r"mine\.toml") as refused:
        keep_answers(path, "step", {"force": "plate", "cautions": "none known"}, library)
    assert "by hand" in refused.value.cure
    assert path.read_text("utf-8") == text


def test_hostile_answers_stay_answers(tmp_path: Path) -> None:
    path = tmp_path / EXERCISES_FILE
    path.write_text(BARE, "utf-8")
    library = load_exercises(path)
    evil = '"]\n[hamstring-standing]\ntitle = "x\\'
    keep_answers(path, "step", {"force": evil, "cautions": "none known"}, library)
    assert load_exercises(path)["step"].force == evil
    assert load_exercises(path)["hamstring-standing"] == load_exercises()["hamstring-standing"]
