"""How long each contraction lasted in its band, how it tired, and what hold and rest to try next."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.records import FOREVER
from biofeedback.account.words import get_meaning
from biofeedback.analysis.endurance import SetSuggestion, suggest_set
from biofeedback.analysis.fatigue import (
    BandExit,
    EmgFatigue,
    find_band_exit,
    fit_force_slope,
    measure_emg_fatigue,
)
from biofeedback.analysis.phases import Phase
from biofeedback.analysis.trace import Trace
from biofeedback.analysis.trends import Trend
from biofeedback.joints import find_joint, predict_fatigue, predict_recovery
from biofeedback.model import Channel, Chunk, FloatArray, Item
from biofeedback.signal.lane import LEVEL_RATE_HZ


@dataclass(frozen=True, slots=True)
class HoldRow:
    """One contraction: when it left the band, the slope of effort in points of % per minute, and the EMG's change.

    ``emg`` has one entry per raw EMG channel, by name; measured after the grace. ``tired_percent`` of the muscle is
    predicted to be fatigued at its end, and ``left_percent`` still at the start of the next contraction; None from an
    unknown effort on, which nobody knows how tiring it was, and for the last.
    """

    phase: Phase
    exit: BandExit
    slope: Trend
    emg: tuple[tuple[str, EmgFatigue], ...]
    tired_percent: float | None = None
    left_percent: float | None = None


class HeldEmg:
    """What the raw EMG channels sent in contractions, gathered while the trace is computed: one reading serves both.

    ``columns`` are those channels'; ``parts`` have one column for each, counts, and are in order of time.
    """

    def __init__(self, account: Account, channels: Sequence[Channel], rate_hz: float) -> None:
        self.columns = [c for c, channel in enumerate(channels) if channel.kind == "emg" and not channel.envelope]
        self.parts: list[Chunk] = []
        margin = int(2 * rate_hz / LEVEL_RATE_HZ) + 1  # phases begin and end with a level
        self._spans = [
            (one.first_frame - margin, FOREVER if one.end_frame is None else one.end_frame)
            for one in account.phases
            if one.band is not None and get_meaning(one.kind).contracts
        ]

    def take(self, item: Item) -> None:
        """Look at the next of the recording's items."""
        if not isinstance(item, Chunk) or not self.columns:
            return
        for first, end in self._spans:
            a, b = max(first, item.first_frame), min(end, item.end_frame)
            if a < b:
                rows = slice(a - item.first_frame, b - item.first_frame)
                self.parts.append(Chunk(a, item.counts[rows][:, self.columns]))


def measure_holds(trace: Trace, held: HeldEmg, *, joint: str = "") -> tuple[HoldRow, ...]:
    """Every contracting phase with a band; ``joint`` is whose fatigue model is used."""
    phases = [phase for phase in trace.phases if phase.meaning.contracts and phase.band is not None]
    raw = held.columns
    samples = _place_samples(held, trace, phases) if raw and phases else [np.empty((0, 0))] * len(phases)
    rows = []
    for phase, part in zip(phases, samples, strict=True):
        percent = trace.percent[phase.first_level : phase.end_level, trace.guide]
        counted = percent[round(phase.grace_s * trace.level_rate_hz) :]
        emg = tuple(
            (trace.channels[c].name, measure_emg_fatigue(part[:, k], rate_hz=trace.rate_hz)) for k, c in enumerate(raw)
        )
        rate_hz = trace.level_rate_hz
        band_exit = find_band_exit(
            percent,
            level_rate_hz=rate_hz,
            target=phase.target,
            low_percent=phase.band.low_percent if phase.band else 0.0,
            flags=trace.flags[phase.first_level : phase.end_level, trace.guide],
            dwell_s=phase.lost_s,
            grace_s=phase.grace_s if phase.until else None,
        )
        rows.append(HoldRow(phase, band_exit, fit_force_slope(counted, level_rate_hz=rate_hz), emg))
    return _predict_tiredness(rows, trace, find_joint(joint).name)


def _predict_tiredness(rows: Sequence[HoldRow], trace: Trace, joint: str) -> tuple[HoldRow, ...]:
    """Fatigue carried from contraction to contraction by the three-compartment model, relaxing counts as rest."""
    result: list[HoldRow] = []
    left: float | None = 0.0
    for row, following in zip(rows, [*rows[1:], None], strict=False):
        phase = row.phase
        percent = trace.percent[phase.first_level : phase.end_level, trace.guide]
        known = percent[np.isfinite(percent)]
        if not known.size or left is None:
            result.append(row)
            left = None
            continue
        effort = min(100.0, max(0.0, float(known.mean())))
        tired = predict_fatigue(effort, phase.duration_s, joint=joint, fatigued_percent=left)
        rest_s = None if following is None else max(0.0, following.phase.start_s - phase.end_s)
        left = None if rest_s is None else predict_recovery(tired, rest_s, joint=joint)
        result.append(replace(row, tired_percent=tired, left_percent=left))
    return tuple(result)


def suggest_next_set(effort_percent: float, joint: str, holds: Sequence[HoldRow]) -> SetSuggestion:
    """Hold and rest for the next set at an effort, from this person's shortest own hold where one left its band.

    Only holds in a band around that effort count: how long 70 % was held says nothing about 25 %.
    """
    held = [
        row.exit.held_s
        for row in holds
        if row.exit.held_s is not None
        and row.phase.band is not None
        and row.phase.band.low_percent <= effort_percent <= row.phase.band.high_percent
    ]
    return suggest_set(effort_percent, joint_name=joint, measured_s=min(held) if held else None)


def _place_samples(held: HeldEmg, trace: Trace, phases: Sequence[Phase]) -> list[FloatArray]:
    """Raw EMG of every phase after its grace, in the channel's unit, NaN where frames are missing."""
    samples = []
    ends = [part.end_frame for part in held.parts]
    for phase in phases:
        first = phase.first_level * trace.hop + round(phase.grace_s * trace.rate_hz)
        end = max(first, phase.end_level * trace.hop)
        sample = np.full((end - first, len(held.columns)), np.nan)
        for part in held.parts[bisect_right(ends, first) :]:
            if part.first_frame >= end:
                break
            a, b = max(first, part.first_frame), min(end, part.end_frame)
            for k, column in enumerate(held.columns):
                counts = part.counts[a - part.first_frame : b - part.first_frame, k]
                sample[a - first : b - first, k] = trace.channels[column].scaled(counts)
        samples.append(sample)
    return samples
