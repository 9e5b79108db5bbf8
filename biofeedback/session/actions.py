"""What a person can ask of a session, one function per command. Values come from a page, so they are checked here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeAlias

from biofeedback.calibration.maxima import type_maximum
from biofeedback.calibration.position import answer_position
from biofeedback.cautions import CAUTIONS
from biofeedback.errors import SessionError
from biofeedback.session.hold import Hold
from biofeedback.session.maximum import Attempting, MaximumSearch
from biofeedback.session.phase_actions import PHASE_ACTIONS
from biofeedback.session.scaling import SCALE_ACTIONS
from biofeedback.session.values import parse_rating, read_number, read_text
from biofeedback.session.zeroing import Zeroing

if TYPE_CHECKING:
    from biofeedback.session.engine import Engine, Rating

Message: TypeAlias = Mapping[str, Any]


def carry_out(engine: Engine, message: Message, by: str) -> None:
    """Carry out ``message["do"]``; ValueError when there is no such command, SessionError when it does not fit."""
    action = ACTIONS.get(str(message.get("do")))
    if action is None:
        raise ValueError(f"no command {message.get('do')!r}")
    action(engine, message, by)


def _accept_cautions(engine: Engine, message: Message, by: str) -> None:
    engine.emit("caution", {"acknowledged": True, "by": by, "texts": list(CAUTIONS)})
    if engine.stage == "cautions":
        engine.stage = "zero"


def _zero(engine: Engine, message: Message, by: str) -> None:
    _need_idle(engine, "zero")
    engine.activity = Zeroing(engine, engine.level)


def _attempt(engine: Engine, message: Message, by: str) -> None:
    if isinstance(engine.activity, Attempting) and engine.activity.step == "rest":
        left_s = engine.activity.remaining_s(engine.level)
        raise SessionError(f"{left_s:.0f} s of rest are left", "wait: a tired attempt is not a maximum")
    _need_idle(engine, "an attempt")
    _need_ground(engine)
    if engine.search.attempts and engine.search.verdict().state != "more":
        engine.search = MaximumSearch(engine.channels[engine.guide].name, engine.setup)
    engine.stage = "maximum"
    engine.activity = Attempting(engine.search, engine.setup, engine, engine.level)


def _reject_attempt(engine: Engine, message: Message, by: str) -> None:
    number = int(read_number(message, "number", 1, max(1, len(engine.search.attempts))))
    if not engine.search.attempts:
        raise SessionError("there is no attempt to reject", "make one first")
    reason = read_text(message, "reason") or "rejected by the coach"
    engine.search.reject(number, reason)
    engine.emit("reject_attempt", {"number": number, "reason": reason, "by": by})


def _accept_maximum(engine: Engine, message: Message, by: str) -> None:
    _need_idle(engine, "the maximum")
    verdict = engine.search.verdict()
    if verdict.best is None:
        raise SessionError("no attempt can be believed yet", "make another attempt")
    engine.activity = None  # no rest is needed after the last attempt
    engine.set_maxima(engine.search.maxima(engine.utc), settled=verdict.state == "accepted", by=by)


def _typed_maximum(engine: Engine, message: Message, by: str) -> None:
    """A maximum read off a display, in any unit of force or, with a lever arm, of torque."""
    name = message.get("channel", engine.channels[engine.guide].name)
    channel = next((channel for channel in engine.channels if channel.name == name), None)
    if channel is None:
        raise SessionError(f"there is no channel {name!r}", "choose one of those measured")
    lever_arm_m = read_number(message, "lever_arm_m", 0.001, 3) if message.get("lever_arm_m") is not None else None
    maximum = type_maximum(
        read_number(message, "value", 1e-9, 1e9),
        read_text(message, "unit") or channel.unit,
        channel=channel,
        utc=read_text(message, "utc") or engine.utc,
        lever_arm_m=lever_arm_m,
        position=engine.setup.position,
        side=engine.setup.side,
        exercise=engine.setup.exercise,
    )
    engine.set_maxima({channel.name: maximum}, settled=True, by=by)


def _start_plan(engine: Engine, message: Message, by: str) -> None:
    _need_idle(engine, "a plan")
    _need_ground(engine)
    plan = engine.plans.get(str(message.get("plan")))
    if plan is None:
        raise SessionError(f"no plan {message.get('plan')!r}", f"choose one of {', '.join(engine.plans)}")
    if engine.channels[engine.guide].name not in engine.maxima:
        raise SessionError("there is no maximum yet", "find one first: effort is a percentage of it")
    engine.stage, engine.stopped = "plan", None
    engine.zero_position()
    engine.activity = Hold(engine.draw(plan), engine, engine.level)


def _guide(engine: Engine, message: Message, by: str) -> None:
    """Another channel leads the hold and is judged. A recording is judged by one, so only before its first plan."""
    _need_idle(engine, "choosing the channel to go by")
    name = str(message.get("channel"))
    able = [channel.name for channel in engine.channels if channel.kind != "position"]
    if name not in able:
        raise SessionError(f"{name!r} cannot lead a hold", f"choose one of {', '.join(able)}")
    if engine.has_held:
        raise SessionError(
            "a plan has run already, and one recording is judged by one channel", "start anew to go by another"
        )
    if name not in engine.maxima:
        raise SessionError(f"{name} has no maximum yet", "find one first: effort is a percentage of it")
    engine.emit("guide", {"channel": name, "by": by})


def _rate(engine: Engine, message: Message, by: str) -> None:
    """A second hand on the same question is told so; an answer that comes late still counts for its question."""
    value = parse_rating(message)
    is_open = bool(engine.hold and engine.hold.ask and engine.hold.ask["id"] == message.get("ask"))
    given = None if is_open else _find_answer(engine, message.get("ask"))
    if given and given.value is not None:
        raise SessionError(f"this question was answered with {given.value:g}", "correct that rating if it is wrong")
    if given:
        engine.emit("rating", {"corrects": given.number, "value": value, "phase_index": given.phase_index, "by": by})
    elif engine.hold:
        engine.hold.answer(value, by=by)
    else:
        engine.emit("rating", {"value": value, "phase_index": None, "ask_id": None, "by": by})
    _stop_at_limit(engine, value, by)


def _stop_at_limit(engine: Engine, value: float | None, by: str) -> None:
    """What was agreed beforehand; a number put right counts like one given at once."""
    if value is not None and value >= engine.limit and engine.hold:
        _stop(engine, {"reason": f"discomfort {value:g} has reached the agreed limit of {engine.limit:g}"}, by)


def _find_answer(engine: Engine, ask_id: object) -> Rating | None:
    """The newest rating that answered this question; None when there is none, or no question was named."""
    return next((each for each in reversed(engine.ratings) if ask_id is not None and each.ask_id == ask_id), None)


def _correct(engine: Engine, message: Message, by: str) -> None:
    if not engine.ratings:
        raise SessionError("there is no rating to correct", "give one first")
    number = int(read_number(message, "rating", 1, len(engine.ratings)))
    value, old = parse_rating(message), engine.ratings[number - 1]
    engine.emit("rating", {"corrects": number, "value": value, "phase_index": old.phase_index, "by": by})
    _stop_at_limit(engine, value, by)


def _limit(engine: Engine, message: Message, by: str) -> None:
    engine.limit = read_number(message, "value", 0, 10)
    engine.emit("limit", {"value": engine.limit, "by": by})
    if engine.hold:
        engine.hold.reconsider()


def _stop(engine: Engine, message: Message, by: str) -> None:
    reason = read_text(message, "reason") or "Stop was pressed"
    engine.emit("stop", {"reason": reason, "by": by})
    if engine.activity:
        was_plan = engine.hold is not None
        engine.activity.cancel(reason)
        engine.activity = None
        engine.stage = "done" if was_plan else engine.stage
    engine.stopped = reason


def _resume(engine: Engine, message: Message, by: str) -> None:
    engine.stopped = None
    if engine.stage == "done":
        engine.stage = "ready"


def _finish(engine: Engine, message: Message, by: str) -> None:
    _need_idle(engine, "finishing")
    _need_cautions(engine)  # the stages after this one ask no more
    engine.stage = "done"
    engine.emit("note", {"text": "session finished", "by": by})


def _note(engine: Engine, message: Message, by: str) -> None:
    engine.emit("note", {"text": read_text(message, "text"), "by": by})


def _covariates(engine: Engine, message: Message, by: str) -> None:
    """What was done beforehand and may ease discomfort by itself: the whole list, separated by commas."""
    named = tuple(word.strip() for word in read_text(message, "text").split(",") if word.strip())
    engine.setup = replace(engine.setup, covariates=named)
    engine.emit("setup", {"covariates": list(named), "by": by})


def _feedback(engine: Engine, message: Message, by: str) -> None:
    engine.setup = replace(engine.setup, feedback_shown=bool(message.get("shown")))


def _position(engine: Engine, message: Message, by: str) -> None:
    hold, answer = engine.hold, str(message.get("answer"))
    asked = hold.ask_position if hold else None
    index = int(read_number(message, "phase_index", 0, 1000)) if "phase_index" in message else asked
    if index is None:
        raise SessionError("no phase to say it about", "answer after a contracting phase")
    if answer not in ("held", "drifted", "lost", "unknown"):
        raise SessionError(f"position {answer!r}", "answer held, drifted, lost or unknown")
    engine.emit("position", {"phase_index": index, **answer_position(answer).to_dict(), "by_whom": by})
    if hold and hold.ask_position == index:
        hold.ask_position = None


def _revise_maximum(engine: Engine, message: Message, by: str) -> None:
    """A new maximum that later evidence asks for; the old one stays on record for what came before."""
    name = str(message.get("channel"))
    if name not in engine.maxima:
        raise SessionError(f"{name!r} has no maximum to revise", "find one first")
    old = engine.maxima[name]
    strength = read_number(message, "value", 1e-9, 1e9)
    engine.set_maxima({name: old.revised(strength, engine.utc)}, settled=True, by=by)
    engine.doubts = [doubt for doubt in engine.doubts if doubt["channel"] != name]


def _device(engine: Engine, message: Message, by: str) -> None:
    """What holds now that another device answers: the calibration, or nothing."""
    answer = message.get("answer")
    if answer not in ("keep", "renew"):
        raise SessionError(f"device {answer!r}", "answer keep or renew")
    if not engine.stranger:
        raise SessionError("no other device has answered", "go on")
    if answer == "renew" and engine.activity:
        _stop(engine, {"reason": "another sensor answers: zero and maximum are to be found again"}, by)
        engine.stopped = None
    engine.settle_device(keeps=answer == "keep", by=by)


def _need_cautions(engine: Engine) -> None:
    if engine.stage == "cautions":
        raise SessionError("the cautions have not been read", "read and accept them first")


def _need_ground(engine: Engine) -> None:
    """What every effort stands on: cautions that were read, and a zero."""
    _need_cautions(engine)
    if not engine.zeros:
        raise SessionError("the sensors have no zero yet", "zero them first")


def _need_idle(engine: Engine, what: str) -> None:
    if engine.activity and not (isinstance(engine.activity, Attempting) and engine.activity.step == "rest"):
        raise SessionError(f"{what} has to wait: {engine.activity.name} is under way", "stop it first, or wait")


ACTIONS: Mapping[str, Callable[[Engine, Message, str], None]] = {
    "accept_cautions": _accept_cautions,
    "zero": _zero,
    "attempt": _attempt,
    "reject_attempt": _reject_attempt,
    "accept_maximum": _accept_maximum,
    "typed_maximum": _typed_maximum,
    "guide": _guide,
    "start_plan": _start_plan,
    "rate": _rate,
    "correct": _correct,
    "limit": _limit,
    "stop": _stop,
    "resume": _resume,
    "finish": _finish,
    "note": _note,
    "covariates": _covariates,
    "feedback": _feedback,
    "position": _position,
    "revise_maximum": _revise_maximum,
    "device": _device,
    **PHASE_ACTIONS,
    **SCALE_ACTIONS,
}
