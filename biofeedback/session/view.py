"""What a page is told of a session whenever something other than the numbers changes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from biofeedback import __version__
from biofeedback.account import words
from biofeedback.account.account import Account
from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import BandChosen, RepeatMade
from biofeedback.account.records import RatingOnRecord
from biofeedback.calibration.scale import explain_beyond
from biofeedback.cautions import CAUTIONS, INSTEAD_OF_MAXIMUM, NO_MAXIMUM, NO_MAXIMUM_QUESTION
from biofeedback.joints import JOINT_NAMES
from biofeedback.model import Channel, Flag
from biofeedback.session.asked import describe_asked
from biofeedback.session.care_actions import find_early, find_refused, find_rest_over_s
from biofeedback.session.engine import Engine
from biofeedback.session.hold import Hold
from biofeedback.session.holding import expect_plan, offer_in_order
from biofeedback.session.lessons import CHECK_AGAIN_SAID, describe_course, describe_lesson, is_check_due
from biofeedback.session.maximum import FELL, RIG_CURE, Attempting, Practising
from biofeedback.session.phone import describe_drift, describe_limits
from biofeedback.session.plan import Plan
from biofeedback.session.scaling import describe_scale
from biofeedback.session.setup import PRACTICE_PERCENT
from biofeedback.session.training import asks_for_sets, describe_early, find_pain
from biofeedback.session.zeroing import Zeroing
from biofeedback.signal.quality import explain


def describe_session(engine: Engine, *, said: float | None = None) -> dict[str, Any]:
    """JSON-able state; ``said`` is what a simulated athlete answers to the open prompt."""
    hold, setup, account = engine.hold, engine.setup, engine.account
    following = (hold.phase if hold.paused else hold.next_phase) if hold else None
    return {
        "software": __version__,
        "simulated": setup.simulated,
        "fast": setup.fast,
        "athlete": setup.athlete,
        "exercise": setup.exercise,
        "joints": list(JOINT_NAMES),
        "exercise_notes": dict(setup.exercise_notes),
        "covariates": list(account.covariates),
        "side": setup.side,
        "position": setup.position,
        "stage": engine.stage,
        "cautions": list(CAUTIONS),
        "channels": [_describe_channel(engine, index, channel) for index, channel in enumerate(engine.channels)],
        "zero": {
            "state": "running" if isinstance(engine.activity, Zeroing) else "done" if account.zeros else "idle",
            "results": {name: zero.to_dict() for name, zero in account.zeros.items()},
        },
        "scale": describe_scale(engine),
        "maximum": _describe_maximum(engine),
        "asked": describe_asked(engine, find_refused(engine))
        | {"rest_over_s": round(find_rest_over_s(engine), 1), "early": find_early(engine)},
        "plans": describe_plans(
            offer_in_order(list(engine.plans.values()), setup.joint), setup.joint, repeats=engine.repeats
        ),
        "plan": hold.to_dict() if hold else None,
        "plan_ran": bool(account.phases),
        "phase": _describe_phase(hold) if hold else None,
        "next": following.to_dict() if following else None,
        "choice": _describe_choice(hold.choice) if hold and hold.choice else None,
        "band": hold.phase.to_dict()["band"] if hold and not hold.paused else None,
        "course": describe_course(engine.repeats),
        "training": describe_training(engine, hold) if hold else None,
        "ask": {**write_payload(hold.ask), "said": said} if hold and hold.ask else None,
        "by_feel": account.by_feel,
        "ranges_when": "after" if account.plans else "before",
        "ranges": [write_payload(one) for one in account.ranges],
        "ask_effort": {"phase_index": hold.ask_effort} if hold and hold.ask_effort is not None else None,
        "ask_position": {"phase_index": hold.ask_position}
        if hold and hold.ask_position is not None and hold.ask_effort is None
        else None,
        "drift_limits": describe_drift(engine.setup.drift),
        "position_offset": _describe_position(engine),
        "doubts": [doubt.to_dict() for doubt in account.doubts],
        "ratings": [_describe_rating(engine, rating) for rating in account.ratings],
        "words": words.to_dict(),
        "limit": engine.limit,
        "feedback": account.feedback_shown,
        "level_rate_hz": engine.level_rate_hz,
        "message": ask_about_device(account.stranger) if account.stranger else engine.message,
        "paused": {"reason": hold.paused, "phase_index": hold.index} if hold and hold.paused else None,
        "stopped": _describe_stop(account) if account.stopped else None,
    }


def describe_training(engine: Engine, hold: Hold) -> dict[str, Any] | None:
    """Of a plan with sets to fatigue: what is expected of this or the next set, times so far, hard seconds today."""
    if not asks_for_sets(hold.plan):
        return None
    ready, pain = hold.sets.ready, find_pain(engine.account, engine.sets_done, engine.limit)
    waste = hold.find_waste(engine.level) if not hold.paused and not hold.is_over else None
    expected_s = None if ready is None or ready.expected_s is None else round(ready.expected_s, 1)
    return {
        "expected_s": expected_s,
        "source": ready.source if ready else "",
        "lost_s": [None if one.lost_s is None else round(one.lost_s, 1) for one in engine.sets_done.values()],
        "hard_s": round(engine.hard_s, 1),
        "said": hold.sets.said,
        "held_back": describe_early(waste, engine.level / engine.level_rate_hz, pain),
    }


def ask_about_device(device_id: str) -> dict[str, Any]:
    """A question to the coach: pages offer ``actions`` as buttons."""
    return {
        "level": "warn",
        "text": f"Another device answered (ID {device_id})",
        "cure": "numbers are doubtful",
        "actions": [
            {"title": "Keep calibration", "command": {"do": "device", "answer": "keep"}},
            {"title": "New zero and maximum", "command": {"do": "device", "answer": "renew"}},
        ],
    }


def _describe_phase(hold: Hold) -> dict[str, Any]:
    """The phase that runs; while it is paused there is nothing to do but come out and rest."""
    phase = {"index": hold.index, **hold.phase.to_dict(), "since_s": hold.since_s}
    return {**phase, "kind": "rest", "title": "Paused", "band": None} if hold.paused else phase


def _describe_stop(account: Account) -> dict[str, Any]:
    return {"reason": account.stopped, "why": account.why_stopped}


def _describe_position(engine: Engine) -> dict[str, Any] | None:
    """The last position judged, for a warning; the live distance is in the numbers of the position channel."""
    judged = [phase for phase in engine.account.phases if phase.position]
    if not judged or judged[-1].position is None:
        return None
    result = judged[-1].position
    return {"phase_index": judged[-1].index, "state": result.state, "reason": result.reason, "by": result.by}


def _describe_choice(choice: BandChosen) -> dict[str, Any]:
    """The next band as it was chosen."""
    edges = [choice.band.low_percent, choice.band.high_percent]
    return {"phase_index": choice.phase_index, "band": edges, "by": choice.by, "reason": choice.reason}


def _describe_rating(engine: Engine, rating: RatingOnRecord) -> dict[str, Any]:
    """One rating with the kind of the phase that it belongs to."""
    phase = engine.account.phases[rating.phase_number - 1] if rating.phase_number else None
    return {
        "number": rating.number,
        "time_s": rating.frame / engine.levels.hop / engine.level_rate_hz,
        "value": rating.value,
        "phase_index": rating.phase_index,
        "corrected": bool(rating.originals),
        "phase_kind": phase.kind if phase else "",
        "ask_id": rating.ask_id,
    }


def _describe_channel(engine: Engine, index: int, channel: Channel) -> dict[str, Any]:
    return {
        "name": channel.name,
        "kind": channel.kind,
        "unit": channel.unit,
        "calibrated": channel.name in engine.maxima,
        "guide": index == engine.guide,
        "beside": index == (engine.hold.beside if engine.hold else engine.beside),
        "problem": describe_problem(engine.problems[index], channel, is_brief=engine.clips_briefly[index]),
        "can_guide": not engine.account.plans and channel.name in engine.maxima and channel.kind != "position",
        "in_use": describe_calibration(engine, channel),
        "limits": describe_limits(channel.unit, engine.setup.lever_m, engine.setup.drift)
        if channel.kind == "position"
        else None,
    }


def describe_calibration(engine: Engine, channel: Channel) -> dict[str, Any]:
    """What turns this channel's counts into effort just now: scale, zero and maximum, each with where it is from."""
    maximum = engine.maxima.get(channel.name)
    zeroed = [zero.frame for zero in engine.account.zero_history if zero.channel == channel.name]
    certificate = engine.setup.certificates.get(channel.name)
    is_raw = channel.unit == "count"
    return {
        "scale": dict(certificate) if certificate else None,
        "factor": None if is_raw else channel.factor,
        "zeroed_s": zeroed[-1] / engine.levels.hop / engine.level_rate_hz
        if channel.name in engine.account.zeros
        else None,
        "maximum": {key: getattr(maximum, key) for key in ("strength", "unit", "method", "utc", "n_attempts")}
        if maximum
        else None,
    }


