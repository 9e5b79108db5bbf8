"""The session: levels and commands in, events and a state to show out. Pure; time is the number of levels seen.

Everything that changes anything is an Event with its frame, so a recording replays to the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from biofeedback.account.values import Maximum
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.events import apply_event
from biofeedback.errors import SessionError
from biofeedback.model import Channel, Chunk, Cue, Event, Flag, Gap, Levels, find_guide
from biofeedback.session.actions import carry_out
from biofeedback.session.activity import Activity
from biofeedback.session.adapting import Chooser, HeldPhase, choose_nothing
from biofeedback.session.hold import Hold
from biofeedback.session.loading import LoadTable
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
    ask_id: int | None = None


class Engine:
    """One athlete's session. Feed items in order with ``push``; act with ``command``; collect ``take_events``."""

    def __init__(
        self,
        channels: Sequence[Channel],
        rate_hz: float,
        setup: Setup,
        plans: Sequence[Plan],
        *,
        draw: Callable[[Plan], Plan] = lambda plan: plan,
        choose: Chooser = choose_nothing,
    ) -> None:
        self.channels = tuple(channels)
        self.setup = setup
        self.draw = draw  # makes the order of a plan that asks for a drawn one
        self.choose = choose  # finds the next effort of a plan that adapts
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
        self.zeroed_s: dict[str, float] = {}
        self.has_held = False
        self.maxima: dict[str, Maximum] = {}
        self.scale = LoadTable()
        self.ratings: list[Rating] = []
        self.held: list[HeldPhase] = []  # every phase of every plan, in order
        self._rated: list[HeldPhase | None] = []  # by number of the rating
        self.doubts: list[Mapping[str, Any]] = []
        self.positions: dict[int, Mapping[str, Any]] = {}
        self.stranger = ""  # the device that answers and that nobody has said anything about yet
        self._fitting: set[str] = set()  # devices that zero and maximum hold for
        self.stopped: str | None = None
        self.limit = setup.limit
        self.message: Mapping[str, str] | None = None
        self.revision = 0
        self.cue = Cue("relax")
        self.strip = Strip(round(STRIP_S * self.level_rate_hz), len(self.channels))
        self._n_recent = max(1, round(RECENT_S * self.level_rate_hz))
        self._events: list[Event] = []
        self.problems: tuple[int, ...] = (0,) * len(self.channels)  # flags of the last half second that matter
        self._seen_flags = b""

    @property
    def hold(self) -> Hold | None:
        """The plan being carried out, if one is."""
        return self.activity if isinstance(self.activity, Hold) else None

    @property
    def beside(self) -> int | None:
        """Index of the calibrated channel shown as large as the guide: the other side before another kind."""
        kind = self.channels[self.guide].kind
        others = [
            k
            for k, channel in enumerate(self.channels)
            if k != self.guide and channel.kind != "position" and channel.name in self.maxima
        ]
        return min(others, key=lambda k: (self.channels[k].kind != kind, k), default=None)

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

    def offer_plan(self, plan: Plan) -> None:
        """Let ``plan`` be chosen from now on, in place of one of the same name."""
        self.plans[plan.name] = plan.shortened(self.setup.fast_factor) if self.setup.fast else plan
        self.revision += 1

    # -- what comes in -------------------------------------------------------------------------------------------

    def push(self, item: Chunk | Gap) -> None:
        """Take frames or a gap; changes happen at the exact level they are due, whatever the chunk size."""
        levels = self.levels.push(item)
        at = 0
        while at < levels.n_levels:
            n = levels.n_levels - at
            if self.activity:
                n = max(1, min(n, self.activity.boundary - self.level))
            part = slice(at, at + n)
            self._take(Levels(self.level, levels.values[part], levels.flags[part]) if n < levels.n_levels else levels)
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
        carry_out(self, message, by)
        self.revision += 1

    def take_events(self) -> list[Event]:
        """Events since the last call, in order."""
        events, self._events = self._events, []
        return events

    def notice_device(self, device_id: str) -> None:
        """Say who answers now, as often as you like; another one than was calibrated is asked about."""
        if not device_id or device_id == self.stranger:
            return
        if not self._fitting or not (self.zeros or self.maxima):
            self._fitting = {device_id}
        if device_id not in self._fitting:
            self.stranger = device_id
            self.emit("device", {"id": device_id, "state": "asked"})
        elif self.stranger:
            self.stranger = ""
            self.emit("device", {"id": device_id, "state": "back"})

    def settle_device(self, *, keeps: bool, by: str) -> None:
        """Zero and maximum hold for the device that answers, or they are forgotten."""
        self._fitting = {*self._fitting, self.stranger} if keeps else {self.stranger}
        self.emit("device", {"id": self.stranger, "state": "kept" if keeps else "renewed", "by": by})
        self.stranger = ""
        if not keeps:
            self.zeros, self.maxima, self.doubts, self.scale = {}, {}, [], LoadTable()
            self.search = MaximumSearch(self.channels[self.guide].name, self.setup)
            self.stage = "zero" if self.stage != "cautions" else self.stage

    # -- what the activities use ---------------------------------------------------------------------------------

    def emit(self, kind: str, data: Mapping[str, Any]) -> None:
        """Put an event on record at the present level, and let it act."""
        event = Event(self.level * self.levels.hop, kind, data)
        self._events.append(event)
        self.revision += 1
        apply_event(self.effort, event)
        if kind == "zero":
            self.zeros |= data["channels"]
            self.zeroed_s |= dict.fromkeys(data["channels"], self.time_s)
        elif kind == "guide":
            self.guide = [channel.name for channel in self.channels].index(data["channel"])
            self.search.guide = data["channel"]
        elif kind == "plan":
            self.has_held = True
        elif kind == "maximum":
            maximum = Maximum.from_dict(data)
            self.maxima[maximum.channel] = maximum
        elif kind == "rating":
            self._keep_rating(data)
        elif kind == "doubt":
            self.doubts.append(data)
        elif kind == "position":
            self.positions[int(data["phase_index"])] = data

    def give_cue(self, cue: Cue) -> None:
        """Keep the cue for a simulated athlete."""
        self.cue = cue

    def zero_position(self) -> None:
        """Take where the joint is now, in the stretch, as the zero of every position channel."""
        _, (_, values) = self.strip.since(self.level - self._n_recent)
        zeros = {}
        for column, channel in enumerate(self.channels):
            known = values[:, column][np.isfinite(values[:, column])]
            if channel.kind == "position" and len(known):
                zeros[channel.name] = {"level": float(known.mean()), "sd": float(known.std()), "n_levels": len(known)}
        if zeros:
            self.emit("zero", {"channels": zeros})

    def set_maxima(self, maxima: Mapping[str, Maximum], *, settled: bool, by: str) -> None:
        """Take these as 100 % from the next level on."""
        for maximum in maxima.values():
            self.emit("maximum", {**maximum.to_dict(), "settled": settled, "by": by})
        if self.stage not in ("cautions", "zero", "plan"):
            self.stage = "ready"

    def _keep_rating(self, data: Mapping[str, Any]) -> None:
        value, index = data["value"], data["phase_index"]
        if number := data.get("corrects"):
            self.ratings[number - 1] = replace(self.ratings[number - 1], value=value, corrected=True)
            held = self._rated[number - 1]
            if held:
                held.rating = value
        else:
            held = next((h for h in reversed(self.held) if h.index == index), None) if self.hold else None
            if held and value is not None:
                held.rating = value
            self._rated.append(held)
            kind = held.kind if held else ""
            number, ask_id = len(self.ratings) + 1, data.get("ask_id")
            self.ratings.append(Rating(number, self.time_s, value, index, phase_kind=kind, ask_id=ask_id))
        if self.hold:
            self.hold.reconsider()

    # -- levels --------------------------------------------------------------------------------------------------

    def _take(self, levels: Levels) -> None:
        effort = self.effort.push(levels)
        self.strip.push(effort.percent, levels.values, effort.flags)
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
            self.set_maxima(self.search.maxima(self.utc), settled=True, by="rule")

    def _watch_signals(self) -> None:
        seen = self.strip.recent_flags(self._n_recent).tobytes()
        if seen == self._seen_flags:
            return
        self._seen_flags = seen
        problems = tuple(flags & TROUBLE for flags in np.frombuffer(seen, np.uint16).tolist())
        if problems != self.problems:
            self.problems = problems
            self.revision += 1
