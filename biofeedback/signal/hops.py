"""Filtered frames to levels: sums per aligned hop, then the window of hops that each level stands for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Flag, FlagArray, FloatArray
from biofeedback.signal.quality import FlatCheck, SpikeCheck

Columns: TypeAlias = NDArray[np.intp]
GOOD, MISSING, BRIDGED = (np.uint8(flag) for flag in (Flag.GOOD, Flag.MISSING, Flag.BRIDGED))  # states of a frame
_CLIPPED, _BRIDGED, _SETTLING, _MISSING = (
    np.uint16(flag) for flag in (Flag.CLIPPED, Flag.BRIDGED, Flag.SETTLING, Flag.MISSING)
)


class LevelFilter(Protocol):
    """What turns the frames of channels of one kind into a quantity, and windows of its hop sums into levels."""

    delay_s: float
    n_window: int  # hops in a level's window
    n_settling: int  # hops until a step is within 1 %, window included

    def start(self, first: FloatArray) -> None:
        """Begin anew at ``first`` (n_channels,)."""

    def run(self, x: FloatArray, *, is_held: bool) -> FloatArray:
        """Next frames ``(n_channels, n_frames)`` to the quantity; held ones repeat the last reading over a gap."""

    def finish(self, sums: FloatArray, n_frames: FloatArray) -> FloatArray:
        """Sums and frame counts per hop, ``(n_channels, n_levels, n_window)``, to ``(n_channels, n_levels)``."""


class HopStage:
    """Keeps frames until they make up whole hops, and the last hops until no window needs them.

    Sums run over aligned hops in one fixed order, so the cutting of frames into pieces leaves no trace.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        filters: Sequence[tuple[Columns, LevelFilter]],
        emg: Columns,
        *,
        rate_hz: float,
        hop: int,
    ) -> None:
        n = len(channels)
        self._hop, self._filters, self._emg = hop, filters, emg
        self._low = np.array([-np.inf if c.rail_low_counts is None else c.rail_low_counts for c in channels])[:, None]
        self._high = np.array([np.inf if c.rail_high_counts is None else c.rail_high_counts for c in channels])[:, None]
        self._frames: FloatArray = np.zeros((2, n, 0))  # quantity and counts of frames not yet making up a whole hop
        self._state: NDArray[np.uint8] = np.zeros(0, dtype=np.uint8)
        self._width = max(f.n_window for _, f in filters) - 1  # hops before the present one that a window can reach
        self._sums: FloatArray = np.zeros((2, n, self._width))  # of the quantity, and frames in them
        self._marks: FlagArray = np.zeros((n, self._width), dtype=np.uint16)
        self._age = 0  # whole hops since the filters started
        self._flat = FlatCheck(n, max(1, round(rate_hz / hop)))
        self._spikes = SpikeCheck(n, emg, rate_hz / hop)

    def push(self, frames: FloatArray, state: np.uint8, verdict: FlagArray) -> tuple[FloatArray, FlagArray]:
        """Frames of one state, ``(2, n_channels, n_frames)``, to the levels they complete, channels in rows.

        ``verdict`` (n_channels,) is added to the flags of all of them.
        """
        self._frames = np.concatenate((self._frames, frames), axis=2)
        self._state = np.concatenate((self._state, np.full(frames.shape[2], state)))
        n, n_levels = frames.shape[1], self._state.size // self._hop
        if not n_levels:
            return np.zeros((n, 0)), np.zeros((n, 0), dtype=np.uint16)
        end = n_levels * self._hop
        hops = self._frames[:, :, :end].reshape(2, n, n_levels, self._hop)
        states = self._state[:end].reshape(n_levels, self._hop)
        self._frames, self._state = self._frames[:, :, end:].copy(), self._state[end:].copy()
        return self._take(hops, states, verdict)

    def _take(self, hops: FloatArray, states: NDArray[np.uint8], verdict: FlagArray) -> tuple[FloatArray, FlagArray]:
        sums, low, high = hops.sum(axis=-1), hops[1].min(axis=-1), hops[1].max(axis=-1)
        is_missing = (states == MISSING).any(axis=1)
        n_frames = np.full(sums.shape[1:], float(self._hop))
        marks = ((low <= self._low) | (high >= self._high)) * _CLIPPED
        if states.any():
            n_frames[self._emg] = (states == GOOD).sum(axis=1)
            n_frames[:, is_missing], sums[:, :, is_missing] = 0, 0
            marks |= (states == BRIDGED).any(axis=1) * _BRIDGED
            marks[:, is_missing] = 0
        marks |= self._spikes.push(sums[1] / self._hop, sums[0], is_missing)
        sums[1] = n_frames
        values, flags = self._windows(sums, marks, self._ages(is_missing))
        flags |= verdict[:, None]
        flags |= self._flat.push(low, high, is_missing)
        values[:, is_missing], flags[:, is_missing] = np.nan, _MISSING
        return values, flags

    def _ages(self, is_missing: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Whole hops since the filters started, this one included; 0 in a missing hop."""
        position = np.arange(1, is_missing.size + 1)
        start = np.maximum.accumulate(np.where(is_missing, position, -self._age))
        self._age = int(position[-1] - start[-1])
        return position - start

    def _windows(self, sums: FloatArray, marks: FlagArray, age: NDArray[np.int64]) -> tuple[FloatArray, FlagArray]:
        """Values and lasting flags from the hops of each level's window that lie after the last restart."""
        n, width = age.size, self._width
        sums = np.concatenate((self._sums, sums), axis=2)
        marks = np.concatenate((self._marks, marks), axis=1)
        self._sums, self._marks = sums[:, :, n:].copy(), marks[:, n:].copy()
        values = np.empty((sums.shape[1], n))
        flags = np.zeros(values.shape, dtype=np.uint16)
        youngest, is_marked = int(age.min()), bool(marks.any())
        for columns, kind in self._filters:
            ago = np.arange(kind.n_window)[::-1]
            within = np.arange(width, width + n)[:, None] - ago
            window = np.take(sums[:, columns], within, axis=2)
            is_before = ago >= age[:, None]
            if youngest < kind.n_window:
                window[:, :, is_before] = 0
            values[columns] = kind.finish(window[0], window[1])
            if is_marked:
                flags[columns] = np.bitwise_or.reduce(
                    np.where(is_before, 0, np.take(marks[columns], within, axis=1)), axis=-1
                )
            if youngest <= kind.n_settling:
                flags[columns] |= (age <= kind.n_settling) * _SETTLING
        return values, flags
