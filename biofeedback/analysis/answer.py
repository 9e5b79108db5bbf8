"""One session from raw counts to an answer: phases, ratings with their doubts, and what contraction did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from typing import Any

from biofeedback.account.account import Account
from biofeedback.account.fold import fold
from biofeedback.account.kinds import BandChosen, PlanBegun
from biofeedback.account.records import FOREVER, MaximumOnRecord
from biofeedback.account.values import Attempt, Doubt, Maximum
from biofeedback.account.words import PHASES
from biofeedback.analysis.care import describe_fall, find_fall
from biofeedback.analysis.control import Control, compare_with_remote
from biofeedback.analysis.dose import Dose, DosePoint, agree_with, compute_dose
from biofeedback.analysis.holds import HeldEmg, HoldRow, measure_holds
from biofeedback.analysis.linking import LinkedRating, find_phase, link_ratings, list_doubts
from biofeedback.analysis.phases import Phase, PhaseSummary, summarise_phase
from biofeedback.analysis.randomisation import DrawnLevels, DrawnOrder, RandomisationTest, rank_levels
from biofeedback.analysis.response import RatedPhase, Response, compute_response
from biofeedback.analysis.sliding import NO_SLIDER, Paces, SlidPhase, find_paces, summarise_slider
from biofeedback.analysis.trace import RecordingLike, Trace, compute_trace
from biofeedback.analysis.words import YARDSTICK_POINTS, count
from biofeedback.calibration.doubt import check_above, check_endurance
from biofeedback.calibration.effort import BaselineMethod
from biofeedback.calibration.maximum_rule import IMPROVING_PERCENT, judge_maximum
from biofeedback.model import Band, name_unit
from biofeedback.signal.levels import Mains

N_DOSE_MIN = 3
APART_S = 10.0  # longer between two phases, as after a stop or between plans: no neighbours; common practice
ADAPTIVE_REASON = (
    "no p-value: the efforts were chosen along the way, from the ratings before, so there is no draw to compare with"
)

NOT_MEASURED = {
    "typed": "typed in by hand, not measured in this session",
    "carried": "carried over from an earlier session",
    "revised": "changed afterwards to what later evidence asks for, not what the attempts gave",
}


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """One phase with its summary per channel and its last rating."""

    phase: Phase
    summaries: tuple[PhaseSummary, ...]
    guide: int
    rating: LinkedRating | None
    slid: SlidPhase | None = None

    @property
    def value(self) -> float | None:
        """Discomfort of the phase: as it was asked for, else where the slider stood at its end."""
        asked = self.rating.value if self.rating else None
        return asked if asked is not None or self.slid is None else self.slid.end

    @property
    def choice(self) -> BandChosen | None:
        """How its band was chosen on the way; None where the plan said it all."""
        return self.phase.choice

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
    plans: tuple[PlanBegun, ...]
    phases: tuple[PhaseRow, ...]
    attempts: tuple[AttemptRow, ...]
    maximum: Maximum | None
    maximum_reason: str
    doubts: tuple[Doubt, ...]
    ratings: tuple[LinkedRating, ...]
    holds: tuple[HoldRow, ...]
    response: Response
    control: Control | None
    dose: Dose
    dose_test: RandomisationTest | None
    warnings: tuple[str, ...]
    paces: Paces = NO_SLIDER

    @property
    def by_feel(self) -> bool:
        """Whether no sensor measured effort: it is what the athlete said."""
        return self.trace.account.by_feel

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
    account = fold(recording.events, channels=recording.channels, settings=recording.settings)
    held = HeldEmg(account, recording.channels, recording.rate_hz)
    trace = compute_trace(
        recording, maxima=maxima, baseline=baseline, mains_hz=mains_hz, account=account, watch=held.take
    )
    ratings = link_ratings(trace)
    own: dict[int, list[LinkedRating]] = {}
    for link, rating in zip(ratings, trace.ratings, strict=True):
        if phase := find_phase(rating, trace.phases):
            own.setdefault(phase.number, []).append(link)
    slid = summarise_slider(trace)
    rows = tuple(
        replace(_summarise_row(trace, phase, own.get(phase.number, [])), slid=slid.get(phase.number))
        for phase in trace.phases
    )
    guide = trace.channels[trace.guide]
    maximum = trace.maximum_at(FOREVER - 1, guide.name)
    attempts = tuple(_mark_attempt(trace, row) for row in list_attempts(account, guide.name))
    plans = tuple(account.plans)
    response = compute_response(rate_phases(rows), drawn=read_drawn(plans[-1]) if plans else None)
    if any(row.choice for row in rows):
        response = replace(response, test_reason=ADAPTIVE_REASON)
    joint = str(recording.settings.get("joint") or "general")
    return SessionAnalysis(
        settings=account.describe_settings(),
        trace=trace,
        plans=plans,
        phases=rows,
        attempts=attempts,
        maximum=maximum,
        maximum_reason=explain_maximum(
            maximum,
            attempts,
            last=account.last_maximum(guide.name),
            improving_percent=IMPROVING_PERCENT if recording.settings.get("protocol") == "graded" else None,
        ),
        doubts=find_doubts(trace, joint=joint),
        ratings=ratings,
        holds=measure_holds(trace, held, joint=joint),
        response=response,
        control=compare_phases(rows, account),
        dose=_answer_dose(rows, response),
        dose_test=rank_drawn_levels(plans[-1] if plans else None, response),
        paces=find_paces(trace),
        warnings=(*_collect_warnings(trace, recording.settings), *_warn_of_effort(rows, account, guide.name)),
    )


def _answer_dose(rows: Sequence[PhaseRow], response: Response) -> Dose:
    """How much is enough, against what would matter from this session's own relaxed ratings."""
    dose = compute_dose(
        list_dose_points(rows, response),
        wanted_points=response.wanted_points or YARDSTICK_POINTS,
        relaxed_points=response.mean_passive,
    )
    return agree_with(dose, response.word)


