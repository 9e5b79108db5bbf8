"""Frames to levels. One object serves live and afterwards, and chunk sizes leave no trace in its results."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Chunk, FlagArray, FloatArray, Gap, Levels
from biofeedback.signal.emg import RmsFilter, check_rate
from biofeedback.signal.force import ENVELOPE_EDGE_HZ, FORCE_EDGE_HZ, SmoothFilter
from biofeedback.signal.hops import BRIDGED, GOOD, MISSING, Columns, HopStage, LevelFilter

LEVEL_RATE_HZ = 100.0
BRIDGE_S = 0.1
Mains: TypeAlias = float | Literal["auto"] | None
Piece: TypeAlias = tuple[FloatArray, FlagArray]  # values and flags, channels in rows


class LevelStream:
    """Chunks and gaps in, levels out: each kind of channel through its own filter, on one level grid.

    Level k is made from the frames before ``(k + 1) * hop``; ``delay_s`` (one number per channel) is how much older
    than its last frame's end the effort is that it shows. Statistics are taken per aligned hop of frames counted
    from frame 0, and filters carry their state, so any cutting of the same frames into chunks gives the same bits.

    Missing frames: up to 0.1 s the filter is held at the last reading (BRIDGED; for raw EMG the held frames do not
    count in the RMS), and levels wait until it is known that the gap is that short. Longer ones give NaN (MISSING),
    and the filters start anew afterwards (SETTLING until a step would be within 1 %).

    Parameters
    ----------
    channels : one per column of the chunks.
    rate_hz : frames per second.
    mains_hz : 50 or 60 puts the notch of raw EMG channels on from the start, ``"auto"`` when hum is found in two
        seconds running (then for all of them, and for good), None never.

    Raises
    ------
    SourceError
        Raw EMG sampled below 400 Hz.
    """

    def __init__(self, channels: Sequence[Channel], rate_hz: float, *, mains_hz: Mains = "auto") -> None:
        if not channels or not rate_hz > 0:
            raise ValueError(f"{len(channels)} channels at {rate_hz} Hz: at least one at a positive rate")
        self.channels, self.rate_hz = tuple(channels), float(rate_hz)
        self.hop = max(1, round(rate_hz / LEVEL_RATE_HZ))
        self.level_rate_hz = rate_hz / self.hop
        self.next_level = 0
        self._stretch = max(1, round(self.level_rate_hz)) * self.hop  # frames judged together: about a second
        emg = _columns(self.channels, "emg")
        self.warnings = check_rate(rate_hz, [channels[i].name for i in emg]) if emg.size else ()
        self._emg = RmsFilter(emg.size, rate_hz, self.hop, self._stretch, mains_hz=mains_hz) if emg.size else None
        self._filters: list[tuple[Columns, LevelFilter]] = [] if self._emg is None else [(emg, self._emg)]
        for kind, edge_hz in (("force", FORCE_EDGE_HZ), ("envelope", ENVELOPE_EDGE_HZ), ("position", None)):
            columns = _columns(self.channels, kind)
            if columns.size:
                self._filters.append((columns, SmoothFilter(columns.size, rate_hz, self.hop, edge_hz=edge_hz)))
        delay = {int(i): kind.delay_s for columns, kind in self._filters for i in columns}
        self.delay_s = tuple(delay[i] for i in range(len(channels)))
        self._hops = HopStage(self.channels, self._filters, emg, rate_hz=rate_hz, hop=self.hop)
        self._scale = np.array([c.factor for c in channels])[:, None]
        self._offset = np.array([c.offset_counts for c in channels])[:, None]
        self._n_bridge = int(BRIDGE_S * rate_hz + 1e-9)
        self._frame, self._n_pending = 0, 0  # frames done; missing frames not yet known to be a short gap
        self._last: FloatArray | None = None  # latest reading, None when the filters are to start anew

    @property
    def mains_hz(self) -> float | None:
        """The mains frequency that is being taken out of raw EMG, None while the notch is off."""
        return None if self._emg is None else self._emg.mains_hz

    def push(self, item: Chunk | Gap) -> Levels:
        """The next frames or missing frames; returns the levels that they complete, possibly none.

        Frames skipped between two items, and rows that are not finite, count as missing.

        Raises
        ------
        ValueError
            Frames already seen, or the wrong number of columns.
        """
        start, n = self._frame + self._n_pending, len(self.channels)
        if item.first_frame < start:
            raise ValueError(f"frame {item.first_frame} comes after frame {start - 1}")
        if isinstance(item, Chunk) and item.counts.shape[1:] != (n,):
            raise ValueError(f"chunk of shape {item.counts.shape} for {n} channels")
        pieces = [(np.zeros((n, 0)), np.zeros((n, 0), dtype=np.uint16))]
        pieces += self._miss((item.end_frame if isinstance(item, Gap) else item.first_frame) - start)
        if isinstance(item, Chunk) and item.n_frames:
            pieces += self._read(np.asarray(item.counts, dtype=np.float64))
        values = np.concatenate([piece[0] for piece in pieces], axis=1)
        flags = np.concatenate([piece[1] for piece in pieces], axis=1)
        first, self.next_level = self.next_level, self.next_level + values.shape[1]
        return Levels(first, np.ascontiguousarray(values.T), np.ascontiguousarray(flags.T))

    def _read(self, counts: FloatArray) -> Iterator[Piece]:
        is_finite = np.asarray(np.isfinite(counts), dtype=np.bool_)
        if is_finite.all():
            yield from self._read_whole(counts.T)
            return
        good: NDArray[np.bool_] = np.asarray(is_finite.all(axis=1))
        for begin, end in pairwise([0, *(np.flatnonzero(good[1:] != good[:-1]) + 1).tolist(), len(good)]):
            yield from self._read_whole(counts[begin:end].T) if good[begin] else self._miss(end - begin)

    def _read_whole(self, counts: FloatArray) -> Iterator[Piece]:
        if self._n_pending and self._last is not None:
            n_held, self._n_pending = self._n_pending, 0
            yield from self._advance(self._last, n_held, BRIDGED)
        yield from self._advance(counts, counts.shape[1], GOOD)

    def _miss(self, n_frames: int) -> Iterator[Piece]:
        self._n_pending += n_frames
        if self._n_pending and (self._last is None or self._n_pending > self._n_bridge):
            n_missing, self._n_pending, self._last = self._n_pending, 0, None
            yield from self._advance(np.zeros((len(self.channels), 1)), n_missing, MISSING)

    def _advance(self, counts: FloatArray, n_frames: int, state: np.uint8) -> Iterator[Piece]:
        """Frames of one state, a column each (or one column for all), cut where a stretch ends."""
        at = 0
        while at < n_frames:
            n = min(n_frames - at, self._stretch - self._frame % self._stretch)
            verdict = np.zeros(len(self.channels), dtype=np.uint16)
            if self._emg is not None:
                verdict[self._filters[0][0]] = self._emg.verdict
            frames = np.zeros((2, len(self.channels), n))
            frames[1] = counts[:, at : at + n] if counts.shape[1] == n_frames else counts
            self._filter(frames, state)
            self._frame += n
            at += n
            yield self._hops.push(frames, state, verdict)

    def _filter(self, frames: FloatArray, state: np.uint8) -> None:
        """Fill in the quantity (row 0) from the counts (row 1)."""
        if state == MISSING:
            if self._emg is not None:
                self._emg.miss(frames.shape[2])
            return
        units = (frames[1] - self._offset) * self._scale
        for columns, kind in self._filters:
            x = units[columns]
            if self._last is None:
                kind.start(x[:, 0])
            frames[0, columns] = kind.run(x, is_held=state == BRIDGED)
        self._last = frames[1, :, -1:].copy()


def _columns(channels: Sequence[Channel], kind: str) -> Columns:
    kinds = ["envelope" if c.kind == "emg" and c.envelope else c.kind for c in channels]
    return np.flatnonzero([k == kind for k in kinds])
