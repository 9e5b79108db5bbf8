"""What a person can ask of the running phase, and of the band that comes next."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from biofeedback.account.kinds import PhaseEndMoved
from biofeedback.errors import SessionError
from biofeedback.model import Band
from biofeedback.session.asked import need_well
from biofeedback.session.hold import Hold
from biofeedback.session.state import SessionState
from biofeedback.session.training import describe_waste, find_pain, need_no_pain, say_insisted
from biofeedback.session.values import read_number


def _end_phase(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    hold = _need_phase(engine, message)
    waste, why = hold.find_waste(engine.level), ""
    if waste:
        need_no_pain(find_pain(engine.account, engine.sets_done, engine.limit), waste)
        if not message.get("anyway"):
            raise SessionError(describe_waste(waste), "rest on, or end the rest all the same")
        why = say_insisted(waste)
        hold.sets.insist()
    left_s = hold.remaining_s(engine.level) or 0.0
    engine.emit(PhaseEndMoved(phase_index=hold.index, seconds=-left_s, by=by, why=why))
    hold.move_end(engine.level, engine.level)


def _extend_phase(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    hold = _need_phase(engine, message)
    seconds = read_number(message, "seconds", 1, 600)
    engine.emit(PhaseEndMoved(phase_index=hold.index, seconds=seconds, by=by))
    hold.move_end(hold.phase_end + round(seconds * engine.level_rate_hz), engine.level)


def _need_phase(engine: SessionState, message: Mapping[str, Any]) -> Hold:
    """The running hold; where the page says which phase it means, that one must not be over."""
    if not engine.hold or engine.hold.is_over:
        raise SessionError("no phase is running", "start a plan first")
    if engine.hold.paused:
        raise SessionError("the plan is paused", "take it up again first")
    if message.get("phase_index", engine.hold.index) != engine.hold.index:
        raise SessionError("that phase is over already", "look at the phase that is running now")
    return engine.hold


def _choose_band(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    """Another band than the one offered, for the coming contraction of a plan that adapts."""
    following = engine.hold.next_phase if engine.hold else None
    if engine.hold is None or following is None or following.adapt is None:
        raise SessionError("the next band is not open to choose", "choose before a contraction that adapts")
    allowed = following.adapt
    low = read_number(message, "low", allowed.low_percent, allowed.high_percent)
    high = read_number(message, "high", allowed.low_percent, allowed.high_percent)
    if not low < high:
        raise SessionError(f"a band from {low:g} to {high:g} %", "give the lower edge first")
    engine.hold.choose_band(Band(low, high), by=by, reason="chosen by hand")


def _take_up(engine: SessionState, message: Mapping[str, Any], by: str) -> None:
    if engine.hold is None or not engine.hold.paused:
        raise SessionError("nothing is paused", "start a plan first")
    if engine.account.stranger:
        raise SessionError("another sensor answers", "say first what holds for it")
    need_well(engine)
    engine.hold.take_up(engine.level, by=by)


PHASE_ACTIONS: Mapping[str, Callable[[SessionState, Mapping[str, Any], str], None]] = {
    "end_phase": _end_phase,
    "extend_phase": _extend_phase,
    "choose_band": _choose_band,
    "take_up": _take_up,
}