def _summarise_row(trace: Trace, phase: Phase, own: Sequence[LinkedRating]) -> PhaseRow:
    """``own``: the ratings that belong to the phase."""
    span = slice(phase.first_level, phase.end_level)
    summaries = tuple(
        summarise_phase(
            trace.percent[span, column],
            trace.flags[span, column],
            level_rate_hz=trace.level_rate_hz,
            band=(phase.target or phase.band) if column == trace.guide else None,
            grace_s=phase.grace_s,
            hysteresis_percent=phase.hysteresis_percent,
            dwell_s=phase.dwell_s,
        )
        for column in range(len(trace.channels))
    )
    answered = [link for link in own if link.value is not None]
    return PhaseRow(phase, summaries, trace.guide, answered[-1] if answered else own[-1] if own else None)


def rank_drawn_levels(plan: PlanBegun | None, response: Response) -> RandomisationTest | None:
    """Does more effort bring less discomfort? Only where the efforts' order was drawn by lot and held to the end."""
    drawn = (plan.drawn or {}).get("levels") if plan else None
    changes = [contrast.change for contrast in response.contrasts]
    if not drawn or len(changes) != len(drawn["order"]):
        return None
    known = [change for change in changes if change is not None]
    levels = DrawnLevels(tuple(drawn["levels_percent"]), drawn["n_rounds"], drawn["seed"], tuple(drawn["order"]))
    return rank_levels(known, levels) if len(known) == len(changes) else None


def read_drawn(plan: PlanBegun) -> DrawnOrder | None:
    """The order as it was drawn by lot and stored with the plan, before its first phase."""
    drawn = (plan.drawn or {}).get("order")
    return DrawnOrder.from_dict(drawn) if drawn else None


def list_dose_points(rows: Sequence[PhaseRow], response: Response, *, session: int = 0) -> list[DosePoint]:
    """Effort, band and change of every contraction with neighbours; without marked ratings where enough are left."""
    clean = response.without_marked
    used = clean if clean is not None and clean.n_contrasts >= N_DOSE_MIN else response
    own = [row for row in rows if row.phase.meaning.contracts]
    return [
        DosePoint(effort, contrast.change, session, contrast.cycle, row.phase.band)
        for row, contrast in zip(own, used.contrasts, strict=True)
        if (effort := row.summary.mean_percent) is not None and contrast.change is not None
    ]


