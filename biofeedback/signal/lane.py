"""Frames of channels that are read together to levels, on a level grid of their own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Chunk, FlagArray, FloatArray, Gap, Levels
from biofeedback.signal.emg import RmsFilter, check_rate
from biofeedback.signal.even import EvenSpacing
from biofeedback.signal.force import ENVELOPE_EDGE_HZ, FORCE_EDGE_HZ, SmoothFilter
from biofeedback.signal.hops import (
    BRIDGED,
    GOOD,
    MISSING,
    MOST_READINGS,
    MOST_STRETCHES,
    Columns,
    HopStage,
    LevelFilter,
    Quantities,
)
from biofeedback.signal.mains import WEAK, HumSearch
from biofeedback.signal.whiten import WhiteningFilter

LEVEL_RATE_HZ = 100.0
BRIDGE_S = 0.1
GRAVITY_EDGE_HZ = 6.0  # a limb in a stretch moves slower, a hand that trembles faster; common practice, no source
EDGES_HZ: Mapping[str, float | None] = {
    "force": FORCE_EDGE_HZ,
    "envelope": ENVELOPE_EDGE_HZ,
    "position": None,
    "rating": None,
    "gravity": GRAVITY_EDGE_HZ,
}
Mains: TypeAlias = float | Literal["auto"] | None
Piece: TypeAlias = tuple[FloatArray, FlagArray]  # values and flags, time in rows


class Lane:
    """Levels of channels that are read together, on a level grid of their own; see `LevelStream`."""

    def __init__(
        self,
        channels: Sequence[Channel],
        rate_hz: float,
        *,
        mains_hz: Mains = "auto",
        hum_search: HumSearch | None = WEAK,
    ) -> None:
        self.channels, self.rate_hz = tuple(channels), float(rate_hz)
        self.hop = max(1, round(rate_hz / LEVEL_RATE_HZ))
        self.level_rate_hz = rate_hz / self.hop
        self.next_level = 0
        self._stretch = max(1, round(self.level_rate_hz)) * self.hop  # frames judged together: about a second
        self._n_together = min(MOST_STRETCHES, MOST_READINGS // (self._stretch * len(self.channels)))
        kinds = ["envelope" if c.kind == "emg" and c.envelope else c.kind for c in channels]
        emg, smooth = (np.flatnonzero([(kind == "emg") is is_emg for kind in kinds]) for is_emg in (True, False))
        self.warnings = check_rate(rate_hz, [channels[int(i)].name for i in emg]) if emg.size else ()
        self._emg: RmsFilter | None = None
        if emg.size:
            self._emg = RmsFilter(emg.size, rate_hz, self.hop, self._stretch, mains_hz=mains_hz, hum_search=hum_search)
        self._filters: list[tuple[Columns, LevelFilter]] = [] if self._emg is None else [(as_columns(emg), self._emg)]
        delay_s = np.full(len(channels), 0.0 if self._emg is None else self._emg.delay_s)
        for kind, edge_hz in EDGES_HZ.items():
            columns = np.flatnonzero([k == kind for k in kinds])
            if columns.size:
                smoother = SmoothFilter(columns.size, rate_hz, self.hop, edge_hz=edge_hz)
                self._filters.append((as_columns(columns), smoother))
                delay_s[columns] = smoother.delay_s
        self.delay_s = tuple(delay_s.tolist())
        self._hops = HopStage(
            self.channels,
            self._filters,
            emg=as_columns(emg),
            smooth=as_columns(smooth),
            rate_hz=rate_hz,
            hop=self.hop,
            n_stretch=self._stretch // self.hop,
        )
        self._no_verdict: FlagArray = np.zeros((1, 0), dtype=np.uint16)
        self._scale = np.array([c.factor for c in channels])[:, None]
        self._offset = np.array([c.offset_counts for c in channels])[:, None]
        self._has_offset = bool(self._offset.any())
        self._n_bridge = int(BRIDGE_S * rate_hz + 1e-9)
        self._frame, self._n_pending = 0, 0  # frames done; missing frames not yet known to be a short gap
        self._even: EvenSpacing | None = None  # of boards that send their time
        self._last: FloatArray | None = None  # latest reading, None when the filters are to start again
        self._emg_columns = emg.tolist()
        self._turns: list[tuple[int, int, WhiteningFilter]] = []  # frame, EMG channel and its filter from there on
        self.whiteners: dict[int, WhiteningFilter] = {}  # said last, by column
        self._kept: FloatArray | None = None  # the last counts, where somebody wants them

    @property
    def mains_hz(self) -> float | None:
        """The mains frequency that is being taken out of raw EMG, None while the notch is off."""
        return None if self._emg is None else self._emg.mains_hz

    @property
    def resampling(self) -> str:
        """How uneven readings were brought onto even spacing, their true rate and jitter; "" where they were not."""
        return "" if self._even is None else self._even.words

    def keep(self, seconds: float) -> None:
        """From here on keep the counts of the last ``seconds`` for ``recall``."""
        n_levels = max(1, round(seconds * self.level_rate_hz))
        self._kept = np.full((len(self.channels), n_levels * self.hop), np.nan)

    def recall(self, column: int, first: int, end: int) -> FloatArray | None:
        """Counts of one channel in the frames of levels ``first`` to ``end``, NaN where missing; None if not kept."""
        if self._kept is None:
            return None
        start, stop, n = first * self.hop, end * self.hop, self._kept.shape[1]
        if start < max(0, self._frame - n) or stop > self._frame:
            return None
        return np.asarray(self._kept[column].take(np.arange(start, stop), mode="wrap"), dtype=np.float64)

    def find_turn(self) -> int:
        """The first level from which a filter can be changed: where a stretch begins that no frame has entered."""
        return -(-self._frame // self._stretch) * (self._stretch // self.hop)

    def whiten(self, column: int, one: WhiteningFilter, from_level: int) -> None:
        """Filter a raw EMG channel so from ``from_level`` on, which `find_turn` has named."""
        frame = max(from_level * self.hop, self._frame)
        self.whiteners[column] = one
        self._turns.append((frame, self._emg_columns.index(column), one))
        self._turns.sort(key=lambda turn: turn[0])

    def _take_turns(self) -> int | None:
        """Change the filters that are due; the frame of the next change."""
        while self._turns and self._turns[0][0] <= self._frame and self._emg is not None:
            _, channel, one = self._turns.pop(0)
            self._emg.whiten(channel, one)
        return self._turns[0][0] if self._turns else None

    def _keep(self, frames: FloatArray, state: np.uint8) -> None:
        """Frames ``(n_channels, n_frames)`` that end at the present one."""
        kept = self._kept
        if kept is None:
            return
        n = kept.shape[1]
        frames = frames[:, -n:]
        start = (self._frame - frames.shape[1]) % n
        n_first = min(n - start, frames.shape[1])
        if state == MISSING:
            frames = np.full(frames.shape, np.nan)
        kept[:, start : start + n_first] = frames[:, :n_first]
        if n_first < frames.shape[1]:
            kept[:, : frames.shape[1] - n_first] = frames[:, n_first:]

    def push(self, item: Chunk | Gap) -> Levels:
        """The next frames or missing frames; returns the levels that they complete, possibly none.

        Frames skipped between two items, and rows that are not finite, count as missing.

        Raises
        ------
        ValueError
            Frames already seen, or the wrong number of columns.
        """
        if self._even is not None or (isinstance(item, Chunk) and item.device_us is not None):
            return self._push_uneven(item)
        return self._push_even(item)

    def _push_uneven(self, item: Chunk | Gap) -> Levels:
        """By way of even spacing; its frames wait a little."""
        self._even = self._even or EvenSpacing(self.rate_hz)
        first, n = self.next_level, len(self.channels)
        parts = [self._push_even(one) for one in self._even.push(item)]
        values = np.concatenate([np.zeros((0, n)), *(part.values for part in parts)])
        return Levels(first, values, np.concatenate([np.zeros((0, n), np.uint16), *(part.flags for part in parts)]))

    def _push_even(self, item: Chunk | Gap) -> Levels:
        start, n = self._frame + self._n_pending, len(self.channels)
        if item.first_frame < start:
            raise ValueError(f"frame {item.first_frame} comes after frame {start - 1}")
        if isinstance(item, Chunk) and item.counts.shape[1:] != (n,):
            raise ValueError(f"chunk of shape {item.counts.shape} for {n} channels")
        pieces: list[Piece] = []
        n_missed = (item.end_frame if isinstance(item, Gap) else item.first_frame) - start
        if n_missed:
            pieces += self._miss(n_missed)
        if isinstance(item, Chunk) and item.n_frames:
            pieces += self._read(np.asarray(item.counts.T, dtype=np.float64))
        if len(pieces) == 1:
            values, flags = pieces[0]
        else:
            values = np.concatenate([np.zeros((0, n)), *(piece[0] for piece in pieces)])
            flags = np.concatenate([np.zeros((0, n), dtype=np.uint16), *(piece[1] for piece in pieces)])
        first, self.next_level = self.next_level, self.next_level + len(values)
        return Levels(first, values, flags)

    def _read(self, counts: FloatArray) -> Iterator[Piece]:
        """Frames ``(n_channels, n_frames)``."""
        is_finite = np.isfinite(counts)
        if np.logical_and.reduce(is_finite, axis=None):
            yield from self._read_whole(counts)
            return
        good: NDArray[np.bool_] = np.asarray(is_finite.all(axis=0))
        for begin, end in pairwise([0, *(np.flatnonzero(good[1:] != good[:-1]) + 1).tolist(), len(good)]):
            yield from self._read_whole(counts[:, begin:end]) if good[begin] else self._miss(end - begin)

    def _read_whole(self, counts: FloatArray) -> Iterator[Piece]:
        if self._n_pending and self._last is not None:
            n_held, self._n_pending = self._n_pending, 0
            yield from self._advance(np.broadcast_to(self._last, (len(counts), n_held)), BRIDGED)
        yield from self._advance(counts, GOOD)

    def _miss(self, n_frames: int) -> Iterator[Piece]:
        self._n_pending += n_frames
        if self._n_pending and (self._last is None or self._n_pending > self._n_bridge):
            n_missing, self._n_pending, self._last = self._n_pending, 0, None
            yield from self._advance(np.broadcast_to(0.0, (len(self.channels), n_missing)), MISSING)

    def _advance(self, counts: FloatArray, state: np.uint8) -> Iterator[Piece]:
        """Frames of one state, ``(n_channels, n_frames)``, cut where a stretch ends; whole stretches together."""
        at, n_frames = 0, counts.shape[1]
        while at < n_frames:
            turn = self._take_turns() if self._turns else None
            n_room = self._stretch - self._frame % self._stretch
            n = min(n_frames - at, n_room)
            if n == self._stretch:
                n_until = n_frames - at if turn is None else min(n_frames - at, turn - self._frame)
                n *= max(1, min(n_until // n, self._n_together))
            frames = counts[:, at : at + n]
            quantities = self._filter(frames, state)
            if quantities:
                frames = frames[:, : quantities[0][1].shape[1]]
            self._frame += frames.shape[1]
            at += frames.shape[1]
            self._keep(frames, state)
            verdicts = self._no_verdict if self._emg is None else self._emg.verdicts
            piece = self._hops.push(frames, quantities, state, verdicts)
            if piece is not None:
                yield piece

    def _filter(self, counts: FloatArray, state: np.uint8) -> Quantities:
        """What each filter makes of the counts, up to where hum is found; nothing of missing ones."""
        n = counts.shape[1]
        if state == MISSING:
            if self._emg is not None:
                self._emg.miss(n)
            return []
        if self._has_offset:
            units = np.subtract(counts, self._offset, order="C")  # along time in memory, as what comes after goes
            units *= self._scale
        else:
            units = np.multiply(counts, self._scale, order="C")
        quantities = []
        for columns, kind in self._filters:  # raw EMG first: it says how far
            x = units[columns, :n]
            if self._last is None:
                kind.start(x[:, 0])
            quantities.append((columns, kind.run(x, is_held=state == BRIDGED)))
            n = quantities[0][1].shape[1]
        self._last = counts[:, n - 1 : n].copy()
        return quantities


def as_columns(indices: NDArray[np.intp]) -> Columns:
    """A slice where the indices follow each other: a view is cheaper than a copy."""
    first = int(indices[0]) if indices.size else 0
    return slice(first, first + indices.size) if (indices == np.arange(first, first + indices.size)).all() else indices
