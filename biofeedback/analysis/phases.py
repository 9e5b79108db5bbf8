"""What happened in one phase: how much effort, how steady, how long inside the band. Pure functions of levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Band, Event, Flag, FlagArray, FloatArray

PhaseKind: TypeAlias = Literal["passive", "contract", "rest"]
BoolArray: TypeAlias = NDArray[np.bool_]

GRACE_S = 2.0  # ramping up to the band is not counted; common practice
HYSTERESIS_PERCENT = 1.0  # an edge crossed by less than this is tremor, not an excursion; common practice
DWELL_S = 0.2  # nor is a crossing shorter than this; common practice
SMALLEST_MEAN_PERCENT = 1.0  # a CV is meaningless when the mean is about zero
BAD_FLAGS = Flag.MISSING | Flag.CLIPPED | Flag.FLAT | Flag.HUM | Flag.ELECTRODE | Flag.SPIKE


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of a session with one instruction; levels ``[first_level, end_level)``, times in s from the start.

    ``number`` counts the recording's phases from 1; ``index`` is the place in its plan, from 0.
    """

    number: int
    index: int
    kind: PhaseKind
    title: str
    first_level: int
    end_level: int
    start_s: float
    end_s: float
    band: Band | None
    grace_s: float
    planned_s: float | None
    cycle: int | None
    closed_by: str

    @property
    def duration_s(self) -> float:
        """How long it really lasted."""
        return self.end_s - self.start_s

    @property
    def cut_short(self) -> bool:
        """Whether it ended more than half a second before its planned end."""
        return self.planned_s is not None and self.duration_s < self.planned_s - 0.5


@dataclass(frozen=True, slots=True)
class PhaseSummary:
    """Effort in one phase on one channel, in % of maximum; None where ``reason`` says why it cannot be computed.

    ``counted_s`` is the time after the grace with a known effort; shares are shares of it. ``longest_stay_s`` and
    ``n_excursions`` use the hysteresis and dwell of the guidance, ``time_in_band_s`` and ``rms_outside_percent`` the
    band's plain edges (inside: distance 0). ``time_to_band_s`` counts from the start of the phase.
    """

    counted_s: float
    missing_s: float
    bad_percent: float
    mean_percent: float | None = None
    sd_percent: float | None = None
    cv_percent: float | None = None
    steadiness_cv_percent: float | None = None
    highest_percent: float | None = None
    time_in_band_s: float | None = None
    in_band_percent: float | None = None
    longest_stay_s: float | None = None
    n_excursions: int | None = None
    time_to_band_s: float | None = None
    rms_outside_percent: float | None = None
    reason: str = ""


