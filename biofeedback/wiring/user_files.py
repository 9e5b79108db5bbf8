"""Files of the user's own beside the recordings: names for them, whole writes, and own exercises."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from biofeedback.errors import PlanError
from biofeedback.session.exercises import ASKED, Exercise, load_exercises, parse_exercises
from biofeedback.session.plan_file import Mistake, write_table
from biofeedback.storage.disk import make_folder, make_private_file
from biofeedback.storage.whole_file import write_whole
from biofeedback.toml_file import MistakeError

EXERCISES_FILE = "exercises.toml"
LONGEST_NAME = 60


def find_exercises(folder: Path, given: Path | None) -> dict[str, Exercise]:
    """The library with the exercises of ``given``, else with own ones made on the page; a bad own file is left out."""
    own = folder / EXERCISES_FILE
    if given or not own.exists():
        return load_exercises(given)
    try:
        return load_exercises(own)
    except PlanError as error:  # it must not keep the session from starting
        print(f"{own} is left out: {error}", file=sys.stderr)
        return load_exercises()


def save_exercise(path: Path, draft: Mapping[str, Any]) -> dict[str, Any]:
    """Add an exercise to the file of own ones; its mistakes, by field, are those that the reader of the file finds."""
    title = draft.get("title")
    name = name_file(title if isinstance(title, str) else "")
    try:
        before = path.read_text("utf-8") if path.exists() else ""
        taken = {**load_exercises(), **parse_exercises(before, path.name)}
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path} cannot be read", "correct the file, or move it out of the folder") from error
    if name in taken:
        return _refuse("title", "there is an exercise of that name already", "choose another name")
    text = f"{before.rstrip()}\n\n".lstrip() + write_table(name or "own", _with_numbers(draft))
    try:
        text.encode()
        parse_exercises(text, path.name)
    except MistakeError as error:
        field = str(error.place[1]) if len(error.place) > 1 else _find_missing(draft)
        return _refuse(field, error.wrong, error.cure)
    except UnicodeEncodeError:
        return _refuse("title", "a broken character", "type it again")
    for field, question in ASKED.items():  # asked once: an answer is kept, and told with every start
        if not str(draft.get(field) or "").strip():
            return _refuse(field, "not said yet", question)
    if not name:
        return _refuse("title", "a title without letters or digits", "give it one, in letters or digits")
    save_text(path, text)
    return {"exercise": {"name": name, "file": str(path)}}


def _with_numbers(draft: Mapping[str, Any]) -> dict[str, Any]:
    """The draft of a page, whose fields are texts, with a length as a number where it is one."""
    lever = str(draft.get("lever_m") or "").strip().removesuffix("m").strip().replace(",", ".")
    return {**draft, "lever_m": float(lever)} if re.fullmatch(r"\d*\.?\d+", lever) else dict(draft)


def _find_missing(draft: Mapping[str, Any]) -> str:
    return next((field for field in ("title", "muscle") if not draft.get(field)), "title")


def _refuse(field: str, what: str, cure: str) -> dict[str, Any]:
    return {"exercise_refused": Mistake((field,), None, what, cure).to_dict()}


def name_file(title: str) -> str:
    """A title as a name for a file: lower case, letters and digits, words joined by hyphens; empty without any."""
    return re.sub(r"[\W_]+", "-", title.casefold()).strip("-")[:LONGEST_NAME].strip("-")


def save_text(path: Path, text: str) -> None:
    """Put ``text`` into a file that only its user can read, whole or not at all; PlanError when the disk refuses."""
    try:
        make_folder(path.parent)
        with write_whole(path) as beside:
            make_private_file(beside)
            beside.write_text(text, encoding="utf-8")
    except OSError as error:
        raise PlanError(
            f"{path.name} was not saved in {path.parent}: {error.strerror or error}",
            "free some disk space, or check that you may write in that folder",
        ) from error
