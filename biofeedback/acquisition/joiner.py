"""Frames of several sensors onto the grid of the first one. Pure; moments come in as arguments.

Each sensor's frames are mapped to this computer's clock by a running line of their own, from the device times of a slow
board that sends them, else from its frame numbers; the other sensors' counts are interpolated linearly at the moments
of the first one's frames. An uneven first sensor is not resampled: all channels of a row are of one moment, and row k
stands at k / rate. What differs in the delay of their wires (a radio may take 30 ms, a cable 1 ms) cannot be known and
stays.

What one sensor misses costs the others nothing: its counts are NaN for as long. Only where no sensor has anything there
is a gap.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence

import numpy as np

from biofeedback.acquisition.clock import DeviceClock
from biofeedback.model import Chunk, FloatArray, Gap, Item, Note

PATIENCE_S = 0.25  # for the other sensors; what comes later is missing
HISTORY_S = 1.0  # of readings kept behind the last row that was made of them
MOST_HISTORY_S = 60.0  # and at all, while the first sensor says nothing
PIECE_S = 1.0  # a longer gap of the first sensor is filled piece by piece
REACH_PERIODS = 1.5  # neighbours further apart than this belong to a gap: nothing is interpolated across it


class _Stream:
    """One sensor: its clock, and of a sensor other than the first the readings that rows may still need."""

    def __init__(self, rate_hz: float, n_channels: int) -> None:
        self.rate_hz, self.n_channels = rate_hz, n_channels
        self._clock = DeviceClock()
        self._is_broken = False
        self._own_s: FloatArray = np.empty(0)
        self._counts: FloatArray = np.empty((0, n_channels))
        self._last: tuple[int, float] | None = None  # frame and own time of the last reading
        self._known_s = -math.inf  # the moment up to which nothing more will come

    def follow(self, item: Chunk | Gap, arrival_s: float) -> None:
        """The line that maps the sensor's own time to moments learns from the last frame of every chunk."""
        if isinstance(item, Gap):
            self._is_broken |= item.reason in ("no data", "device restarted")  # known to some 0.1 s only
            if self._last is not None:
                self._known_s = float(self.moments_of(Gap(item.end_frame, 1, ""))[0])
            return
        own_s = self._time_of(item)
        if self._is_broken or (self._last is not None and own_s[0] < self._last[1]):
            self._clock.reset()
            self._own_s, self._counts, self._is_broken = np.empty(0), np.empty((0, self.n_channels)), False
        self._last = item.end_frame - 1, float(own_s[-1])
        self._clock.add(float(own_s[-1]), arrival_s)

    def remember(self, chunk: Chunk) -> None:
        """Keep for ``look_up``."""
        own_s = np.concatenate((self._own_s, self._time_of(chunk)))
        keep = own_s > own_s[-1] - MOST_HISTORY_S
        self._own_s, self._counts = own_s[keep], np.concatenate((self._counts, chunk.counts))[keep]

    def forget(self, before_s: float) -> None:
        """No row before ``before_s`` will ask any more."""
        if len(self._own_s) > 1 and self._clock.to_session(self._own_s[:1])[0] < before_s - 2 * HISTORY_S:
            keep = self._clock.to_session(self._own_s) > before_s - HISTORY_S
            keep[-2:] = True
            self._own_s, self._counts = self._own_s[keep], self._counts[keep]

    def _time_of(self, chunk: Chunk) -> FloatArray:
        """By the board's own clock where it is slow and sends its time, else by the numbers of its frames."""
        if chunk.device_us is not None:
            return chunk.device_us * 1e-6
        return np.arange(chunk.first_frame, chunk.end_frame) / self.rate_hz

    def moments_of(self, item: Chunk | Gap) -> FloatArray:
        """Seconds on this computer's clock, by the line as it is now; in a gap the line goes on."""
        if isinstance(item, Chunk):
            return self._clock.to_session(self._time_of(item))
        if self._last is None:
            return np.full(item.n_frames, np.nan)
        frame, own_s = self._last
        ahead_s = np.arange(item.first_frame - frame, item.end_frame - frame) / self.rate_hz
        return self._clock.to_session(own_s + ahead_s)

    def has_seen(self, moment_s: float) -> bool:
        """Whether all readings up to that moment are here, or known to be missing."""
        if len(self._own_s) > 1 and self._clock.to_session(self._own_s[-1:])[0] >= moment_s:
            return True
        return self._known_s >= moment_s

    def look_up(self, times_s: FloatArray) -> FloatArray:
        """Counts ``(n, n_channels)`` at ``times_s``, NaN where no two neighbours lie around that belong together."""
        table = np.full((len(times_s), self.n_channels), np.nan)
        if len(self._own_s) < 2:
            return table
        known_s = self._clock.to_session(self._own_s)
        right = np.clip(np.searchsorted(known_s, times_s), 1, len(known_s) - 1)
        reach_s = REACH_PERIODS / self.rate_hz
        before, after = times_s - known_s[right - 1], known_s[right] - times_s
        good = (before >= 0) & (after >= 0) & (before <= reach_s) & (after <= reach_s)
        for k, column in enumerate(self._counts.T):
            table[good, k] = np.interp(times_s[good], known_s, column)
        return table


class Joiner:
    """Chunks and gaps of all sensors to those of the first one's grid. Pure: moments come in as arguments."""

    def __init__(self, rates_hz: Sequence[float], n_channels: Sequence[int]) -> None:
        self._streams = [_Stream(rate_hz, n) for rate_hz, n in zip(rates_hz, n_channels, strict=True)]
        self._pending: deque[tuple[Chunk | Gap, float]] = deque()
        self.next_frame = 0

    def push(self, which: int, items: Sequence[Item], arrival_s: float) -> None:
        """Items of sensor ``which`` have arrived."""
        for item in items:
            if isinstance(item, Note):
                continue
            self._streams[which].follow(item, arrival_s)
            if which == 0:
                self._pending += [(piece, arrival_s) for piece in self._cut(item)]
            elif isinstance(item, Chunk):
                self._streams[which].remember(item)

    def _cut(self, item: Chunk | Gap) -> Iterator[Chunk | Gap]:
        if isinstance(item, Chunk):
            yield item
            return
        n_most = max(1, round(PIECE_S * self._streams[0].rate_hz))
        for first in range(item.first_frame, item.end_frame, n_most):
            yield Gap(first, min(n_most, item.end_frame - first), item.reason)

    def take(self, now_s: float) -> list[Chunk | Gap]:
        """What is complete, or never will be: every frame of the first sensor once, without holes."""
        joined: list[Chunk | Gap] = []
        first, *others = self._streams
        while self._pending:
            item, arrival_s = self._pending[0]
            times_s = first.moments_of(item)
            complete = all(other.has_seen(float(times_s[-1])) for other in others)
            if not complete and now_s - arrival_s < PATIENCE_S:
                break
            self._pending.popleft()
            joined.append(self._join(item, times_s))
            self.next_frame = item.end_frame
            for other in others:
                other.forget(float(times_s[-1]))
        return joined

    def _join(self, item: Chunk | Gap, times_s: FloatArray) -> Chunk | Gap:
        first, *others = self._streams
        found = [other.look_up(times_s) for other in others]
        if isinstance(item, Chunk):
            return Chunk(item.first_frame, np.hstack([item.counts, *found]))
        if np.isnan(np.hstack(found)).all():
            return item
        return Chunk(item.first_frame, np.hstack([np.full((item.n_frames, first.n_channels), np.nan), *found]))
