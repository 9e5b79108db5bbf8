"""The state of a session: levels in, events and something to show out. Pure; time is the number of levels seen.

Everything that changes anything is an Event with its frame, and what the events mean together is the account: so a
recording replays to the same numbers, and every reader of it finds the same account.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.fold import apply
from biofeedback.account.kinds import DeviceNoticed, MaximumSet, Noted, Payload, RepeatMade, ZeroTaken, make_event
from biofeedback.account.stages import Stage
from biofeedback.account.values import Maximum, Zero
from biofeedback.calibration.attempt_values import Samples
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.events import apply_event, begin_whitener, tell_levels
from biofeedback.calibration.recovery import HeldSet, count_hard_s
from biofeedback.calibration.sense import Sense, find_sense
from biofeedback.errors import SessionError
from biofeedback.model import Channel, Chunk, Cue, Event, Flag, Gap, Levels, find_guide, goes_by_feel, is_from_phone
from biofeedback.session.activity import Activity
from biofeedback.session.adapting import Chooser, HeldPhase, choose_nothing
from biofeedback.session.hold import Hold
from biofeedback.session.loading import LoadTable
from biofeedback.session.maximum import FELL, RIG_CURE, Attempting, MaximumSearch, Practising
from biofeedback.session.plan import Plan, offer_by_feel
from biofeedback.session.setup import Setup
from biofeedback.session.strip import Strip
from biofeedback.session.training import SetDone, list_sets
from biofeedback.session.zeroing import Zeroing
from biofeedback.signal.levels import LevelStream

STRIP_S = 30.0
RECENT_S = 0.5
CLIPPED = int(Flag.CLIPPED)  # looked for at every update; a plain number is a tenth of the cost
LASTING_SHARE = 0.4  # of the last half second at an end of the range: less is a spike, and no reason to let go
KEPT_S = 2.0  # of counts beyond those of an attempt: a batch may run ahead of the level at which it is judged
TROUBLE = 0xFFFF & ~int(Flag.SETTLING | Flag.BRIDGED)  # what the page tells; the other two pass by themselves


class SessionState:
    """One athlete's session but for the commands. Feed items in order with ``push``; collect ``take_events``."""

    def __init__(
        self,
        channels: Sequence[Channel],
        rate_hz: float,
        setup: Setup,
        plans: Sequence[Plan],
        *,
        randomise: Callable[[Plan], Plan] = lambda plan: plan,
        choose: Chooser = choose_nothing,
    ) -> None:
        self.channels = tuple(channels)
        self.setup = setup
        self.randomise = randomise  # makes the order of a plan that leaves it to the lot
        self.choose = choose  # finds the next effort of a plan that adapts
        offered = offer_by_feel(plans) if goes_by_feel(channels) else plans
        self.plans = {plan.name: plan.shortened(setup.fast_factor) if setup.fast else plan for plan in offered}
        self.levels = LevelStream(self.channels, rate_hz)
        self.levels.keep(setup.countdown_s + setup.push_s + KEPT_S)
        self.level_rate_hz = self.levels.level_rate_hz
        self.effort = EffortStream(self.channels, self.level_rate_hz)
        if find_guide(self.channels) is None and not goes_by_feel(self.channels):
            raise SessionError("no channel measures force or muscle activity", "add one, e.g. channels=force:N")
        self.account = Account(self.channels, setup.to_settings())
        self.columns = {channel.name: column for column, channel in enumerate(self.channels)}
        self.level = 0
        self.activity: Activity | None = None
        self.scale = LoadTable()
        self.efforts: dict[int, float | None] = {}  # mean counted effort of each phase, by its number
        self.earlier_repeats: tuple[RepeatMade, ...] = ()  # of lessons in this athlete's earlier sessions
        self.earlier_hard_s = 0.0  # hard contractions in this athlete's other sessions today
        self.sets_done: dict[int, SetDone] = {}  # of each set to fatigue, by the number of its phase
        self._fitting: set[str] = set()  # devices that zero and maximum hold for
        self.message: Mapping[str, str] | None = None
        self.revision = 0
        self.cue = Cue("relax")
        self.strip = Strip(round(STRIP_S * self.level_rate_hz), len(self.channels))
        self._n_recent = max(1, round(RECENT_S * self.level_rate_hz))
        self._events: list[Event] = []
        self.problems: tuple[int, ...] = (0,) * len(self.channels)  # flags of the last half second that matter
        self.clips_briefly: tuple[bool, ...] = (False,) * len(self.channels)  # a spike, not an end of the range
        self._seen_flags = b""

    @property
    def hold(self) -> Hold | None:
        """The plan being carried out, if one is."""
        return self.activity if isinstance(self.activity, Hold) else None

    @property
    def stage(self) -> Stage:
        """How far the session has come."""
        return self.account.stage

    @property
    def guide(self) -> int:
        """Index of the channel that leads holds and by which they are judged."""
        return self.columns[self.account.guide]

    @property
    def maxima(self) -> Mapping[str, Maximum]:
        """What 100 % is, by channel."""
        return self.account.maxima

    @property
    def limit(self) -> float:
        """The agreed discomfort at which everything stops."""
        return self.setup.limit if self.account.limit is None else self.account.limit

    @property
    def search(self) -> MaximumSearch:
        """The attempts of the present search, and what they amount to."""
        return MaximumSearch(self.account, self.setup)

    @property
    def sense(self) -> Sense | None:
        """Why the leading channel's numbers may not be a person's, unless they were said to be right."""
        return None if self.account.trusts_numbers else find_sense(self.account, self.channels[self.guide])

    @property
    def held(self) -> list[HeldPhase]:
        """Every phase of every plan so far, in order, with its last answered rating."""
        rated = {one.phase_number: one.value for one in self.account.ratings if one.value is not None}
        return [
            HeldPhase(phase.kind, phase.index, self.efforts.get(phase.number), rated.get(phase.number))
            for phase in self.account.phases
        ]

    @property
    def repeats(self) -> list[RepeatMade]:
        """Every repeat of every lesson that is known, earlier sessions' first."""
        return [*self.earlier_repeats, *self.account.repeats]

    @property
    def delays_s(self) -> tuple[float, ...]:
        """How much later than the muscle each channel's filter shows a change."""
        return self.levels.delay_s

    @property
    def sets(self) -> list[HeldSet]:
        """Every contraction in a band that is over, for the model of fatigue."""
        rate_hz = self.levels.hop * self.level_rate_hz
        now = self.level * self.levels.hop
        phases = self.account.phases
        return list_sets(phases, rate_hz=rate_hz, until_frame=now, efforts=self.efforts, done=self.sets_done)

    @property
    def hard_s(self) -> float:
        """Seconds of hard contractions so far today: in this session and in earlier ones that are known."""
        rate_hz = self.levels.hop * self.level_rate_hz
        return self.earlier_hard_s + count_hard_s(self.account.phases, rate_hz, self.level * self.levels.hop)

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
        fitting = plan.by_feel() if self.account.by_feel else plan
        if fitting is None:
            raise SessionError(f"{plan.title or plan.name} needs a sensor", "use light efforts, or a felt one")
        self.plans[plan.name] = fitting.shortened(self.setup.fast_factor) if self.setup.fast else fitting
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

    def take_events(self) -> list[Event]:
        """Events since the last call, in order."""
        events, self._events = self._events, []
        return events

    def notice_device(self, device_id: str) -> None:
        """Say who answers now, as often as you like; another one than was calibrated is asked about."""
        stranger = self.account.stranger
        if not device_id or device_id == stranger:
            return
        if not self._fitting or not (self.account.zeros or self.maxima):
            self._fitting = {device_id}
        if device_id not in self._fitting:
            self.emit(DeviceNoticed(id=device_id, state="asked"))
        elif stranger:
            self.emit(DeviceNoticed(id=device_id, state="back"))

    def settle_device(self, *, keeps: bool, by: str) -> None:
        """Zero and maximum hold for the device that answers, or they are forgotten."""
        stranger = self.account.stranger
        self._fitting = {*self._fitting, stranger} if keeps else {stranger}
        if not keeps:
            self.scale = LoadTable()
        self.emit(DeviceNoticed(id=stranger, state="kept" if keeps else "renewed", by=by))

    # -- what the activities use ---------------------------------------------------------------------------------

    def emit(self, payload: Payload) -> None:
        """Put an event on record at the present level, and let it act. Nothing is emitted from inside."""
        event = make_event(payload, self.level * self.levels.hop)
        tell_levels(self.levels, event)
        self._events.append(event)
        self.revision += 1
        apply(self.account, event)
        apply_event(self.effort, event)

    def recall(self, column: int, n_levels: int) -> Samples | None:
        """What one channel sent in the last ``n_levels``; None where it is not kept any more."""
        kept = self.levels.recall(column, self.level - n_levels, self.level)
        return None if kept is None else Samples(*kept, mains_hz=self.levels.mains_hz)

    def give_cue(self, cue: Cue) -> None:
        """Keep the cue for a simulated athlete."""
        self.cue = cue

    def zero_position(self) -> None:
        """Take where the joint is now, in the stretch, as the zero of every position channel."""
        _, (_, values) = self.strip.since(self.level - self._n_recent)
        zeros = {}
        for column, channel in enumerate(self.channels):
            known = values[:, column][np.isfinite(values[:, column])]
            if channel.kind in ("position", "gravity") and len(known):
                zeros[channel.name] = Zero(float(known.mean()), float(known.std()), len(known))
        if zeros:
            self.emit(ZeroTaken(channels=zeros))

    def set_maxima(
        self, maxima: Mapping[str, Maximum], *, settled: bool, by: str, warnings: tuple[str, ...] = ()
    ) -> None:
        """Take these as 100 % from the next level on."""
        for maximum in maxima.values():
            begun = begin_whitener(maximum, self.levels)
            self.emit(MaximumSet(maximum=begun, settled=settled, by=by, warnings=warnings))

    def take_search(self, *, settled: bool, by: str) -> None:
        """Take what the present search came to, and say which channels it is not enough for."""
        search = self.search
        self.set_maxima(search.maxima(self.utc), settled=settled, by=by)
        for name, (reason, cure) in search.find_left_out().items():
            text = f"{name} gets no maximum and is not used: {reason}"
            self.emit(Noted(text=text))
            self.message = {"level": "error", "text": text, "cure": cure}

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
            was_step = activity.step
            if activity.reach(self.level):
                self.activity = None
                self._after(activity)
            elif activity.step != was_step:
                self.revision += 1

    def _after(self, activity: Activity) -> None:
        self.revision += 1
        if isinstance(activity, Zeroing):
            if activity.error:
                self.message = {"level": "error", "text": activity.error.what, "cure": activity.error.cure}
            else:
                self.message = None
        elif isinstance(activity, Practising):
            fell = self.account.practice[-1].fell
            self.message = {"level": "error", "text": FELL, "cure": RIG_CURE} if fell else None
        elif isinstance(activity, Attempting) and self.search.verdict().state == "accepted" and self.sense is None:
            self.take_search(settled=True, by="rule")

    def _watch_signals(self) -> None:
        flags = self.strip.recent_flags(self._n_recent)
        seen, clips_briefly = flags.tobytes(), (False,) * len(self.channels)
        if any(each & CLIPPED for each in flags.tolist()):
            shares = self.strip.recent_share(self._n_recent, Flag.CLIPPED)
            clips_briefly = tuple(0 < share < LASTING_SHARE for share in shares)
        if (seen, clips_briefly) == (self._seen_flags, self.clips_briefly):
            return
        self.revision += clips_briefly != self.clips_briefly
        self._seen_flags, self.clips_briefly = seen, clips_briefly
        told = zip(np.frombuffer(seen, np.uint16).tolist(), self.channels, strict=True)
        problems = tuple(0 if is_from_phone(channel) else flags & TROUBLE for flags, channel in told)
        if problems != self.problems:
            self.problems = problems
            self.revision += 1
