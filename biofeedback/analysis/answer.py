"""One session from raw counts to an answer: phases, ratings with their doubts, and what contraction did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from biofeedback.analysis.phases import BAD_FLAGS, Phase, PhaseSummary, summarise_phase
from biofeedback.analysis.response import RatedPhase, Response, compute_response
from biofeedback.analysis.trace import RatingRow, RecordingLike, Trace, compute_trace
from biofeedback.calibration.attempts import Attempt, judge_maximum
from biofeedback.calibration.effort import Maximum
from biofeedback.model import Event, Flag

LEAST_IN_BAND_PERCENT = 50.0  # a contraction less than half in its band says little about that band; common practice
MOST_RELAXED_PERCENT = 10.0  # more effort than this is not a passive phase; common practice
MOST_BAD_PERCENT = 20.0  # of a phase with a bad signal; common practice
ABOVE_MAXIMUM_PERCENT = 5.0  # a 0.5 s mean further above the maximum than this makes the maximum doubtful
MEAN_S = 0.5  # the window that an attempt's own value is taken over


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """One phase with its summary per channel, its last rating, and what speaks against using that rating."""

    phase: Phase
    summaries: tuple[PhaseSummary, ...]
    guide: int
    rating: RatingRow | None
    marks: tuple[str, ...]

    @property
    def summary(self) -> PhaseSummary:
        """The summary of the channel that the band is about."""
        return self.summaries[self.guide]


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """One maximal attempt on the guiding channel, as it was judged when it was made."""

    number: int
    attempt: Attempt


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something about the calibration that deserves a second look: what, what to do, and how past effort would change.

    ``factor`` multiplies every past percentage if the doubt is accepted; None when it does not.
    """

    what: str
    cure: str
    factor: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SessionAnalysis:
    """Everything that follows from one recording."""

    settings: Mapping[str, Any]
    trace: Trace
    plan: Mapping[str, Any] | None
    phases: tuple[PhaseRow, ...]
    attempts: tuple[AttemptRow, ...]
    maximum: Maximum | None
    maximum_reason: str
    doubts: tuple[Doubt, ...]
    response: Response
    warnings: tuple[str, ...]

    @property
    def marked(self) -> tuple[PhaseRow, ...]:
        """Rated phases whose rating carries a mark."""
        return tuple(row for row in self.phases if row.rating is not None and row.marks)


def analyse_recording(recording: RecordingLike) -> SessionAnalysis:
    """Analyse one recording. Pure: same recording, same result."""
    trace = compute_trace(recording)
    events = sorted(recording.events, key=lambda e: e.frame)
    rows = tuple(_summarise_row(trace, phase) for phase in trace.phases)
    guide = trace.channels[trace.guide]
    maximum = trace.maximum_at(2**62, guide.name)
    attempts = read_attempts(events, guide.name)
    return SessionAnalysis(
        settings=dict(recording.settings),
        trace=trace,
        plan=next((e.data for e in reversed(events) if e.kind == "plan"), None),
        phases=rows,
        attempts=attempts,
        maximum=maximum,
        maximum_reason=explain_maximum(maximum, attempts, settled=_is_settled(events, guide.name)),
        doubts=find_doubts(trace),
        response=compute_response(rate_phases(rows)),
        warnings=_collect_warnings(trace, recording.settings),
    )


def _summarise_row(trace: Trace, phase: Phase) -> PhaseRow:
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
    rating = find_rating(trace.ratings, phase)
    return PhaseRow(phase, summaries, trace.guide, rating, mark_rating(phase, summaries[trace.guide], rating))


def find_rating(ratings: Sequence[RatingRow], phase: Phase) -> RatingRow | None:
    """The last rating with a value given for ``phase``, else its last "no answer"."""
    own = [
        r
        for r in ratings
        if (r.phase_index == phase.index if r.phase_index is not None else phase.start_s <= r.time_s < phase.end_s)
    ]
    answered = [r for r in own if r.value is not None]
    return answered[-1] if answered else own[-1] if own else None


def mark_rating(phase: Phase, summary: PhaseSummary, rating: RatingRow | None) -> tuple[str, ...]:
    """What speaks against using a phase's rating; empty when nothing does. A marked rating is kept."""
    if rating is None or rating.value is None:
        return ()
    marks = []
    if phase.kind == "contract" and phase.band is not None:
        if summary.in_band_percent is None:
            marks.append("effort unknown")
        elif summary.in_band_percent < LEAST_IN_BAND_PERCENT:
            marks.append(f"effort out of band ({summary.in_band_percent:.0f} % of the time inside)")
    if phase.kind == "passive" and summary.mean_percent is not None and summary.mean_percent > MOST_RELAXED_PERCENT:
        marks.append(f"not relaxed (mean effort {summary.mean_percent:.0f} %)")
    if summary.bad_percent > MOST_BAD_PERCENT:
        marks.append(f"bad signal ({summary.bad_percent:.0f} % of the phase)")
    return tuple(marks)


