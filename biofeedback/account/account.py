"""What the events of one session mean together: one pure fold, held by the engine live and made anew afterwards.

Nobody else looks into an event's payload to find out what is in force. Frames are the recording's; who needs seconds
or levels has the rate.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from biofeedback.account.codec import PayloadError
from biofeedback.account.kinds import (
    Aftermath,
    Answered,
    AttemptBegun,
    AttemptFelt,
    AttemptMade,
    AttemptRejected,
    BandChosen,
    CautionsRead,
    DeviceNoticed,
    Expected,
    FeedbackSwitched,
    Finished,
    GuideChosen,
    LimitAgreed,
    MaximumDoubted,
    MaximumSet,
    Noted,
    Paused,
    Payload,
    PhaseBegun,
    PhaseEndMoved,
    PlanBegun,
    PositionJudged,
    PracticeMade,
    RangeRead,
    RatingAsked,
    RatingGiven,
    RelaxationJudged,
    Relaxed,
    Resumed,
    Screened,
    SetupCorrected,
    StopExplained,
    Stopped,
    TakenUp,
    ZeroTaken,
    read_event,
    try_read,
)
from biofeedback.account.order import in_order
from biofeedback.account.records import (
    DWELL_S,
    FOREVER,
    GRACE_S,
    HYSTERESIS_PERCENT,
    AttemptOnRecord,
    ClosedBy,
    MaximumOnRecord,
    PhaseOnRecord,
    RatingOnRecord,
    StopOnRecord,
    ZeroOnRecord,
    find_limiting,
)
from biofeedback.account.stages import Happening, Stage, find_ground, find_stage
from biofeedback.account.values import Doubt, Maximum, Zero
from biofeedback.account.words import SCALE
from biofeedback.model import Channel, Event, find_guide


@dataclass(slots=True)
class Account:
    """What is in force, and what was, after the events so far. ``apply`` takes the next; see `fold` for a whole list.

    ``channels`` and ``settings`` are those of the recording. ``answer_word``: of the answer on record, unless something
    that it was made from was said after it. ``problems``: events that cannot be read, told and left
    out.
    """

    channels: tuple[Channel, ...]
    settings: Mapping[str, Any] = field(compare=False)
    stage: Stage = "cautions"
    has_read_cautions: bool = False
    tests_no_maximum: bool | None = None
    testing_ended: str = ""
    expects: str = ""
    guide: str = ""
    limit: float | None = None
    covariates: Any = ()
    feedback_shown: bool = True
    stopped: str | None = None
    paused: str | None = None
    stranger: str = ""
    open_ask: RatingAsked | None = None
    pending_choice: BandChosen | None = None
    is_plan_over: bool = True
    answer_word: str = ""
    zeros: dict[str, Zero] = field(default_factory=dict)
    zero_history: list[ZeroOnRecord] = field(default_factory=list)
    maxima: dict[str, Maximum] = field(default_factory=dict)
    maximum_history: list[MaximumOnRecord] = field(default_factory=list)
    attempts: list[AttemptOnRecord] = field(default_factory=list)
    practice: list[PracticeMade] = field(default_factory=list)
    aftermath: list[Aftermath] = field(default_factory=list)
    ranges: list[RangeRead] = field(default_factory=list)
    plans: list[PlanBegun] = field(default_factory=list)
    phases: list[PhaseOnRecord] = field(default_factory=list)
    ratings: list[RatingOnRecord] = field(default_factory=list)
    n_off_scale: int = 0
    doubts: list[Doubt] = field(default_factory=list)
    stops: list[StopOnRecord] = field(default_factory=list)
    notes: list[tuple[int, Noted]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        guide = find_guide(self.channels)
        self.guide = self.channels[guide or 0].name if self.channels else ""
        self.covariates = self.settings.get("covariates", ())
        limit = self.settings.get("limit")
        self.limit = float(limit) if isinstance(limit, int | float) else None

    # -- what readers ask ----------------------------------------------------------------------------------------

    @property
    def phase(self) -> PhaseOnRecord | None:
        """The phase that runs now."""
        return self.phases[-1] if self.phases and self.phases[-1].end_frame is None else None

    @property
    def search(self) -> list[AttemptOnRecord]:
        """The attempts of the present search for a maximum."""
        return [one for one in self.attempts if not one.is_void]

    @property
    def plan(self) -> PlanBegun | None:
        """The plan begun last."""
        return self.plans[-1] if self.plans else None

    @property
    def ground(self) -> Stage:
        """The first of cautions, zero and maximum that is missing, else "ready"."""
        return find_ground(
            has_read_cautions=self.has_read_cautions,
            has_zero=bool(self.zeros),
            has_maximum=self.guide in self.maxima,
        )

    def find_phase(self, index: int | None) -> PhaseOnRecord | None:
        """The phase begun last with this place in its plan."""
        return next((phase for phase in reversed(self.phases) if phase.index == index), None)

    def maximum_at(self, frame: int, channel: str) -> Maximum | None:
        """The maximum in force for ``channel`` at ``frame``."""
        found = [
            one.maximum
            for one in self.maximum_history
            if one.maximum.channel == channel and one.frame <= frame < one.until_frame
        ]
        return found[-1] if found else None

    def last_maximum(self, channel: str) -> MaximumOnRecord | None:
        """The last maximum of ``channel``, in force or not."""
        own = [one for one in self.maximum_history if one.maximum.channel == channel]
        return own[-1] if own else None

    def describe_settings(self) -> dict[str, Any]:
        """What was settled beforehand, with what the session corrected later."""
        if self.covariates == self.settings.get("covariates", ()):
            return dict(self.settings)
        return {**self.settings, "covariates": self.covariates}

    # -- the fold ------------------------------------------------------------------------------------------------

    def apply(self, event: Event) -> None:
        """Let one event act. What cannot be read is kept in ``problems``; what is not known is ignored."""
        try:
            payload = read_event(event)
        except PayloadError as error:
            self.problems.append(f"the event '{event.kind}' at frame {event.frame} cannot be read: {error}")
            payload = _salvage(event)
            if payload is None and event.kind in ("phase", "stop"):  # whatever it was, the phase before is over
                self._close_phase(event.frame, "stop" if event.kind == "stop" else "phase")
        if payload is not None:
            _ACT.get(type(payload), _ignore)(self, event.frame, payload)

    def _move(self, happening: Happening) -> None:
        self.stage = find_stage(self.stage, happening, self.ground)

    def _close_phase(self, frame: int, closed_by: ClosedBy) -> None:
        if self.phase:
            self.phases[-1] = replace(
                self.phases[-1], end_frame=max(frame, self.phases[-1].first_frame), closed_by=closed_by
            )

    def _end_plan_when_answered(self) -> None:
        if self.stage == "plan" and self.is_plan_over and self.open_ask is None:
            self._move("plan over")

    def _change_phase(self, index: int | None, **values: Any) -> None:
        for place in range(len(self.phases) - 1, -1, -1):
            if self.phases[place].index == index:
                self.phases[place] = replace(self.phases[place], **values)
                return

    def _void_maxima(self, frame: int, why: str, channels: Iterable[str]) -> None:
        names = set(channels)
        for place, one in enumerate(self.maximum_history):
            if one.until_frame == FOREVER and one.maximum.channel in names:
                self.maximum_history[place] = replace(one, until_frame=frame, void=why)

    def _end_zeros(self, frame: int, channels: Iterable[str]) -> None:
        names = set(channels)
        for place, one in enumerate(self.zero_history):
            if one.until_frame == FOREVER and one.channel in names:
                self.zero_history[place] = replace(one, until_frame=frame)


def _salvage(event: Event) -> Payload | None:
    """A phase whose bands make no sense is a phase all the same, without a band."""
    bare = {key: value for key, value in event.data.items() if key not in ("band", "adapt")}
    return try_read(replace(event, data=bare)) if event.kind == "phase" else None


def fold(events: Iterable[Event], *, channels: Sequence[Channel], settings: Mapping[str, Any]) -> Account:
    """The account after all ``events`` of a recording, in whatever order the file holds them."""
    account = Account(tuple(channels), settings)
    for event in in_order(events):
        account.apply(event)
    return account


# -- one function per kind that means something ------------------------------------------------------------------


def _ignore(account: Account, frame: int, payload: Any) -> None:
    """Certificates, checks of the scale and where relaxing is asked mean nothing for the account."""


def _read_cautions(account: Account, frame: int, payload: CautionsRead) -> None:
    account.has_read_cautions = account.has_read_cautions or payload.acknowledged
    account._move("cautions read")


def _take_zero(account: Account, frame: int, payload: ZeroTaken) -> None:
    account._end_zeros(frame, payload.channels)
    account.zeros |= payload.channels
    account.zero_history += [ZeroOnRecord(name, zero, frame) for name, zero in payload.channels.items()]
    account.answer_word = ""
    account._move("zero taken")


def _begin_attempt(account: Account, frame: int, payload: AttemptBegun) -> None:
    if payload.number == 1:  # a new search; the one before stays in the recording
        account.attempts.clear()
    account._move("attempt begun")


def _make_attempt(account: Account, frame: int, payload: AttemptMade) -> None:
    _begin_attempt(account, frame, AttemptBegun(number=payload.number))
    account.attempts = [one for one in account.search if one.number != payload.number]
    account.attempts.append(AttemptOnRecord(payload.number, frame, payload.channels, payload.feedback_shown))


def _screen(account: Account, frame: int, payload: Screened) -> None:
    account.tests_no_maximum = payload.applies


def _practise(account: Account, frame: int, payload: PracticeMade) -> None:
    account.practice.append(payload)


def _feel_attempt(account: Account, frame: int, payload: AttemptFelt) -> None:
    account.attempts = [
        replace(one, discomfort=payload.discomfort, felt_effort=payload.effort, sharp=payload.sharp)
        if one.number == payload.number
        else one
        for one in account.attempts
    ]
    if payload.sharp:
        account.testing_ended = f"sharp pain at attempt {payload.number}"
    for place, one in enumerate(account.maximum_history):
        if one.until_frame == FOREVER and one.maximum.method == "attempts":
            limited = find_limiting(account.search, one.maximum.channel)
            account.maximum_history[place] = replace(one, limited=limited)


def _expect(account: Account, frame: int, payload: Expected) -> None:
    account.expects = payload.expects


def _tell_aftermath(account: Account, frame: int, payload: Aftermath) -> None:
    account.aftermath.append(payload)


def _read_range(account: Account, frame: int, payload: RangeRead) -> None:
    account.ranges.append(payload)


def _reject_attempt(account: Account, frame: int, payload: AttemptRejected) -> None:
    account.attempts = [
        replace(one, channels={name: attempt.rejected(payload.reason) for name, attempt in one.channels.items()})
        if one.number == payload.number
        else one
        for one in account.attempts
    ]


def _set_maximum(account: Account, frame: int, payload: MaximumSet) -> None:
    maximum = payload.maximum
    account._void_maxima(frame, "", [maximum.channel])
    account.maxima[maximum.channel] = maximum
    limited = find_limiting(account.search, maximum.channel) if maximum.method == "attempts" else ""
    account.maximum_history.append(MaximumOnRecord(maximum, frame, payload.settled, payload.by, limited=limited))
    account.doubts = [doubt for doubt in account.doubts if doubt.channel != maximum.channel]
    account.answer_word = ""
    account._move("maximum set")


def _choose_guide(account: Account, frame: int, payload: GuideChosen) -> None:
    if payload.channel in [channel.name for channel in account.channels]:
        account.guide = payload.channel


def _begin_plan(account: Account, frame: int, payload: PlanBegun) -> None:
    account.plans.append(payload)
    account.stopped = account.paused = None
    account.pending_choice = None
    account.open_ask = None
    account.is_plan_over = False
    account._move("plan begun")


def _choose_band(account: Account, frame: int, payload: BandChosen) -> None:
    account.pending_choice = payload


def _begin_phase(account: Account, frame: int, payload: PhaseBegun) -> None:
    account.answer_word = ""
    account._close_phase(frame, "phase")
    account.paused = None
    if payload.phase_kind == "end":
        account.is_plan_over = True
        account.pending_choice = None
        account._end_plan_when_answered()
        return
    index = len(account.phases) if payload.index is None else payload.index
    choice, plan = account.pending_choice, account.plan
    account.pending_choice = None
    account.phases.append(
        PhaseOnRecord(
            number=len(account.phases) + 1,
            index=index,
            kind=payload.phase_kind,
            title=payload.title or payload.phase_kind,
            first_frame=frame,
            planned_s=payload.duration_s,
            cycle=payload.cycle,
            band=payload.band,
            adapt=payload.adapt,
            ask=payload.ask,
            plan_number=len(account.plans),
            choice=choice if choice and choice.phase_index == index else None,
            grace_s=_first_known(payload.grace_s, plan.grace_s if plan else None, GRACE_S),
            hysteresis_percent=_first_known(plan.hysteresis_percent if plan else None, HYSTERESIS_PERCENT),
            dwell_s=_first_known(plan.dwell_s if plan else None, DWELL_S),
        )
    )


def _first_known(*values: float | None) -> float:
    return next(value for value in values if value is not None)


def _move_phase_end(account: Account, frame: int, payload: PhaseEndMoved) -> None:
    phase = account.find_phase(payload.phase_index)
    if phase and phase.planned_s is not None and payload.seconds > 0:
        account._change_phase(payload.phase_index, planned_s=phase.planned_s + payload.seconds)


def _ask_rating(account: Account, frame: int, payload: RatingAsked) -> None:
    account.open_ask = payload


def _give_rating(account: Account, frame: int, payload: RatingGiven) -> None:
    account.answer_word = ""
    value = payload.value
    if value is not None and not SCALE.holds(value):
        account.n_off_scale += 1
        value = None
    if payload.corrects is not None:
        place = payload.corrects - 1
        if 0 <= place < len(account.ratings):
            old = account.ratings[place]
            account.ratings[place] = replace(old, value=value, originals=(*old.originals, old.value))
        return
    asked = account.find_phase(payload.phase_index) if payload.phase_index is not None else account.phase
    account.ratings.append(
        RatingOnRecord(
            number=len(account.ratings) + 1,
            frame=frame,
            value=value,
            phase_index=payload.phase_index,
            phase_number=asked.number if asked else None,
            ask_id=payload.ask_id,
            by=payload.by,
        )
    )
    if account.open_ask and payload.ask_id == account.open_ask.id:
        account.open_ask = None
        account._end_plan_when_answered()


def _judge_relaxation(account: Account, frame: int, payload: RelaxationJudged) -> None:
    account._change_phase(payload.phase_index, relaxation=payload.relaxation)


def _judge_position(account: Account, frame: int, payload: PositionJudged) -> None:
    account._change_phase(payload.phase_index, position=payload.position)


def _doubt_maximum(account: Account, frame: int, payload: MaximumDoubted) -> None:
    account.doubts.append(payload.doubt)


def _stop(account: Account, frame: int, payload: Stopped) -> None:
    account.stops.append(StopOnRecord(frame, payload.reason, payload.by))
    account.stopped = payload.reason
    account.paused = None
    account.open_ask = account.pending_choice = None
    account._close_phase(frame, "stop")
    account.is_plan_over = True
    account._end_plan_when_answered()


def _pause(account: Account, frame: int, payload: Paused) -> None:
    if account.is_plan_over:
        return
    account.stops.append(StopOnRecord(frame, payload.reason, payload.by, is_pause=True))
    account.paused = payload.reason
    account.open_ask = account.pending_choice = None
    account._close_phase(frame, "stop")


def _take_up(account: Account, frame: int, payload: TakenUp) -> None:
    account.paused = None


def _explain_stop(account: Account, frame: int, payload: StopExplained) -> None:
    if account.stops:
        account.stops[-1] = replace(account.stops[-1], why=payload.why)


def _resume(account: Account, frame: int, payload: Resumed) -> None:
    account.stopped = None
    account._move("resumed")


def _finish(account: Account, frame: int, payload: Finished) -> None:
    account._move("finished")


def _agree_limit(account: Account, frame: int, payload: LimitAgreed) -> None:
    account.limit = payload.value


def _switch_feedback(account: Account, frame: int, payload: FeedbackSwitched) -> None:
    account.feedback_shown = payload.shown


def _correct_setup(account: Account, frame: int, payload: SetupCorrected) -> None:
    if payload.covariates is not None:
        account.covariates = list(payload.covariates)


def _notice_device(account: Account, frame: int, payload: DeviceNoticed) -> None:
    account.stranger = payload.id if payload.state == "asked" else ""
    if payload.state != "renewed":
        return
    account._void_maxima(frame, "another sensor was put in its place", account.maxima)
    account._end_zeros(frame, account.zeros)
    account.zeros, account.maxima = {}, {}
    account.attempts = [replace(one, is_void=True) for one in account.attempts]
    account.doubts = []
    account.practice = []
    account.stopped = None
    account._move("calibration void")


def _note(account: Account, frame: int, payload: Noted) -> None:
    account.notes.append((frame, payload))


def _answer(account: Account, frame: int, payload: Answered) -> None:
    account.answer_word = payload.word


_ACT: Mapping[type[Payload], Any] = {
    CautionsRead: _read_cautions,
    ZeroTaken: _take_zero,
    AttemptBegun: _begin_attempt,
    Screened: _screen,
    PracticeMade: _practise,
    AttemptFelt: _feel_attempt,
    Expected: _expect,
    Aftermath: _tell_aftermath,
    RangeRead: _read_range,
    AttemptMade: _make_attempt,
    AttemptRejected: _reject_attempt,
    MaximumSet: _set_maximum,
    GuideChosen: _choose_guide,
    PlanBegun: _begin_plan,
    BandChosen: _choose_band,
    PhaseBegun: _begin_phase,
    PhaseEndMoved: _move_phase_end,
    RatingAsked: _ask_rating,
    RatingGiven: _give_rating,
    RelaxationJudged: _judge_relaxation,
    PositionJudged: _judge_position,
    MaximumDoubted: _doubt_maximum,
    Stopped: _stop,
    Paused: _pause,
    TakenUp: _take_up,
    StopExplained: _explain_stop,
    Resumed: _resume,
    Finished: _finish,
    LimitAgreed: _agree_limit,
    FeedbackSwitched: _switch_feedback,
    SetupCorrected: _correct_setup,
    DeviceNoticed: _notice_device,
    Noted: _note,
    Answered: _answer,
    Relaxed: _ignore,
}