def describe_problem(flags: int, channel: Channel, *, is_brief: bool = False) -> dict[str, Any] | None:
    """The worst of several flags in words with its cure; None when the signal is good.

    ``doubt``: the number is there and may be gone by; it is only not all contraction, or was at an end of the range
    for a moment (``is_brief``).
    """
    for flag in Flag:  # ordered by how much they spoil
        if flags & flag:
            what, cure = explain(flag, channel)
            is_doubt = flag == Flag.TENSION or (flag == Flag.CLIPPED and is_brief)
            return {"what": what, "cure": cure} | ({"doubt": True} if is_doubt else {})
    return None


BEGINS_CONTRACTING = (
    "Begins with a contraction: what a force sensor shows then includes the position's own tension. "
    "A relaxed stretch first takes it away."
)


def _describe_maximum(engine: Engine) -> dict[str, Any]:
    search = engine.search
    verdict = search.verdict()
    guide, setup = engine.channels[engine.guide], engine.setup
    sense = engine.sense
    maximum = engine.maxima.get(guide.name)
    held = engine.account.last_maximum(guide.name)
    step = engine.activity.step if isinstance(engine.activity, Attempting) else "accepted" if maximum else "idle"
    return {
        "step": step,
        "number": engine.activity.number
        if isinstance(engine.activity, Attempting) and step != "rest"
        else len(search.attempts) + 1,  # the rest is one before the next
        "push_s": setup.push_s,
        "n_needed": len(search.attempts) + verdict.n_more,
        "attempts": search.to_dict(),
        "verdict": {"state": verdict.state, "text": verdict.reason},
        "strength": maximum.strength if maximum else None,
        "method": maximum.method if maximum else None,
        "warnings": list(held.warnings) if maximum and held else [],
        "unit": guide.unit,
        "beyond": explain_beyond(maximum, setup.certificates.get(guide.name, {})) if maximum else "",
        "sense": {"what": sense.what, "cure": sense.cure} if sense else None,
        "care": describe_care(engine),
    }


