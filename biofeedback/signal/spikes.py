"""Pulses too narrow for a muscle, live and afterwards; see ``quality`` for what they are called."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray
from biofeedback.signal.many import MANY, Reach, find_middle

SPIKE_LEVEL_RATE_HZ = 60.0
SPIKE_REACH, SPIKE_REACH_EMG = 4, 12  # hops on either side
_MIDDLE = SPIKE_REACH_EMG - 1  # of the three hops in the middle the first
NEARLY = 0.99  # more than rounding
SPIKE_TIMES_USUAL, SPIKE_OF_WIDTH, SPIKE_OF_RANGE, SPIKE_OF_POWER = 12.0, 0.7, 0.1, 0.8


class SpikeCheck:
    """A pulse too narrow for a muscle, judged when the hops after it have come; the hop that tells is marked.

    Force, position, envelope: half of a twitch lasts 80 ms and more, so the mean of a hop may not stand away from
    the median of the 90 ms around it by nearly their whole range, by 12 times what it did in the second before, and
    by a tenth of the range that these medians have ever covered.
    Raw EMG: three hops may not carry nearly all the power of the 250 ms around them.
    Limits are common practice, no source. Boards below 60 levels a second are too slow to tell.
    """

    def __init__(self, n_smooth: int, n_stretch: int) -> None:
        self._n_stretch, self._n_filled = n_stretch, 0
        self._past: FloatArray = np.full((n_smooth, 2 * SPIKE_REACH), np.nan)
        self._reach = Reach(2 * SPIKE_REACH, latest_first=True)
        self._reach_emg = Reach(2 * SPIKE_REACH_EMG, latest_first=True)
        self._seen: FloatArray = np.zeros((3, n_smooth, n_stretch))  # distance, median and width of this stretch
        self._limit: FloatArray = np.full((n_smooth, 1), np.inf)  # of the distance, in this stretch
        self._lowest, self._highest = np.inf * np.ones_like(self._limit), -np.inf * np.ones_like(self._limit)

    def find_smooth(self, means: FloatArray) -> NDArray[np.bool_]:
        """Next hops, within one stretch or whole ones: mean counts, ``(n_channels, n_hops)``, NaN where missing."""
        n = means.shape[1]
        hops = np.concatenate((self._past, means), axis=1)
        self._past = hops[:, n:]
        if n >= MANY:
            median, width = find_middle(hops)
            distance = hops[:, SPIKE_REACH:-SPIKE_REACH]
        else:
            around = hops.take(self._reach(n), axis=1)
            distance = around[..., SPIKE_REACH].copy()
            around.sort(axis=-1)  # NaN go last: the width is NaN and makes every comparison false
            median, width = around[..., SPIKE_REACH], around[..., -1] - around[..., 0]
        distance = np.abs(distance - median)
        found: NDArray[np.bool_] = distance > self._find_limits(distance, median, width)
        if np.logical_or.reduce(found, axis=None):
            found &= distance > SPIKE_OF_WIDTH * width
        return found

    def find_emg(self, sums: FloatArray) -> NDArray[np.bool_]:
        """Summed squares of the next hops and of the ``2 * SPIKE_REACH_EMG`` before them, ``(n_channels, ...)``."""
        n_before = 2 * SPIKE_REACH_EMG
        n = sums.shape[1] - n_before
        if n >= MANY:
            three = sums[:, :-2] + sums[:, 1:-1] + sums[:, 2:]
            middle, before, after = (three[:, at : at + n] for at in (_MIDDLE, _MIDDLE - 3, _MIDDLE + 3))
            may_be = ~(middle <= NEARLY * SPIKE_OF_POWER / (1 - SPIKE_OF_POWER) * (before + after))
            if not np.logical_or.reduce(may_be, axis=None):
                return np.asarray(may_be)
        around = sums.take(self._reach_emg(n), axis=1)
        middle = np.add.reduce(around[..., _MIDDLE : _MIDDLE + 3], axis=-1)
        return np.asarray(middle > SPIKE_OF_POWER * np.add.reduce(around, axis=-1), dtype=np.bool_)

    def _find_limits(self, distance: FloatArray, median: FloatArray, width: FloatArray) -> FloatArray:
        """The limit of each hop, from the stretches before its own: one for all, or one each."""
        limit, n = self._limit, distance.shape[1]
        at = slice(self._n_filled, self._n_filled + n)
        if n < self._n_stretch:
            self._seen[0, :, at], self._seen[1, :, at], self._seen[2, :, at] = distance, median, width
            self._n_filled = at.stop % self._n_stretch
            if not self._n_filled:
                self._limit = self._judge(self._seen[:, :, None])[:, -1:]
            return limit
        seen = np.array((distance, median, width)).reshape(3, len(distance), -1, self._n_stretch)
        limits = self._judge(seen)
        self._limit = limits[:, -1:]
        return np.concatenate((limit, limits[:, :-1]), axis=1).repeat(self._n_stretch, axis=1)

    def _judge(self, seen: FloatArray) -> FloatArray:
        """Limits ``(n_channels, n_stretches)`` from ended stretches ``(3, n_channels, n_stretches, n_hops)``."""
        distance, median = np.where(np.isfinite(seen[2]), seen[:2], np.nan)
        lowest = np.concatenate((self._lowest, np.fmin.reduce(median, axis=-1)), axis=1)
        highest = np.concatenate((self._highest, np.fmax.reduce(median, axis=-1)), axis=1)
        lowest, highest = np.fmin.accumulate(lowest, axis=1)[:, 1:], np.fmax.accumulate(highest, axis=1)[:, 1:]
        self._lowest, self._highest = lowest[:, -1:], highest[:, -1:]
        known = np.where(np.isfinite(distance), distance, np.inf)
        nothing = 1e-9 * np.fmax(np.abs(lowest), np.abs(highest))  # rounding
        least = np.where(known > nothing[..., None], known, np.inf).min(axis=-1)  # a coarse sensor's one count
        middle = np.sort(known, axis=-1)[..., self._n_stretch // 2]
        usual = np.where(middle > nothing, middle, least)
        return np.asarray(np.fmax(SPIKE_TIMES_USUAL * usual, SPIKE_OF_RANGE * (highest - lowest)), dtype=np.float64)
