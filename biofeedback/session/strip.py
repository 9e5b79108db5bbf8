"""The last seconds of effort for the screen."""

from __future__ import annotations

import numpy as np

from biofeedback.model import FlagArray, FloatArray


class Strip:
    """The last seconds of effort, addressed by level index."""

    def __init__(self, n_levels: int, n_channels: int) -> None:
        self._percent: FloatArray = np.full((n_levels, n_channels), np.nan)
        self._flags: FlagArray = np.zeros((n_levels, n_channels), dtype=np.uint16)
        self.end = 0

    def push(self, percent: FloatArray, flags: FlagArray) -> None:
        """Append; the oldest levels fall out."""
        size = len(self._percent)
        kept, kept_flags = percent[-size:], flags[-size:]
        where = np.arange(self.end + len(percent) - len(kept), self.end + len(percent)) % size
        self._percent[where], self._flags[where] = kept, kept_flags
        self.end += len(percent)

    def since(self, level: int) -> tuple[int, FloatArray]:
        """``(first, percent)`` from ``level`` on, or from the oldest level still kept."""
        first = max(level, self.end - len(self._percent), 0)
        return first, self._percent[np.arange(first, max(first, self.end)) % len(self._percent)]

    def recent_flags(self, n_levels: int) -> FlagArray:
        """All flags of the last levels, or-ed by channel."""
        where = np.arange(max(0, self.end - n_levels), self.end) % len(self._flags)
        flags: FlagArray = np.bitwise_or.reduce(self._flags[where], axis=0)
        return flags