def rate_phases(rows: Sequence[PhaseRow]) -> tuple[RatedPhase, ...]:
    """Phases in the position, in the order held, as the response wants them; rests leave the position."""
    return tuple(
        RatedPhase(
            "contract" if row.phase.kind == "contract" else "passive",
            row.rating.value if row.rating else None,
            row.rating.time_s if row.rating else row.phase.end_s,
            row.marks,
        )
        for row in rows
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
            rows[number] = AttemptRow(number, Attempt.from_dict(event.data["channels"][channel]))
        elif event.kind == "reject_attempt" and number in rows:
            rows[number] = AttemptRow(number, rows[number].attempt.rejected(str(event.data.get("reason", ""))))
    return tuple(rows.values())


def explain_maximum(maximum: Maximum | None, attempts: Sequence[AttemptRow], *, settled: bool = True) -> str:
    """Where the maximum comes from, and whether the rule was satisfied."""
    if maximum is None:
        return "no maximum was found, so effort is unknown"
    if maximum.method == "typed":
        return "typed in by hand, not measured in this session"
    if maximum.method == "carried":
        return "carried over from an earlier session"
    reason = f"best of {maximum.n_attempts} good attempts; {judge_maximum([row.attempt for row in attempts]).reason}"
    return reason if settled else f"{reason}; taken all the same by hand"


def find_doubts(trace: Trace) -> tuple[Doubt, ...]:
    """Whether later effort speaks against a force maximum: any 0.5 s mean more than 5 % above it.

    EMG is left out: it passes 100 % of its maximum in ordinary use.
    """
    doubts = []
    for column, channel in enumerate(trace.channels):
        since = next((frame for frame, m in reversed(trace.maxima) if m.channel == channel.name), None)
        if channel.kind != "force" or since is None:
            continue
        first = since // trace.hop
        percent = trace.percent[first:, column].copy()
        spoilt = trace.flags[first:, column] & int(BAD_FLAGS | Flag.SETTLING)
        percent[spoilt != 0] = np.nan
        highest = find_highest_mean(percent, round(MEAN_S * trace.level_rate_hz))
        if highest is None or highest[0] <= 100.0 + ABOVE_MAXIMUM_PERCENT:
            continue
        peak, start = highest
        at_s = (first + start) / trace.level_rate_hz
        doubts.append(
            Doubt(
                f"{channel.name} reached {peak:.0f} % of its maximum for half a second at {format_clock(at_s)}",
                f"the maximum was probably too low; find it again. With this effort as 100 %, every percentage in this "
                f"recording becomes {100.0 / peak:.2f} times what is shown (25 % becomes {2500.0 / peak:.0f} %)",
                100.0 / peak,
            )
        )
    return tuple(doubts)


def _is_settled(events: Sequence[Event], channel: str) -> bool:
    own = [e for e in events if e.kind == "maximum" and e.data.get("channel") == channel]
    return bool(own[-1].data.get("settled", True)) if own else True


def _collect_warnings(trace: Trace, settings: Mapping[str, Any]) -> tuple[str, ...]:
    warnings = list(trace.warnings)
    missing_s = sum(gap.n_frames for gap in trace.gaps) / trace.rate_hz
    if trace.gaps:
        warnings.append(f"{missing_s:.1f} s of data are missing (gaps: {len(trace.gaps)}); nothing was filled in")
    if settings.get("fast"):
        warnings.append("shortened for trying out: rests were too short for a maximum to train with")
    return tuple(warnings)


def find_highest_mean(values: np.ndarray[Any, np.dtype[np.float64]], n_window: int) -> tuple[float, int] | None:
    """Highest mean over ``n_window`` consecutive known values, and where it starts; None when there is none."""
    if n_window < 1 or values.size < n_window:
        return None
    known = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    mean = (total[n_window:] - total[:-n_window]) / n_window
    mean[count[n_window:] - count[:-n_window] < n_window] = -np.inf
    start = int(np.argmax(mean))
    return (float(mean[start]), start) if np.isfinite(mean[start]) else None


def format_clock(seconds: float) -> str:
    """Minutes and seconds as on a watch, e.g. 3:07."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"
