"""What is asked around a maximum and a check: who tests none, practice, how it felt, what is expected, the aftermath.

An unanswered question is answered the careful way: no maximum is tested before the list was read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal, TypeAlias, cast, get_args

from biofeedback.account.kinds import Aftermath, AttemptFelt, Expected, RangeRead, Screened, WayDone
from biofeedback.account.words import BANDS, EXPECTATIONS, SCALE
from biofeedback.calibration.recovery import Readiness
from biofeedback.cautions import INSTEAD_OF_MAXIMUM, NO_MAXIMUM
from biofeedback.errors import SessionError
from biofeedback.session.asked import need_hard_effort, need_well
from biofeedback.session.maximum import RIG_CURE, Practising
from biofeedback.session.plan import Plan
from biofeedback.session.setup import PRACTICE_PERCENT
from biofeedback.session.state import SessionState
from biofeedback.session.training import (
    asks_for_sets,
    describe_early,
    describe_waste,
    find_begun_wasted,
    find_pain,
    find_refusal,
    need_no_pain,
    say_insisted,
)
from biofeedback.session.values import read_number, read_text

Message: TypeAlias = Mapping[str, Any]
LIGHT_PERCENT = BANDS["light"].high_percent  # what is not hard for who tests no maximum (common practice)
AT_MOST = 10.0
INSTEAD = "choose a plan by felt effort: it needs no maximum"


def need_testing(engine: SessionState) -> None:
    """SessionError with the reason and the alternative where no maximum is to be tested."""
    account = engine.account
    need_well(engine)
    if account.testing_ended:
        raise SessionError(f"{account.testing_ended} ended testing for today", INSTEAD)
    if account.tests_no_maximum:
        raise SessionError("no maximum is tested at the end of the range: something on the list holds", INSTEAD)
    if engine.setup.graded and account.tests_no_maximum is None:
        raise SessionError("the list of who does not test a maximum was not answered", "read it and answer yes or none")
    need_hard_effort(engine, "a maximum is the hardest contraction there is")


def need_practice(engine: SessionState) -> None:
    """SessionError before the practice pushes of a graded maximum are made, or while the number falls."""
    need_testing(engine)
    if not engine.setup.graded:
        return
    made = engine.account.practice
    if made and made[-1].fell:
        raise SessionError("the number fell while pushing", RIG_CURE)
    left = [felt for felt in PRACTICE_PERCENT if felt not in {one.felt_percent for one in made if not one.fell}]
    if left:
        named = " and ".join(f"{felt:g}" for felt in left)
        raise SessionError(f"practice pushes at {named} % of what is felt come first", "make them, counting aloud")


def find_rest_left_s(engine: SessionState) -> float:
    """How long the rest between the last attempt and a plan still lasts; 0 when it is over, or none is asked for."""
    return max(0.0, find_rest_over_s(engine) - engine.time_s)


def find_rest_over_s(engine: SessionState) -> float:
    """Session time at which the rest between the last attempt and a plan is over; 0 when there was no attempt."""
    attempts = engine.account.search
    if not attempts:
        return 0.0
    return attempts[-1].frame / engine.levels.hop / engine.level_rate_hz + engine.setup.rest_before_check_s


def need_rest(engine: SessionState, *, anyway: bool) -> None:
    """SessionError while the rest between the last attempt and a plan lasts, unless the coach says ``anyway``."""
    left_s = find_rest_left_s(engine)
    if left_s > 0 and not anyway:
        raise SessionError(
            f"{left_s:.0f} s of rest are left after the last attempt", "stay out of the stretch, or start all the same"
        )


def find_early(engine: SessionState) -> dict[str, dict[str, Any]]:
    """The plans whose first set would be wasted now, as sets were made before: what is said, until when, and by whom.

    ``why_not`` is empty where a coach may insist.
    """
    early = {}
    for plan in engine.plans.values():
        pain = find_pain(engine.account, engine.sets_done, engine.limit)
        told = describe_early(_find_begun_wasted(engine, plan), engine.level / engine.level_rate_hz, pain)
        if told:
            early[plan.name] = told
    return early


def is_early(engine: SessionState, name: str) -> bool:
    """Whether the plan's first set would be wasted now."""
    plan = engine.plans.get(name)
    return plan is not None and _find_begun_wasted(engine, plan) is not None


def need_ready(engine: SessionState, plan: Plan, *, anyway: bool) -> str:
    """SessionError where the plan's first set would be wasted now, unless the coach insists and the last did not hurt.

    Why it is begun all the same, for the record; empty where nothing held it back.
    """
    ready = _find_begun_wasted(engine, plan)
    if ready is None:
        return ""
    need_no_pain(find_pain(engine.account, engine.sets_done, engine.limit), ready)
    if not anyway:
        raise SessionError(describe_waste(ready), "rest out of the stretch first, or start all the same")
    return say_insisted(ready)


def _find_begun_wasted(engine: SessionState, plan: Plan) -> Readiness | None:
    if engine.channels[engine.guide].name not in engine.maxima:
        return None
    return find_begun_wasted(plan, engine.sets, engine.level / engine.level_rate_hz, engine.setup.joint)


