"""The session: levels and commands in, events and a state to show out. Pure; time is the number of levels seen.

Everything that changes anything is an Event with its frame, so a recording replays to the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from biofeedback.calibration.effort import EffortStream, Maximum
from biofeedback.calibration.events import apply_event
from biofeedback.cautions import CAUTIONS
from biofeedback.errors import SessionError
from biofeedback.model import Channel, Chunk, Cue, Event, Flag, Gap, Levels, find_guide
from biofeedback.session.activity import Activity
from biofeedback.session.commands import parse_rating, read_number, read_text
from biofeedback.session.hold import Hold
from biofeedback.session.maximum import Attempting, MaximumSearch
from biofeedback.session.plan import Plan
from biofeedback.session.setup import Setup
from biofeedback.session.strip import Strip
from biofeedback.session.zeroing import Zeroing
from biofeedback.signal.levels import LevelStream

STRIP_S = 30.0
RECENT_S = 0.5
TROUBLE = 0xFFFF & ~int(Flag.SETTLING | Flag.BRIDGED)  # what the page tells; the other two pass by themselves


@dataclass(frozen=True, slots=True)
class Rating:
    """One answer; ``value`` None is "no answer". A correction replaces the value, the event log keeps both."""

    number: int
    time_s: float
    value: float | None
    phase_index: int | None
    corrected: bool = False
    phase_kind: str = ""


class Engine:
    """One athlete's session. Feed items in order with ``push``; act with ``command``; collect ``take_events``."""

    def __init__(self, channels: Sequence[Channel], rate_hz: float, setup: Setup, plans: Sequence[Plan]) -> None:
        self.channels = tuple(channels)
        self.setup = setup
        self.plans = {plan.name: plan.shortened(setup.fast_factor) if setup.fast else plan for plan in plans}
        self.levels = LevelStream(self.channels, rate_hz)
        self.level_rate_hz = self.levels.level_rate_hz
        self.effort = EffortStream(self.channels, self.level_rate_hz)
        guide = find_guide(self.channels)
        if guide is None:
            raise SessionError("no channel measures force or muscle activity", "add one, e.g. channels=force:N")
        self.guide = guide
        self.level = 0
        self.stage = "cautions"
        self.activity: Activity | None = None
        self.search = MaximumSearch(self.channels[self.guide].name, setup)
        self.zeros: dict[str, Mapping[str, Any]] = {}
        self.maxima: dict[str, Maximum] = {}
        self.ratings: list[Rating] = []
        self.stopped: str | None = None
        self.limit = setup.limit
        self.message: Mapping[str, str] | None = None
        self.revision = 0
        self.cue = Cue("relax")
        self.strip = Strip(round(STRIP_S * self.level_rate_hz), len(self.channels))
        self.level_strip = Strip(round(STRIP_S * self.level_rate_hz), len(self.channels))
        self._n_recent = max(1, round(RECENT_S * self.level_rate_hz))
        self._events: list[Event] = []
        self._problems: tuple[int, ...] = (0,) * len(self.channels)

    @property
    def hold(self) -> Hold | None:
        """The plan being carried out, if one is."""
        return self.activity if isinstance(self.activity, Hold) else None

    @property
    def time_s(self) -> float:
        """Sample time: the end of the last level."""
        return self.level / self.level_rate_hz

    @property
    def utc(self) -> str:
        """Sample time as a date, for maxima that may be carried to another day; empty when no start was given."""
        if not self.setup.started_utc:
            return ""
        started = datetime.fromisoformat(self.setup.started_utc)
        return (started + timedelta(seconds=self.time_s)).isoformat(timespec="seconds")

    # -- what comes in -------------------------------------------------------------------------------------------

    def push(self, item: Chunk | Gap) -> None:
        """Take frames or a gap; changes happen at the exact level they are due, whatever the chunk size."""
        levels = self.levels.push(item)
        at = 0
        while at < levels.n_levels:
            n = levels.n_levels - at
            if self.activity:
                n = max(1, min(n, self.activity.boundary - self.level))
            self._take(Levels(self.level, levels.values[at : at + n], levels.flags[at : at + n]))
            at += n

    def command(self, message: Mapping[str, Any], *, by: str = "coach") -> None:
        """Carry out what a person asked for, from the next level on.

        Raises
        ------
        SessionError
            The command does not fit the moment, or a value its scale.
        ValueError
            No such command: a programmer's mistake, or a stranger.
        """
        action = _COMMANDS.get(str(message.get("do")))
        if action is None:
            raise ValueError(f"no command {message.get('do')!r}")
        action(self, message, by)
        self.revision += 1

    def take_events(self) -> list[Event]:
        """Events since the last call, in order."""
        events, self._events = self._events, []
        return events

    # -- what the activities use ---------------------------------------------------------------------------------

    def emit(self, kind: str, data: Mapping[str, Any]) -> None:
        """Put an event on record at the present level, and let it act."""
        event = Event(self.level * self.levels.hop, kind, data)
        self._events.append(event)
        self.revision += 1
        apply_event(self.effort, event)
        if kind == "zero":
            self.zeros = dict(data["channels"])
        elif kind == "maximum":
            maximum = Maximum.from_dict(data)
            self.maxima[maximum.channel] = maximum
        elif kind == "rating":
            self._keep_rating(data)

    def give_cue(self, cue: Cue) -> None:
        """Keep the cue for a simulated athlete."""
        self.cue = cue

    # -- commands ------------------------------------------------------------------------------------------------

    def _accept_cautions(self, message: Mapping[str, Any], by: str) -> None:
        self.emit("caution", {"acknowledged": True, "by": by, "texts": list(CAUTIONS)})
        if self.stage == "cautions":
            self.stage = "zero"

    def _zero(self, message: Mapping[str, Any], by: str) -> None:
        self._need_idle("zero")
        self.activity = Zeroing(self, self.level)

    def _attempt(self, message: Mapping[str, Any], by: str) -> None:
        if isinstance(self.activity, Attempting) and self.activity.step == "rest":
            left_s = self.activity.remaining_s(self.level)
            raise SessionError(f"{left_s:.0f} s of rest are left", "wait: a tired attempt is not a maximum")
        self._need_idle("an attempt")
        if not self.zeros:
            raise SessionError("the sensors have no zero yet", "zero them first")
        if self.search.attempts and self.search.verdict().state != "more":
            self.search = MaximumSearch(self.channels[self.guide].name, self.setup)
        self.stage = "maximum"
        self.activity = Attempting(self.search, self.setup, self, self.level)

    def _reject_attempt(self, message: Mapping[str, Any], by: str) -> None:
        number = int(read_number(message, "number", 1, max(1, len(self.search.attempts))))
        if not self.search.attempts:
            raise SessionError("there is no attempt to reject", "make one first")
        reason = read_text(message, "reason") or "rejected by the coach"
        self.search.reject(number, reason)
        self.emit("reject_attempt", {"number": number, "reason": reason, "by": by})

    def _accept_maximum(self, message: Mapping[str, Any], by: str) -> None:
        verdict = self.search.verdict()
        if verdict.best is None:
            raise SessionError("no attempt can be believed yet", "make another attempt")
        self._set_maxima(self.search.maxima(self.utc), settled=verdict.state == "accepted", by=by)

    def _typed_maximum(self, message: Mapping[str, Any], by: str) -> None:
        channel = next((c for c in self.channels if c.name == message.get("channel")), self.channels[self.guide])
        strength = read_number(message, "value", 1e-9, 1e9)
        baseline = float(self.zeros.get(channel.name, {}).get("level", 0.0))
        maximum = Maximum(
            channel=channel.name, strength=strength, baseline=baseline, unit=channel.unit, method="typed",
            position=self.setup.position, side=self.setup.side, exercise=self.setup.exercise, utc=self.utc,
        )  # fmt: skip
        self._set_maxima({channel.name: maximum}, settled=True, by=by)

    def _set_maxima(self, maxima: Mapping[str, Maximum], *, settled: bool, by: str) -> None:
        for maximum in maxima.values():
            self.emit("maximum", {**maximum.to_dict(), "settled": settled, "by": by})
        self.activity = None
        if self.stage not in ("cautions", "zero"):
            self.stage = "ready"

    def _start_plan(self, message: Mapping[str, Any], by: str) -> None:
        self._need_idle("a plan")
        if self.stage == "cautions":
            raise SessionError("the cautions have not been read", "read and accept them first")
        if not self.zeros:
            raise SessionError("the sensors have no zero yet", "zero them first")
        plan = self.plans.get(str(message.get("plan")))
        if plan is None:
            raise SessionError(f"no plan {message.get('plan')!r}", f"choose one of {', '.join(self.plans)}")
        if self.channels[self.guide].name not in self.maxima:
            raise SessionError("there is no maximum yet", "find one first: effort is a percentage of it")
        self.stage, self.stopped = "plan", None
        self.activity = Hold(plan, self, self.level)

    def _rate(self, message: Mapping[str, Any], by: str) -> None:
        value = parse_rating(message)
        if self.hold:
            self.hold.answer(value, by=by)
        else:
            self.emit("rating", {"value": value, "phase_index": None, "ask_id": None, "by": by})
        if value is not None and value >= self.limit and self.hold:
            self._stop({"reason": f"discomfort {value:g} has reached the agreed limit of {self.limit:g}"}, by)

    def _correct(self, message: Mapping[str, Any], by: str) -> None:
        if not self.ratings:
            raise SessionError("there is no rating to correct", "give one first")
        number = int(read_number(message, "rating", 1, len(self.ratings)))
        value, old = parse_rating(message), self.ratings[number - 1]
        self.emit("rating", {"corrects": number, "value": value, "phase_index": old.phase_index, "by": by})

    def _limit(self, message: Mapping[str, Any], by: str) -> None:
        self.limit = read_number(message, "value", 0, 10)
        self.emit("limit", {"value": self.limit, "by": by})

    def _stop(self, message: Mapping[str, Any], by: str) -> None:
        reason = read_text(message, "reason") or "Stop was pressed"
        self.emit("stop", {"reason": reason, "by": by})
        if self.activity:
            was_plan = self.hold is not None
            self.activity.cancel(reason)
            self.activity = None
            self.stage = "done" if was_plan else self.stage
        self.stopped = reason

    def _resume(self, message: Mapping[str, Any], by: str) -> None:
        self.stopped = None
        if self.stage == "done":
            self.stage = "ready"

    def _finish(self, message: Mapping[str, Any], by: str) -> None:
        self._need_idle("finishing")
        self.stage = "done"
        self.emit("note", {"text": "session finished", "by": by})

    def _note(self, message: Mapping[str, Any], by: str) -> None:
        self.emit("note", {"text": read_text(message, "text"), "by": by})

    def _feedback(self, message: Mapping[str, Any], by: str) -> None:
        self.setup = replace(self.setup, feedback_shown=bool(message.get("shown")))

    def _keep_rating(self, data: Mapping[str, Any]) -> None:
        if number := data.get("corrects"):
            self.ratings[number - 1] = replace(self.ratings[number - 1], value=data["value"], corrected=True)
        else:
            kind = self.hold.phase.kind if self.hold else ""
            number, value = len(self.ratings) + 1, data["value"]
            self.ratings.append(Rating(number, self.time_s, value, data["phase_index"], phase_kind=kind))

    def _need_idle(self, what: str) -> None:
        if self.activity and not (isinstance(self.activity, Attempting) and self.activity.step == "rest"):
            raise SessionError(f"{what} has to wait: {self.activity.name} is under way", "stop it first, or wait")

    # -- levels --------------------------------------------------------------------------------------------------

    def _take(self, levels: Levels) -> None:
        effort = self.effort.push(levels)
        self.strip.push(effort.percent, levels.flags)
        self.level_strip.push(levels.values, levels.flags)
        if self.activity:
            self.activity.take(levels, effort)
        self.level = levels.end
        self._watch_signals()
        if self.activity and self.level >= self.activity.boundary:
            activity = self.activity
            was_step = getattr(activity, "step", None)
            if activity.reach(self.level):
                self.activity = None
                self._after(activity)
            elif getattr(activity, "step", None) != was_step:
                self.revision += 1

    def _after(self, activity: Activity) -> None:
        self.revision += 1
        if isinstance(activity, Zeroing):
            if activity.error:
                self.message = {"level": "error", "text": activity.error.what, "cure": activity.error.cure}
            else:
                self.message = None
                if self.stage == "zero":  # a maximum may be known already, typed in
                    self.stage = "ready" if self.channels[self.guide].name in self.maxima else "maximum"
        elif isinstance(activity, Hold):
            self.stage = "done"
        elif isinstance(activity, Attempting) and self.search.verdict().state == "accepted":
            self._set_maxima(self.search.maxima(self.utc), settled=True, by="rule")

    def _watch_signals(self) -> None:
        recent = self.strip.recent_flags(self._n_recent)
        problems = tuple(flags & TROUBLE for flags in recent.tolist())
        if problems != self._problems:
            self._problems = problems
            self.revision += 1

    @property
    def problems(self) -> tuple[int, ...]:
        """Flags seen on each channel in the last half second, without the harmless ones."""
        return self._problems


_COMMANDS: Mapping[str, Callable[[Engine, Mapping[str, Any], str], None]] = {
    "accept_cautions": Engine._accept_cautions,
    "zero": Engine._zero,
    "attempt": Engine._attempt,
    "reject_attempt": Engine._reject_attempt,
    "accept_maximum": Engine._accept_maximum,
    "typed_maximum": Engine._typed_maximum,
    "start_plan": Engine._start_plan,
    "rate": Engine._rate,
    "correct": Engine._correct,
    "limit": Engine._limit,
    "stop": Engine._stop,
    "resume": Engine._resume,
    "finish": Engine._finish,
    "note": Engine._note,
    "feedback": Engine._feedback,
}
