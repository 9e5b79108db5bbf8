"""What a stretch of one's own does not say, its rig and what to stop for: asked once on the page, kept in its file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from biofeedback.errors import PlanError
from biofeedback.session.exercises import ASKED, Exercise, parse_exercises
from biofeedback.session.plan_file import write_table
from biofeedback.wiring.assembly import find_exercise
from biofeedback.wiring.form_fields import Mistakes, read_text
from biofeedback.wiring.user_files import name_file, save_text

FIELD = "unsaid_"  # before the name of what is asked, in the form
NOT_MEASURED = {"felt": ("force",)}  # without a sensor nobody is asked where it goes; a simulated athlete is nobody


def list_unsaid(form: Mapping[str, Any], library: Mapping[str, Exercise]) -> tuple[str, ...]:
    """What has to be asked before the session that ``form`` chooses; of a stretch in own words, all of it."""
    sensor, stretch = read_text(form, "sensor"), read_text(form, "exercise")
    if not stretch or sensor == "simulated":
        return ()
    exercise = find_exercise(stretch, library)
    unsaid = exercise.unanswered if exercise else tuple(ASKED)
    return tuple(field for field in unsaid if field not in NOT_MEASURED.get(sensor, ()))


def read_answers(form: Mapping[str, Any], library: Mapping[str, Exercise]) -> dict[str, str]:
    """The answers to `list_unsaid`; FormError with each question that has none, at its field."""
    mistakes, answers = Mistakes(), {}
    for field in list_unsaid(form, library):
        with mistakes.at(FIELD + field):
            answers[field] = read_text(form, FIELD + field)
            if not answers[field]:
                raise PlanError("not said yet", ASKED[field])
    mistakes.refuse()
    return answers


def keep_answers(path: Path, stretch: str, answers: Mapping[str, str], library: Mapping[str, Exercise]) -> None:
    """Write answers below the exercise in the file of own ones; a stretch in own words becomes one of it."""
    if not answers:
        return
    exercise = find_exercise(stretch, library)
    try:
        before = path.read_text("utf-8") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path} cannot be read", "correct the file, or move it out of the folder") from error
    parse_exercises(before, path.name)
    if exercise is None:
        table = write_table(name_file(stretch) or "own", {"title": stretch, "muscle": "not said", **answers})
        text = f"{before.rstrip()}\n\n".lstrip() + table
    else:
        text = _add_below(before, exercise.name, write_table("x", answers).partition("\n")[2], path)
    try:
        parse_exercises(text, path.name)
    except PlanError as error:
        raise PlanError(
            f"the answers do not fit into {path.name}", "write force and cautions below the exercise there, by hand"
        ) from error
    save_text(path, text)


def _add_below(text: str, name: str, lines: str, path: Path) -> str:
    """``lines`` after the head of the table ``name``; all else in the file stays as its owner wrote it."""
    head = re.compile(rf"""^[ \t]*\[[ \t]*(["']?){re.escape(name)}\1[ \t]*\][^\n]*$""", re.MULTILINE)
    found = head.search(text)
    if found is None:
        raise PlanError(f"[{name}] was not found in {path}", "write force and cautions below the exercise, by hand")
    return f"{text[: found.end()]}\n{lines.rstrip()}{text[found.end() :]}"
