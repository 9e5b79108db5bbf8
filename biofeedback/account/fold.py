"""The fold: what each kind of event does to an account. One function per kind, and nothing else reads payloads."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from biofeedback.account.account import Account
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
    EffortSaid,
    Expected,
    FeedbackSwitched,
    Finished,
    GuideChosen,
    LimitAgreed,
    MaximumDoubted,
    MaximumSet,
    Noted,
    NumbersTrusted,
    Paused,
    Payload,
    PhaseBegun,
    PhaseEndMoved,
    PlanBegun,
    PositionJudged,
    PracticeMade,
    RangeRead,
    RateKept,
    RatingAsked,
    RatingGiven,
    RelaxationJudged,
    Relaxed,
    RepeatMade,
    Resumed,
    Screened,
    SetupCorrected,
    StopExplained,
    Stopped,
    TakenUp,
    WayDone,
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
    MaximumOnRecord,
    PhaseOnRecord,
    RatingOnRecord,
    StopOnRecord,
    ZeroOnRecord,
    find_limiting,
)
from biofeedback.account.target import LOST_S, Target
from biofeedback.account.words import SCALE
from biofeedback.model import Channel, Event

BANDS = ("band", "adapt", "ramp", "steps", "blind")  # the fields of a phase that say where the band is
LONGEST_S = 3600.0  # of a contraction whose planned end a foreign file does not say


def apply(account: Account, event: Event) -> None:
    """Let one event act. What cannot be read is kept in ``problems``; what is not known is ignored."""
    try:
        payload = read_event(event)
    except PayloadError as error:
        account.problems.append(f"the event '{event.kind}' at frame {event.frame} cannot be read: {error}")
        payload = _salvage(event)
        if payload is None and event.kind in ("phase", "stop"):  # whatever it was, the phase before is over
            account.close_phase(event.frame, "stop" if event.kind == "stop" else "phase")
    if payload is not None:
        _ACT.get(type(payload), _ignore)(account, event.frame, payload)


def _salvage(event: Event) -> Payload | None:
    """A phase whose bands make no sense is a phase all the same, without a band."""
    bare = {key: value for key, value in event.data.items() if key not in BANDS}
    return try_read(replace(event, data=bare)) if event.kind == "phase" else None


def fold(events: Iterable[Event], *, channels: Sequence[Channel], settings: Mapping[str, Any]) -> Account:
    """The account after all ``events`` of a recording, in whatever order the file holds them."""
    account = Account(tuple(channels), settings)
    listed = list(events)
    acting = in_order(listed)
    for event in acting:
        apply(account, event)
    account.superseded = _list_superseded(listed, acting)
    return account


def _list_superseded(listed: Sequence[Event], acting: Sequence[Event]) -> list[MaximumOnRecord]:
    """The maxima of ``listed`` that were put right afterwards, as they were recorded."""
    kept = {id(event) for event in acting}
    told = ((event.frame, try_read(event)) for event in listed if event.kind == "maximum" and id(event) not in kept)
    return [_record_maximum(frame, said) for frame, said in told if isinstance(said, MaximumSet)]


def _record_maximum(frame: int, said: MaximumSet, *, limited: str = "") -> MaximumOnRecord:
    return MaximumOnRecord(
        said.maximum,
        frame,
        said.settled,
        said.by,
        limited=limited,
        supersedes=said.supersedes,
        why=said.why,
        warnings=said.warnings,
    )


# -- one function per kind that means something ------------------------------------------------------------------


def _ignore(account: Account, frame: int, payload: Any) -> None:
    """Certificates, checks of the scale and where relaxing is asked mean nothing for the account."""


def _keep_rate(account: Account, frame: int, payload: RateKept) -> None:
    account.next_rate_hz = payload.measured_hz


def _read_cautions(account: Account, frame: int, payload: CautionsRead) -> None:
    account.has_read_cautions = account.has_read_cautions or payload.acknowledged
    account.move("cautions read")


def _take_zero(account: Account, frame: int, payload: ZeroTaken) -> None:
    account.end_zeros(frame, payload.channels)
    account.zeros |= payload.channels
    account.zero_history += [ZeroOnRecord(name, zero, frame) for name, zero in payload.channels.items()]
    account.answer = None
    account.move("zero taken")


def _begin_attempt(account: Account, frame: int, payload: AttemptBegun) -> None:
    if payload.number == 1:  # a new search; the one before stays in the recording
        account.attempts.clear()
    account.move("attempt begun")


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


def _trust_numbers(account: Account, frame: int, payload: NumbersTrusted) -> None:
    account.trusts_numbers = True
    account.notes.append((frame, Noted(text=f"said to be right all the same: {payload.what}", by=payload.by)))


def _do_way(account: Account, frame: int, payload: WayDone) -> None:
    account.way = payload


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
    account.void_maxima(frame, "", [maximum.channel])
    account.maxima[maximum.channel] = maximum
    limited = find_limiting(account.search, maximum.channel) if maximum.method == "attempts" else ""
    account.maximum_history.append(_record_maximum(frame, payload, limited=limited))
    account.doubts = [doubt for doubt in account.doubts if doubt.channel != maximum.channel]
    account.answer = None
    account.move("maximum set")


def _choose_guide(account: Account, frame: int, payload: GuideChosen) -> None:
    if payload.channel in [channel.name for channel in account.channels]:
        account.guide = payload.channel


def _begin_plan(account: Account, frame: int, payload: PlanBegun) -> None:
    account.plans.append(payload)
    account.stopped = account.paused = None
    account.pending_choice = None
    account.open_ask = None
    account.is_plan_over = False
    account.move("plan begun")


def _choose_band(account: Account, frame: int, payload: BandChosen) -> None:
    account.pending_choice = payload


def _begin_phase(account: Account, frame: int, payload: PhaseBegun) -> None:
    account.answer = None
    account.close_phase(frame, "phase")
    account.paused = None
    if payload.phase_kind == "end":
        account.is_plan_over = True
        account.pending_choice = None
        account.end_plan_when_answered()
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
            felt=payload.felt,
            ask=payload.ask,
            plan_number=len(account.plans),
            choice=choice if choice and choice.phase_index == index else None,
            grace_s=_first_known(payload.grace_s, plan.grace_s if plan else None, GRACE_S),
            hysteresis_percent=_first_known(plan.hysteresis_percent if plan else None, HYSTERESIS_PERCENT),
            dwell_s=_first_known(plan.dwell_s if plan else None, DWELL_S),
            target=_find_target(payload),
            until=payload.until,
            lost_s=_first_known(payload.lost_s, LOST_S),
        )
    )


def _find_target(payload: PhaseBegun) -> Target | None:
    """Where the band is when; shapes that make no sense, as only a foreign file has them, leave the band as it is."""
    if payload.band is None:
        return None
    duration_s = payload.duration_s or LONGEST_S
    try:
        return Target(payload.band, duration_s, payload.ramp, payload.steps, payload.blind)
    except ValueError:
        return Target(payload.band, LONGEST_S)


def _first_known(*values: float | None) -> float:
    return next(value for value in values if value is not None)


def _move_phase_end(account: Account, frame: int, payload: PhaseEndMoved) -> None:
    phase = account.find_phase(payload.phase_index)
    if phase is None:
        return
    if payload.why:
        account.change_phase(payload.phase_index, ended_for=payload.why if payload.seconds < 0 else "")
    if phase.planned_s is not None and payload.seconds > 0:
        account.change_phase(payload.phase_index, planned_s=phase.planned_s + payload.seconds)


def _ask_rating(account: Account, frame: int, payload: RatingAsked) -> None:
    account.open_ask = payload


def _give_rating(account: Account, frame: int, payload: RatingGiven) -> None:
    account.answer = None
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
        account.end_plan_when_answered()


def _say_effort(account: Account, frame: int, payload: EffortSaid) -> None:
    value = payload.value
    account.change_phase(payload.phase_index, said_effort=value if value is not None and SCALE.holds(value) else None)


def _judge_relaxation(account: Account, frame: int, payload: RelaxationJudged) -> None:
    account.change_phase(payload.phase_index, relaxation=payload.relaxation)


def _judge_position(account: Account, frame: int, payload: PositionJudged) -> None:
    account.change_phase(payload.phase_index, position=payload.position)


def _make_repeat(account: Account, frame: int, payload: RepeatMade) -> None:
    account.repeats.append(payload)


def _doubt_maximum(account: Account, frame: int, payload: MaximumDoubted) -> None:
    account.doubts.append(payload.doubt)


def _stop(account: Account, frame: int, payload: Stopped) -> None:
    account.stops.append(StopOnRecord(frame, payload.reason, payload.by))
    account.stopped = payload.reason
    account.paused = None
    account.open_ask = account.pending_choice = None
    account.close_phase(frame, "stop")
    account.is_plan_over = True
    account.end_plan_when_answered()


def _pause(account: Account, frame: int, payload: Paused) -> None:
    if account.is_plan_over:
        return
    account.stops.append(StopOnRecord(frame, payload.reason, payload.by, is_pause=True))
    account.paused = payload.reason
    account.open_ask = account.pending_choice = None
    account.close_phase(frame, "stop")


def _take_up(account: Account, frame: int, payload: TakenUp) -> None:
    account.paused = None


def _explain_stop(account: Account, frame: int, payload: StopExplained) -> None:
    if account.stops:
        account.stops[-1] = replace(account.stops[-1], why=payload.why)


def _resume(account: Account, frame: int, payload: Resumed) -> None:
    account.stopped = None
    account.move("resumed")


def _finish(account: Account, frame: int, payload: Finished) -> None:
    account.move("finished")


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
    account.void_maxima(frame, "another sensor was put in its place", account.maxima)
    account.end_zeros(frame, account.zeros)
    account.zeros, account.maxima = {}, {}
    account.attempts = [replace(one, is_void=True) for one in account.attempts]
    account.doubts = []
    account.practice = []
    account.stopped = None
    account.move("calibration void")


def _note(account: Account, frame: int, payload: Noted) -> None:
    account.notes.append((frame, payload))


def _answer(account: Account, frame: int, payload: Answered) -> None:
    account.answer = payload


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
    WayDone: _do_way,
    NumbersTrusted: _trust_numbers,
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
    EffortSaid: _say_effort,
    RelaxationJudged: _judge_relaxation,
    PositionJudged: _judge_position,
    RepeatMade: _make_repeat,
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
    RateKept: _keep_rate,
    Noted: _note,
    Answered: _answer,
    Relaxed: _ignore,
}