def find_phases(events: Sequence[Event], *, hop: int, rate_hz: float, n_levels: int) -> tuple[Phase, ...]:
    """Phases from "phase" events: each runs until the next, a "stop" or the end of the recording.

    Kind "end" closes the plan and is not a phase itself. ``hop`` is frames per level, ``rate_hz`` frames per second.
    """
    marks = sorted((e for e in events if e.kind in ("phase", "stop")), key=lambda e: e.frame)
    phases: list[Phase] = []
    for place, event in enumerate(marks):
        kind = event.data.get("kind")
        if event.kind != "phase" or kind not in ("passive", "contract", "rest"):
            continue
        following = marks[place + 1] if place + 1 < len(marks) else None
        first = min(event.frame // hop, n_levels)
        end = max(first, min(following.frame // hop, n_levels) if following else n_levels)
        planned_s = event.data.get("duration_s")
        cycle = event.data.get("cycle")
        phases.append(
            Phase(
                number=len(phases) + 1,
                index=int(event.data.get("index", len(phases))),
                kind=kind,
                title=str(event.data.get("title") or kind),
                first_level=first,
                end_level=end,
                start_s=first * hop / rate_hz,
                end_s=end * hop / rate_hz,
                band=_read_band(event.data.get("band")),
                grace_s=float(event.data.get("grace_s", GRACE_S)),
                planned_s=None if planned_s is None else float(planned_s),
                cycle=None if cycle is None else int(cycle),
                closed_by=following.kind if following else "recording",
            )
        )
    return tuple(phases)


def _read_band(value: Any) -> Band | None:
    """A band as stored; None also for one that makes no sense, which a foreign file may hold."""
    try:
        low, high = value
        return Band(float(low), float(high))
    except (TypeError, ValueError):
        return None


def summarise_phase(
    percent: FloatArray,
    flags: FlagArray,
    *,
    level_rate_hz: float,
    band: Band | None = None,
    grace_s: float = GRACE_S,
    hysteresis_percent: float = HYSTERESIS_PERCENT,
    dwell_s: float = DWELL_S,
) -> PhaseSummary:
    """Effort of one channel in one phase.

    ``percent`` (n,) is effort in % of maximum, NaN where unknown; ``flags`` (n,) says what is wrong with each level;
    both start with the phase. SD with n - 1, CV = 100 SD / mean; steadiness is the CV left after a straight line is
    taken out (residual SD with n - 2), as force steadiness is reported (Taylor, Christou & Enoka 2003).
    """
    start = min(round(grace_s * level_rate_hz), percent.size)
    known = np.isfinite(percent)
    counted = percent[start:][known[start:]]
    time_to_band_s = _find_entry(percent, band, level_rate_hz)
    n_bad = int(np.count_nonzero(flags & int(BAD_FLAGS)))
    base = PhaseSummary(
        counted_s=counted.size / level_rate_hz,
        missing_s=int(np.count_nonzero(~known)) / level_rate_hz,
        bad_percent=100.0 * n_bad / percent.size if percent.size else 0.0,
        time_to_band_s=time_to_band_s,
    )
    if counted.size < 3:
        why = "effort unknown: no maximum, or no signal" if percent.size > start else "over within the grace"
        return replace(base, reason=why)
    mean, sd = float(counted.mean()), float(counted.std(ddof=1))
    steady_sd = _detrended_sd(np.flatnonzero(known[start:]).astype(np.float64), counted)
    has_mean = mean >= SMALLEST_MEAN_PERCENT
    reasons = [] if has_mean else [f"no CV: mean effort below {SMALLEST_MEAN_PERCENT:g} %"]
    summary = replace(
        base,
        mean_percent=mean,
        sd_percent=sd,
        cv_percent=100.0 * sd / mean if has_mean else None,
        steadiness_cv_percent=100.0 * steady_sd / mean if has_mean else None,
        highest_percent=float(counted.max()),
    )
    if band is None:
        return replace(summary, reason="; ".join(reasons))
    if time_to_band_s is None:
        reasons.append("the band was never reached")
    outside = np.maximum(np.maximum(band.low_percent - counted, counted - band.high_percent), 0.0)
    n_in = int(np.count_nonzero(outside == 0.0))
    settled = find_stays(
        percent, band, level_rate_hz=level_rate_hz, hysteresis_percent=hysteresis_percent, dwell_s=dwell_s
    )
    settled = settled[start:]
    return replace(
        summary,
        time_in_band_s=n_in / level_rate_hz,
        in_band_percent=100.0 * n_in / counted.size,
        longest_stay_s=_longest_run(settled) / level_rate_hz,
        n_excursions=int(np.count_nonzero(settled[:-1] & ~settled[1:])),
        rms_outside_percent=float(np.sqrt(np.mean(outside**2))),
        reason="; ".join(reasons),
    )


def find_stays(
    percent: FloatArray,
    band: Band,
    *,
    level_rate_hz: float,
    hysteresis_percent: float = HYSTERESIS_PERCENT,
    dwell_s: float = DWELL_S,
) -> BoolArray:
    """Which levels (n,) belong to a stay in the band.

    A stay begins inside the edges and ends when effort is beyond an edge by more than ``hysteresis_percent`` for
    longer than ``dwell_s``; unknown levels end it at once (nothing is filled in).
    """
    known = np.isfinite(percent)
    inside = known & (percent >= band.low_percent) & (percent <= band.high_percent)
    beyond = (
        ~known | (percent < band.low_percent - hysteresis_percent) | (percent > band.high_percent + hysteresis_percent)
    )
    decided = inside | beyond
    last = np.maximum.accumulate(np.where(decided, np.arange(percent.size), -1))
    staying = np.where(last >= 0, inside[np.maximum(last, 0)], False)
    n_dwell = round(dwell_s * level_rate_hz)
    for first, end in find_runs(~staying):
        if first > 0 and end < percent.size and end - first <= n_dwell and known[first:end].all():
            staying[first:end] = True
    return staying.astype(np.bool_)


def find_runs(mask: BoolArray) -> list[tuple[int, int]]:
    """Runs of True in ``mask`` (n,) as ``[first, end)``."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def _find_entry(percent: FloatArray, band: Band | None, level_rate_hz: float) -> float | None:
    if band is None:
        return None
    inside = np.flatnonzero((percent >= band.low_percent) & (percent <= band.high_percent))
    return None if inside.size == 0 else float(inside[0]) / level_rate_hz


def _detrended_sd(position: FloatArray, values: FloatArray) -> float:
    x = position - position.mean()
    spread = float(x @ x)
    slope = float(x @ values) / spread if spread > 0 else 0.0
    residual = values - values.mean() - slope * x
    return float(np.sqrt(residual @ residual / (values.size - 2)))


def _longest_run(mask: BoolArray) -> int:
    return max((end - first for first, end in find_runs(mask)), default=0)
