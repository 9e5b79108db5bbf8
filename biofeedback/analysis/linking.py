"""Every discomfort rating beside what went before it: the one tidy table that all answers are made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from biofeedback.account.records import DWELL_S, HYSTERESIS_PERCENT
from biofeedback.analysis.phases import Phase, PhaseSummary, summarise_phase
from biofeedback.analysis.trace import RatingRow, Trace
from biofeedback.calibration.position import recorded_limits
from biofeedback.model import PHONE_ANGLE, Flag, FlagArray

LEAST_IN_BAND_PERCENT = 50.0  # a contraction less than half in its band says little about that band; common practice
MOST_RELAXED_PERCENT = 10.0  # more effort than this is not a passive phase; common practice
MOST_BAD_PERCENT = 20.0  # of the time before the rating, with a bad signal; common practice
BEFORE_S = 5.0  # a rating outside any phase is linked to the last seconds before it
DOUBTS = {
    Flag.DRIFT: "the zero had moved",
    Flag.STRANGER: "another device answered",
    Flag.TENSION: "the effort includes the position's own tension",
}
POSITION_S = 2.0  # position at a moment: the mean over this long


@dataclass(frozen=True, slots=True)
class LinkedRating:
    """One rating and the time before it, from the start of its phase to the rating (or the phase's end).

    ``value`` None is "no answer". Effort is the guiding channel's, in % of maximum, the grace left out;
    ``passive_tension`` is the mean baseline above zero in that channel's unit; ``in_stretch_s`` counts from the start
    of the first phase since the last rest; ``position_drift`` is the position before the rating minus the one at that
    start, in ``position_unit``. None where it cannot be computed. ``marks`` say what speaks against using the rating.
    """

    number: int
    time_s: float
    value: float | None
    originals: tuple[float | None, ...]
    by: str
    phase_index: int | None
    kind: str
    cycle: int | None
    band_low_percent: float | None
    band_high_percent: float | None
    mean_percent: float | None
    in_band_percent: float | None
    passive_tension: float | None
    tension_unit: str
    in_phase_s: float | None
    in_stretch_s: float | None
    position_drift: float | None
    position_unit: str
    bad_percent: float
    marks: tuple[str, ...]


def link_ratings(trace: Trace) -> tuple[LinkedRating, ...]:
    """Link every rating, in the order given."""
    return tuple(_link(trace, rating) for rating in trace.ratings)


def tabulate_links(links: Sequence[LinkedRating]) -> tuple[tuple[str, ...], list[tuple[object, ...]]]:
    """Head and rows for a CSV: numbers as they are, None as an empty cell, several texts joined by "; "."""
    names = tuple(field.name for field in fields(LinkedRating))
    rows = []
    for link in links:
        values = [getattr(link, name) for name in names]
        rows.append(tuple("; ".join(map(str, v)) if isinstance(v, tuple) else "" if v is None else v for v in values))
    return names, rows


def find_phase(rating: RatingRow, phases: Sequence[Phase]) -> Phase | None:
    """The phase a rating belongs to: the one that asked for it, else the one it was given in."""
    return None if rating.phase_number is None else phases[rating.phase_number - 1]


def find_stretch_start(phase: Phase, phases: Sequence[Phase]) -> Phase:
    """First phase of the stretch that ``phase`` belongs to: a rest, or time between plans, leaves the position."""
    first = phase
    for earlier in reversed([p for p in phases if p.end_level <= phase.first_level]):
        if not earlier.meaning.in_position or earlier.end_level < first.first_level:
            break
        first = earlier
    return first


def _link(trace: Trace, rating: RatingRow) -> LinkedRating:
    phase = find_phase(rating, trace.phases)
    at = min(rating.frame // trace.hop, trace.n_levels)
    if phase is None:
        first, end = max(0, at - round(BEFORE_S * trace.level_rate_hz)), at
    else:
        first, end = phase.first_level, max(phase.first_level, min(at, phase.end_level))
    stretch = find_stretch_start(phase, trace.phases) if phase else None
    guide = trace.guide
    summary = summarise_phase(
        trace.percent[first:end, guide],
        trace.flags[first:end, guide],
        level_rate_hz=trace.level_rate_hz,
        band=(phase.target or phase.band) if phase else None,
        grace_s=phase.grace_s if phase else 0.0,
        hysteresis_percent=phase.hysteresis_percent if phase else HYSTERESIS_PERCENT,
        dwell_s=phase.dwell_s if phase else DWELL_S,
    )
    drift, unit = _find_drift(trace, stretch, end)
    band = phase.band if phase else None
    return LinkedRating(
        number=rating.number,
        time_s=rating.time_s,
        value=rating.value,
        originals=rating.originals,
        by=rating.by,
        phase_index=phase.index if phase else None,
        kind=phase.kind if phase else "",
        cycle=phase.cycle if phase else None,
        band_low_percent=band.low_percent if band else None,
        band_high_percent=band.high_percent if band else None,
        mean_percent=summary.mean_percent,
        in_band_percent=summary.in_band_percent,
        passive_tension=_find_tension(trace, first, end),
        tension_unit=trace.channels[guide].unit,
        in_phase_s=(end - first) / trace.level_rate_hz if phase else None,
        in_stretch_s=(end - stretch.first_level) / trace.level_rate_hz if stretch else None,
        position_drift=drift,
        position_unit=unit,
        bad_percent=summary.bad_percent,
        marks=()
        if rating.value is None
        else (
            *_mark(trace, phase, summary),
            *list_doubts(trace.flags[first:end, guide]),
            *_mark_position(trace, phase, drift, unit),
        ),
    )


def _mark(trace: Trace, phase: Phase | None, summary: PhaseSummary) -> tuple[str, ...]:
    in_band, mean, bad = summary.in_band_percent, summary.mean_percent, summary.bad_percent
    marks = []
    if phase is not None and phase.meaning.contracts and phase.band is not None:
        if in_band is None:
            marks.append("effort unknown")
        elif in_band < LEAST_IN_BAND_PERCENT:
            marks.append(f"effort out of band ({in_band:.0f} % of the time inside)")
    if phase is not None and phase.meaning.compares_as == "passive":
        if mean is not None and mean > MOST_RELAXED_PERCENT:
            marks.append(f"not relaxed (mean effort {mean:.0f} %)")
        elif phase.relaxation and phase.relaxation.is_relaxed is False:
            marks.append("not relaxed")
    if bad > MOST_BAD_PERCENT and not trace.account.by_feel:
        marks.append(f"bad signal ({bad:.0f} % of the time)")
    return tuple(marks)


def list_doubts(flags: FlagArray) -> tuple[str, ...]:
    """What was doubtful about the calibration for more than a fifth of these levels (n,)."""
    n_most = MOST_BAD_PERCENT / 100.0 * len(flags)
    return tuple(text for flag, text in DOUBTS.items() if np.count_nonzero(flags & flag) > n_most)


def _mark_position(trace: Trace, phase: Phase | None, drift: float | None, unit: str) -> tuple[str, ...]:
    """The coach's word, or the session's own judgement, comes before the drift found here."""
    judged = phase.position if phase else None
    state, largest = (judged.state, judged.largest) if judged else (None, None)
    limits = recorded_limits(trace.account.settings, unit)
    if state not in ("held", "drifted", "lost"):
        if drift is None or limits is None or abs(drift) < limits.warn:
            return ()
        state, largest = "lost" if abs(drift) >= limits.fail else "drifted", drift
    if state == "held":
        return ()
    return (f"position {state}" + ("" if largest is None else f" ({largest:+.3g} {unit})"),)


def _find_tension(trace: Trace, first: int, end: int) -> float | None:
    """Mean baseline above the zero in force then; only force carries passive tension."""
    channel = trace.channels[trace.guide]
    zero = trace.zero_at(first * trace.hop, channel.name)
    baseline = trace.baseline[first:end, trace.guide]
    known = baseline[np.isfinite(baseline)]
    if channel.kind != "force" or zero is None or known.size == 0:
        return None
    return float(known.mean()) - zero


def _find_drift(trace: Trace, stretch: Phase | None, end: int) -> tuple[float | None, str]:
    column = next((c for c, channel in enumerate(trace.channels) if channel.kind == "position"), None)
    if column is None:
        return None, ""
    unit = trace.channels[column].unit
    if stretch is None:
        return None, unit
    n = max(1, round(POSITION_S * trace.level_rate_hz))
    start = stretch.first_level + round(stretch.grace_s * trace.level_rate_hz)
    shown = trace.percent if trace.channels[column].name == PHONE_ANGLE else trace.level  # its angle is from the zero
    then, now = shown[start : start + n, column], shown[max(start, end - n) : end, column]
    if not (np.isfinite(then).any() and np.isfinite(now).any()):
        return None, unit
    return float(np.nanmean(now) - np.nanmean(then)), unit
