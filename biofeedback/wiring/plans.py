"""The plans that can be chosen: built-in ones, files that were asked for, and own ones, which the page makes."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from biofeedback.errors import PlanError
from biofeedback.session.engine import Engine
from biofeedback.session.plan import BUILT_IN, RENAMED, Plan, parse_plan, read_plan_text
from biofeedback.session.plan_file import Mistake, find_mistakes, write_plan
from biofeedback.wiring.user_files import EXERCISES_FILE, name_file, save_exercise, save_text

FOLDER = "plans"


class PlanShelf:
    """All plans by name. Own ones are files in ``folder``; built-in ones and files given by path are never written."""

    def __init__(self, folder: Path, given: Sequence[str] = ()) -> None:
        self.plans: dict[str, Plan] = {}
        self.engines: list[Engine] = []  # what is saved can be started in each of them at once
        self._folder = folder
        self._texts: dict[str, str] = {}
        self._own: set[str] = set()
        for name in BUILT_IN:
            self._keep(*read_plan_text(name))
        files: dict[str, str] = {}
        for name in given:  # may take a built-in one's place, but not one another's
            plan = self._keep(*read_plan_text(name))
            if files.setdefault(plan.name, name) != name:
                raise PlanError(
                    f"{files[plan.name]} and {name} are both named {plan.name!r}",
                    "change the name inside one of the files",
                )
        for path in sorted(folder.glob("*.toml")):
            self._keep_own(path)

    def _keep(self, text: str, file_name: str) -> Plan:
        plan = parse_plan(text, file_name)
        self.plans[plan.name], self._texts[plan.name] = plan, text
        return plan

    def _keep_own(self, path: Path) -> None:
        try:
            text, name = read_plan_text(path)
            if parse_plan(text, name).name in self.plans:
                raise PlanError(f"{name}: there is a plan of that name already", "give it another name")
            self._own.add(self._keep(text, name).name)
        except PlanError as error:  # one bad file must not keep the session from starting
            print(f"{path} is left out: {error}", file=sys.stderr)

    def carry_out(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """Carry out one of a page's commands about plans and exercises. Raises PlanError, shown with its cure."""
        if message["do"] == "save_exercise":
            return save_exercise(self._folder.parent / EXERCISES_FILE, message["draft"])
        if message["do"] == "open_plan":
            return self._open(str(message["plan"]))
        if message["do"] == "check_plan":
            return {"checked": _check(message["draft"], [])}
        return self._save(message["draft"], may_replace=bool(message.get("replace")))

    def _open(self, name: str) -> dict[str, Any]:
        if name not in self._texts:
            raise PlanError(f"no plan {name!r}", f"choose one of {', '.join(self._texts)}")
        return {"opened": {"name": name, "own": name in self._own, "draft": _read_draft(self._texts[name])}}

    def _save(self, draft: Mapping[str, Any], *, may_replace: bool) -> dict[str, Any]:
        title = draft.get("title")
        name = name_file(title if isinstance(title, str) else "")
        path = self._folder / f"{name}.toml"
        wrong = []
        if not name:
            wrong = [Mistake(("title",), None, "a plan without a name", "give it one, in letters or digits")]
        elif (name in self.plans or path.exists()) and not (may_replace and name in self._own):
            wrong = [Mistake(("title",), None, "there is a plan of that name already", "choose another name")]
        data = {"name": name, **{key: value for key, value in draft.items() if key != "name"}}
        checked = _check(data, wrong)
        if checked["mistakes"]:
            return {"refused": checked}
        save_text(path, checked["text"])
        plan = self._keep(checked["text"], path.name)
        self._own.add(plan.name)
        for engine in self.engines:
            engine.offer_plan(plan)
        return {"saved": {"name": plan.name, "title": plan.title, "file": str(path)}}


def _read_draft(text: str) -> dict[str, Any]:
    return {RENAMED.get(key, key): value for key, value in tomllib.loads(text).items()}


def _check(draft: Mapping[str, Any], others: Sequence[Mistake]) -> dict[str, Any]:
    """The mistakes of a draft; of one without any, its text, how long it lasts and how often it asks."""
    mistakes = [*others, *find_mistakes(draft, "this plan")]
    checked: dict[str, Any] = {"mistakes": [mistake.to_dict() for mistake in mistakes]}
    if not mistakes:
        text = write_plan(draft)
        plan = parse_plan(text, "this plan")
        n_asks = sum(phase.ask for phase in plan.phases)
        checked |= {"text": text, "duration_s": plan.duration_s, "n_phases": len(plan.phases), "n_asks": n_asks}
    return checked
