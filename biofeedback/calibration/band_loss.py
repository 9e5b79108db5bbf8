"""Task failure as a rule on sample time: the band is lost. One object live and afterwards, so both say the same."""

from __future__ import annotations

from math import ceil

import numpy as np

from biofeedback.account.target import LOST_S, Target
from biofeedback.model import Flag, FlagArray, FloatArray

NOTHING_TO_GO_BY = int(Flag.MISSING | Flag.CLIPPED | Flag.FLAT | Flag.STRANGER)


class BandLoss:
    """Takes the levels of one contraction and finds where effort stayed below the band for ``lost_s``.

    It can be lost once it was reached, or ``grace_s`` after the start (None: only once reached). A level without a
    signal to go by is neither in nor below, and neither is one of a blind stretch: what a sensor loses is no fatigue.
    Levels count from the start of the contraction. ``entered``: the first at or above the lower edge; ``left``: the
    first of the stay below; ``found``: the level at which the stay has lasted long enough. None: not so far.
    """

    def __init__(
        self, target: Target, level_rate_hz: float, *, lost_s: float = LOST_S, grace_s: float | None = None
    ) -> None:
        self.n_needed = max(1, ceil(lost_s * level_rate_hz - 1e-6))
        self.entered: int | None = None
        self.left: int | None = None
        self.found: int | None = None
        self._target = target
        self._rate_hz = level_rate_hz
        self._from = None if grace_s is None else round(grace_s * level_rate_hz)
        self._n_seen = 0
        self._n_below = 0  # in a row, up to the last level

    @property
    def n_to_go(self) -> int:
        """Levels until it could be lost at the soonest."""
        return self.n_needed - self._n_below

    def take(self, percent: FloatArray, flags: FlagArray) -> None:
        """Take the next levels: effort (n,) in % of maximum and what is wrong with each (n,)."""
        n, first = len(percent), self._n_seen
        self._n_seen += n
        if self.found is not None or not n:
            return
        low = self._target.level_edges(n, self._rate_hz, first)[0]
        known = np.isfinite(percent) & ((flags & NOTHING_TO_GO_BY) == 0)
        index = np.arange(n)
        if self.entered is None:
            reached = np.flatnonzero(known & (percent >= low))
            self.entered = first + int(reached[0]) if reached.size else None
        below = known & (percent < low) & ~self._target.blind_levels(n, self._rate_hz, first)
        starts = [at for at in (self.entered, self._from) if at is not None]
        below &= index + first >= min(starts) if starts else False
        last_other = np.maximum.accumulate(np.where(below, -1 - self._n_below, index))
        runs = index - last_other
        enough = np.flatnonzero(runs >= self.n_needed)
        self._n_below = int(runs[-1])
        if enough.size:
            self.found = first + int(enough[0]) + 1
            self.left = self.found - self.n_needed
            if self.entered is not None and self.entered >= self.found:  # in a later part of the same run of levels
                self.entered = None