def describe_care(engine: Engine) -> dict[str, Any]:
    """What is asked around a maximum, what comes next, and what there is instead; ``closed``: no push may begin."""
    account, setup = engine.account, engine.setup
    held = account.last_maximum(account.guide)
    made = {one.felt_percent for one in account.practice if not one.fell}
    is_closed = setup.graded and (account.tests_no_maximum is not False or bool(account.testing_ended))
    unfelt = [one.number for one in account.search if one.felt_effort is None and one.discomfort is None]
    return {
        "graded": setup.graded,
        "screened": account.tests_no_maximum,
        "question": NO_MAXIMUM_QUESTION,
        "list": list(NO_MAXIMUM),
        "instead": INSTEAD_OF_MAXIMUM,
        "instead_plans": [
            {"name": plan.name, "title": plan.title}
            for plan in engine.plans.values()
            if all(phase.band is None for phase in plan.phases)
        ],
        "ended": account.testing_ended,
        "closed": is_closed,
        "next_practice": next((felt for felt in PRACTICE_PERCENT if felt not in made), None) if setup.graded else None,
        "fell": {"what": FELL, "cure": RIG_CURE} if account.practice and account.practice[-1].fell else None,
        "practising": engine.activity.felt_percent if isinstance(engine.activity, Practising) else None,
        "ask_felt": unfelt[-1] if setup.graded and unfelt and unfelt[-1] == account.search[-1].number else None,
        "limited": held.limited if held else "",
    }


def describe_plans(plans: Iterable[Plan], joint: str, *, repeats: Sequence[RepeatMade] = ()) -> list[dict[str, Any]]:
    """What a page needs to offer plans, with what the fatigue model expects of each, or how far its lesson has come."""
    keys = ("name", "title", "description", "duration_s")
    return [
        {
            **{key: getattr(plan, key) for key in keys},
            "expects": [
                *([BEGINS_CONTRACTING] if plan.begins_contracting else []),
                *expect_plan(plan, joint).sentences(),
                *([describe_lesson(plan.lesson, repeats)] if plan.lesson else []),
                *([CHECK_AGAIN_SAID] if "check" in plan.name and is_check_due(repeats) else []),
            ],
        }
        for plan in plans
    ]
