"""One recording as one row of numbers, for tables of many recordings. Cells are numbers, texts or empty (None)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from biofeedback.account.words import name_easing
from biofeedback.analysis.answer import PhaseRow, SessionAnalysis

Cell: TypeAlias = float | int | str | None
SETTINGS = ("started_utc", "athlete", "exercise", "side", "position", "joint", "simulated", "software")


def extract_features(analysis: SessionAnalysis) -> dict[str, Cell]:
    """Name to value; names end in their unit; the same names in the same order for every recording.

    Effort is the guiding channel's, in % of its maximum; means over phases are weighted by counted time. ``change_*``
    is the neighbour-corrected change in discomfort, in points (negative: less while contracting).
    """
    contracting = [row for row in analysis.phases if row.phase.meaning.contracts]
    passive = [row for row in analysis.phases if row.phase.meaning.compares_as == "passive"]
    return {
        **_describe_setting(analysis),
        **_describe_effort(contracting, passive),
        **_describe_discomfort(analysis, contracting, passive),
        **_describe_fatigue(analysis),
    }


def _describe_setting(analysis: SessionAnalysis) -> dict[str, Cell]:
    trace, settings, maximum = analysis.trace, analysis.settings, analysis.maximum
    cells: dict[str, Cell] = {}
    for name in SETTINGS:
        value = settings.get(name)
        cells[name] = int(value) if isinstance(value, bool) else None if value in (None, "") else str(value)
    return cells | {
        "before": "; ".join(name_easing(settings.get("covariates"))) or None,
        "plans": "; ".join(plan.name for plan in analysis.plans) or None,
        "duration_s": trace.duration_s,
        "missing_s": sum(gap.n_frames for gap in trace.gaps) / trace.rate_hz,
        "n_gaps": len(trace.gaps),
        "n_stops": len(trace.stops),
        "n_doubts": len(analysis.doubts),
        "maximum": maximum.strength if maximum else None,
        "maximum_unit": maximum.unit if maximum else None,
        "maximum_method": maximum.method if maximum else None,
    }


def _describe_effort(contracting: Sequence[PhaseRow], passive: Sequence[PhaseRow]) -> dict[str, Cell]:
    summaries = [row.summary for row in contracting]
    reached = [s.time_to_band_s for s in summaries if s.time_to_band_s is not None]
    return {
        "n_contract": len(contracting),
        "n_passive": len(passive),
        "band_low_percent": _only([row.phase.band.low_percent if row.phase.band else None for row in contracting]),
        "band_high_percent": _only([row.phase.band.high_percent if row.phase.band else None for row in contracting]),
        "effort_mean_percent": _weigh(contracting, "mean_percent"),
        "effort_sd_percent": _weigh(contracting, "sd_percent"),
        "effort_cv_percent": _weigh(contracting, "cv_percent"),
        "steadiness_cv_percent": _weigh(contracting, "steadiness_cv_percent"),
        "effort_highest_percent": max(
            (s.highest_percent for s in summaries if s.highest_percent is not None), default=None
        ),
        "in_band_percent": _weigh(contracting, "in_band_percent"),
        "rms_outside_percent": _weigh(contracting, "rms_outside_percent"),
        "longest_stay_s": _largest([s.longest_stay_s for s in summaries]),
        "n_excursions": sum(s.n_excursions or 0 for s in summaries),
        "time_to_band_s": float(np.mean(reached)) if reached else None,
        "passive_effort_mean_percent": _weigh(passive, "mean_percent"),
        "bad_signal_percent": float(np.mean([s.bad_percent for s in summaries])) if summaries else None,
    }


def _describe_discomfort(
    analysis: SessionAnalysis, contracting: Sequence[PhaseRow], passive: Sequence[PhaseRow]
) -> dict[str, Cell]:
    response = analysis.response
    clean = response.without_marked
    first = next((row.rating.value for row in passive if row.rating and row.rating.value is not None), None)
    return {
        "n_ratings": sum(link.value is not None for link in analysis.ratings),
        "n_no_answer": sum(link.value is None for link in analysis.ratings),
        "n_marked": len(analysis.marked),
        "discomfort_start": first,
        "discomfort_passive_mean": _mean_rating(passive),
        "discomfort_contract_mean": _mean_rating(contracting),
        "n_contrasts": response.n_contrasts,
        "change_mean": response.mean_change,
        "change_low": response.low,
        "change_high": response.high,
        "change_error": response.error,
        "change_percent": response.change_percent,
        "change_mean_without_marked": clean.mean_change if clean else response.mean_change,
        "nap": response.nap,
        "nap_error": response.nap_error,
        "tau": response.tau,
        "tau_u": response.tau_u,
        "drift_per_min": response.drift_per_min.slope,
        "came_back": response.came_back,
        "answer": response.word,
        "advice": analysis.dose.advice,
    }


def _describe_fatigue(analysis: SessionAnalysis) -> dict[str, Cell]:
    slopes = [hold.slope.slope for hold in analysis.holds if hold.slope.slope is not None]
    held = [hold.exit.held_s for hold in analysis.holds if hold.exit.held_s is not None]
    emg = [hold.emg[0][1] for hold in analysis.holds if hold.emg]
    medians = [e.median_start_hz for e in emg if e.median_start_hz is not None]
    median_slopes = [e.median_slope.slope for e in emg if e.median_slope and e.median_slope.slope is not None]
    tensions = [link.passive_tension for link in analysis.ratings if link.passive_tension is not None]
    return {
        "effort_slope_percent_per_min": float(np.median(slopes)) if slopes else None,
        "n_left_band": len(held),
        "left_band_after_s": min(held, default=None),
        "median_frequency_hz": float(np.median(medians)) if medians else None,
        "median_frequency_slope_percent_per_s": float(np.median(median_slopes)) if median_slopes else None,
        "tired_percent": max((h.tired_percent for h in analysis.holds if h.tired_percent is not None), default=None),
        "passive_tension_first": tensions[0] if tensions else None,
        "passive_tension_last": tensions[-1] if tensions else None,
    }


def _weigh(rows: Sequence[PhaseRow], name: str) -> float | None:
    pairs = [(getattr(row.summary, name), row.summary.counted_s) for row in rows]
    known = [(value, weight) for value, weight in pairs if value is not None and weight > 0]
    return float(np.average([v for v, _ in known], weights=[w for _, w in known])) if known else None


def _mean_rating(rows: Sequence[PhaseRow]) -> float | None:
    values = [row.rating.value for row in rows if row.rating and row.rating.value is not None]
    return float(np.mean(values)) if values else None


def _largest(values: Sequence[float | None]) -> float | None:
    return max((value for value in values if value is not None), default=None)


def _only(values: Sequence[float | None]) -> float | None:
    """The value when all agree."""
    distinct = set(values)
    return distinct.pop() if len(distinct) == 1 else None