def compare_phases(rows: Sequence[PhaseRow], account: Account) -> Control | None:
    """Stretched against remote contractions of the last plan that had both; None without one."""
    plan_of = {phase.number: phase.plan_number for phase in account.phases}
    plans = account.plans
    for number in range(len(plans), 0, -1):
        own = [row for row in rows if plan_of.get(row.phase.number) == number and row.phase.meaning.in_position]
        if any(row.phase.kind == "remote" for row in own):
            rated = [(row.phase.kind, row.rating.value if row.rating else None) for row in own]
            return compare_with_remote(rated, drawn="control" in (plans[number - 1].drawn or {}))
    return None


def rate_phases(rows: Sequence[PhaseRow]) -> tuple[RatedPhase, ...]:
    """Phases in the position, in the order held, as the response wants them; rests leave the position."""
    begins = [row.phase.start_s - last.phase.end_s > APART_S for last, row in pairwise(rows)]
    runs = [0, *accumulate(begins)]
    return tuple(
        RatedPhase(
            compares_as,
            row.value,
            row.rating.time_s if row.rating and row.rating.value is not None else row.phase.end_s,
            row.marks,
            run,
            row.summary.mean_percent if row.phase.meaning.contracts else None,
            row.phase.band,
        )
        for row, run in zip(rows, runs, strict=False)
        if (compares_as := row.phase.meaning.compares_as) is not None
    )


def list_attempts(account: Account, channel: str) -> tuple[AttemptRow, ...]:
    """The attempts on ``channel`` of the last search for a maximum, set-aside ones included."""
    return tuple(
        AttemptRow(made.number, made.channels[channel], made.frame, ("with another sensor",) if made.is_void else ())
        for made in account.attempts
        if channel in made.channels
    )


