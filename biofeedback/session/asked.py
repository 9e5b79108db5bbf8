"""What a person is asked beside the ratings: since last time, what is expected, how far, how it is at the end.

What was not answered is taken the careful way: nothing hard before the list was read and last time was told.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from biofeedback.account import words
from biofeedback.account.account import Account
from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import Aftermath
from biofeedback.account.words import EXPECTATIONS, SORE, describe_aftermath, list_hurts
from biofeedback.cautions import HURT_CAUTION, SORE_CAUTION
from biofeedback.errors import SessionError
from biofeedback.session.state import SessionState

EXPECTATION_QUESTION = "What do you expect contracting to do to the discomfort?"
RANGE_PLACES = ("first discomfort", "agreed discomfort")  # where a plan that asks for the range wants it read
LIGHT_CURE = "choose a plan by felt effort of 1 to 3, or one of at most 30 %"


def find_aftermath(account: Account, when: str) -> Aftermath | None:
    """What was told last about the end of this session, or about the time since the last one ("next")."""
    return next((one for one in reversed(account.aftermath) if one.when == when), None)


def is_since_open(engine: SessionState) -> bool:
    """Whether there was an earlier session and nobody has told yet, in full, how it was afterwards."""
    told = find_aftermath(engine.account, "next")
    is_told = told is not None and told.new_pain is not None and told.soreness is not None
    return bool(engine.setup.last_utc) and not is_told


def is_sore(engine: SessionState) -> bool:
    """Whether what was told of the time since last session says that nothing harder or further is to be offered."""
    told = find_aftermath(engine.account, "next")
    return told is not None and words.is_sore(told)


def need_well(engine: SessionState) -> None:
    """SessionError after a stop for a sharp sensation, or an end with numbness, new pain or a limp: no more today."""
    account = engine.account
    reason = words.STOP_REASONS.get(account.why_stopped)
    if reason and not reason.may_go_on:
        raise SessionError(
            f"this session was stopped for a {reason.say}", "end it; what stays or comes back needs a look"
        )
    told = find_aftermath(account, "end")
    if told and (hurts := list_hurts(told)):
        raise SessionError(f"at the end of the last hold there was {' and '.join(hurts)}", HURT_CAUTION)


def need_hard_effort(engine: SessionState, what: str) -> None:
    """SessionError with the reason and the alternative where nothing hard, such as ``what``, is to be done today."""
    if is_sore(engine):
        raise SessionError(
            f"{what}, and after the last time there is new pain or soreness over {SORE:g}",
            f"{LIGHT_CURE}, and go no further than last time",
        )
    if is_since_open(engine):
        raise SessionError(
            f"{what}, and how it was after the last time was not told", f"answer that first, or {LIGHT_CURE}"
        )


def describe_asked(engine: SessionState, refused: Mapping[str, SessionError]) -> dict[str, Any]:
    """What is asked now, and what was said; ``refused``: the plans that are not offered, with the reason."""
    account, end = engine.account, find_aftermath(engine.account, "end")
    since = find_aftermath(account, "next")
    return {
        "since": {
            "utc": engine.setup.last_utc,
            "open": is_since_open(engine),
            "said": describe_aftermath(since) if since else "",
            "caution": SORE_CAUTION if is_sore(engine) else "",
        },
        "expect": {"question": EXPECTATION_QUESTION, "answers": dict(EXPECTATIONS), "said": account.expects},
        "end": {
            "said": describe_aftermath(end) if end else "",
            "caution": HURT_CAUTION if end and list_hurts(end) else "",
        },
        "range": {
            "plans": [plan.name for plan in engine.plans.values() if plan.read_range],
            "places": list(RANGE_PLACES),
            "wanted": bool(account.plan and account.plan.read_range),
            "readings": [write_payload(one) for one in account.ranges],
        },
        "refused": {name: {"what": error.what, "cure": error.cure} for name, error in refused.items()},
    }
