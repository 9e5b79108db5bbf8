"""The last seconds of effort for the screen."""

from __future__ import annotations

import numpy as np

from biofeedback.model import FlagArray, FloatArray


class Strip:
    """The last seconds, addressed by level index: efforts, what was measured, flags.

    The arrays have room for twice as much, so that any run is one slice and the moving back is seldom.
    """

    def __init__(self, n_levels: int, n_channels: int) -> None:
        self._size = n_levels
        self._percent: FloatArray = np.full((2 * n_levels, n_channels), np.nan)
        self._values: FloatArray = np.full((2 * n_levels, n_channels), np.nan)
        self._flags: FlagArray = np.zeros((2 * n_levels, n_channels), dtype=np.uint16)
        self._filled = 0
        self.end = 0

    def push(self, percent: FloatArray, values: FloatArray, flags: FlagArray) -> None:
        """Append; the oldest levels fall out."""
        self.end += len(percent)
        percent, values, flags = percent[-self._size :], values[-self._size :], flags[-self._size :]
        at = self._filled
        if at + len(percent) > len(self._percent):
            kept = self._size
            for array in (self._percent, self._values, self._flags):
                array[:kept] = array[at - kept : at]
            at = kept
        self._filled = at + len(percent)
        now = slice(at, self._filled)
        self._percent[now], self._values[now], self._flags[now] = percent, values, flags

    def since(self, level: int) -> tuple[int, FloatArray, FloatArray]:
        """``(first, percent, values)`` from ``level`` on, or from the oldest level still kept.

        Views, good until the next push: copy what is to be kept.
        """
        first = min(max(level, self.end - self._size, 0), self.end)
        run = slice(self._filled - (self.end - first), self._filled)
        return first, self._percent[run], self._values[run]

    def recent_flags(self, n_levels: int) -> FlagArray:
        """All flags of the last levels, or-ed by channel."""
        start = max(0, self._filled - min(n_levels, self._size))
        flags: FlagArray = np.bitwise_or.reduce(self._flags[start : self._filled], axis=0)
        return flags
