"""Exercises as data: which muscle, which joint moves, the rig that measures its push, and what to be careful about."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, cast

from biofeedback.calibration.position import LEVERS_M, PositionLimits, read_limits
from biofeedback.errors import PlanError
from biofeedback.joints import JOINT_NAMES, explain_stand_in
from biofeedback.session.rig import Rig, parse_rig
from biofeedback.toml_file import TomlFile, parse_toml, read_text_file

# once in the library: why not any more, and what measures the same push
RETIRED: Mapping[str, tuple[str, str]] = {
    "calf-wall": (
        "standing, the force under the forefoot follows body weight and leaning, not the calf",
        "calf-seated",
    ),
}
ASKED = {  # what an exercise of one's own is asked once when it does not say
    "force": "Where does the push act, and where is the cell? A strap only pulls, a plate or bar is only pressed. "
    "Write “no force sensor” when there is none.",
    "cautions": "What should make this athlete stop in this stretch? Write “none known” when nothing is.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Exercise:
    """One stretch. ``joint`` is the one that the contraction would turn; the texts are shown to the coach.

    ``release``: how the person gets free. ``phone``: where a phone lies to see the angle, or why it cannot.
    ``lever_m``: from the joint to the strap, else by the rig; ``drift``: how far the position may go, in cm or degrees.
    ``sides``: whether the rig reads one side or both at once; empty where it is not said.
    """

    name: str
    title: str
    muscle: str
    joint: str = "general"
    position: str = ""
    contraction: str = ""
    force: str = ""
    emg: str = ""
    release: str = ""
    phone: str = ""
    phone_sees: bool | None = None
    lever_m: float | None = None
    drift: PositionLimits | None = None
    sides: Literal["", "one", "both"] = ""
    cautions: tuple[str, ...] = ()
    rig: Rig | None = None

    @property
    def unanswered(self) -> tuple[str, ...]:
        """What it does not say and has to be asked once, by field: the rig and the cautions."""
        has_rig = bool(self.force) or self.rig is not None
        return tuple(field for field, known in (("force", has_rig), ("cautions", bool(self.cautions))) if not known)

    def to_notes(self) -> dict[str, str]:
        """What is shown to the coach, heading by heading, in the order of setting up."""
        joint = "; ".join(filter(None, (self.joint, explain_stand_in(self.joint))))
        rows = {
            "Muscle": self.muscle,
            "Joint": "" if self.joint == "general" else joint,
            "Position": self.position,
            "Contraction": self.contraction,
            "Force sensor": self.force,
            "Electrodes": self.emg,
            "Getting free": self.release,
            "Phone": self.phone,
            "Position held": f"drifted over {self.drift.warn:.3g}, lost over {self.drift.fail:.3g} {self.drift.unit}"
            if self.drift
            else "",
            "Sides": {"one": "one side at a time", "both": "both sides together", "": ""}[self.sides],
            "Careful": " ".join(self.cautions),
            **ask_missing(self.unanswered),
        }
        return {heading: text for heading, text in rows.items() if text}


def ask_missing(fields: Iterable[str] = tuple(ASKED)) -> dict[str, str]:
    """What is asked of a stretch that does not say its rig or its cautions; of one in own words, both."""
    asked = " ".join(ASKED[field] for field in fields)
    return {"Not said": f"{asked} The start page asks it once and keeps it."} if asked else {}


def load_exercises(path: Path | None = None) -> dict[str, Exercise]:
    """The built-in exercises by name, and those of a file. PlanError names the line and the cure."""
    exercises = dict(_load_built_in())
    if path:
        try:
            exercises |= parse_exercises(read_text_file(path), path.name)
        except (OSError, UnicodeDecodeError) as error:
            raise PlanError(f"exercises {str(path)!r} cannot be read", "give the path of a TOML file") from error
    return exercises


@cache
def _load_built_in() -> dict[str, Exercise]:
    return parse_exercises((files("biofeedback.session") / "exercises.toml").read_text("utf-8"), "exercises.toml")


def parse_exercises(text: str, name: str) -> dict[str, Exercise]:
    """One table per exercise; ``title`` and ``muscle`` are needed, a rig whose reading would fall is refused."""
    file = parse_toml(text, name)
    return {key: _parse_exercise(file, key, entry) for key, entry in file.data.items()}


def _parse_exercise(file: TomlFile, key: str, entry: object) -> Exercise:
    if not isinstance(entry, Mapping):
        file.refuse((key,), f"{key!r} is not a table", f"write [{key}] and its texts below")
    known = {field.name for field in fields(Exercise)} - {"name"}
    values: dict[str, Any] = {}
    for field, value in entry.items():
        if field not in known:
            file.refuse((key, field), f"{field!r} is not known here", f"use {', '.join(sorted(known))}")
        values[field] = _read_value(file, key, field, value)
    for needed in ("title", "muscle"):
        if not entry.get(needed):
            file.refuse((key,), f"an exercise without {needed}", f'add {needed} = "..."')
    if values.get("joint", "general") not in JOINT_NAMES:
        file.refuse((key, "joint"), f"joint = {entry['joint']!r}", f"use {', '.join(JOINT_NAMES)}")
    if values.get("sides", "") not in ("", "one", "both"):
        file.refuse((key, "sides"), f"sides = {entry['sides']!r}", "use one or both")
    return Exercise(name=key, **values)


def _read_value(file: TomlFile, key: str, field: str, value: object) -> object:
    if field == "rig":
        return parse_rig(file, (key, "rig"), value)
    if field == "phone_sees":
        if not isinstance(value, bool):
            file.refuse((key, field), f"{field} = {value!r}", "use true or false")
        return value
    if field == "lever_m":
        low, high = LEVERS_M
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            file.refuse((key, field), f"{field} = {value!r}", f"metres from joint to strap, {low:g} to {high:g}: 0.4")
        return float(value)
    if field == "drift":
        try:
            return read_limits(value if isinstance(value, str) else "")
        except ValueError as error:
            file.refuse((key, field), f"{field} = {value!r}", str(error))
    if field == "cautions":
        lines = [value] if isinstance(value, str) else value
        if not isinstance(lines, list) or any(not isinstance(line, str) for line in lines):
            file.refuse((key, field), f"{field} = {value!r}", 'use a list of texts, cautions = ["...", "..."]')
        return tuple(line.strip() for line in cast("list[str]", lines) if line.strip())
    if not isinstance(value, str):
        file.refuse((key, field), f"{field} = {value!r}", "use a text in quotes")
    return value
