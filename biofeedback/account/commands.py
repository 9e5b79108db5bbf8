"""What may be asked of a session: one table. The page's check, the rights and the session's dispatch come from it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

from biofeedback.errors import SessionError

LONGEST_TEXT = 500
LARGEST_NUMBER = 1e9
MOST_ROWS = 400

Role: TypeAlias = Literal["athlete", "coach"]
Place: TypeAlias = Literal["session", "plans", "server", "phone"]  # who carries it out


@dataclass(frozen=True, slots=True)
class FieldType:
    """What a field of a command may hold; ``name`` is for people."""

    name: str
    fits: Callable[[Any], bool]

    @property
    def or_none(self) -> FieldType:
        """The same, or nothing."""
        return FieldType(f"{self.name} or nothing", lambda value: value is None or self.fits(value))


def _is_number(value: Any) -> bool:
    is_plain = isinstance(value, int | float) and not isinstance(value, bool)
    return is_plain and abs(value) < LARGEST_NUMBER and math.isfinite(value)


def _is_index(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1_000_000


def _is_rows(value: Any) -> bool:
    is_list = isinstance(value, list) and len(value) <= MOST_ROWS
    return is_list and all(isinstance(row, list) and 2 <= len(row) <= 4 and all(map(_is_number, row)) for row in value)


NUMBER = FieldType("a number", _is_number)
INDEX = FieldType("a whole number from 0", _is_index)
TEXT = FieldType("a text", lambda value: isinstance(value, str) and len(value) <= LONGEST_TEXT)
FLAG = FieldType("yes or no", lambda value: isinstance(value, bool))
ROWS = FieldType("rows of numbers", _is_rows)
OBJECT = FieldType("an object", lambda value: isinstance(value, dict))

Fields: TypeAlias = Mapping[str, FieldType]


@dataclass(frozen=True, slots=True)
class Command:
    """One command: fields that must be there, fields that may, who may ask it (a coach always), what it does."""

    does: str
    needs: Fields = field(default_factory=dict)
    may: Fields = field(default_factory=dict)
    by: Role = "coach"
    place: Place = "session"


COMMANDS: Mapping[str, Command] = {
    "accept_cautions": Command("the cautions were read and accepted"),
    "zero": Command("take the zero of all channels"),
    "screening": Command("say whether something on the list of who does not test a maximum holds", {"applies": FLAG}),
    "practice": Command("begin a practice push at a felt share of all", {"felt": NUMBER}),
    "attempt": Command("begin an attempt at the maximum"),
    "trust_numbers": Command("say that numbers which no person gives are right all the same"),
    "attempt_felt": Command(
        "say how an attempt felt",
        {"number": INDEX},
        {"discomfort": NUMBER.or_none, "effort": NUMBER.or_none, "sharp": FLAG},
        by="athlete",
    ),
    "expect": Command("say what contracting is expected to do", {"expects": TEXT}, by="athlete"),
    "aftermath": Command(
        "say how the athlete is afterwards",
        {"when": TEXT},
        {
            "new_pain": FLAG.or_none,
            "numbness": FLAG.or_none,
            "walks_normally": FLAG.or_none,
            "soreness": NUMBER.or_none,
        },
        by="athlete",
    ),
    "range": Command(
        "put on record how far the stretch went",
        {"when": TEXT, "at": TEXT, "value": NUMBER, "unit": TEXT},
        {"method": TEXT, "contracting": FLAG},
        by="athlete",
    ),
    "way": Command(
        "say which way of a trial was done tonight",
        {"trial": TEXT, "evening": INDEX, "drawn": TEXT},
        {"done": TEXT, "note": TEXT},
    ),
    "reject_attempt": Command("set an attempt aside", {"number": INDEX}, {"reason": TEXT}),
    "accept_maximum": Command("take the best attempt all the same"),
    "typed_maximum": Command(
        "type a maximum read off a display, with ``anyway`` one that no person gives",
        {"value": NUMBER},
        {"channel": TEXT, "unit": TEXT, "lever_arm_m": NUMBER.or_none, "utc": TEXT, "anyway": FLAG},
    ),
    "revise_maximum": Command(
        "take the maximum that later evidence asks for, with ``anyway`` one that no person gives",
        {"channel": TEXT, "value": NUMBER},
        {"anyway": FLAG},
    ),
    "guide": Command("choose the channel that leads", {"channel": TEXT}),
    "device": Command("say what holds now that another sensor answers", {"answer": TEXT}),
    "keep_rate": Command("use the measured rate of the sensor from the next start on", {"rate_hz": NUMBER}),
    "start_plan": Command(
        "begin a plan, with ``anyway`` before the rest after a maximum is over, or before a set that would be wasted",
        {"plan": TEXT},
        {"anyway": FLAG},
    ),
    "choose_band": Command("choose the band of the next contraction", {"low": NUMBER, "high": NUMBER}),
    "end_phase": Command(
        "end the running phase now, with ``anyway`` a rest before a set that would be wasted",
        {},
        {"phase_index": INDEX, "anyway": FLAG},
    ),
    "extend_phase": Command("let the running phase last longer", {"seconds": NUMBER}, {"phase_index": INDEX}),
    "rate": Command("give a discomfort rating", {"value": NUMBER.or_none}, {"ask": INDEX.or_none}, by="athlete"),
    "effort": Command(
        "say how hard a contraction felt", {"value": NUMBER.or_none}, {"phase_index": INDEX}, by="athlete"
    ),
    "take_back": Command("take a rating back, so that it does not count", {"rating": INDEX}, by="athlete"),
    "correct": Command("put a rating right", {"rating": INDEX, "value": NUMBER.or_none}),
    "position": Command("say whether the position was held", {"answer": TEXT}, {"phase_index": INDEX}),
    "limit": Command("agree on the discomfort that stops everything", {"value": NUMBER}),
    "stop": Command("end what runs at once", {}, {"reason": TEXT, "pressed_ago_s": NUMBER}, by="athlete"),
    "explain_stop": Command("say why Stop was pressed", {"why": TEXT}, by="athlete"),
    "take_up": Command("go on with a paused plan from the phase that was cut short"),
    "resume": Command("go on after a stop or the end"),
    "finish": Command("end the session's work"),
    "note": Command("put a remark on record", {"text": TEXT}),
    "covariates": Command("say what was done beforehand", {"text": TEXT}),
    "feedback": Command("show or hide the display", {"shown": FLAG}),
    "scale_load": Command("read a known load", {"channel": TEXT, "load": NUMBER}, {"unit": TEXT}),
    "scale_undo": Command("take the last load back", {}, {"n_loads": INDEX}),
    "scale_creep": Command("watch the load for a minute"),
    "scale_finish": Command("make the certificate", {}, {"sensor": TEXT, "lever_arm_m": NUMBER.or_none}),
    "scale_check": Command(
        "weigh a known load with the scale in use", {"channel": TEXT, "load": NUMBER}, {"unit": TEXT}
    ),
    "open_plan": Command("open a plan to edit it", {"plan": TEXT}, place="plans"),
    "check_plan": Command("check an edited plan", {"draft": OBJECT}, place="plans"),
    "save_plan": Command("save an edited plan", {"draft": OBJECT}, {"replace": FLAG}, place="plans"),
    "save_exercise": Command("save an exercise of one's own", {"draft": OBJECT}, place="plans"),
    "zero_position": Command("take the position now as the zero of the angle", by="athlete"),
    "phone_angle": Command(
        "let a phone measure, or no more; without ``angle`` only ratings by its slider",
        {"who": TEXT, "on": FLAG},
        {"angle": FLAG},
        by="athlete",
        place="phone",
    ),
    "phone_hidden": Command(
        "say that the phone's page is in the background", {"who": TEXT, "hidden": FLAG}, by="athlete", place="phone"
    ),
    "phone_data": Command(
        "readings of a phone, each with its time in s: gravity in m/s2, ratings 0-10",
        {"who": TEXT, "gravity": ROWS, "ratings": ROWS},
        by="athlete",
        place="phone",
    ),
    "ping": Command("ask how old the numbers shown are", by="athlete", place="server"),
    "invite": Command("make a code for another device", {"role": TEXT}, place="server"),
    "revoke": Command("take a device's right back", {}, {"device": INDEX}, place="server"),
    "allow": Command("say yes or no to what a device asks for", {"ask": INDEX, "yes": FLAG}, place="server"),
}


def may_ask(name: str, role: Role) -> bool:
    """Whether ``role`` may ask for the command ``name``."""
    return role == "coach" or (name in COMMANDS and COMMANDS[name].by == role)


def check_command(message: Mapping[str, Any]) -> Command:
    """The command that a message asks for. SessionError, with what is wrong and what to do, if it is not one."""
    name = message.get("do")
    if not isinstance(name, str) or name not in COMMANDS:
        raise SessionError(f"unknown command {str(name)[:40]!r}", "reload the page: it may be from another version")
    command = COMMANDS[name]
    for key, value in message.items():
        if key == "do":
            continue
        kind = command.needs.get(key) or command.may.get(key)
        if kind is None:
            raise SessionError(f"{name} has no field {str(key)[:40]!r}", "reload the page")
        if not kind.fits(value):
            raise SessionError(f"{name}: {key} {str(value)[:40]!r} is not {kind.name}", "enter another value")
    for key in command.needs:
        if key not in message:
            raise SessionError(f"{name} needs {key}", "reload the page")
    return command
