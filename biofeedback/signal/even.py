"""Readings that were not taken evenly, onto even spacing: filters assume it, and slow boards do not keep to it.

A board that sends its time with every reading says how uneven it is (load-cell converters between two of their own
readings: 10 and 15 ms in turn at 80 a second). Frame k of the even grid stands at a running line through the device
times; its counts are interpolated linearly between the two readings around that moment. The recording keeps what was
sent, and when.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Chunk, FloatArray, Gap
from biofeedback.signal.cascade import Cascade

FOLLOW_S = 1.0  # of the running line: long against the pattern of a board, short against the warming of its crystal
MOST_PERIODS = (
    5.0  # between two readings, and from a reading to its frame; more, or less than nothing, is another clock
)
_NEVER: FloatArray = np.empty(0)


class EvenSpacing:
    """``push`` items, get items whose frames are evenly spaced; chunk sizes leave no trace in them.

    A frame waits until the reading after its moment has come, rarely more than one frame. At a gap it does not wait:
    the last reading stands, and nothing is interpolated across.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz, self._reach_s = rate_hz, MOST_PERIODS / rate_hz
        keep = math.exp(-1.0 / (FOLLOW_S * rate_hz))  # a second-order line that follows a steady drift without lag
        a, b = 1.0 - keep * keep, (1.0 - keep) ** 2
        self._follower = Cascade(np.array([[a, b - a, 0.0, 1.0, a + b - 2.0, 1.0 - a]]), 1)
        self._start = (0, 0.0)  # frame and device time from which both are counted
        self._frame = 0  # the next to be handed out
        self._lines: FloatArray = _NEVER  # moments of the frames that wait, from ``_frame`` on
        self._times: FloatArray = _NEVER  # readings that they may lie between
        self._counts: FloatArray | None = None
        self._n, self._sum, self._square, self._shortest, self._longest = 0, 0.0, 0.0, math.inf, 0.0

    @property
    def words(self) -> str:
        """Method, true rate and jitter so far; "" before there are two readings in a row."""
        if not self._n:
            return ""
        mean = self._sum / self._n
        sd = math.sqrt(max(0.0, self._square / self._n - mean * mean))
        apart = f"{1000 * self._shortest:.1f} to {1000 * self._longest:.1f} ms apart (SD {1000 * sd:.2f} ms)"
        how = "resampled to even spacing, linearly between readings by the board's own time"
        return f"{how}: {1.0 / mean:.4g} readings/s, {apart}"

    def push(self, item: Chunk | Gap) -> list[Chunk | Gap]:
        """What can be handed out now, in order."""
        if isinstance(item, Gap):
            return [*self._flush(), item]
        if item.device_us is None:
            raise ValueError(f"the chunk at frame {item.first_frame} has no device times, others had")
        out: list[Chunk | Gap] = []
        if item.first_frame != self._frame + len(self._lines):
            out += self._flush()
        times_s = item.device_us * 1e-6
        steps = np.diff(times_s, prepend=self._times[-1] if len(self._times) else times_s[:1] - 1.0 / self._rate_hz)
        breaks = np.flatnonzero((steps <= 0) | (steps > self._reach_s)).tolist()
        for begin, end in pairwise(dict.fromkeys((0, *breaks, item.n_frames))):
            if begin in breaks:
                out += self._flush()
            out += self._take(item.first_frame + begin, times_s[begin:end], item.counts[begin:end])
        return out

    def _take(self, first: int, times_s: FloatArray, counts: FloatArray) -> list[Chunk | Gap]:
        """Readings that belong to those before."""
        if self._counts is None:
            self._begin(first, times_s)
        self._measure(times_s)
        self._lines = np.concatenate((self._lines, self._follow(first, times_s)))
        self._times = np.concatenate((self._times, times_s))
        self._counts = counts if self._counts is None else np.concatenate((self._counts, counts))
        return self._hand_out(int(np.searchsorted(self._lines, self._times[-1], side="right")))

    def _begin(self, frame: int, times_s: FloatArray) -> None:
        """After a gap the line starts again, its first moment at the first reading."""
        self._frame, self._start = frame, (frame, float(times_s[0]))
        self._follower.start(np.zeros(1))

    def _follow(self, first: int, times_s: FloatArray) -> FloatArray:
        """The line at frames from ``first`` on."""
        frames: NDArray[np.int64] = np.arange(first - self._start[0], first - self._start[0] + len(times_s))
        due_s = self._start[1] + frames / self._rate_hz
        late_s = self._follower.run((times_s - due_s)[None])
        return np.asarray(
            np.clip(due_s + late_s[0], times_s - self._reach_s, times_s + self._reach_s), dtype=np.float64
        )

    def _measure(self, times_s: FloatArray) -> None:
        steps = np.diff(times_s, prepend=self._times[-1:])
        if len(steps):
            self._n, self._sum = self._n + len(steps), self._sum + float(steps.sum())
            self._square += float(steps @ steps)
            self._shortest, self._longest = min(self._shortest, steps.min()), max(self._longest, steps.max())

    def _hand_out(self, n: int) -> list[Chunk | Gap]:
        if not n or self._counts is None:
            return []
        columns = [np.interp(self._lines[:n], self._times, column) for column in self._counts.T]
        out = Chunk(self._frame, np.stack(columns, axis=1))
        self._frame, self._lines = self._frame + n, self._lines[n:]
        kept = max(0, int(np.searchsorted(self._times, self._times[-1] - self._reach_s, side="right")) - 1)
        self._times, self._counts = self._times[kept:], self._counts[kept:]
        return [out]

    def _flush(self) -> list[Chunk | Gap]:
        out = self._hand_out(len(self._lines))
        self._times, self._counts, self._lines = _NEVER, None, _NEVER
        return out
