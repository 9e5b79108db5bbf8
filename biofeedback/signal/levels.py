"""Frames to levels. One object serves live and afterwards, and chunk sizes leave no trace in its results."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Literal, TypeAlias

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from biofeedback.model import Channel, Chunk, Flag, FlagArray, FloatArray, Gap, Levels
from biofeedback.signal.emg import RmsFilter, check_rate
from biofeedback.signal.force import ENVELOPE_EDGE_HZ, FORCE_EDGE_HZ, SmoothFilter
from biofeedback.signal.quality import EmgCheck

LEVEL_RATE_HZ = 100.0
BRIDGE_S = 0.1
Mains: TypeAlias = float | Literal["auto"] | None
Columns: TypeAlias = NDArray[np.intp]


class LevelStream:
    """Chunks and gaps in, levels out: each kind of channel through its own filter, on one level grid.

    Level k is made from the frames before ``(k + 1) * hop``; ``delay_s`` (one number per channel) is how much older
    the effort it shows is than its last frame's end. Statistics are taken per aligned hop of frames counted from
    frame 0, and filters carry their state, so any cutting of the same frames into chunks gives the same bits.

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
        n = len(channels)
        self._scale = np.array([c.factor for c in channels])[:, None]
        self._offset = np.array([c.offset_counts for c in channels])[:, None]
        self._low = np.array([-np.inf if c.rail_low_counts is None else c.rail_low_counts for c in channels])[:, None]
        self._high = np.array([np.inf if c.rail_high_counts is None else c.rail_high_counts for c in channels])[:, None]
        self._groups: list[tuple[Columns, SmoothFilter]] = []
        self._emg: tuple[Columns, RmsFilter] | None = None
        self._auto_notch = mains_hz == "auto"
        self.warnings: tuple[str, ...] = ()
        self._make_filters(None if mains_hz == "auto" else mains_hz)
        self.delay_s = self._delays()

        self._stretch = round(self.level_rate_hz) * self.hop or 1  # frames that are judged together: about a second
        self._check = None if self._emg is None else EmgCheck(len(self._emg[0]), rate_hz, self._stretch)
        self._n_bridge = int(BRIDGE_S * rate_hz + 1e-9)
        self._frame, self._n_pending = 0, 0  # frames done; missing frames not yet known to be a short gap
        self._last: FloatArray | None = None  # latest reading, None when the filters are to start anew
        self._quantity: FloatArray = np.zeros((n, 0))  # of frames not yet making up a whole hop
        self._counts: FloatArray = np.zeros((n, 0))
        self._state: NDArray[np.uint8] = np.zeros(0, dtype=np.uint8)
        width = max(f.n_window for _, f in self._filters()) - 1
        self._old_sums: FloatArray = np.zeros((n, width))
        self._old_weights: FloatArray = np.zeros((n, width))
        self._old_flags: FlagArray = np.zeros((n, width), dtype=np.uint16)
        self._age = 0  # whole hops since the filters started
        self._still: NDArray[np.int64] = np.zeros(n, dtype=np.int64)  # frames without a change
        self._held: FloatArray = np.full(n, np.nan)

    def _make_filters(self, mains_hz: float | None) -> None:
        kinds = [c.kind + ("-envelope" if c.kind == "emg" and c.envelope else "") for c in self.channels]
        edges = {"force": FORCE_EDGE_HZ, "emg-envelope": ENVELOPE_EDGE_HZ, "position": None}
        for kind, edge_hz in edges.items():
            columns = np.flatnonzero([k == kind for k in kinds])
            if columns.size:
                self._groups.append((columns, SmoothFilter(columns.size, self.rate_hz, self.hop, edge_hz=edge_hz)))
        columns = np.flatnonzero([k == "emg" for k in kinds])
        if columns.size:
            self.warnings = check_rate(self.rate_hz, tuple(self.channels[i].name for i in columns))
            self._emg = columns, RmsFilter(columns.size, self.rate_hz, self.hop, mains_hz=mains_hz)

    def _filters(self) -> Iterator[tuple[Columns, SmoothFilter | RmsFilter]]:
        yield from self._groups
        if self._emg is not None:
            yield self._emg

    def _delays(self) -> tuple[float, ...]:
        delay = {int(i): f.delay_s for columns, f in self._filters() for i in columns}
        return tuple(delay[i] for i in range(len(self.channels)))

    @property
    def mains_hz(self) -> float | None:
        """The mains frequency that is being taken out of raw EMG, None while the notch is off."""
        return None if self._emg is None else self._emg[1].mains_hz

    def push(self, item: Chunk | Gap) -> Levels:
        """The next frames or missing frames; returns the levels that they complete, possibly none.

        Frames skipped between two items, and rows that are not finite, count as missing.

        Raises
        ------
        ValueError
            Frames already seen, or the wrong number of columns.
        """
        start = self._frame + self._n_pending
        if item.first_frame < start:
            raise ValueError(f"frame {item.first_frame} comes after frame {start - 1}")
        if isinstance(item, Chunk) and item.counts.shape[1:] != (len(self.channels),):
            raise ValueError(f"chunk of shape {item.counts.shape} for {len(self.channels)} channels")
        done = self._miss(item.end_frame - start if isinstance(item, Gap) else item.first_frame - start)
        if isinstance(item, Chunk) and item.n_frames:
            counts = np.asarray(item.counts, dtype=np.float64)
            good: NDArray[np.bool_] = np.asarray(np.isfinite(counts).all(axis=1))
            cuts = [0, *(np.flatnonzero(good[1:] != good[:-1]) + 1).tolist(), len(good)]
            for begin, end in pairwise(cuts):
                done += self._read(counts[begin:end].T) if good[begin] else self._miss(end - begin)
        first = self.next_level - sum(values.shape[1] for values, _ in done)
        n = len(self.channels)
        values = np.concatenate([np.zeros((n, 0)), *(v for v, _ in done)], axis=1)
        flags = np.concatenate([np.zeros((n, 0), dtype=np.uint16), *(f for _, f in done)], axis=1)
        return Levels(first, np.ascontiguousarray(values.T), np.ascontiguousarray(flags.T))

    def _miss(self, n_frames: int) -> list[tuple[FloatArray, FlagArray]]:
        self._n_pending += n_frames
        if self._n_pending == 0 or (self._last is not None and self._n_pending <= self._n_bridge):
            return []
        n_missing, self._n_pending, self._last = self._n_pending, 0, None
        return self._advance(np.zeros((len(self.channels), 1)), n_missing, Flag.MISSING)

    def _read(self, counts: FloatArray) -> list[tuple[FloatArray, FlagArray]]:
        done: list[tuple[FloatArray, FlagArray]] = []
        if self._n_pending and self._last is not None:
            n_held, self._n_pending = self._n_pending, 0
            done += self._advance(self._last, n_held, Flag.BRIDGED)
        done += self._advance(counts, counts.shape[1], Flag.GOOD)
        self._last = counts[:, -1:].copy()
        return done

    def _advance(self, counts: FloatArray, n_frames: int, state: Flag) -> list[tuple[FloatArray, FlagArray]]:
        """Frames of one state, a column each (or one column for all), cut where a stretch ends."""
        done, at = [], 0
        while at < n_frames:
            n = min(n_frames - at, self._stretch - self._frame % self._stretch)
            piece = counts[:, at : at + n] if counts.shape[1] == n_frames else np.repeat(counts, n, axis=1)
            verdict = self._verdict()
            self._filter(piece, state)
            self._frame += n
            at += n
            if self._state.size >= self.hop:
                done.append(self._take_levels(verdict))
        return done

    def _verdict(self) -> FlagArray:
        flags = np.zeros(len(self.channels), dtype=np.uint16)
        if self._emg is not None and self._check is not None:
            flags[self._emg[0]] = self._check.verdict
        return flags

    def _filter(self, counts: FloatArray, state: Flag) -> None:
        """Run the filters over one piece and keep the result until whole hops can be taken from it."""
        n = counts.shape[1]
        quantity = np.zeros(counts.shape)
        units = (counts - self._offset) * self._scale
        if state != Flag.MISSING:
            is_restart = self._last is None
            for columns, smooth in self._groups:
                if is_restart:
                    smooth.start(units[columns, 0])
                quantity[columns] = smooth.run(units[columns])
            if self._emg is not None and self._check is not None:
                self._run_emg(
                    self._emg, self._check, units, quantity, is_restart=is_restart, is_present=state == Flag.GOOD
                )
            self._last = counts[:, -1:]
        elif self._check is not None:
            self._check.push(None, quantity, n, is_present=False)
        self._quantity = np.concatenate((self._quantity, quantity), axis=1)
        self._counts = np.concatenate((self._counts, counts), axis=1)
        self._state = np.concatenate((self._state, np.full(n, state, dtype=np.uint8)))

    def _run_emg(
        self,
        emg: tuple[Columns, RmsFilter],
        check: EmgCheck,
        units: FloatArray,
        quantity: FloatArray,
        *,
        is_restart: bool,
        is_present: bool,
    ) -> None:
        columns, rms = emg
        raw = units[columns]
        if is_restart:
            rms.start(raw[:, 0])
        squares = rms.run(raw)
        if is_present:
            quantity[columns] = squares
        check.push(raw, rms.filtered, raw.shape[1], is_present=is_present)
        if self._auto_notch and rms.mains_hz is None and check.mains_hz is not None:
            rms.notch(check.mains_hz)

    def _take_levels(self, verdict: FlagArray) -> tuple[FloatArray, FlagArray]:
        """All whole hops in the store to levels, ``(n_channels, n_levels)``."""
        n, n_levels = len(self.channels), self._state.size // self.hop
        end = n_levels * self.hop
        shape = (n, n_levels, self.hop)
        counts = self._counts[:, :end].reshape(shape)
        sums = self._quantity[:, :end].reshape(shape).sum(axis=-1)
        state = self._state[:end].reshape(shape[1:])
        self._quantity, self._counts = self._quantity[:, end:].copy(), self._counts[:, end:].copy()
        self._state = self._state[end:].copy()

        is_missing = (state == Flag.MISSING).any(axis=-1)
        sums[:, is_missing] = 0
        weights = np.full((n, n_levels), float(self.hop))
        if self._emg is not None:
            weights[self._emg[0]] = (state == Flag.GOOD).sum(axis=-1)
        weights[:, is_missing] = 0
        low, high = counts.min(axis=-1), counts.max(axis=-1)
        flags = np.where((low <= self._low) | (high >= self._high), np.uint16(Flag.CLIPPED), np.uint16(0))
        flags |= np.where((state == Flag.BRIDGED).any(axis=-1), np.uint16(Flag.BRIDGED), np.uint16(0))
        flags[:, is_missing] = 0
        age = self._ages(is_missing)
        values, marks = self._windows(sums, weights, flags, age)
        marks |= verdict[:, None] | self._flat(low, high, is_missing)
        values[:, is_missing], marks[:, is_missing] = np.nan, Flag.MISSING
        self.next_level += n_levels
        return values, marks

    def _ages(self, is_missing: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Whole hops since the filters started, this one included; 0 in a missing hop."""
        position = np.arange(1, is_missing.size + 1)
        start = np.maximum.accumulate(np.where(is_missing, position, -self._age))
        self._age = int(position[-1] - start[-1])
        return np.asarray(position - start, dtype=np.int64)

    def _windows(
        self, sums: FloatArray, weights: FloatArray, flags: FlagArray, age: NDArray[np.int64]
    ) -> tuple[FloatArray, FlagArray]:
        """Values from the hops inside each level's window that lie after the last restart, and lingering flags."""
        width = self._old_sums.shape[1]
        sums = np.concatenate((self._old_sums, sums), axis=1)
        weights = np.concatenate((self._old_weights, weights), axis=1)
        flags = np.concatenate((self._old_flags, flags), axis=1)
        values = np.empty((len(self.channels), age.size))
        marks = np.zeros(values.shape, dtype=np.uint16)
        for columns, kind in self._filters():
            n = kind.n_window
            within = sliding_window_view(np.arange(width - n + 1, width + age.size), n)
            s, w, f = sums[columns][:, within], weights[columns][:, within], flags[columns][:, within]
            before = np.arange(n)[::-1] >= age[:, None]
            s[:, before], w[:, before], f[:, before] = 0, 0, 0
            values[columns] = kind.finish(s, w)
            marks[columns] = np.bitwise_or.reduce(f, axis=-1)
            marks[columns] |= np.where(age <= kind.n_settling, np.uint16(Flag.SETTLING), np.uint16(0))
        if width:
            self._old_sums, self._old_weights = sums[:, -width:].copy(), weights[:, -width:].copy()
            self._old_flags = flags[:, -width:].copy()
        return values, marks

    def _flat(self, low: FloatArray, high: FloatArray, is_missing: NDArray[np.bool_]) -> FlagArray:
        """FLAT once a channel has not moved by one count for a second of whole hops."""
        before = np.concatenate((self._held[:, None], high[:, :-1]), axis=1)
        moved = (low != high) | (low != before) | is_missing
        position = np.arange(1, high.shape[1] + 1)
        start = np.maximum.accumulate(np.where(moved, position, -self._still[:, None]), axis=1)
        run = position - start + 1
        self._still, self._held = position[-1] - start[:, -1], high[:, -1]
        return np.where(run * self.hop >= self.rate_hz, np.uint16(Flag.FLAT), np.uint16(0))
