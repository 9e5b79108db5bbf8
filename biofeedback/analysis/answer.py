"""One session from raw counts to an answer: phases, ratings with their doubts, and what contraction did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from typing import Any

from biofeedback.account.values import Attempt, Doubt, Maximum
from biofeedback.analysis.dose import Dose, DosePoint, compute_dose
from biofeedback.analysis.holds import HoldRow, measure_holds
from biofeedback.analysis.linking import LinkedRating, find_phase, link_ratings, list_doubts
from biofeedback.analysis.phases import Phase, PhaseSummary, summarise_phase
from biofeedback.analysis.randomisation import DrawnLevels, DrawnOrder, RandomisationTest, rank_levels
from biofeedback.analysis.response import RatedPhase, Response, compute_response
from biofeedback.analysis.trace import RecordingLike, Trace, compute_trace
from biofeedback.analysis.words import count
from biofeedback.calibration.attempts import judge_maximum
from biofeedback.calibration.doubt import check_above, check_endurance
from biofeedback.calibration.effort import BaselineMethod
from biofeedback.model import Event
from biofeedback.signal.levels import Mains

N_DOSE_MIN = 3
APART_S = 10.0  # longer between two phases, as after a stop or between plans: no neighbours; common practice
ADAPTIVE_REASON = (
    "no p-value: the efforts were chosen along the way, from the ratings before, so there is no draw to compare with"
)


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """One phase with its summary per channel and its last rating; ``choice``: how its band was chosen on the way."""

    phase: Phase
    summaries: tuple[PhaseSummary, ...]
    guide: int
    rating: LinkedRating | None
    choice: Mapping[str, Any] | None = None

    @property
    def marks(self) -> tuple[str, ...]:
        """What speaks against using the rating; empty when nothing does."""
        return self.rating.marks if self.rating else ()

    @property
    def summary(self) -> PhaseSummary:
        """The summary of the channel that the band is about."""
        return self.summaries[self.guide]


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """One maximal attempt on the guiding channel, as it was judged when it was made."""

    number: int
    attempt: Attempt
    frame: int = 0  # at its end
    marks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SessionAnalysis:
    """Everything that follows from one recording."""

    settings: Mapping[str, Any]
    trace: Trace
    plans: tuple[Mapping[str, Any], ...]
    phases: tuple[PhaseRow, ...]
    attempts: tuple[AttemptRow, ...]
    maximum: Maximum | None
    maximum_reason: str
    doubts: tuple[Doubt, ...]
    ratings: tuple[LinkedRating, ...]
    holds: tuple[HoldRow, ...]
    response: Response
    dose: Dose
    dose_test: RandomisationTest | None
    warnings: tuple[str, ...]

    @property
    def marked(self) -> tuple[PhaseRow, ...]:
        """Rated phases whose rating carries a mark."""
        return tuple(row for row in self.phases if row.marks)


def analyse_recording(
    recording: RecordingLike,
    *,
    maxima: Mapping[str, Maximum] | None = None,
    baseline: BaselineMethod = "passive",
    mains_hz: Mains = "auto",
) -> SessionAnalysis:
    """Analyse one recording, on other ``maxima``, ``baseline`` or mains notch if asked. Pure."""
    trace = compute_trace(recording, maxima=maxima, baseline=baseline, mains_hz=mains_hz)
    events = sorted(recording.events, key=lambda e: e.frame)
    ratings = link_ratings(trace)
    own: dict[int, list[LinkedRating]] = {}
    for link, rating in zip(ratings, trace.ratings, strict=True):
        if phase := find_phase(rating, trace.phases):
            own.setdefault(phase.number, []).append(link)
    rows = tuple(
        replace(_summarise_row(trace, phase, own.get(phase.number, [])), choice=find_choice(events, phase, trace))
        for phase in trace.phases
    )
    guide = trace.channels[trace.guide]
    maximum = trace.maximum_at(2**62, guide.name)
    attempts = tuple(_mark_attempt(trace, row) for row in read_attempts(events, guide.name))
    plans = tuple(e.data for e in events if e.kind == "plan")
    response = compute_response(rate_phases(rows), drawn=read_drawn(plans[-1]) if plans else None)
    if any(row.choice for row in rows):
        response = replace(response, test_reason=ADAPTIVE_REASON)
    joint = str(recording.settings.get("joint") or "general")
    return SessionAnalysis(
        settings=read_settings(recording),
        trace=trace,
        plans=plans,
        phases=rows,
        attempts=attempts,
        maximum=maximum,
        maximum_reason=explain_maximum(maximum, attempts, settled=_is_settled(events, guide.name)),
        doubts=find_doubts(trace, joint=joint),
        ratings=ratings,
        holds=measure_holds(recording, trace, joint=joint),
        response=response,
        dose=compute_dose(list_dose_points(rows, response)),
        dose_test=rank_drawn_levels(plans[-1] if plans else None, response),
        warnings=_collect_warnings(trace, recording.settings),
    )


def _summarise_row(trace: Trace, phase: Phase, own: Sequence[LinkedRating]) -> PhaseRow:
    """``own``: the ratings that belong to the phase."""
    span = slice(phase.first_level, phase.end_level)
    summaries = tuple(
        summarise_phase(
            trace.percent[span, column],
            trace.flags[span, column],
            level_rate_hz=trace.level_rate_hz,
            band=phase.band if column == trace.guide else None,
            grace_s=phase.grace_s,
        )
        for column in range(len(trace.channels))
    )
    answered = [link for link in own if link.value is not None]
    return PhaseRow(phase, summaries, trace.guide, answered[-1] if answered else own[-1] if own else None)


def find_choice(events: Sequence[Event], phase: Phase, trace: Trace) -> Mapping[str, Any] | None:
    """The last choice of this phase's band, made in the phase before it; None where the plan said it all."""
    start = phase.first_level * trace.hop
    earliest = max((p.first_level * trace.hop for p in trace.phases if p.number < phase.number), default=0)
    chosen = [
        e.data
        for e in events
        if e.kind == "choice" and earliest <= e.frame <= start and e.data.get("phase_index") == phase.index
    ]
    return chosen[-1] if chosen else None


