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
LAST_CODES = frozenset({2.0**n - 1 for n in BITS} | {2.0 ** (n - 1) - 1 for n in BITS})
FIRST_CODES = frozenset({-(2.0 ** (n - 1)) for n in BITS} | {0.0})
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
    least = 4 if is_emg else max(4.0, HEAP_S * rate_hz)
    return side * (top - width) if n_end >= least and n_end > HEAP * (n_before + 1) else None


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
        self._learns: NDArray[np.bool_] = np.concatenate((learns, learns))  # the upper ends, then the lower ones
        self._swings: NDArray[np.bool_] = np.concatenate((swings, swings))
        self._n, self._n_stretch, self._n_filled = n, n_stretch, 0
        self._hops: FloatArray = np.full((2 * n, n_stretch), -np.inf)
        self._end, self._other = np.full(2 * n, -np.inf), np.full(2 * n, np.inf)
        self._n_at, self._n_near, self._n_visits, self._n_between = np.zeros((4, 2 * n), dtype=np.int64)
        self._has_left: NDArray[np.bool_] = np.zeros(2 * n, dtype=np.bool_)
        self._near_end, self._left_end = np.full((2, 2 * n), -np.inf)
        self._rails: FloatArray = np.full(2 * n, np.inf)
        self._is_code: NDArray[np.bool_] = np.zeros(2 * n, dtype=np.bool_)
        self._is_any = False

    def push(self, low: FloatArray, high: FloatArray, is_missing: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
        """Extremes of the next hops, ``(n_channels, n_hops)``, in one stretch or whole ones: which are cut off."""
        if low.shape[1] < self._n_stretch:
            return self._push_part(low, high, is_missing)
        ends = np.concatenate((high, -low))
        if is_missing is not None:
            ends[:, is_missing] = -np.inf
        found = np.zeros(ends.shape, dtype=np.bool_)
        stretches = ends.reshape(len(ends), -1, self._n_stretch)
        tops, lowest = stretches.max(axis=2), _lowest(stretches)
        first, n = 0, stretches.shape[1]
        while first < n:
            quiet = self._is_quiet(tops[:, first:], lowest[:, first:])
            after = first + int(np.append(quiet, False).argmin())  # the next that teaches something, or the end
            self._has_left |= (lowest[:, first:after] < self._left_end[:, None]).any(axis=1)
            part = slice(first * self._n_stretch, (after + 1) * self._n_stretch)
            if self._is_any:
                found[:, part] = ends[:, part] >= self._rails[:, None]
            if after < n:
                self._learn(stretches[:, after], tops[:, after], lowest[:, after])
            first = after + 1
        return found[: self._n] | found[self._n :] if found.any() else None

    def _push_part(
        self, low: FloatArray, high: FloatArray, is_missing: NDArray[np.bool_] | None
    ) -> NDArray[np.bool_] | None:
        part = self._hops[:, self._n_filled : self._n_filled + low.shape[1]]
        part[: self._n] = high
        np.negative(low, out=part[self._n :])
        if is_missing is not None:
            part[:, is_missing] = -np.inf
        found = None
        if self._is_any:
            beyond = part >= self._rails[:, None]
            if np.logical_or.reduce(beyond, axis=None):
                found = beyond[: self._n] | beyond[self._n :]
        self._n_filled += low.shape[1]
        if self._n_filled == self._n_stretch:
            self._n_filled = 0
            top, lowest = self._hops.max(axis=1), _lowest(self._hops)
            if self._is_quiet(top[:, None], lowest[:, None])[0]:
                self._has_left |= lowest < self._left_end
            else:
                self._learn(self._hops, top, lowest)
        return found

    def _is_quiet(self, tops: FloatArray, lowest: FloatArray) -> NDArray[np.bool_]:
        """Whether each stretch stays within the known range and away from its ends, as most do."""
        inside = (tops < self._near_end[:, None]) & (lowest >= self._other[:, None])
        return np.asarray(inside.all(axis=0), dtype=np.bool_)

    def _learn(self, ends: FloatArray, top: FloatArray, lowest: FloatArray) -> None:
        """Take a whole stretch, ``(2 n_channels, n_hops)``; ends of the range with the sign that makes them upper."""
        grown = top > self._end
        np.copyto(self._end, top, where=grown)
        for kept in (self._n_at, self._n_near, self._n_visits):  # what lay between lies between
            kept[grown] = 0
        np.minimum(self._other, lowest, out=self._other)
        width = np.where(np.isfinite(self._other), self._end - self._other, 0.0)
        self._near_end, self._left_end = self._end - NEAR * width, self._end - 0.1 * width
        at = ends == self._end[:, None]
        below = self._near_end[:, None]
        near = (ends >= below) & ~at
        is_there = at.any(axis=1)
        self._n_at += at.sum(axis=1)
        self._n_near += near.sum(axis=1)
        self._n_between += ((ends < below) & (ends > (self._end - 0.9 * width)[:, None])).sum(axis=1)
        self._n_visits += is_there & (self._has_left | grown)
        self._has_left = (self._has_left & ~is_there) | (lowest < self._left_end)
        if grown.any():
            self._is_code = self._find_codes()
        if not self._is_any and not (self._n_at >= min(N_HOPS, N_HOPS_CODE)).any():
            return
        heap = (
            self._swings
            & (self._n_at >= N_HOPS)
            & (self._n_at > HEAP / 2 * (self._n_near + 1))
            & (self._n_visits >= N_VISITS)
        )
        code_heap = self._is_code & (self._n_at >= N_HOPS_CODE) & (self._n_at > self._n_near)
        learnt = self._learns & (width >= FEW_STEPS) & (self._n_between >= N_BETWEEN) & (heap | code_heap)
        self._rails = np.where(learnt, self._end, np.inf)
        self._is_any = bool(learnt.any())

    def _find_codes(self) -> NDArray[np.bool_]:
        """Which ends are the last code of a converter, or its first: ``(2 n_channels,)``."""
        codes = np.concatenate((self._end[: self._n], -self._end[self._n :])).tolist()
        return np.array(
            [
                code in (LAST_CODES if k < self._n else FIRST_CODES) and (code != 0 or bool(self._swings[k]))
                for k, code in enumerate(codes)
            ]
        )


def _lowest(ends: FloatArray) -> FloatArray:
    """Along the last axis, of what is there."""
    return np.asarray(np.where(ends > -np.inf, ends, np.inf).min(axis=-1), dtype=np.float64)
