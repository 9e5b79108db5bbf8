"""Where a converter or an amplifier ends, learnt from what it sends: an end of the range that holds too many values.

A signal that turns by itself thins out towards its extreme, or piles up there at most as the top of a wave does (the
last code holds 2.4 times what the one before it holds). One that is cut off has a heap on the last value and hardly
anything just before it. Limits are common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import UNJUDGED_KINDS, Channel, FloatArray

BITS = (8, 10, 12, 14, 16, 18, 20, 24)
LAST_CODES = np.array([2.0**n - 1 for n in BITS] + [2.0 ** (n - 1) - 1 for n in BITS])
FIRST_CODES = np.array([-(2.0 ** (n - 1)) for n in BITS] + [0.0])
FEW_STEPS = 20.0  # a range of fewer steps says nothing about its ends
HEAP = 8.0  # times what lies just before it
HEAP_S = 0.1  # a force that stays on one value for as long is cut off; muscle activity turns within a sample
NEAR = 0.02  # of the range: just before its end, for hops
N_HOPS, N_HOPS_CODE, N_VISITS, N_BETWEEN = 8, 3, 2, 5  # a signal that only switches says nothing about its ends


def find_rail(counts: FloatArray, rate_hz: float, *, side: int, is_emg: bool) -> float | None:
    """The value at which ``counts`` (n,) of an effort are cut off, or None.

    Parameters
    ----------
    counts : as sent, a few seconds that hold an effort; NaN where missing.
    side : 1 looks at the largest, -1 at the smallest value.
    is_emg : raw muscle activity, which swings, rather than a force or an envelope, which stays.
    """
    values, n_each = np.unique(side * counts[np.isfinite(counts)], return_counts=True)
    if len(values) < 4:
        return None
    step, top = float(np.diff(values).min()), float(values[-1])
    n_steps = (top - float(values[0])) / step
    if n_steps < FEW_STEPS:
        return None
    is_last_code = side * top in (LAST_CODES if side > 0 else FIRST_CODES) and step.is_integer()
    if is_last_code and n_each[-1] >= (4 if is_emg else 2) and n_each[-1] > 2 * n_each[-2] * (values[-2] >= top - step):
        return side * top
    width = step * min(3.0, n_steps // 500)  # an amplifier at its end is not quite still
    n_end = int(n_each[values >= top - width].sum())
    n_before = int(n_each[(values < top - width) & (values >= top - 2 * width - step)].sum())
    stays = is_emg or n_end >= HEAP_S * rate_hz
    return side * (top - width) if stays and n_end > HEAP * (n_before + 1) else None


class RailCheck:
    """Learns the ends of channels that declare none, from stretches of about a second, causally.

    Raw muscle activity turns within a sample, so a heap at its end is enough. An unloaded or hanging sensor returns to
    one value by itself, and an envelope at rest to 0: there only the last code of a converter counts.

    What is learnt holds from the next stretch on and is forgotten as soon as something goes beyond it.
    """

    def __init__(self, channels: list[Channel], n_stretch: int) -> None:
        n = len(channels)
        declared = np.array([c.rail_low_counts is not None or c.rail_high_counts is not None for c in channels])
        self.learns = not bool(declared.all()) and any(c.kind not in UNJUDGED_KINDS for c in channels)
        learns = ~declared & np.array([c.kind not in UNJUDGED_KINDS for c in channels])
        swings = np.array([c.kind == "emg" and not c.envelope for c in channels])
        both = (2 * n, 1)  # the upper ends, then the lower ones
        self._learns: NDArray[np.bool_] = np.concatenate((learns, learns))[:, None]
        self._swings: NDArray[np.bool_] = np.concatenate((swings, swings))[:, None]
        self._n, self._n_stretch, self._n_filled = n, n_stretch, 0
        self._lows: list[FloatArray] = []  # of this stretch's hops
        self._highs: list[FloatArray] = []
        self._end, self._other = np.full(both, -np.inf), np.full(both, np.inf)
        self._near_end = self._left_end = self._end
        self._n_at, self._n_near, self._n_visits, self._n_between = np.zeros((4, *both), dtype=np.int64)
        self._n_between[~self._learns] = N_BETWEEN
        self._is_code, self._is_possible, self._is_there = np.zeros((3, *both), dtype=np.bool_)
        self._has_left: NDArray[np.bool_] = np.zeros(2 * n, dtype=np.bool_)
        self._rails: FloatArray = np.full(both, np.inf)
        self._is_any = self._is_settled = False

    def push(self, low: FloatArray, high: FloatArray, is_missing: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
        """Extremes of the next hops, ``(n_channels, n_hops)``, in one stretch or whole ones: which are cut off."""
        if is_missing is not None:
            low, high = np.where(is_missing, np.inf, low), np.where(is_missing, -np.inf, high)
        if low.shape[1] < self._n_stretch:
            return self._push_part(low, high)
        ends = np.concatenate((high, -low))
        stretches = ends.reshape(len(ends), -1, self._n_stretch)
        rails = np.concatenate((self._rails, self._learn(stretches)), axis=1)[:, :-1]
        if not (rails < np.inf).any():
            return None
        found: NDArray[np.bool_] = (stretches >= rails[:, :, None]).reshape(ends.shape)
        return found[: self._n] | found[self._n :] if found.any() else None

    def _push_part(self, low: FloatArray, high: FloatArray) -> NDArray[np.bool_] | None:
        """Part of a stretch: compared with what is known, kept until the whole is there."""
        found = None
        if self._is_any:
            beyond: NDArray[np.bool_] = (high >= self._rails[: self._n]) | (-low >= self._rails[self._n :])
            found = beyond if np.logical_or.reduce(beyond, axis=None) else None
        self._lows.append(low)
        self._highs.append(high)
        self._n_filled += low.shape[1]
        if self._n_filled == self._n_stretch:
            low, high = np.concatenate(self._lows, axis=1), np.concatenate(self._highs, axis=1)
            self._lows, self._highs, self._n_filled = [], [], 0
            self._learn(np.concatenate((high, -low))[:, None])
        return found

    def _learn(self, ends: FloatArray) -> FloatArray:
        """Take whole stretches, ``(2 n_channels, n_stretches, n_hops)``; the rails that hold after each of them.

        Ends of the range come with the sign that makes them upper.
        """
        tops, lowest = ends.max(axis=2), _lowest(ends)
        counts = (tops >= self._near_end) & self._is_possible
        if self._is_settled and not (counts | (tops > self._end) | (lowest < self._other)).any():  # as nearly all
            self._has_left |= (lowest < self._left_end).any(axis=1)
            return self._rails.repeat(tops.shape[1], axis=1)
        end = np.maximum.accumulate(np.concatenate((self._end, tops), axis=1), axis=1)
        other = np.minimum.accumulate(np.concatenate((self._other, lowest), axis=1), axis=1)[:, 1:]
        grown, end = end[:, 1:] > end[:, :-1], end[:, 1:]
        width = np.where(np.isfinite(other), end - other, 0.0)
        near_end, left_end = end - NEAR * width, end - 0.1 * width
        is_code = self._find_codes(end) if grown.any() else self._is_code
        is_possible = np.broadcast_to(self._learns & (self._swings | is_code), tops.shape)
        self._is_code, self._is_possible = is_code[:, -1:], is_possible[:, -1:]
        self._count(ends, tops, end, near_end, grown=grown, is_possible=is_possible)
        self._n_visits = _count_on(self._n_visits, self._visit(lowest < left_end, grown), grown)
        if not self._is_settled:
            is_between = (ends < near_end[..., None]) & (ends > (end - 0.9 * width)[..., None])
            n_between = self._n_between + np.count_nonzero(is_between, axis=2).cumsum(axis=1)
            self._n_between = n_between[:, -1:]
            self._is_settled = bool((self._n_between >= N_BETWEEN).all())
            is_possible = is_possible & (n_between >= N_BETWEEN)
        rails = self._judge(end, is_code, is_possible & (width >= FEW_STEPS))
        self._end, self._other, self._rails = end[:, -1:], other[:, -1:], rails[:, -1:]
        self._near_end, self._left_end = near_end[:, -1:], left_end[:, -1:]
        self._is_any = bool((self._rails < np.inf).any())
        return rails

    def _count(
        self,
        ends: FloatArray,
        tops: FloatArray,
        end: FloatArray,
        near_end: FloatArray,
        *,
        grown: NDArray[np.bool_],
        is_possible: NDArray[np.bool_],
    ) -> None:
        """Hops at the end and just before it, since the end is where it is: as after each stretch."""
        which = np.nonzero((tops >= near_end) & is_possible)  # the others count nothing
        close, n_each = ends[which], np.zeros((2, *tops.shape), dtype=np.int64)
        n_each[0][which] = np.count_nonzero(close == end[which][:, None], axis=1)
        n_each[1][which] = np.count_nonzero(close >= near_end[which][:, None], axis=1)
        self._is_there = n_each[0] > 0
        self._n_at = _count_on(self._n_at, n_each[0], grown)
        self._n_near = _count_on(self._n_near, n_each[1] - n_each[0], grown)

    def _visit(self, leaves: NDArray[np.bool_], grown: NDArray[np.bool_]) -> NDArray[np.int64]:
        """1 where the signal comes back to its end after it was away, or comes to a new one."""
        place = 2 * np.arange(1, leaves.shape[1] + 1)
        latest = np.where(leaves, place + 1, np.where(self._is_there, place, 0))  # odd where it is away
        has_left = np.maximum.accumulate(np.concatenate((self._has_left[:, None], latest), axis=1), axis=1) % 2 == 1
        self._has_left = has_left[:, -1]
        return np.asarray(self._is_there & (has_left[:, :-1] | grown), dtype=np.int64)

    def _judge(self, end: FloatArray, is_code: NDArray[np.bool_], may_be: NDArray[np.bool_]) -> FloatArray:
        """The rails after each of the stretches counted last."""
        n_at, n_near = self._n_at, self._n_near
        if n_at.max() < min(N_HOPS, N_HOPS_CODE):
            return np.full(n_at.shape, np.inf)
        heap = self._swings & (n_at >= N_HOPS) & (n_at > HEAP / 2 * (n_near + 1)) & (self._n_visits >= N_VISITS)
        code_heap = is_code & (n_at >= N_HOPS_CODE) & (n_at > n_near)
        return np.where(may_be & (heap | code_heap), end, np.inf)

    def _find_codes(self, end: FloatArray) -> NDArray[np.bool_]:
        """Which ends ``(2 n_channels, n_stretches)`` are the last code of a converter, or its first."""
        first = -end[self._n :]
        is_last = (end[: self._n, :, None] == LAST_CODES).any(axis=2)
        is_first = (first[..., None] == FIRST_CODES).any(axis=2) & ((first != 0) | self._swings[self._n :])
        return np.concatenate((is_last, is_first))


def _count_on(before: NDArray[np.int64], each: NDArray[np.int64], grown: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Running counts that go on from ``before`` (its last column) and start again where ``grown``."""
    total = before[:, -1:] + each.cumsum(axis=1)
    return np.asarray(total - np.maximum.accumulate(np.where(grown, total - each, 0), axis=1), dtype=np.int64)


def _lowest(ends: FloatArray) -> FloatArray:
    """Along the last axis, of what is there."""
    lowest = ends.min(axis=-1)
    if lowest.min() == -np.inf:
        lowest = np.where(ends > -np.inf, ends, np.inf).min(axis=-1)
    return np.asarray(lowest, dtype=np.float64)
