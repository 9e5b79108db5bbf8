"""What pages say and what events hold, for ``fuzz_readers.py``: targets that carry it out, seeds from the tables."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.codec import PayloadError, read_payload, write_payload
from biofeedback.account.commands import COMMANDS, FLAG, INDEX, NUMBER, OBJECT, ROWS, TEXT, check_command
from biofeedback.account.fold import fold
from biofeedback.account.kinds import KINDS
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Band, Channel, Chunk, Event
from biofeedback.session.engine import Engine
from biofeedback.session.phone import carry_out_phone, describe_phone
from biofeedback.session.plan import parse_plan
from biofeedback.session.plan_file import find_mistakes, write_plan
from biofeedback.session.setup import GRADED, Setup
from biofeedback.session.view import describe_session
from biofeedback.storage.schema import read_json
from biofeedback.web.messages import read_message

RATE_HZ = 100.0
MOST_TENTHS = 600  # of a second that one input may let pass
PLAN = """
name = "short"
grace_s = 0.3
ask_before_end_s = 0.5
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 1
ask = true
[[block.phase]]
kind = "contract"
duration_s = 2
band = [20, 30]
adapt = [10, 60]
ask = true
"""
CHANNELS = (Channel(name="force", kind="force", unit="N"), Channel(name="emg", kind="emg", unit="mV", envelope=True))
DRAFT = {"title": "x", "block": [{"repeat": 2, "phase": [{"kind": "contract", "duration_s": 3, "band": [20, 30]}]}]}
WORDS = {  # what a field may say where not every text does
    "plan": "short", "channel": "force", "unit": "N", "answer": "drifted", "role": "coach", "when": "before", "at": "5",
    "expects": "less", "why": "pain", "method": "hand", "utc": "2026-01-05T18:00:00+00:00", "sensor": "cell 1",
}  # fmt: skip


class Phone:
    """One that was never switched on."""

    who, is_hidden, has_angle, is_silent, rate_hz = "", False, False, True, 60.0

    def claim(self, who: str, *, has_angle: bool = True) -> bool:
        """It becomes the phone."""
        self.who, self.has_angle = who, has_angle
        return True

    def leave(self, who: str) -> None:
        """It is none any more."""

    def hide(self, who: str, is_hidden: bool) -> None:
        """It is in the background."""
        self.is_hidden = is_hidden

    def put(self, who: str, gravity: Any, ratings: Any) -> bool:
        """It sent something."""
        return who == self.who


def use_message(data: bytes, folder: Path) -> None:
    """Lines that pages say, carried out by a session: ``+20 300`` lets 2 s pass at a force of 300.

    Whatever comes, it is carried out or refused, can be shown, and what the session holds is what its events say.
    """
    short = {"rest_s": 0.5, "push_s": 0.5, "countdown_s": 0.5}
    setup = Setup(fast=bool(len(data) % 2), **(GRADED if b"G" in data else short))
    engine, phone = Engine(CHANNELS, RATE_HZ, setup, [parse_plan(PLAN, "short.toml")]), Phone()
    events, frame, n_left = [], 0, MOST_TENTHS
    for line in data.split(b"\n")[:60]:
        if line.startswith(b"+"):
            tenths, force = _read_wait(line)
            n = 10 * min(tenths, n_left)
            n_left -= n // 10
            counts = 10.0 + force + 0.01 * (np.arange(frame, frame + n) % 3)
            if n:
                engine.push(Chunk(frame, np.column_stack([counts, counts / 100])))
            frame += n
        else:
            with contextlib.suppress(BiofeedbackError):
                _, message = read_message(line.decode("utf-8", "surrogateescape"))
                _carry_out(engine, phone, message)
        events += engine.take_events()
    json.dumps(describe_session(engine), allow_nan=False)
    json.dumps(describe_phone(phone))
    settings = engine.account.settings
    assert fold(events, channels=CHANNELS, settings=settings) == engine.account, "the account is not what events say"


def _read_wait(line: bytes) -> tuple[int, float]:
    words = line[1:].split()
    tenths = int(words[0]) if words and words[0].isdigit() and len(words[0]) < 4 else 1
    return tenths, float(words[1]) if len(words) > 1 and words[1].isdigit() and len(words[1]) < 7 else 0.0


def _carry_out(engine: Engine, phone: Phone, message: dict[str, Any]) -> None:
    command = check_command(message)
    if command.place == "session":
        engine.command(message, by=command.by)
    elif command.place == "phone":
        carry_out_phone(phone, message)
    elif command.place == "plans" and "draft" in message and not find_mistakes(message["draft"], "this plan"):
        parse_plan(write_plan(message["draft"]), "this plan")


def use_events(data: bytes, folder: Path) -> None:
    """Lines of frame, kind and payload, as a file may hold them: read or refused, the same once written, and folded."""
    events = []
    for line in data.split(b"\n")[:60]:
        frame, kind, payload = ([*line.decode("utf-8", "replace").split(" ", 2), "", ""])[:3]
        with contextlib.suppress(ValueError):
            content = read_json(payload)
            if not isinstance(content, dict):
                continue
            events.append(Event(int(frame) % 100_000 if frame.isdigit() and len(frame) < 9 else 0, kind, content))
            if kind in KINDS:
                with contextlib.suppress(PayloadError):
                    first = read_payload(KINDS[kind], content)
                    written = write_payload(first)
                    json.dumps(written, allow_nan=False)
                    assert read_payload(KINDS[kind], written) == first, "not the same once written"
    account = fold(events, channels=CHANNELS, settings={"rate_hz": RATE_HZ})
    assert isinstance(account, Account)


def make_message_seeds() -> list[bytes]:
    """Every command with good fields alone, then a whole evening, and each command with one field nearly good."""
    begun = ["accept_cautions", "screening", "zero", "+20 0", "typed_maximum", "start_plan", "+20 0", "+25 100"]
    seeds = [b"", b"\n".join(map(_say, begun))]
    for name, command in COMMANDS.items():
        good = {key: _make_good(key, kind) for key, kind in {**command.needs, **command.may}.items()}
        said = json.dumps({"do": name, "id": 1, **good}).encode()
        seeds += [said, b"\n".join([*map(_say, begun), said, b"+10 0"])]
        bare = json.dumps({"do": name, **{key: good[key] for key in command.needs}}).encode()
        seeds.append(b"\n".join([*map(_say, begun[:5]), bare, b"+30 350", bare, b"+30 0"]))
        seeds += [json.dumps({"do": name, **good, key: value}).encode() for key in good for value in (None, -1, "", [])]
    graded = ["accept_cautions", "screening", "zero", "+20 0", "practice", "+30 100", "attempt", "+80 300", "+60 0"]
    seeds.append(b"\n".join([*map(_say, graded), *map(_say, graded[-3:]), _say("accept_maximum"), b"G"]))
    return seeds


def _say(name: str) -> bytes:
    if name.startswith("+"):
        return name.encode()
    needs = {key: _make_good(key, kind) for key, kind in COMMANDS[name].needs.items()}
    return json.dumps({"do": name, **needs}).encode()


def _make_good(key: str, kind: Any) -> Any:
    known = {NUMBER: 5, INDEX: 1, FLAG: key != "applies", ROWS: [[0.1, 0, 0, 9.8]], OBJECT: DRAFT}
    known[TEXT] = WORDS.get(key, "x")
    value = {one.name: each for one, each in known.items()}[kind.name.removesuffix(" or nothing")]
    return {"value": 400, "felt": 50}.get(key, value) if kind is NUMBER else value


def make_event_seeds() -> list[bytes]:
    """Every kind with each of its fields filled by its type, and all of them one after the other."""
    lines = [
        f"{100 * number} {kind} {json.dumps(payload)}".encode()
        for number, (kind, cls) in enumerate(KINDS.items())
        for payload in (_fill(cls, full=True), _fill(cls, full=False))
    ]
    return [b"", *lines, b"\n".join(lines), b"\n".join(reversed(lines))]


def _fill(cls: type, *, full: bool) -> dict[str, Any]:
    hints = get_type_hints(cls)
    data: dict[str, Any] = {}
    for one in fields(cls):
        value = _make_value(hints[one.name], full=full)
        if one.metadata.get("place"):
            data |= value if isinstance(value, dict) else {}
        elif full or one.default is one.default_factory:  # neither: it must be there
            data[one.metadata.get("key", one.name)] = value
    return data


def _make_value(hint: Any, *, full: bool) -> Any:
    choices = get_args(hint)
    if hint in (Band, Any):
        return [20, 30] if hint is Band else "x"
    simple = {float: 3.5, int: 1, bool: True, str: "force"}
    if hint in simple:
        return simple[hint]
    if hasattr(hint, "__dataclass_fields__"):
        return _fill(hint, full=full)
    origin = get_origin(hint)
    if origin is tuple:
        return [_make_value(choices[0], full=full)]
    if "Mapping" in str(origin):
        return {"force": _make_value(choices[1], full=full)}
    return choices[0] if isinstance(choices[0], str | int) else _make_value(next(_not_none(choices)), full=full)


def _not_none(choices: tuple[Any, ...]) -> Iterator[Any]:
    return (each for each in choices if each is not type(None))
