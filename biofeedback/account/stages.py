"""How far a session has come: one table, stage x what happened -> stage. DEVELOPERS.md shows it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, TypeAlias, get_args

Stage: TypeAlias = Literal["cautions", "zero", "maximum", "ready", "plan", "done"]
Happening: TypeAlias = Literal[
    "cautions read",
    "zero taken",
    "attempt begun",
    "maximum set",
    "plan begun",
    "plan over",
    "finished",
    "resumed",
    "calibration void",
]
STAGES: tuple[Stage, ...] = get_args(Stage)
HAPPENINGS: tuple[Happening, ...] = get_args(Happening)

# "ground": the first of cautions, zero, maximum that is still missing, else ready. What is not named changes nothing.
STAGE_TABLE: Mapping[Stage, Mapping[Happening, Stage | Literal["ground"]]] = {
    "cautions": {"cautions read": "ground"},
    "zero": {
        "zero taken": "ground",
        "attempt begun": "maximum",
        "plan begun": "plan",
        "finished": "done",
    },
    "maximum": {
        "maximum set": "ground",
        "plan begun": "plan",
        "finished": "done",
        "calibration void": "ground",
    },
    "ready": {
        "attempt begun": "maximum",
        "plan begun": "plan",
        "finished": "done",
        "calibration void": "ground",
    },
    "plan": {
        "plan over": "done",
        "calibration void": "ground",
    },
    "done": {
        "attempt begun": "maximum",
        "maximum set": "ground",
        "plan begun": "plan",
        "resumed": "ground",
        "calibration void": "ground",
    },
}


def find_ground(*, has_read_cautions: bool, has_zero: bool, has_maximum: bool) -> Stage:
    """What every effort stands on: the first thing that is missing, else "ready"."""
    if not has_read_cautions:
        return "cautions"
    if not has_zero:
        return "zero"
    return "ready" if has_maximum else "maximum"


def find_stage(stage: Stage, happening: Happening, ground: Stage) -> Stage:
    """The stage after ``happening``."""
    following = STAGE_TABLE[stage].get(happening, stage)
    return ground if following == "ground" else following