def need_fitting(engine: SessionState, plan: Plan) -> None:
    """SessionError for a plan that is harder than this athlete is to contract today."""
    need_well(engine)
    hardest = max((phase.highest_percent or 0.0 for phase in plan.phases), default=0.0)
    if hardest <= LIGHT_PERCENT:
        return
    refusal = find_refusal(engine.account, engine.account.guide) if asks_for_sets(plan) else ""
    if refusal:
        raise SessionError(
            f"{plan.title or plan.name} asks for hard sets, and {refusal}",
            "choose a plan of at most 30 % or by felt effort, or end here; what stays or comes back is for a licensed "
            "professional to look at",
        )
    if engine.account.tests_no_maximum:
        raise SessionError(
            f"{plan.title or plan.name} asks for up to {hardest:g} %, and no hard contraction is made at the end of "
            f"the range by who tests no maximum (80 % and more pulls hardest where the muscle is fixed to the bone)",
            "choose a plan by felt effort of 1 to 3, or one of at most 30 %",
        )
    asks = f"{plan.title or plan.name} asks for up to {hardest:g} %"
    if engine.setup.graded and engine.account.tests_no_maximum is None:
        raise SessionError(
            f"{asks}, and the list of who does not contract hard at the end of the range was not answered",
            "read it and answer yes or none, or choose a plan by felt effort or of at most 30 %",
        )
    need_hard_effort(engine, asks)


def find_refused(engine: SessionState) -> dict[str, SessionError]:
    """The plans that are not offered today, each with its reason and what there is instead."""
    refused = {}
    for plan in engine.plans.values():
        try:
            need_fitting(engine, plan)
        except SessionError as error:
            refused[plan.name] = error
    return refused


def _screening(engine: SessionState, message: Message, by: str) -> None:
    engine.emit(Screened(applies=bool(message["applies"]), by=by, texts=tuple(NO_MAXIMUM)))
    engine.message = {"level": "info", "text": INSTEAD_OF_MAXIMUM, "cure": ""} if message["applies"] else None


def _practice(engine: SessionState, message: Message, by: str) -> None:
    if engine.activity:
        raise SessionError(
            f"a practice push has to wait: {engine.activity.name} is under way", "stop it first, or wait"
        )
    if engine.account.by_feel:
        raise SessionError("there is no sensor in this session", INSTEAD)
    if not engine.account.is_zeroed:
        raise SessionError("the sensors have no zero yet", "read the cautions and zero them first")
    need_testing(engine)
    felt = read_number(message, "felt", 10, 90)
    made = engine.account.practice
    if made and made[-1].fell and felt > PRACTICE_PERCENT[0]:
        raise SessionError("the number fell while pushing", RIG_CURE)
    engine.activity = Practising(felt, engine, engine.level)


def _attempt_felt(engine: SessionState, message: Message, by: str) -> None:
    attempts = engine.account.search
    if not attempts:
        raise SessionError("there is no attempt to speak of", "make one first")
    number = int(read_number(message, "number", 1, attempts[-1].number))
    values = {
        key: None if message.get(key) is None else read_number(message, key, SCALE.low, SCALE.high)
        for key in ("discomfort", "effort")
    }
    engine.emit(AttemptFelt(number=number, sharp=bool(message.get("sharp")), by=by, **values))
    if message.get("sharp"):
        engine.activity = None
        engine.message = {"level": "warn", "text": "Sharp pain ends testing for today", "cure": INSTEAD}


def _expect(engine: SessionState, message: Message, by: str) -> None:
    expects = read_text(message, "expects")
    if expects not in EXPECTATIONS:
        raise SessionError(f"expectation {expects!r}", "answer less, same or more")
    engine.emit(Expected(expects=cast("Literal['less', 'same', 'more']", expects), by=by))


def _aftermath(engine: SessionState, message: Message, by: str) -> None:
    when = read_text(message, "when")
    if when not in ("end", "next"):
        raise SessionError(f"when {when!r}", "say end or next")
    soreness = None if message.get("soreness") is None else read_number(message, "soreness", 0, AT_MOST)
    answers = {key: message.get(key) for key in ("new_pain", "numbness", "walks_normally")}
    engine.emit(Aftermath(when=cast("Literal['end', 'next']", when), soreness=soreness, by=by, **answers))


def _range(engine: SessionState, message: Message, by: str) -> None:
    when, at, unit = (read_text(message, key) for key in ("when", "at", "unit"))
    places = get_args(Literal["first discomfort", "agreed discomfort", "furthest tolerated"])
    if when not in ("before", "after") or at not in places or unit not in ("deg", "cm"):
        raise SessionError(
            f"a range {when!r} at {at!r} in {unit!r}", f"say before or after; {', '.join(places)}; deg or cm"
        )
    value = read_number(message, "value", -1000, 1000)
    engine.emit(
        RangeRead(
            when=when,  # type: ignore[arg-type]  # checked above
            at=at,  # type: ignore[arg-type]  # checked above
            value=value,
            unit=unit,
            method=read_text(message, "method"),
            contracting=bool(message.get("contracting")),
            by=by,
        )
    )


def _zero_position(engine: SessionState, message: Message, by: str) -> None:
    if engine.activity:
        raise SessionError(f"the zero of the position has to wait: {engine.activity.name} is under way", "wait for it")
    engine.zero_position()


def _way(engine: SessionState, message: Message, by: str) -> None:
    trial, drawn, done, note = (read_text(message, key) for key in ("trial", "drawn", "done", "note"))
    number = int(read_number(message, "evening", 1, 1000))
    engine.emit(WayDone(trial=trial, evening=number, drawn=drawn, done=done, note=note, by=by))


CARE_ACTIONS: Mapping[str, Callable[[SessionState, Message, str], None]] = {
    "screening": _screening,
    "practice": _practice,
    "attempt_felt": _attempt_felt,
    "expect": _expect,
    "aftermath": _aftermath,
    "range": _range,
    "zero_position": _zero_position,
    "way": _way,
}
