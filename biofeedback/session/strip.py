"""The last seconds of effort for the screen."""

from __future__ import annotations

import numpy as np

from biofeedback.model import FlagArray, FloatArray


class Strip:
    """The last seconds of effort, addressed by level index. Kept twice, side by side, so that any run is one slice."""

    def __init__(self, n_levels: int, n_channels: int) -> None:
        self._size = n_levels
        self._percent: FloatArray = np.full((2 * n_levels, n_channels), np.nan)
        self._flags: FlagArray = np.zeros((2 * n_levels, n_channels), dtype=np.uint16)
        self.end = 0

    def push(self, percent: FloatArray, flags: FlagArray) -> None:
        """Append; the oldest levels fall out."""
        at = 0
        while at < len(percent):
            where = (self.end + at) % self._size
            n = min(len(percent) - at, self._size - where)
            for copy in (where, where + self._size):
                self._percent[copy : copy + n] = percent[at : at + n]
                self._flags[copy : copy + n] = flags[at : at + n]
            at += n
        self.end += len(percent)

    def since(self, level: int) -> tuple[int, FloatArray]:
        """``(first, percent)`` from ``level`` on, or from the oldest level still kept; a copy."""
        first = min(max(level, self.end - self._size, 0), self.end)
        start = first % self._size
        return first, self._percent[start : start + self.end - first].copy()

    def recent_flags(self, n_levels: int) -> FlagArray:
        """All flags of the last levels, or-ed by channel."""
        n = min(n_levels, self.end, self._size)
        start = (self.end - n) % self._size
        flags: FlagArray = np.bitwise_or.reduce(self._flags[start : start + n], axis=0)
        return flags
