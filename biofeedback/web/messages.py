"""What a page may say: one table, checked before the session sees it; everything else gets one clear reply."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from biofeedback.errors import SessionError

MAX_MESSAGE_BYTES = 32768  # the longest honest message is a plan of some hundred phases
MAX_TEXT = 500

Check = Callable[[Any], bool]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9


def _is_index(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1_000_000


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= MAX_TEXT


def _is_flag(value: Any) -> bool:
    return isinstance(value, bool)


def _is_draft(value: Any) -> bool:
    return isinstance(value, dict)


def _or_none(check: Check) -> Check:
    return lambda value: value is None or check(value)


NUMBER, INDEX, TEXT, FLAG, DRAFT = _is_number, _is_index, _is_text, _is_flag, _is_draft

# command -> (fields that must be there, fields that may be there)
COMMANDS: Mapping[str, tuple[Mapping[str, Check], Mapping[str, Check]]] = {
    "ping": ({}, {}),
    "invite": ({"role": TEXT}, {}),
    "revoke": ({}, {"device": INDEX}),
    "accept_cautions": ({}, {}),
    "zero": ({}, {}),
    "attempt": ({}, {}),
    "reject_attempt": ({"number": INDEX}, {"reason": TEXT}),
    "accept_maximum": ({}, {}),
    "typed_maximum": ({"channel": TEXT, "value": NUMBER}, {"unit": TEXT, "lever_arm_m": NUMBER, "utc": TEXT}),
    "guide": ({"channel": TEXT}, {}),
    "start_plan": ({"plan": TEXT}, {}),
    "open_plan": ({"plan": TEXT}, {}),
    "check_plan": ({"draft": DRAFT}, {}),
    "save_exercise": ({"draft": DRAFT}, {}),
    "save_plan": ({"draft": DRAFT}, {"replace": FLAG}),
    "rate": ({"value": _or_none(NUMBER)}, {"ask": _or_none(INDEX)}),
    "correct": ({"rating": INDEX, "value": _or_none(NUMBER)}, {}),
    "limit": ({"value": _or_none(NUMBER)}, {}),
    "stop": ({}, {"reason": TEXT}),
    "resume": ({}, {}),
    "finish": ({}, {}),
    "note": ({"text": TEXT}, {}),
    "covariates": ({"text": TEXT}, {}),
    "feedback": ({"shown": FLAG}, {}),
    "position": ({"answer": TEXT}, {"phase_index": INDEX}),
    "revise_maximum": ({"channel": TEXT, "value": NUMBER}, {}),
    "device": ({"answer": TEXT}, {}),
    "end_phase": ({}, {"phase_index": INDEX}),
    "extend_phase": ({"seconds": NUMBER}, {"phase_index": INDEX}),
    "choose_band": ({"low": NUMBER, "high": NUMBER}, {}),
    "scale_load": ({"channel": TEXT, "load": NUMBER}, {"unit": TEXT}),
    "scale_undo": ({}, {"n_loads": INDEX}),
    "scale_creep": ({}, {}),
    "scale_finish": ({}, {"sensor": TEXT, "lever_arm_m": NUMBER}),
    "scale_check": ({"channel": TEXT, "load": NUMBER}, {"unit": TEXT}),
}
ATHLETE_COMMANDS = frozenset({"rate", "stop", "ping"})
SERVER_COMMANDS = frozenset({"ping", "invite", "revoke"})  # how old is what a page shows? who else may come in?


def read_message(text: str | None) -> tuple[int | None, dict[str, Any]]:
    """A page's message as ``(id of the message, command)``, the command not checked yet: a refusal needs the id too.

    Raises
    ------
    SessionError
        For anything that is no JSON object of ordinary size and whole characters.
    """
    if text is None:
        raise SessionError("the page sent bytes; commands are text", "reload the page")
    if len(text.encode("utf-8", "surrogatepass")) > MAX_MESSAGE_BYTES:
        raise SessionError(f"message longer than {MAX_MESSAGE_BYTES} bytes", "shorten it")
    try:
        message = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        raise SessionError("message is not JSON", "reload the page") from None
    if not isinstance(message, dict):
        raise SessionError("message is not an object", "reload the page")
    try:
        json.dumps(message, ensure_ascii=False).encode()
    except UnicodeEncodeError:  # half of a surrogate pair: no page could be told of it, no file could hold it
        raise SessionError("message holds half a character", "type the text again") from None
    number = message.pop("id", None)
    return (number if _is_index(number) else None), message


def _refuse_constant(name: str) -> Any:
    raise ValueError(name)


def check_command(message: Mapping[str, Any]) -> None:
    """Raise SessionError, with what is wrong and what to do, for anything that is not one of ``COMMANDS``."""
    name = message.get("do")
    if not isinstance(name, str) or name not in COMMANDS:
        raise SessionError(f"unknown command {str(name)[:40]!r}", "reload the page: it may be from another version")
    required, optional = COMMANDS[name]
    for field, value in message.items():
        if field == "do":
            continue
        check = required.get(field) or optional.get(field)
        if check is None:
            raise SessionError(f"{name} has no field {field[:40]!r}", "reload the page")
        if not check(value):
            raise SessionError(f"{name}: {field} {str(value)[:40]!r} is not valid", "enter another value")
    for field in required:
        if field not in message:
            raise SessionError(f"{name} needs {field}", "reload the page")
