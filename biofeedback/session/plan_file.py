"""Plans as drafts: the contents of a plan file as plain values, written as TOML, and every mistake in them found."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

from biofeedback.errors import PlanError
from biofeedback.session.plan import parse_plan
from biofeedback.toml_file import MistakeError, Place, parse_toml

MOST_MISTAKES = 12
_BARE = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class Mistake:
    """What is wrong at ``place`` of a draft, and what to do; ``line`` counts in the written file."""

    place: Place
    line: int | None
    what: str
    cure: str

    def to_dict(self) -> dict[str, Any]:
        """For the page."""
        return {"place": list(self.place), "line": self.line, "what": self.what, "cure": self.cure}


def write_plan(draft: Mapping[str, Any]) -> str:
    """The draft as the text of a plan file; None values are left out. Reading it back gives the same values.

    Nothing is checked: what does not belong is written as it is, so that the file's own checks can name it.
    Raises PlanError for text that no file can hold.
    """
    blocks = draft.get("block")
    are_tables = isinstance(blocks, list) and bool(blocks) and all(isinstance(block, dict) for block in blocks)
    lines = _pairs({key: value for key, value in draft.items() if key != "block" or not are_tables})
    for block in blocks if are_tables and blocks else []:
        phases = block.get("phase")
        has_tables = isinstance(phases, list) and bool(phases) and all(isinstance(phase, dict) for phase in phases)
        lines += ["", "[[block]]", *_pairs({k: v for k, v in block.items() if k != "phase" or not has_tables})]
        for phase in phases if has_tables and phases else []:
            lines += ["", "[[block.phase]]", *_pairs(phase)]
    text = "\n".join(lines) + "\n"
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise PlanError("a text with a broken character in it", "type it again") from None
    return text


def write_table(name: str, table: Mapping[str, Any]) -> str:
    """One table of a TOML file; None and empty values are left out."""
    return "\n".join([f"[{_key(name)}]", *_pairs({key: value for key, value in table.items() if value != ""})]) + "\n"


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items() if value is not None]


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _value(key)


def _value(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_value(part) for part in value if part is not None)}]"
    if isinstance(value, Mapping):
        return f"{{{', '.join(_pairs(value))}}}"
    if isinstance(value, str):  # a basic string of TOML is one of JSON, but for DEL
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value)


def find_mistakes(draft: Mapping[str, Any], name: str) -> list[Mistake]:
    """Everything that the reader of plan files refuses in ``draft``; empty when it is a plan.

    The reader stops at the first mistake, so each one found is set right in a copy and the copy is read again.
    """
    copy, mistakes = deepcopy(dict(draft)), list[Mistake]()
    try:
        written = parse_toml(write_plan(draft), name)
    except PlanError as error:
        return [Mistake((), None, error.what, error.cure)]
    while len(mistakes) < MOST_MISTAKES:
        try:
            parse_plan(write_plan(copy), name)
        except MistakeError as error:
            mistakes.append(Mistake(error.place, written.find_line(error.place), error.wrong, error.cure))
            if not _set_right(copy, error.place):
                break
        else:
            break
    return mistakes


def _set_right(draft: dict[str, Any], place: Place) -> bool:
    """Put something unobjectionable at ``place``; False when that is not possible."""
    match place:
        case ("block", int(b), "phase", int(p), *_):
            phases = draft["block"][b]["phase"]
            is_contract = isinstance(phases[p], dict) and phases[p].get("kind") == "contract"
            phases[p] = {"kind": "contract", "duration_s": 1, "band": [0, 1]} if is_contract else dict(_RELAX)
        case ("block", int(b)):
            draft["block"][b] = {"phase": [dict(_RELAX)]}
        case ("block", int(b), str(key)):
            draft["block"][b].pop(key, None)
        case (str(key),) if key != "block":
            draft.pop(key, None)
        case _:
            return False
    return True


_RELAX = {"kind": "passive", "duration_s": 1}
