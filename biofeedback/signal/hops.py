"""Filtered frames to levels: sums per aligned hop, then the window of hops that each level stands for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Flag, FlagArray, FloatArray
from biofeedback.signal.many import MANY, Reach, add_places, add_windows
from biofeedback.signal.quality import FlatCheck
from biofeedback.signal.rails import RailCheck
from biofeedback.signal.spikes import SPIKE_LEVEL_RATE_HZ, SPIKE_REACH_EMG, SpikeCheck

Columns: TypeAlias = NDArray[np.intp] | slice
Quantities: TypeAlias = Sequence[tuple[Columns, FloatArray]]
HopSums: TypeAlias = tuple[Sequence[FloatArray], FloatArray, FloatArray]  # of quantity and counts, least and greatest
MOST_STRETCHES = 64  # handled together: enough to make calls cheap ...
MOST_READINGS = 2**17  # ... and of all channels few enough for the processor's cache: 1 MB
GOOD, MISSING, BRIDGED = (np.uint8(flag) for flag in (Flag.GOOD, Flag.MISSING, Flag.BRIDGED))  # states of a frame
_CLIPPED, _BRIDGED, _SETTLING, _MISSING, _SPIKE = (
    np.uint16(flag) for flag in (Flag.CLIPPED, Flag.BRIDGED, Flag.SETTLING, Flag.MISSING, Flag.SPIKE)
)


class LevelFilter(Protocol):
    """What turns the frames of channels of one kind into a quantity, and windows of its hop sums into levels."""

    delay_s: float
    n_window: int  # hops in a level's window
    n_settling: int  # hops until a step is within 1 %, window included
    counts_held: bool  # whether held frames count in a window
    blank: float  # stands for the sum of a hop before the last restart

    @property
    def needs_windows(self) -> bool:
        """Whether levels need more of each window than its total."""

    def start(self, first: FloatArray) -> None:
        """Start again at ``first`` (n_channels,)."""

    def run(self, x: FloatArray, *, is_held: bool) -> FloatArray:
        """Next frames ``(n_channels, n_frames)`` to the quantity; held ones repeat the last reading over a gap."""

    def finish(self, sums: FloatArray, n_frames: FloatArray | int) -> FloatArray:
        """Sums per hop, ``(n_channels, n_levels, n_window)``, and frames in each window (at least 1) to levels."""

    def finish_total(self, total: FloatArray, n_frames: FloatArray | int) -> FloatArray:
        """The same from the sum of each window, ``(n_channels, n_levels)``, where that is enough."""


def sum_many(counts: FloatArray, quantities: Quantities, hop: int) -> HopSums:
    """Whole hops of good frames ``(n_channels, n_frames)`` to sums and extremes, ``(n_channels, n_hops)`` each."""
    by_place = counts.reshape(len(counts), -1, hop).transpose(2, 0, 1).copy()  # of hops of one frame, too
    low, high = np.minimum.reduce(by_place, axis=0), np.maximum.reduce(by_place, axis=0)
    count_sums = add_places(by_place)  # what all hops have at one place lies together
    for columns, quantity in quantities:
        by_place[:, columns] = quantity.reshape(len(quantity), -1, hop).transpose(2, 0, 1)
    return (add_places(by_place), count_sums), low, high


class HopStage:
    """Keeps frames until they make up whole hops, and the last hops until no window needs them.

    Sums run over aligned hops in one fixed order, so the cutting of frames into pieces leaves no trace.
    Live, the number of calls is what costs: what rests (marks, states, restarts) is not touched.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        filters: Sequence[tuple[Columns, LevelFilter]],
        *,
        emg: Columns,
        smooth: Columns,
        rate_hz: float,
        hop: int,
        n_stretch: int,
    ) -> None:
        n = len(channels)
        self._hop, self._filters, self._emg, self._smooth = hop, filters, emg, smooth
        self._low = np.array([-np.inf if c.rail_low_counts is None else c.rail_low_counts for c in channels])[:, None]
        self._high = np.array([np.inf if c.rail_high_counts is None else c.rail_high_counts for c in channels])[:, None]
        is_fast_enough = rate_hz / hop >= SPIKE_LEVEL_RATE_HZ
        self._has_emg, self._has_smooth = (is_fast_enough and self._low[c].size > 0 for c in (emg, smooth))
        self._has_rails = bool(np.isfinite(self._low).any() or np.isfinite(self._high).any())
        self._frames: FloatArray = np.zeros((2, n, 0))  # quantity and counts of frames not yet making up a whole hop
        self._states: NDArray[np.uint8] | None = None  # of these frames, None while all are good
        n_around = 2 * SPIKE_REACH_EMG + 1
        self._width = max(n_around, *(f.n_window for _, f in filters)) - 1  # hops before the present one in reach
        self._sums: FloatArray = np.full((n, self._width), np.nan)  # of the quantity, NaN where missing
        self._marks: FlagArray = np.zeros((n, self._width), dtype=np.uint16)
        self._n_held: NDArray[np.int64] = np.zeros(self._width, dtype=np.int64)  # frames of these hops
        self._is_marked = False  # any of these marks
        self._age = 0  # whole hops since the filters started
        self._verdicts: FlagArray | None = None
        self._tells = False
        self._positions = np.arange(1, MOST_STRETCHES * n_stretch + 1)
        self._reach = {f.n_window: Reach(f.n_window - 1) for _, f in filters}
        self._flat, self._spikes = FlatCheck(n, n_stretch), SpikeCheck(len(self._low[smooth]), n_stretch)
        self._rails = RailCheck(list(channels), n_stretch)

    def push(
        self, counts: FloatArray, quantities: Quantities, state: np.uint8, verdicts: FlagArray
    ) -> tuple[FloatArray, FlagArray] | None:
        """Frames of one state, ``(n_channels, n_frames)``, to the levels they complete, time in rows.

        They lie within one stretch or are whole ones; ``verdicts`` (n_stretches, n_channels) go to their levels.
        """
        (n, n_new), n_kept = counts.shape, self._frames.shape[2]
        if not n_kept and n_new >= MANY * self._hop and state == GOOD and not n_new % self._hop:
            return self._take(sum_many(counts, quantities, self._hop), None, verdicts)
        frames = np.empty((2, n, n_kept + n_new))
        frames[:, :, :n_kept] = self._frames
        frames[1, :, n_kept:] = counts
        for columns, quantity in quantities or ((slice(None), counts),):
            frames[0, columns, n_kept:] = quantity
        states = self._states
        if state != GOOD or states is not None:
            kept = np.zeros(n_kept, dtype=np.uint8) if states is None else states
            states = np.concatenate((kept, np.full(n_new, state)))
        n_levels = frames.shape[2] // self._hop
        end = n_levels * self._hop
        self._frames = frames[:, :, end:]
        self._states = states[end:] if states is not None and states[end:].any() else None
        if not n_levels:
            return None
        hops = frames[:, :, :end].reshape(2, n, n_levels, self._hop)
        sums = np.add.reduce(hops, axis=-1), np.minimum.reduce(hops[1], axis=-1), np.maximum.reduce(hops[1], axis=-1)
        return self._take(sums, None if states is None else states[:end].reshape(-1, self._hop), verdicts)

    def _take(
        self, hops: HopSums, states: NDArray[np.uint8] | None, verdicts: FlagArray
    ) -> tuple[FloatArray, FlagArray]:
        (sums, count_sums), low, high = hops
        n_levels = sums.shape[1]
        marks: FlagArray | None = None
        is_missing: NDArray[np.bool_] | None = None
        n_held: NDArray[np.int64] | None = None
        if self._has_rails:
            clipped = (low <= self._low) | (high >= self._high)
            marks = clipped * _CLIPPED if np.logical_or.reduce(clipped, axis=None) else None
        if states is not None:
            is_missing, n_held = (states == MISSING).any(axis=1), (states == BRIDGED).sum(axis=1)
            marks = (n_held > 0) * _BRIDGED | (np.zeros(sums.shape, dtype=np.uint16) if marks is None else marks)
            marks[:, is_missing], n_held[is_missing], sums[:, is_missing] = 0, 0, np.nan
        if self._rails.learns and (cut_off := self._rails.push(low, high, is_missing)) is not None:
            marks = (np.zeros(sums.shape, dtype=np.uint16) if marks is None else marks) | cut_off * _CLIPPED
        past_and_sums = np.concatenate((self._sums, sums), axis=1)
        self._sums = past_and_sums[:, n_levels:]
        marks = self._find_spikes(count_sums, past_and_sums, is_missing, marks)
        values, flags = self._windows(past_and_sums, marks, n_held, self._find_ages(n_levels, is_missing))
        if verdicts is not self._verdicts:  # the same for a second
            self._verdicts, self._tells = verdicts, bool(verdicts.any())
        if self._tells:
            flags[:, self._emg] |= verdicts.repeat(-(-n_levels // len(verdicts)), axis=0)
        flat = self._flat.push(low, high, is_missing)
        if flat is not None:
            flags |= flat.T
        if is_missing is not None:
            values[is_missing], flags[is_missing] = np.nan, _MISSING
        return values, flags

    def _find_spikes(
        self,
        count_sums: FloatArray,
        sums: FloatArray,
        is_missing: NDArray[np.bool_] | None,
        marks: FlagArray | None,
    ) -> FlagArray | None:
        """The marks with SPIKE added; ``sums`` with the past before them."""
        found: list[tuple[Columns, NDArray[np.bool_]]] = []
        if self._has_smooth:
            means = count_sums[self._smooth] / self._hop
            if is_missing is not None:
                means[:, is_missing] = np.nan
            found.append((self._smooth, self._spikes.find_smooth(means)))
        if self._has_emg:
            reach = slice(self._width - 2 * SPIKE_REACH_EMG, None)
            found.append((self._emg, self._spikes.find_emg(sums[self._emg, reach])))
        for columns, spikes in found:
            if np.logical_or.reduce(spikes, axis=None):
                marks = np.zeros(count_sums.shape, dtype=np.uint16) if marks is None else marks
                marks[columns] |= spikes * _SPIKE
        return marks

    def _find_ages(self, n_levels: int, is_missing: NDArray[np.bool_] | None) -> NDArray[np.int64]:
        """Whole hops since the filters started, this one included; 0 in a missing hop."""
        position = self._positions[:n_levels]
        if is_missing is None:
            age = position + self._age
        else:
            age = position - np.maximum.accumulate(np.where(is_missing, position, -self._age))
        self._age = int(age[-1])
        return age

    def _windows(
        self, sums: FloatArray, marks: FlagArray | None, n_held: NDArray[np.int64] | None, age: NDArray[np.int64]
    ) -> tuple[FloatArray, FlagArray]:
        """Values and lasting flags from the hops of each level's window that lie after the last restart."""
        n, youngest = age.size, int(age[0] if n_held is None else np.minimum.reduce(age))
        values = np.empty((n, len(sums)))
        flags = np.zeros(values.shape, dtype=np.uint16)
        is_marked = self._is_marked or marks is not None
        lasting, lost = self._marks, self._n_held
        if is_marked:
            lasting = np.concatenate((lasting, np.zeros((len(sums), n), np.uint16) if marks is None else marks), axis=1)
            lost = np.concatenate((lost, np.zeros(n, np.int64) if n_held is None else n_held))
            self._marks, self._n_held = lasting[:, n:], lost[n:]
            self._is_marked = bool(self._marks.any())
        for columns, kind in self._filters:
            in_reach = sums[columns, self._width + 1 - kind.n_window :]
            if n >= MANY and not is_marked and youngest > kind.n_settling and not kind.needs_windows:  # as nearly all
                values[:, columns] = kind.finish_total(
                    add_windows(in_reach, kind.n_window), kind.n_window * self._hop
                ).T
                continue
            reach = self._reach[kind.n_window](n)
            window = in_reach.take(reach, axis=1)
            n_frames: FloatArray | int = kind.n_window * self._hop
            if is_marked or youngest < kind.n_window:
                is_before = np.arange(kind.n_window)[::-1] >= age[:, None]
                window[:, is_before] = kind.blank
                n_frames = np.minimum(age, kind.n_window) * self._hop
                if is_marked:
                    marks_in_reach = lasting[columns, self._width + 1 - kind.n_window :]
                    seen = np.where(is_before, 0, marks_in_reach.take(reach, axis=1))
                    flags[:, columns] = np.bitwise_or.reduce(seen, axis=-1).T
                    if not kind.counts_held:
                        n_frames = n_frames - np.where(
                            is_before, 0, lost[self._width + 1 - kind.n_window :][reach]
                        ).sum(axis=1)
                n_frames = np.maximum(n_frames, 1)
            values[:, columns] = kind.finish(window, n_frames).T
            if youngest <= kind.n_settling:
                flags[:, columns] |= (age <= kind.n_settling)[:, None] * _SETTLING
        return values, flags
