"""Exercises as data: which muscle, which joint's endurance, where the sensors go. Add your own file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path

from biofeedback.calibration.joints import JOINTS
from biofeedback.errors import PlanError
from biofeedback.toml_file import TomlFile, parse_toml


@dataclass(frozen=True, slots=True, kw_only=True)
class Exercise:
    """One stretch. ``joint`` is a row of the endurance table; the texts are shown to the coach."""

    name: str
    title: str
    muscle: str
    joint: str = "general"
    position: str = ""
    contraction: str = ""
    force: str = ""
    emg: str = ""


def load_exercises(path: Path | None = None) -> dict[str, Exercise]:
    """The built-in exercises by name, and those of a file. PlanError names the line and the cure."""
    text = (files("biofeedback.session") / "exercises.toml").read_text("utf-8")
    exercises = parse_exercises(text, "exercises.toml")
    if path:
        try:
            exercises |= parse_exercises(path.read_text("utf-8"), path.name)
        except (OSError, UnicodeDecodeError) as error:
            raise PlanError(f"exercises {str(path)!r} cannot be read", "give the path of a TOML file") from error
    return exercises


def parse_exercises(text: str, name: str) -> dict[str, Exercise]:
    """One table per exercise; ``title`` and ``muscle`` are needed."""
    file = parse_toml(text, name)
    return {key: _parse_exercise(file, key, entry) for key, entry in file.data.items()}


def _parse_exercise(file: TomlFile, key: str, entry: object) -> Exercise:
    if not isinstance(entry, Mapping):
        file.refuse((key,), f"{key!r} is not a table", f"write [{key}] and its texts below")
    known = {field.name for field in fields(Exercise)} - {"name"}
    for field, value in entry.items():
        if field not in known:
            file.refuse((key, field), f"{field!r} is not known here", f"use {', '.join(sorted(known))}")
        if not isinstance(value, str):
            file.refuse((key, field), f"{field} = {value!r}", "use a text in quotes")
    for needed in ("title", "muscle"):
        if not entry.get(needed):
            file.refuse((key,), f"an exercise without {needed}", f'add {needed} = "..."')
    if entry.get("joint", "general") not in JOINTS:
        file.refuse((key, "joint"), f"joint = {entry['joint']!r}", f"use {', '.join(JOINTS)}")
    return Exercise(name=key, **entry)