def _mark_attempt(trace: Trace, row: AttemptRow) -> AttemptRow:
    """An attempt counts from its own baseline, so a moved zero does not change it; it is said all the same."""
    flags = trace.flags[max(0, row.frame // trace.hop - 1) : row.frame // trace.hop, trace.guide]
    return replace(row, marks=(*row.marks, *list_doubts(flags)))


def explain_maximum(
    maximum: Maximum | None,
    attempts: Sequence[AttemptRow],
    *,
    last: MaximumOnRecord | None = None,
    improving_percent: float | None = None,
) -> str:
    """Where the maximum comes from, and whether the rule was satisfied; ``last``: as it stands on record."""
    if maximum is None and last is not None and last.void:
        height = f"{last.maximum.strength:.4g} {name_unit(last.maximum.unit)}"
        return f"the maximum of {height} ended when {last.void}; none came after it"
    if maximum is None:
        return "no maximum was found, so effort is unknown"
    if last is not None and last.supersedes and last.maximum == maximum:
        return _explain_correction(last)
    if maximum.method in NOT_MEASURED:
        return NOT_MEASURED[maximum.method]
    verdict = judge_maximum([row.attempt for row in attempts], improving_percent=improving_percent)
    reason = f"best of {maximum.n_attempts} good attempts; {verdict.reason}"
    limited = f"; {last.limited}" if last is not None and last.limited else ""
    return f"{reason}{limited}" if last is None or last.settled else f"{reason}{limited}; taken all the same by hand"


def _explain_correction(said: MaximumOnRecord) -> str:
    """A maximum said afterwards: how it was found, who said so and why."""
    how = "typed in by hand" if said.maximum.method == "typed" else "taken from a push in the recording"
    who = "somebody who gave no code" if said.by in ("", "command line") else said.by
    return f"{how} afterwards by {who}, {said.why or 'no reason given'}"


def tell_corrections(trace: Trace) -> list[str]:
    """For each maximum that took the place of another afterwards: which, instead of what, who says so and why."""
    told = []
    account, in_use = trace.account, [maximum for _, maximum in trace.maxima]
    for said in (one for one in account.maximum_history if one.supersedes and one.maximum in in_use):
        m = said.maximum
        others = [one for one in (*account.superseded, *account.maximum_history) if one is not said]
        own = [one.maximum for one in others if one.maximum.channel == m.channel and one.until_frame >= said.frame]
        old = " and ".join(dict.fromkeys(f"{one.strength:.6g} {one.unit}" for one in own))
        since = f" from {said.frame / trace.rate_hz:g} s on" if said.frame else ""
        used = f"{m.strength:.6g} {m.unit}{since} is used as the maximum of {m.channel} instead of {old} on record"
        told += [f"{used}: {_explain_correction(said)}"] if old else []
    return told


def find_doubts(trace: Trace, *, joint: str = "general") -> tuple[Doubt, ...]:
    """Whether effort since the last maximum of a channel speaks against it: too high, or held for too long."""
    doubts = []
    for column, channel in enumerate(trace.channels):
        since = next((frame for frame, m in reversed(trace.maxima) if m.channel == channel.name), None)
        maximum = trace.maximum_at(FOREVER - 1, channel.name)
        if since is None or maximum is None or channel.kind != "force":
            continue
        first = since // trace.hop
        percent, flags = trace.percent[first:, column], trace.flags[first:, column]
        rate_hz, at_s = trace.level_rate_hz, first / trace.level_rate_hz
        doubts.append(check_above(percent, flags, rate_hz, channel=channel, maximum=maximum, at_s=at_s))
        doubts.append(check_endurance(percent, flags, rate_hz, maximum=maximum, joint=joint, at_s=at_s))
    return tuple(doubt for doubt in doubts if doubt is not None)


def _is_lesson(account: Account, plan_number: int) -> bool:
    return 0 < plan_number <= len(account.plans) and bool(account.plans[plan_number - 1].lesson)


def _warn_of_effort(rows: Sequence[PhaseRow], account: Account, guide: str) -> list[str]:
    """That effort fell over the contractions of one band, and that discomfort kept the maximum low.

    Who learns to find a band does not tire by overshooting it less: lessons are left out.
    """
    by_band: dict[Band, list[float]] = {}
    learning = {one.number for one in account.phases if _is_lesson(account, one.plan_number)}
    for row in rows:
        mean_percent = None if row.phase.number in learning else row.summary.mean_percent
        if row.phase.meaning.contracts and row.phase.band is not None and mean_percent is not None:
            by_band.setdefault(row.phase.band, []).append(mean_percent)
    falls = [(fall, len(efforts)) for efforts in by_band.values() if (fall := find_fall(efforts)) is not None]
    warnings = [describe_fall(fall, n) for fall, n in falls]
    held = account.last_maximum(guide)
    if held is not None and held.limited:
        warnings.append(f"the maximum was {held.limited}: every percentage here may be too high")
    return warnings


def _collect_warnings(trace: Trace, settings: Mapping[str, Any]) -> tuple[str, ...]:
    warnings = list(trace.warnings)
    if trace.is_recalibrated:
        latest = {maximum.channel: maximum for _, maximum in trace.maxima}
        used = ", ".join(f"{m.channel} {m.strength:.4g} {name_unit(m.unit)}" for m in latest.values())
        warnings.append(
            f"recomputed afterwards with the maximum {used}, the baseline '{trace.baseline_method}' "
            f"and {f'a notch at {trace.mains_hz:g} Hz' if trace.mains_hz else 'no mains notch'}: "
            "not the numbers that were shown live, which the recording keeps"
        )
    warnings += tell_corrections(trace)
    if settings.get("repaired_from"):
        warnings.append(
            f"a repaired copy of {settings['repaired_from']}: what was damaged is missing here, ratings and events "
            "among it; run biofeedback check on the original to see what was lost"
        )
    warnings += [f"{problem}; it is left out" for problem in trace.account.problems]
    unknown = sorted({phase.kind for phase in trace.phases if phase.kind not in PHASES})
    warnings += [
        f"phases of the kind '{kind}' are not known to this version: their ratings are kept and not compared"
        for kind in unknown
    ]
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