def rank_drawn_levels(plan: Mapping[str, Any] | None, response: Response) -> RandomisationTest | None:
    """Does more effort bring less discomfort? Only where the efforts' order was drawn by lot and held to the end."""
    drawn = ((plan or {}).get("drawn") or {}).get("levels")
    changes = [contrast.change for contrast in response.contrasts]
    if not drawn or len(changes) != len(drawn["order"]):
        return None
    known = [change for change in changes if change is not None]
    levels = DrawnLevels(tuple(drawn["levels_percent"]), drawn["n_rounds"], drawn["seed"], tuple(drawn["order"]))
    return rank_levels(known, levels) if len(known) == len(changes) else None


def read_settings(recording: RecordingLike) -> dict[str, Any]:
    """What was settled beforehand, with what the session corrected later ("setup" events)."""
    settings = dict(recording.settings)
    for event in recording.events:
        if event.kind == "setup" and "covariates" in event.data:
            settings["covariates"] = event.data["covariates"]
    return settings


def read_drawn(plan: Mapping[str, Any]) -> DrawnOrder | None:
    """The order as it was drawn by lot and stored with the plan, before its first phase."""
    drawn = (plan.get("drawn") or {}).get("order")
    return DrawnOrder.from_dict(drawn) if drawn else None


def list_dose_points(rows: Sequence[PhaseRow], response: Response, *, session: int = 0) -> list[DosePoint]:
    """Effort and change of every complete contrast; marked ratings are left out where there are enough others."""
    clean = response.without_marked
    used = clean if clean is not None and clean.n_contrasts >= N_DOSE_MIN else response
    efforts = [row.summary.mean_percent for row in rows if row.phase.kind == "contract"]
    return [
        DosePoint(effort, contrast.change, session, contrast.cycle)
        for effort, contrast in zip(efforts, used.contrasts, strict=True)
        if effort is not None and contrast.change is not None
    ]


def rate_phases(rows: Sequence[PhaseRow]) -> tuple[RatedPhase, ...]:
    """Phases in the position, in the order held, as the response wants them; rests leave the position."""
    begins = [row.phase.start_s - last.phase.end_s > APART_S for last, row in pairwise(rows)]
    runs = [0, *accumulate(begins)]
    return tuple(
        RatedPhase(
            "contract" if row.phase.kind == "contract" else "passive",
            row.rating.value if row.rating else None,
            row.rating.time_s if row.rating else row.phase.end_s,
            row.marks,
            run,
        )
        for row, run in zip(rows, runs, strict=False)
        if row.phase.kind != "rest"
    )


