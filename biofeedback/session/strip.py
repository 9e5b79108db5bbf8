"""The last seconds of effort for the screen."""

from __future__ import annotations

import numpy as np

from biofeedback.model import Flag, FlagArray, FloatArray


class Strip:
    """The last seconds, addressed by level index: efforts, what was measured, flags.

    The arrays have room for twice as much, so that any run is one slice and the moving back is seldom.
    """

    def __init__(self, n_levels: int, n_channels: int) -> None:
        self._size = n_levels
        self._numbers: FloatArray = np.full((2, 2 * n_levels, n_channels), np.nan)  # percent and values
        self._flags: FlagArray = np.zeros((2 * n_levels, n_channels), dtype=np.uint16)
        self._filled = 0
        self.end = 0

    def push(self, percent: FloatArray, values: FloatArray, flags: FlagArray) -> None:
        """Append; the oldest levels fall out."""
        self.end += len(percent)
        percent, values, flags = percent[-self._size :], values[-self._size :], flags[-self._size :]
        at = self._filled
        if at + len(percent) > len(self._flags):
            kept = self._size
            self._numbers[:, :kept] = self._numbers[:, at - kept : at]
            self._flags[:kept] = self._flags[at - kept : at]
            at = kept
        self._filled = at + len(percent)
        now = slice(at, self._filled)
        self._numbers[0, now], self._numbers[1, now], self._flags[now] = percent, values, flags

    def since(self, level: int) -> tuple[int, FloatArray]:
        """``(first, numbers)`` from ``level`` on, or from the oldest level still kept.

        ``numbers`` (2, n_levels, n_channels) are percent and values; a view, good until the next push.
        """
        first = min(max(level, self.end - self._size, 0), self.end)
        return first, self._numbers[:, self._filled - (self.end - first) : self._filled]

    @property
    def now(self) -> tuple[float, ...]:
        """Effort of each channel at the last level, NaN before the first."""
        return tuple(self._numbers[0, self._filled - 1].tolist())

    def recent_flags(self, n_levels: int) -> FlagArray:
        """All flags of the last levels, or-ed by channel."""
        flags: FlagArray = np.bitwise_or.reduce(self._recent(n_levels), axis=0)
        return flags

    def recent_share(self, n_levels: int, flag: Flag) -> list[float]:
        """By channel, the part of the last levels that carries ``flag``."""
        carried = (self._recent(n_levels) & flag) != 0
        return [float(share) for share in carried.sum(axis=0) / n_levels]

    def _recent(self, n_levels: int) -> FlagArray:
        return self._flags[max(0, self._filled - min(n_levels, self._size)) : self._filled]
