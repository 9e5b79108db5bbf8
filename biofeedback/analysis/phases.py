"""What happened in one phase: how much effort, how steady, how long inside the band. Pure functions of levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.account.kinds import BandChosen
from biofeedback.account.records import DWELL_S, GRACE_S, HYSTERESIS_PERCENT, PhaseOnRecord
from biofeedback.account.target import LOST_S, Target
from biofeedback.account.values import PositionResult, Relaxation
from biofeedback.account.words import PhaseMeaning, get_meaning
from biofeedback.model import Band, Flag, FlagArray, FloatArray

BoolArray: TypeAlias = NDArray[np.bool_]

SMALLEST_MEAN_PERCENT = 1.0  # a CV is meaningless when the mean is about zero
BAD_FLAGS = Flag.MISSING | Flag.CLIPPED | Flag.FLAT | Flag.HUM | Flag.ELECTRODE | Flag.SPIKE


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of a session with one instruction; levels ``[first_level, end_level)``, times in s from the start.

    ``number`` counts the recording's phases from 1; ``index`` is the place in its plan, from 0. ``kind`` is passive,
    contract, rest, or what another version knows. ``grace_s``, ``hysteresis_percent`` and ``dwell_s`` are the rules it
    is counted by; ``position``, ``relaxation`` and ``choice`` what was judged or chosen of it on the way; ``felt`` the
    effort asked for by feeling, 0-10, ``said_effort`` the one that the athlete said it was. ``target``:
    where the band was when; ``until`` and ``lost_s``: the rule that may end it, ``ended_for``: that did.
    """

    number: int
    index: int
    kind: str
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
    hysteresis_percent: float = HYSTERESIS_PERCENT
    dwell_s: float = DWELL_S
    position: PositionResult | None = None
    relaxation: Relaxation | None = None
    choice: BandChosen | None = None
    felt: float | None = None
    said_effort: float | None = None
    target: Target | None = None
    until: str = ""
    lost_s: float = LOST_S
    ended_for: str = ""

    @property
    def meaning(self) -> PhaseMeaning:
        """What a phase of this kind is for."""
        return get_meaning(self.kind)

    @property
    def duration_s(self) -> float:
        """How long it really lasted."""
        return self.end_s - self.start_s

    @property
    def cut_short(self) -> bool:
        """Whether it ended more than half a second before its planned end, and not by its own rule."""
        return not self.ended_for and self.planned_s is not None and self.duration_s < self.planned_s - 0.5


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


def place_phases(phases: Sequence[PhaseOnRecord], *, hop: int, rate_hz: float, n_levels: int) -> tuple[Phase, ...]:
    """The phases of an account on the level grid; one that still runs ends with the recording.

    ``hop`` is frames per level, ``rate_hz`` frames per second.
    """
    placed = []
    for one in phases:
        first = min(one.first_frame // hop, n_levels)
        end = n_levels if one.end_frame is None else max(first, min(one.end_frame // hop, n_levels))
        placed.append(
            Phase(
                number=one.number,
                index=one.index,
                kind=one.kind,
                title=one.title,
                first_level=first,
                end_level=end,
                start_s=first * hop / rate_hz,
                end_s=end * hop / rate_hz,
                band=one.band,
                grace_s=one.grace_s,
                planned_s=one.planned_s,
                cycle=one.cycle,
                closed_by=one.closed_by,
                hysteresis_percent=one.hysteresis_percent,
                dwell_s=one.dwell_s,
                position=one.position,
                relaxation=one.relaxation,
                choice=one.choice,
                felt=one.felt,
                said_effort=one.said_effort,
                target=one.target,
                until=one.until,
                lost_s=one.lost_s,
                ended_for=one.ended_for,
            )
        )
    return tuple(placed)


def summarise_phase(
    percent: FloatArray,
    flags: FlagArray,
    *,
    level_rate_hz: float,
    band: Band | Target | None = None,
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
    base = partial(
        PhaseSummary,
        counted_s=counted.size / level_rate_hz,
        missing_s=int(np.count_nonzero(~known)) / level_rate_hz,
        bad_percent=100.0 * n_bad / percent.size if percent.size else 0.0,
        time_to_band_s=time_to_band_s,
    )
    if counted.size < 3:
        why = "effort unknown: no maximum, or no signal" if percent.size > start else "over within the grace"
        return base(reason=why)
    mean, sd, steady_sd = _measure_scatter(np.flatnonzero(known[start:]).astype(np.float64), counted)
    has_mean = mean >= SMALLEST_MEAN_PERCENT
    reasons = [] if has_mean else [f"no CV: mean effort below {SMALLEST_MEAN_PERCENT:g} %"]
    summary = partial(
        base,
        mean_percent=mean,
        sd_percent=sd,
        cv_percent=100.0 * sd / mean if has_mean else None,
        steadiness_cv_percent=100.0 * steady_sd / mean if has_mean else None,
        highest_percent=float(counted.max()),
    )
    if band is None:
        return summary(reason="; ".join(reasons))
    if time_to_band_s is None:
        reasons.append("the band was never reached")
    low, high = (edge[start:][known[start:]] for edge in _edges(band, percent.size, level_rate_hz))
    outside = np.maximum(np.maximum(low - counted, counted - high), 0.0)
    n_in = int(np.count_nonzero(outside == 0.0))
    settled = find_stays(
        percent, band, level_rate_hz=level_rate_hz, hysteresis_percent=hysteresis_percent, dwell_s=dwell_s
    )
    settled = settled[start:]
    return summary(
        time_in_band_s=n_in / level_rate_hz,
        in_band_percent=100.0 * n_in / counted.size,
        longest_stay_s=_longest_run(settled) / level_rate_hz,
        n_excursions=int(np.count_nonzero(settled[:-1] & ~settled[1:])),
        rms_outside_percent=float(np.sqrt(np.mean(outside**2))),
        reason="; ".join(reasons),
    )


def find_stays(
    percent: FloatArray,
    band: Band | Target,
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
    low, high = _edges(band, percent.size, level_rate_hz)
    inside = known & (percent >= low) & (percent <= high)
    beyond = ~known | (percent < low - hysteresis_percent) | (percent > high + hysteresis_percent)
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


def _edges(band: Band | Target, n_levels: int, level_rate_hz: float) -> FloatArray:
    """Lower and upper edge (2, n) of a band that may move, level by level."""
    target = Target(band, 1.0) if isinstance(band, Band) else band
    return target.level_edges(n_levels, level_rate_hz)


def _find_entry(percent: FloatArray, band: Band | Target | None, level_rate_hz: float) -> float | None:
    if band is None:
        return None
    low, high = _edges(band, percent.size, level_rate_hz)
    inside = np.flatnonzero((percent >= low) & (percent <= high))
    return None if inside.size == 0 else float(inside[0]) / level_rate_hz


def _measure_scatter(position: FloatArray, values: FloatArray) -> tuple[float, float, float]:
    """Mean, SD, and SD about a straight line; numpy's own spend more on a phase than on its numbers."""
    n, add = values.size, np.add.reduce
    mean = add(values) / n
    off, x = values - mean, position - add(position) / n
    spread = float(x @ x)
    slope = float(x @ values) / spread if spread > 0 else 0.0
    left = off - slope * x
    return float(mean), float(np.sqrt(add(off * off) / (n - 1))), float(np.sqrt(left @ left / (n - 2)))


def _longest_run(mask: BoolArray) -> int:
    return max((end - first for first, end in find_runs(mask)), default=0)
