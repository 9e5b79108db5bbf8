"""What the command line settles before a session: defaults, exercise, lever, limit, what a recording says of itself."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import pytest

from biofeedback.acquisition.sources import open_source
from biofeedback.calibration.position import USUAL_LEVER_M
from biofeedback.errors import PlanError
from biofeedback.session.exercises import Exercise, ask_missing, load_exercises
from biofeedback.wiring.assembly import (
    add_session_arguments,
    find_exercise,
    find_lever_m,
    make_settings,
    make_setup,
    read_code,
    read_limit,
)

LIBRARY = load_exercises()
UTC = "2026-01-05T18:00:00.000+00:00"


def parse(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_session_arguments(parser)
    return parser.parse_args(words)


def set_up(folder: Path, *words: str, url: str = "serial:COM3?channels=force:N&rate=80", **more: Any) -> Any:
    return make_setup(parse("--folder", str(folder), *words), open_source(url), athlete="A01", started_utc=UTC, **more)


def test_what_is_said_is_kept_in_its_order() -> None:  # what nobody says: tests/commands/test_usual.py
    also = parse("--phone")
    assert (also.phone, also.share, also.share_plain) == (True, True, False)
    twice = parse("--athlete", "A1", "--athlete", "A2", "--before", "heat", "--plan", "a.toml", "--before", "massage")
    assert (twice.athlete, twice.before, twice.plan) == (["A1", "A2"], ["heat", "massage"], ["a.toml"])


def test_a_session_is_set_up_as_said(tmp_path: Path) -> None:
    name = next(iter(LIBRARY))
    exercise = LIBRARY[name]
    setup = set_up(tmp_path, "--exercise", exercise.title.upper(), "--side", "left", "--before", "heat", "--limit", "6")
    assert (setup.athlete, setup.exercise, setup.side, setup.limit) == ("A01", exercise.title, "left", 6.0)
    assert (setup.joint, setup.position, setup.covariates) == (exercise.joint, exercise.position, ("heat",))
    assert (setup.exercise_notes, setup.drift) == (exercise.to_notes(), exercise.drift)
    assert setup.lever_m == find_lever_m(exercise)
    assert (setup.simulated, setup.familiarisation, setup.fast, setup.started_utc) == (False, False, False, UTC)
    other = set_up(
        tmp_path, "--exercise", name, "--position", "bench", "--joint", "ankle", "--familiarisation", fast=True
    )
    assert (other.position, other.joint, other.limit) == ("bench", "ankle", 8.0)
    assert (other.familiarisation, other.fast) == (True, True)


def test_a_stretch_in_own_words_is_asked_what_it_does_not_say_but_not_of_a_computed_athlete(tmp_path: Path) -> None:
    own = set_up(tmp_path, "--exercise", "something of my own")
    assert own.exercise_notes == ask_missing() != {}
    assert (own.joint, own.position, own.drift, own.lever_m) == ("general", "", None, USUAL_LEVER_M)
    assert set_up(tmp_path).exercise_notes == {}
    simulated = set_up(tmp_path, "--exercise", "something of my own", url="simulated:?seed=1")
    assert (simulated.exercise_notes, simulated.simulated) == ({}, True)


def test_an_exercise_is_found_by_name_or_title_and_a_slip_gets_a_suggestion() -> None:
    for exercise in LIBRARY.values():
        assert find_exercise(exercise.name, LIBRARY) is exercise
        assert find_exercise(f"  {exercise.title.lower()} ", LIBRARY) is exercise
    assert find_exercise("", LIBRARY) is None
    assert find_exercise("sitting on a tree", LIBRARY) is None
    with pytest.raises(PlanError, match=r"no exercise 'calf-seatet'; did you mean calf-seated\?"):
        find_exercise("calf-seatet", LIBRARY)
    with pytest.raises(PlanError, match=r"'calf-wall' is no longer offered: standing.*; use calf-seated: "):
        find_exercise("calf-wall", LIBRARY)


def test_the_lever_is_the_exercises_own_or_its_rigs_or_the_usual_one() -> None:
    rigged = next(one for one in LIBRARY.values() if one.rig and one.lever_m is None)
    assert rigged.rig is not None
    assert find_lever_m(rigged) == rigged.rig.lever_m
    assert find_lever_m(Exercise(name="a", title="A", muscle="m", lever_m=0.31, rig=rigged.rig)) == 0.31
    assert find_lever_m(Exercise(name="a", title="A", muscle="m")) == find_lever_m(None) == USUAL_LEVER_M


@pytest.mark.parametrize("limit", [0.0, 4.5, 10.0])
def test_a_limit_is_on_the_scale_of_ratings(limit: float) -> None:
    assert read_limit(limit) == limit


@pytest.mark.parametrize("limit", [-0.1, 10.1, float("nan"), float("inf")])
def test_a_limit_off_the_scale_is_refused(limit: float) -> None:
    with pytest.raises(PlanError, match=f"--limit {limit:g}: discomfort is rated from 0 to 10; use --limit 8, say"):
        read_limit(limit)


def test_only_a_code_is_one_and_only_a_known_joint_has_its_endurance(tmp_path: Path) -> None:
    assert [read_code(code) for code in ("A01", "ab-7", "ABCD123456")] == ["A01", "ab-7", "ABCD123456"]
    for code in ("", "A", "01", "ABCDE1", "A1234567", "Anna Berg", "A01 "):
        with pytest.raises(PlanError, match="is not a code; use letters and a number"):
            read_code(code)
    with pytest.raises(PlanError, match="--joint nose: no such row in the endurance table; use "):
        set_up(tmp_path, "--joint", "nose")


@pytest.mark.parametrize(("channels", "searches"), [("force:N", False), ("emg:uV", True), ("emg:uV@envelope", False)])
def test_a_recording_says_where_it_is_from_and_how_hum_was_looked_for(
    tmp_path: Path, channels: str, searches: bool
) -> None:
    source = open_source(f"serial:COM3?channels={channels}&rate=500")
    setup = make_setup(parse("--folder", str(tmp_path)), source, athlete="A01", started_utc=UTC)
    settings = make_settings(source, setup, source.channels)
    assert (settings["format"], settings["rate_hz"], settings["source"]) == (1, 500.0, source.url)
    assert settings["channels"] == [channel.to_dict() for channel in source.channels]
    assert ("hum_search" in settings) is searches
    assert settings["athlete"] == "A01"
