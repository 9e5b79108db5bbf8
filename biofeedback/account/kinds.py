"""Every kind of event as a type: its fields, their units and what they mean. To and from JSON by ``codec``.

Kinds and keys that this version does not know are kept in the file and ignored. Times are not fields: an event holds
from its frame on, and carries the time of the clock at which it was said. ``by`` is who said it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal, TypeAlias

from biofeedback.account.codec import PayloadError, read_payload, write_payload
from biofeedback.account.values import Attempt, Doubt, Maximum, PositionResult, Relaxation, Zero
from biofeedback.model import Band, Event

INLINE = {"place": "inline"}  # the fields of the value stand among those of the event
REST = {"place": "rest"}  # all keys that are no field
ALWAYS = {"always": True}  # written also while it is empty


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionsRead:
    """The cautions were shown and accepted; ``texts`` as they read then."""

    kind: ClassVar[str] = "caution"
    acknowledged: bool = True
    by: str = ""
    texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroTaken:
    """What each channel reads while nothing is done, in its unit.

    ``supersedes``: said afterwards, so zeros recorded later in the session no longer hold for these channels.
    """

    kind: ClassVar[str] = "zero"
    channels: Mapping[str, Zero]
    by: str = ""
    supersedes: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Screened:
    """Whether something on the list of who does not test a maximum holds: yes or none, never which."""

    kind: ClassVar[str] = "screening"
    applies: bool = field(metadata=ALWAYS)
    by: str = ""
    texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeMade:
    """A push at ``felt_percent`` of what the athlete believes to be all: best 0.5 s mean by channel, in its unit.

    ``fell``: the guide read less while pushing, so the rig does not measure the push.
    """

    kind: ClassVar[str] = "practice"
    felt_percent: float
    channels: Mapping[str, float]
    fell: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptFelt:
    """How attempt ``number`` of the present search felt: discomfort and effort 0-10, None is no answer."""

    kind: ClassVar[str] = "attempt_felt"
    number: int
    discomfort: float | None = field(default=None, metadata=ALWAYS)
    effort: float | None = field(default=None, metadata=ALWAYS)
    sharp: bool = False
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the athlete expects of contracting, said before a check."""

    kind: ClassVar[str] = "expectation"
    expects: Literal["less", "same", "more"]
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aftermath:
    """How the athlete is at the end, or at the next start (``when``); None: not answered. Soreness 0-10."""

    kind: ClassVar[str] = "aftermath"
    when: Literal["end", "next"]
    new_pain: bool | None = None
    numbness: bool | None = None
    walks_normally: bool | None = None
    soreness: float | None = None
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeRead:
    """How far the stretch went: ``when`` before or after, at which discomfort, in ``unit`` (deg, cm).

    ``method``: phone, tape, goniometer or own words. ``contracting``: read while the muscle was contracted.
    """

    kind: ClassVar[str] = "range"
    when: Literal["before", "after"]
    at: Literal["first discomfort", "agreed discomfort", "furthest tolerated"]
    value: float
    unit: str
    method: str = ""
    contracting: bool = False
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WayDone:
    """Evening ``evening`` (from 1) of ``trial``: what was ``drawn``, what was ``done`` ("": nothing of it)."""

    kind: ClassVar[str] = "way"
    trial: str
    evening: int
    drawn: str
    done: str = ""
    note: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumbersTrusted:
    """A person said that numbers which no person gives are right all the same; ``what`` was in doubt."""

    kind: ClassVar[str] = "trust"
    what: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptBegun:
    """The countdown of attempt ``number`` (from 1; 1 begins a new search) starts."""

    kind: ClassVar[str] = "attempt_begun"
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptMade:
    """Attempt ``number`` as judged at its end, on every channel; ``accepted`` and ``reason`` are the guide's."""

    kind: ClassVar[str] = "attempt"
    number: int
    channels: Mapping[str, Attempt]
    accepted: bool = field(default=False, metadata=ALWAYS)
    reason: str = field(default="", metadata=ALWAYS)
    feedback_shown: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptRejected:
    """The coach sets attempt ``number`` of the present search aside."""

    kind: ClassVar[str] = "reject_attempt"
    number: int
    reason: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MaximumSet:
    """What 100 % of a channel is from now on. ``settled``: by the rule of attempts, not taken all the same by hand.

    ``supersedes``: said afterwards, for ``why``, so maxima of the channel recorded later in the session no longer hold.
    ``warnings``: what has to be said of one that was not found today, in words.
    """

    kind: ClassVar[str] = "maximum"
    maximum: Maximum = field(metadata=INLINE)
    settled: bool = True
    by: str = ""
    supersedes: bool = False
    why: str = ""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideChosen:
    """The channel by which holds are led and judged."""

    kind: ClassVar[str] = "guide"
    channel: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPhase:
    """One phase of a plan as it was carried out; band and ``adapt`` in % of maximum, ``felt`` effort 0-10.

    ``ramp``, ``steps`` and ``blind`` are those of a `biofeedback.account.target.Target`; ``until``: what ends it before
    its longest duration, "band lost" (after ``lost_s`` below the band) or, of a rest, "recovered".
    """

    kind: str
    title: str = ""
    duration_s: float | None = None
    band: Band | None = None
    adapt: Band | None = None
    felt: float | None = None
    ask: bool = False
    cycle: int | None = None
    index: int | None = None
    ramp: tuple[Band, ...] = ()
    steps: tuple[Band, ...] = ()
    blind: tuple[tuple[float, ...], ...] = ()
    until: str = ""
    lost_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBegun:
    """A plan with all its phases and rules of counting, as drawn by lot where ``drawn`` (with its seed) says so.

    ``grace_s``: start of a contraction that is not counted; ``hysteresis_percent`` (points of % of maximum) and
    ``dwell_s``: what is tremor and no excursion; ``ask_before_end_s``: a rating is asked for so long before the end.
    """

    kind: ClassVar[str] = "plan"
    name: str = ""
    title: str = ""
    description: str = ""
    grace_s: float | None = None
    hysteresis_percent: float | None = None
    dwell_s: float | None = None
    ask_before_end_s: float | None = None
    duration_s: float | None = None
    drawn: Mapping[str, Any] | None = None
    lesson: str = ""
    read_range: bool = False
    phases: tuple[PlanPhase, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BandChosen:
    """The band of the phase that comes next (``phase_index``), where the plan left it open.

    ``by`` is "rule" or a person; low, high and top: limits of the band's middle, in %; ``points``: what the rule chose
    from, each ``[effort in %, change, session, cycle]``, so that the choice can be made again.
    """

    kind: ClassVar[str] = "choice"
    phase_index: int
    band: Band
    by: str
    reason: str
    low_percent: float | None = None
    high_percent: float | None = None
    top_percent: float | None = None
    points: tuple[Any, ...] = field(default=(), metadata=ALWAYS)
    more: Mapping[str, Any] = field(default_factory=dict, metadata=REST)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseBegun:
    """A phase begins; the one before ends. The phase kind "end" begins none: the plan is over, for ``reason``.

    ``index`` counts the plan's phases from 0; ``grace_s`` of its start is not counted, None: the plan's. ``ask``: a
    rating is asked for in it. ``cycle`` counts from 1. ``ramp`` to ``lost_s`` as in a plan's phase; a rest that lasts
    until recovered says in ``reason`` why as long as this.
    """

    kind: ClassVar[str] = "phase"
    phase_kind: str = field(metadata={"key": "kind"})
    index: int | None = None
    title: str = ""
    duration_s: float | None = None
    band: Band | None = None
    adapt: Band | None = None
    felt: float | None = None
    ask: bool = False
    cycle: int | None = None
    grace_s: float | None = None
    ramp: tuple[Band, ...] = ()
    steps: tuple[Band, ...] = ()
    blind: tuple[tuple[float, ...], ...] = ()
    until: str = ""
    lost_s: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseEndMoved:
    """The running phase ends at once (``seconds`` below 0) or later by ``seconds``: by hand or by a rule (``why``)."""

    kind: ClassVar[str] = "phase_end"
    phase_index: int
    seconds: float
    by: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Relaxed:
    """Whether the athlete is asked to relax from now on: only then the position's own tension can be learnt."""

    kind: ClassVar[str] = "relaxed"
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingAsked:
    """A rating is asked for, about phase ``phase_index`` of the plan."""

    kind: ClassVar[str] = "ask"
    id: int
    text: str = ""
    phase_index: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingGiven:
    """A discomfort rating, 0-10; ``value`` None is "no answer".

    ``phase_index`` is the phase that asked, which may be over; ``ask_id`` the question. With ``corrects`` it replaces
    the value of rating number ``corrects`` (from 1, corrections not counted) and is no rating of its own.
    """

    kind: ClassVar[str] = "rating"
    corrects: int | None = None
    value: float | None = field(default=None, metadata=ALWAYS)
    phase_index: int | None = field(default=None, metadata=ALWAYS)
    ask_id: int | None = None
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EffortSaid:
    """How hard the contraction ``phase_index`` felt, 0-10, said after it; ``value`` None is "no answer"."""

    kind: ClassVar[str] = "effort"
    phase_index: int
    value: float | None = field(default=None, metadata=ALWAYS)
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaxationJudged:
    """Whether the athlete let go in passive phase ``phase_index``, judged at its end."""

    kind: ClassVar[str] = "relaxation"
    phase_index: int
    relaxation: Relaxation = field(metadata=INLINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionJudged:
    """Whether the position was held in phase ``phase_index``, by a sensor or said by the coach (``by_whom``)."""

    kind: ClassVar[str] = "position"
    phase_index: int
    position: PositionResult = field(metadata=INLINE)
    by_whom: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatMade:
    """One repeat of ``lesson`` in phase ``phase_index``: its ``error`` (as `account.lessons` says), and if it was kept.

    Constant and RMS error in points of % of maximum and CV in %, with the number shown and (``blind_``) without; onset
    and release after the cues and ``steady_s``, when it began to be steady, in s; ``share_percent`` of the channel that
    leads in the sum with the one beside.
    """

    kind: ClassVar[str] = "repeat"
    lesson: str
    phase_index: int
    error: float | None = None
    kept: bool = field(default=False, metadata=ALWAYS)
    constant_error: float | None = None
    rms_error: float | None = None
    cv_percent: float | None = None
    blind_constant_error: float | None = None
    blind_rms_error: float | None = None
    blind_cv_percent: float | None = None
    onset_s: float | None = None
    release_s: float | None = None
    steady_s: float | None = None
    share_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MaximumDoubted:
    """What phase ``phase_index`` showed against a maximum."""

    kind: ClassVar[str] = "doubt"
    phase_index: int
    doubt: Doubt = field(metadata=INLINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """Whatever ran ends at once, for ``reason``.

    ``pressed_ago_s``: how long before it was heard it was pressed, on a page that was disconnected then.
    """

    kind: ClassVar[str] = "stop"
    reason: str = ""
    by: str = ""
    pressed_ago_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Paused:
    """The running phase ends here for ``reason`` and nothing follows it until somebody takes the plan up again."""

    kind: ClassVar[str] = "pause"
    reason: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenUp:
    """A paused plan goes on from its phase ``phase_index``, which begins once more."""

    kind: ClassVar[str] = "take_up"
    phase_index: int
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopExplained:
    """Why the last stop was made, one of `biofeedback.account.words.STOP_REASONS`, said afterwards."""

    kind: ClassVar[str] = "stop_reason"
    why: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed:
    """After a stop, or after the end: the session goes on."""

    kind: ClassVar[str] = "resume"
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """A person ends the session's work."""

    kind: ClassVar[str] = "finish"
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitAgreed:
    """The discomfort (0-10) at which everything stops, from now on."""

    kind: ClassVar[str] = "limit"
    value: float
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedbackSwitched:
    """Whether the athlete sees the display from now on."""

    kind: ClassVar[str] = "feedback"
    shown: bool
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupCorrected:
    """What was done beforehand and may ease discomfort by itself, in place of what was said before."""

    kind: ClassVar[str] = "setup"
    covariates: tuple[str, ...] | None = None
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceNoticed:
    """Another sensor answers ("asked"), the known one is back, or what holds was settled: all "kept" or "renewed"."""

    kind: ClassVar[str] = "device"
    state: Literal["asked", "back", "kept", "renewed"]
    id: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateMade:
    """A scale found from known loads on ``channel``; it counts from the next start on, not in this recording."""

    kind: ClassVar[str] = "certificate"
    channel: str
    by: str = ""
    certificate: Mapping[str, Any] = field(default_factory=dict, metadata=REST)


@dataclass(frozen=True, slots=True, kw_only=True)
class RateKept:
    """The sensor sends ``measured_hz`` readings a second, not ``declared_hz``: used from the next start on only."""

    kind: ClassVar[str] = "rate"
    declared_hz: float
    measured_hz: float
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleChecked:
    """A known load weighed with the scale in use, all in ``unit``; ``warning`` is empty when it agrees."""

    kind: ClassVar[str] = "scale_check"
    channel: str
    unit: str
    load: float
    indicated: float
    limit: float
    warning: str = field(default="", metadata=ALWAYS)
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """A remark of a person or of the program."""

    kind: ClassVar[str] = "note"
    text: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What the analysis found when the session was over: word, sentences, the effort worth trying (``next_band``)."""

    kind: ClassVar[str] = "answer"
    word: str
    text: str = ""
    next_band: Band | None = None


Payload: TypeAlias = (
    CautionsRead
    | ZeroTaken
    | Screened
    | PracticeMade
    | AttemptFelt
    | Expected
    | Aftermath
    | RangeRead
    | WayDone
    | NumbersTrusted
    | AttemptBegun
    | AttemptMade
    | AttemptRejected
    | MaximumSet
    | GuideChosen
    | PlanBegun
    | BandChosen
    | PhaseBegun
    | PhaseEndMoved
    | Relaxed
    | RatingAsked
    | RatingGiven
    | EffortSaid
    | RelaxationJudged
    | PositionJudged
    | RepeatMade
    | MaximumDoubted
    | Stopped
    | Paused
    | TakenUp
    | StopExplained
    | Resumed
    | Finished
    | LimitAgreed
    | FeedbackSwitched
    | SetupCorrected
    | DeviceNoticed
    | CertificateMade
    | RateKept
    | ScaleChecked
    | Noted
    | Answered
)
KINDS: Mapping[str, type[Payload]] = {cls.kind: cls for cls in Payload.__args__}


def read_event(event: Event) -> Payload | None:
    """What an event says; None for a kind that this version does not know. PayloadError: it cannot be read."""
    cls = KINDS.get(event.kind)
    return None if cls is None else read_payload(cls, event.data)


def make_event(payload: Payload, frame: int, utc: str = "") -> Event:
    """The event that says ``payload`` from ``frame`` on."""
    return Event(frame, payload.kind, write_payload(payload), utc)


def try_read(event: Event) -> Payload | None:
    """As `read_event`, but None as well for what cannot be read: for readers that only look for something."""
    try:
        return read_event(event)
    except PayloadError:
        return None