def read_attempts(events: Sequence[Event], channel: str) -> tuple[AttemptRow, ...]:
    """The attempts on ``channel`` of the last search for a maximum, set-aside ones included."""
    rows: dict[int, AttemptRow] = {}
    for event in events:
        number = int(event.data.get("number", 0))
        if event.kind == "attempt" and channel in event.data.get("channels", {}):
            if number == 1:  # a new search; the earlier one stays in the recording
                rows.clear()
            rows[number] = AttemptRow(number, Attempt.from_dict(event.data["channels"][channel]), event.frame)
        elif event.kind == "reject_attempt" and number in rows:
            attempt = rows[number].attempt.rejected(str(event.data.get("reason", "")))
            rows[number] = replace(rows[number], attempt=attempt)
    return tuple(rows.values())


def _mark_attempt(trace: Trace, row: AttemptRow) -> AttemptRow:
    """An attempt counts from its own baseline, so a moved zero does not change it; it is said all the same."""
    flags = trace.flags[max(0, row.frame // trace.hop - 1) : row.frame // trace.hop, trace.guide]
    return replace(row, marks=list_doubts(flags))


def explain_maximum(maximum: Maximum | None, attempts: Sequence[AttemptRow], *, settled: bool = True) -> str:
    """Where the maximum comes from, and whether the rule was satisfied."""
    if maximum is None:
        return "no maximum was found, so effort is unknown"
    if maximum.method == "typed":
        return "typed in by hand, not measured in this session"
    if maximum.method == "carried":
        return "carried over from an earlier session"
    if maximum.method == "revised":
        return "changed afterwards to what later evidence asks for, not what the attempts gave"
    reason = f"best of {maximum.n_attempts} good attempts; {judge_maximum([row.attempt for row in attempts]).reason}"
    return reason if settled else f"{reason}; taken all the same by hand"


def find_doubts(trace: Trace, *, joint: str = "general") -> tuple[Doubt, ...]:
    """Whether effort since the last maximum of a channel speaks against it: too high, or held for too long."""
    doubts = []
    for column, channel in enumerate(trace.channels):
        since = next((frame for frame, m in reversed(trace.maxima) if m.channel == channel.name), None)
        maximum = trace.maximum_at(2**62, channel.name)
        if since is None or maximum is None or channel.kind != "force":
            continue
        first = since // trace.hop
        percent, flags = trace.percent[first:, column], trace.flags[first:, column]
        rate_hz, at_s = trace.level_rate_hz, first / trace.level_rate_hz
        doubts.append(check_above(percent, flags, rate_hz, channel=channel, maximum=maximum, at_s=at_s))
        doubts.append(check_endurance(percent, flags, rate_hz, maximum=maximum, joint=joint, at_s=at_s))
    return tuple(doubt for doubt in doubts if doubt is not None)


def _is_settled(events: Sequence[Event], channel: str) -> bool:
    own = [e for e in events if e.kind == "maximum" and e.data.get("channel") == channel]
    return bool(own[-1].data.get("settled", True)) if own else True


def _collect_warnings(trace: Trace, settings: Mapping[str, Any]) -> tuple[str, ...]:
    warnings = list(trace.warnings)
    if trace.is_recalibrated:
        latest = {maximum.channel: maximum for _, maximum in trace.maxima}
        used = ", ".join(f"{m.channel} {m.strength:.4g} {m.unit}" for m in latest.values())
        warnings.append(
            f"recomputed afterwards with the maximum {used}, the baseline '{trace.baseline_method}' "
            f"and {f'a notch at {trace.mains_hz:g} Hz' if trace.mains_hz else 'no mains notch'}: "
            "not the numbers that were shown live, which the recording keeps"
        )
    if settings.get("repaired_from"):
        warnings.append(
            f"a repaired copy of {settings['repaired_from']}: what was damaged is missing here, ratings and events "
            "among it; run biofeedback check on the original to see what was lost"
        )
    missing_s = sum(gap.n_frames for gap in trace.gaps) / trace.rate_hz
    if trace.gaps:
        warnings.append(f"{missing_s:.1f} s of data are missing (gaps: {len(trace.gaps)}); nothing was filled in")
    if trace.n_off_scale:
        warnings.append(
            f"{count(trace.n_off_scale, 'rating')} outside 0-10, the scale of discomfort: left out like no answer"
        )
    if settings.get("fast"):
        warnings.append("shortened for trying out: rests were too short for a maximum to train with")
    return tuple(warnings)
