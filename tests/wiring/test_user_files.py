"""Own exercises: added to a file of one's own, refused by field, found at the next start."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.acquisition.sources import open_source
from biofeedback.calibration.position import PositionLimits, recorded_limits
from biofeedback.errors import PlanError
from biofeedback.session.exercises import load_exercises
from biofeedback.session.phone import describe_drift, describe_limits
from biofeedback.wiring.assembly import add_session_arguments, make_setup
from biofeedback.wiring.user_files import EXERCISES_FILE, find_exercises, name_file, save_exercise, save_text

ANSWERED = {"force": "no force sensor", "cautions": "none known"}
CALF = ANSWERED | {"title": "Calf on a step", "muscle": "calf", "joint": "ankle", "position": "heel below the step"}
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


def test_an_exercise_is_added_and_found_at_the_next_start(tmp_path: Path) -> None:
    path = tmp_path / EXERCISES_FILE
    assert save_exercise(path, CALF)["exercise"]["name"] == "calf-on-a-step"
    save_exercise(path, CALF | {"title": "Another"})
    found = find_exercises(tmp_path, None)
    assert set(found) == {*load_exercises(), "calf-on-a-step", "another"}
    assert found["calf-on-a-step"].position == "heel below the step"
    assert found["calf-on-a-step"].joint == "ankle"
    assert found["calf-on-a-step"].unanswered == ()  # asked once, stored, and told from then on
    assert found["calf-on-a-step"].to_notes()["Careful"] == "none known"
    assert path.stat().st_mode & 0o077 == 0


def test_an_exercise_has_its_own_lever_and_drift_limits_computed_and_said(tmp_path: Path) -> None:
    save_exercise(tmp_path / EXERCISES_FILE, CALF | {"lever_m": "0,4 m", "drift": "3 and 6 deg"})
    made = find_exercises(tmp_path, None)["calf-on-a-step"]
    assert (made.lever_m, made.drift) == (0.4, PositionLimits(3.0, 6.0, "deg"))
    assert made.to_notes()["Position held"] == "drifted over 3, lost over 6 deg"
    args = add_session_arguments_of(tmp_path, "calf-on-a-step")
    setup = make_setup(args, open_source("felt:"), athlete="A01", started_utc="")
    assert (setup.lever_m, setup.drift) == (made.lever_m, made.drift)
    assert recorded_limits(setup.to_settings(), "deg") == made.drift
    told = describe_limits("deg", setup.lever_m, setup.drift)
    assert told is not None
    assert told["text"] == "limits 3.0 and 6.0 deg (2.09 and 4.19 cm at 0.40 m from the joint, set for this exercise)"
    assert describe_drift(setup.drift) == "Drifted: over 3 deg. Lost: over 6 deg."


def test_without_a_setting_the_rig_says_the_lever_and_the_usual_limits_hold(tmp_path: Path) -> None:
    args = add_session_arguments_of(tmp_path, "hamstring-standing")
    setup = make_setup(args, open_source("felt:"), athlete="A01", started_utc="")
    rig = load_exercises()["hamstring-standing"].rig
    assert rig is not None
    assert (setup.lever_m, setup.drift) == (rig.lever_m, None)
    assert "drift" not in setup.to_settings()
    assert describe_drift(None) == "Drifted: over 2.5 cm. Lost: over 5 cm."


def add_session_arguments_of(folder: Path, exercise: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_session_arguments(parser)
    return parser.parse_args(["--folder", str(folder), "--exercise", exercise])


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"title": ""}, "title"),
        ({"muscle": ""}, "muscle"),
        ({"joint": "gill"}, "joint"),
        ({"title": "!"}, "title"),
        ({"title": "Calf \ud83d"}, "title"),
        ({"force": 3}, "force"),
        ({"title": next(iter(load_exercises()))}, "title"),
        ({"force": " "}, "force"),
        ({"lever_m": "long"}, "lever_m"),
        ({"lever_m": "40"}, "lever_m"),
        ({"drift": "far"}, "drift"),
        ({"drift": "6 and 3 deg"}, "drift"),
        ({"cautions": ""}, "cautions"),
    ],
)
def test_a_mistake_stands_at_its_field_and_nothing_is_written(
    tmp_path: Path, change: dict[str, Any], field: str
) -> None:
    path = tmp_path / EXERCISES_FILE
    refused = save_exercise(path, CALF | change)["exercise_refused"]
    assert refused["place"] == [field]
    assert refused["cure"]
    assert not path.exists()


@settings(max_examples=60, deadline=None)
@given(title=words.filter(name_file), muscle=words.filter(bool), position=words)
def test_what_is_written_reads_back_identical(
    tmp_path_factory: pytest.TempPathFactory, title: str, muscle: str, position: str
) -> None:
    folder = tmp_path_factory.mktemp("own")
    saved = save_exercise(folder / EXERCISES_FILE, ANSWERED | {"title": title, "muscle": muscle, "position": position})
    made = find_exercises(folder, None)[saved["exercise"]["name"]]
    assert (made.title, made.muscle, made.position) == (title, muscle, position)


def test_a_bad_file_is_left_out_and_never_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / EXERCISES_FILE
    path.write_text("[broken")
    assert set(find_exercises(tmp_path, None)) == set(load_exercises())
    assert "is left out" in capsys.readouterr().err
    with pytest.raises(PlanError):
        save_exercise(path, CALF)
    assert path.read_text() == "[broken"


def test_a_saved_file_is_private_whole_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "plans" / "own.toml"
    save_text(path, "title = 'x'\n")
    save_text(path, "title = 'ü'\n")
    assert path.read_text("utf-8") == "title = 'ü'\n"
    assert [each.name for each in path.parent.iterdir()] == ["own.toml"]
    assert os.name != "posix" or path.stat().st_mode & 0o077 == 0


def test_a_save_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "own.toml"
    save_text(path, "old")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(PlanError, match="No space left"):
        save_text(path, "new")
    assert path.read_text() == "old"
    assert [each.name for each in tmp_path.iterdir()] == ["own.toml"]
