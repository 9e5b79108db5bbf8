"""What a person can ask of a session, one function per command. Values come from a page, so they are checked here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeAlias

from biofeedback.account.commands import check_command
from biofeedback.account.kinds import (
    AttemptBegun,
    AttemptRejected,
    CautionsRead,
    EffortSaid,
    FeedbackSwitched,
    Finished,
    GuideChosen,
    LimitAgreed,
    Noted,
    NumbersTrusted,
    PositionJudged,
    RateKept,
    RatingGiven,
    Resumed,
    SetupCorrected,
    StopExplained,
    Stopped,
)
from biofeedback.account.records import RatingOnRecord
from biofeedback.account.words import SCALE, STOP_REASONS, get_meaning
from biofeedback.calibration.maxima import type_maximum
from biofeedback.calibration.position import take_coachs_word
from biofeedback.calibration.sense import Sense, check_sense
from biofeedback.cautions import CAUTIONS
from biofeedback.errors import SessionError
from biofeedback.session.asked import need_well
from biofeedback.session.care_actions import CARE_ACTIONS, need_fitting, need_practice, need_ready, need_rest
from biofeedback.session.hold import Hold
from biofeedback.session.maximum import Attempting
from biofeedback.session.phase_actions import PHASE_ACTIONS
from biofeedback.session.scaling import SCALE_ACTIONS
from biofeedback.session.state import SessionState
from biofeedback.session.values import parse_rating, read_number, read_text
from biofeedback.session.zeroing import Zeroing

MOST_OFF = 4.0  # times the declared rate: what is further off is another sensor
LATE_STOP_S = 1.0  # heard so much later than pressed, it is on record

Message: TypeAlias = Mapping[str, Any]


def carry_out(engine: SessionState, message: Message, by: str) -> None:
    """Carry out ``message["do"]``; SessionError when there is no such command, or when it does not fit."""
    if check_command(message).place != "session":
        raise SessionError(f"{message['do']!r} is not for the session", "reload the page")
    ACTIONS[message["do"]](engine, message, by)


def _accept_cautions(engine: SessionState, message: Message, by: str) -> None:
    engine.emit(CautionsRead(by=by, texts=tuple(CAUTIONS)))


def _zero(engine: SessionState, message: Message, by: str) -> None:
    _need_sensor(engine)
    _need_idle(engine, "zero")
    engine.activity = Zeroing(engine, engine.level)


def _attempt(engine: SessionState, message: Message, by: str) -> None:
    _need_sensor(engine)
    if isinstance(engine.activity, Attempting) and engine.activity.step == "rest":
        left_s = engine.activity.remaining_s(engine.level)
        raise SessionError(f"{left_s:.0f} s of rest are left", "wait: a tired attempt is not a maximum")
    _need_idle(engine, "an attempt")
    _need_ground(engine)
    need_practice(engine)
    _need_sense(engine)
    search = engine.search
    number = len(search.attempts) + 1 if search.verdict().state == "more" else 1
    engine.emit(AttemptBegun(number=number))
    engine.activity = Attempting(number, engine, engine.level)


def _reject_attempt(engine: SessionState, message: Message, by: str) -> None:
    attempts = engine.account.search
    if not attempts:
        raise SessionError("there is no attempt to reject", "make one first")
    number = int(read_number(message, "number", 1, attempts[-1].number))
    reason = read_text(message, "reason") or "rejected by the coach"
    engine.emit(AttemptRejected(number=number, reason=reason, by=by))


def _accept_maximum(engine: SessionState, message: Message, by: str) -> None:
    _need_idle(engine, "the maximum")
    _need_sense(engine)
    verdict = engine.search.verdict()
    if verdict.best is None:
        raise SessionError("no attempt can be believed yet", "make another attempt")
    engine.activity = None  # no rest is needed after the last attempt
    engine.take_search(settled=verdict.state == "accepted", by=by)


def _typed_maximum(engine: SessionState, message: Message, by: str) -> None:
    """A maximum read off a display, in any unit of force or, with a lever arm, of torque."""
    _need_sensor(engine)
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
    sense = check_sense(channel, maximum.strength, seen="a typed maximum of", is_typed=True)
    _need_possible(engine, message, sense, by)
    engine.set_maxima({channel.name: maximum}, settled=True, by=by)


def _start_plan(engine: SessionState, message: Message, by: str) -> None:
    _need_idle(engine, "a plan")
    _need_ground(engine)
    plan = engine.plans.get(str(message.get("plan")))
    if plan is None:
        raise SessionError(f"no plan {message.get('plan')!r}", f"choose one of {', '.join(engine.plans)}")
    has_bands = any(phase.band for phase in plan.phases)
    if has_bands and engine.channels[engine.guide].name not in engine.maxima:
        raise SessionError("there is no maximum yet", "find one first, or choose a plan by felt effort")
    need_fitting(engine, plan)
    need_rest(engine, anyway=bool(message.get("anyway")))
    insisted = need_ready(engine, plan, anyway=bool(message.get("anyway")))
    if insisted:
        engine.emit(Noted(text=insisted, by=by))
    engine.zero_position()
    engine.activity = Hold(engine.randomise(plan), engine, engine.level)


def _guide(engine: SessionState, message: Message, by: str) -> None:
    """Another channel leads the hold and is judged. A recording is judged by one, so only before its first plan."""
    _need_idle(engine, "choosing the channel to go by")
    name = str(message.get("channel"))
    able = [channel.name for channel in engine.channels if channel.kind != "position"]
    if name not in able:
        raise SessionError(f"{name!r} cannot lead a hold", f"choose one of {', '.join(able)}")
    if engine.account.plans:
        raise SessionError(
            "a plan has run already, and one recording is judged by one channel", "start a new session to go by another"
        )
    if name not in engine.maxima:
        raise SessionError(f"{name} has no maximum yet", "find one first: effort is a percentage of it")
    engine.emit(GuideChosen(channel=name, by=by))


def _rate(engine: SessionState, message: Message, by: str) -> None:
    """A second hand on the same question is told so; an answer that comes late still counts for its question."""
    value = parse_rating(message)
    is_open = bool(engine.hold and engine.hold.ask and engine.hold.ask.id == message.get("ask"))
    given = None if is_open else _find_answer(engine, message.get("ask"))
    if given and given.value is not None:
        raise SessionError(f"this question was answered with {given.value:g}", "correct that rating if it is wrong")
    if given:
        _correct_rating(engine, given, value, by)
        return
    if engine.hold:
        engine.hold.take_rating(value, by=by)
    else:
        engine.emit(RatingGiven(value=value, by=by))
    _stop_at_limit(engine, value, by)


def _correct_rating(engine: SessionState, given: RatingOnRecord, value: float | None, by: str) -> None:
    engine.emit(RatingGiven(corrects=given.number, value=value, phase_index=given.phase_index, by=by))
    if engine.hold:
        engine.hold.reconsider()
    _stop_at_limit(engine, value, by)


def _stop_at_limit(engine: SessionState, value: float | None, by: str) -> None:
    """What was agreed beforehand; a number put right counts like one given at once."""
    if value is not None and value >= engine.limit and engine.hold:
        _stop(engine, {"reason": f"discomfort {value:g} has reached the agreed limit of {engine.limit:g}"}, by)


def _find_answer(engine: SessionState, ask_id: object) -> RatingOnRecord | None:
    """The newest rating that answered this question; None when there is none, or no question was named."""
    ratings = reversed(engine.account.ratings)
    return next((each for each in ratings if ask_id is not None and each.ask_id == ask_id), None)


def _correct(engine: SessionState, message: Message, by: str) -> None:
    ratings = engine.account.ratings
    if not ratings:
        raise SessionError("there is no rating to correct", "give one first")
    number = int(read_number(message, "rating", 1, len(ratings)))
    _correct_rating(engine, ratings[number - 1], parse_rating(message), by)


def _take_back(engine: SessionState, message: Message, by: str) -> None:
    """The last rating counts no more; it stays on record, and its question may be answered again."""
    ratings = engine.account.ratings
    number = int(read_number(message, "rating", 1, 1_000_000))
    if not ratings or ratings[-1].number != number:
        raise SessionError("only the last rating can be taken back", "correct the one that is wrong")
    if ratings[-1].value is None:
        raise SessionError("that rating does not count any more", "rate again")
    _correct_rating(engine, ratings[-1], None, by)


def _trust_numbers(engine: SessionState, message: Message, by: str) -> None:
    sense = engine.sense
    if sense is None:
        raise SessionError("no number is in doubt", "go on")
    engine.emit(NumbersTrusted(what=sense.what, by=by))
    if engine.activity is None and engine.search.verdict().state == "accepted":
        engine.take_search(settled=True, by="rule")


def _limit(engine: SessionState, message: Message, by: str) -> None:
    engine.emit(LimitAgreed(value=read_number(message, "value", SCALE.low, SCALE.high), by=by))
    if engine.hold:
        engine.hold.reconsider()


def _stop(engine: SessionState, message: Message, by: str) -> None:
    reason = read_text(message, "reason") or "Stop was pressed"
    if engine.activity is None and engine.account.stopped:
        return  # a page that did not hear the answer says it again
    ago_s = float(message.get("pressed_ago_s") or 0.0)  # it was kept by a page that had no connection
    if ago_s >= LATE_STOP_S and _began_after(engine, ago_s):
        engine.emit(Noted(text=f"a Stop pressed {ago_s:.1f} s ago was for what ran before: {reason}", by=by))
        return
    engine.emit(Stopped(reason=reason, by=by, pressed_ago_s=round(ago_s, 1) if ago_s >= LATE_STOP_S else None))
    if engine.activity:
        engine.activity.cancel(reason)
        engine.activity = None


def _began_after(engine: SessionState, ago_s: float) -> bool:
    """Whether what runs now began after a Stop that was pressed ``ago_s`` ago: then it was not what was meant."""
    if not isinstance(engine.activity, Hold | Attempting):
        return False
    return (engine.level - engine.activity.started) / engine.level_rate_hz < ago_s


def _explain_stop(engine: SessionState, message: Message, by: str) -> None:
    why = read_text(message, "why")
    if why not in STOP_REASONS:
        raise SessionError(f"{why[:40]!r} is not a reason on the list", "choose one of the reasons shown")
    if not engine.account.stops:
        raise SessionError("nothing was stopped", "there is nothing to explain")
    engine.emit(StopExplained(why=why, by=by))


def _resume(engine: SessionState, message: Message, by: str) -> None:
    need_well(engine)
    engine.emit(Resumed(by=by))


def _finish(engine: SessionState, message: Message, by: str) -> None:
    _need_idle(engine, "finishing")
    _need_cautions(engine)  # the stages after this one ask no more
    engine.emit(Finished(by=by))


def _note(engine: SessionState, message: Message, by: str) -> None:
    engine.emit(Noted(text=read_text(message, "text"), by=by))


def _covariates(engine: SessionState, message: Message, by: str) -> None:
    """What was done beforehand and may ease discomfort by itself: the whole list, separated by commas."""
    named = tuple(word.strip() for word in read_text(message, "text").split(",") if word.strip())
    engine.emit(SetupCorrected(covariates=named, by=by))


def _feedback(engine: SessionState, message: Message, by: str) -> None:
    engine.emit(FeedbackSwitched(shown=bool(message["shown"]), by=by))


def _effort(engine: SessionState, message: Message, by: str) -> None:
    """How hard a contraction felt: the one asked about, or any of the plan that is named."""
    asked = engine.hold.ask_effort if engine.hold else None
    index = int(read_number(message, "phase_index", 0, 1000)) if "phase_index" in message else asked
    phase = engine.account.find_phase(index)
    if phase is None or not get_meaning(phase.kind).contracts:
        raise SessionError("no contraction to say it about", "answer after a contracting phase")
    value = None if message["value"] is None else read_number(message, "value", SCALE.low, SCALE.high)
    engine.emit(EffortSaid(phase_index=phase.index, value=value, by=by))
    if engine.hold and engine.hold.ask_effort == index:
        engine.hold.ask_effort = None


def _position(engine: SessionState, message: Message, by: str) -> None:
    hold, answer = engine.hold, str(message.get("answer"))
    asked = hold.ask_position if hold else None
    index = int(read_number(message, "phase_index", 0, 1000)) if "phase_index" in message else asked
    if index is None:
        raise SessionError("no phase to say it about", "answer after a contracting phase")
    if answer not in ("held", "drifted", "lost", "unknown"):
        raise SessionError(f"position {answer!r}", "answer held, drifted, lost or unknown")
    engine.emit(PositionJudged(phase_index=index, position=take_coachs_word(answer), by_whom=by))
    if hold and hold.ask_position == index:
        hold.ask_position = None


def _revise_maximum(engine: SessionState, message: Message, by: str) -> None:
    """A new maximum that later evidence asks for; the old one stays on record for what came before."""
    name = str(message.get("channel"))
    if name not in engine.maxima:
        raise SessionError(f"{name!r} has no maximum to revise", "find one first")
    old = engine.maxima[name]
    strength = read_number(message, "value", 1e-9, 1e9)
    channel = next(channel for channel in engine.channels if channel.name == name)
    _need_possible(engine, message, check_sense(channel, strength, seen="a revised maximum of"), by)
    engine.set_maxima({name: old.revised(strength, engine.utc)}, settled=True, by=by)


def _device(engine: SessionState, message: Message, by: str) -> None:
    """What holds now that another device answers: the calibration, or nothing."""
    answer = message.get("answer")
    if answer not in ("keep", "renew"):
        raise SessionError(f"device {answer!r}", "answer keep or renew")
    if not engine.account.stranger:
        raise SessionError("no other device has answered", "go on")
    if answer == "renew" and engine.activity:
        _stop(engine, {"reason": "another sensor answers: zero and maximum are to be found again"}, by)
    engine.settle_device(keeps=answer == "keep", by=by)


def _keep_rate(engine: SessionState, message: Message, by: str) -> None:
    """The rate that arrives, for the next start: the times of what is recorded here stay as they are."""
    declared_hz = engine.levels.hop * engine.level_rate_hz
    measured_hz = read_number(message, "rate_hz", declared_hz / MOST_OFF, declared_hz * MOST_OFF)
    engine.emit(RateKept(declared_hz=declared_hz, measured_hz=measured_hz, by=by))


def _need_cautions(engine: SessionState) -> None:
    if engine.stage == "cautions":
        raise SessionError("the cautions have not been read", "read and accept them first")


def _need_ground(engine: SessionState) -> None:
    """What every effort stands on: cautions that were read, and a zero."""
    _need_cautions(engine)
    if not engine.account.is_zeroed:
        raise SessionError("the sensors have no zero yet", "zero them first")


def _need_sensor(engine: SessionState) -> None:
    """SessionError in a session without a sensor: there is nothing to zero, and no maximum."""
    if engine.account.by_feel:
        raise SessionError("there is no sensor in this session", "choose a plan: effort is what the athlete says")


def _need_possible(engine: SessionState, message: Message, sense: Sense | None, by: str) -> None:
    """A maximum handed in that no person gives counts when it is handed in a second time: ``anyway``."""
    if sense is None or engine.account.trusts_numbers:
        return
    if not message.get("anyway"):
        raise SessionError(sense.what, f"{sense.cure}; if it is right after all, use it a second time")
    engine.emit(NumbersTrusted(what=sense.what, by=by))


def _need_sense(engine: SessionState) -> None:
    """SessionError while numbers that no person gives are neither put right nor said to be right."""
    sense = engine.sense
    if sense:
        raise SessionError(sense.what, f"{sense.cure}; or say that the numbers are right")


def _need_idle(engine: SessionState, what: str) -> None:
    if engine.activity and not (isinstance(engine.activity, Attempting) and engine.activity.step == "rest"):
        raise SessionError(f"{what} has to wait: {engine.activity.name} is under way", "stop it first, or wait")


ACTIONS: Mapping[str, Callable[[SessionState, Message, str], None]] = {
    "accept_cautions": _accept_cautions,
    "zero": _zero,
    "attempt": _attempt,
    "trust_numbers": _trust_numbers,
    "reject_attempt": _reject_attempt,
    "accept_maximum": _accept_maximum,
    "typed_maximum": _typed_maximum,
    "guide": _guide,
    "start_plan": _start_plan,
    "rate": _rate,
    "take_back": _take_back,
    "correct": _correct,
    "limit": _limit,
    "stop": _stop,
    "explain_stop": _explain_stop,
    "resume": _resume,
    "finish": _finish,
    "note": _note,
    "covariates": _covariates,
    "feedback": _feedback,
    "position": _position,
    "effort": _effort,
    "revise_maximum": _revise_maximum,
    "device": _device,
    "keep_rate": _keep_rate,
    **CARE_ACTIONS,
    **PHASE_ACTIONS,
    **SCALE_ACTIONS,
}
