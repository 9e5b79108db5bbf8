"""What an effort stream knows of one channel."""

from __future__ import annotations

import math
from collections import deque

from biofeedback.calibration.drift import ZeroDrift
from biofeedback.calibration.passive import N_RECENT, PassiveTension, Tension
from biofeedback.calibration.relaxed import LETTING_GO_PERCENT_PER_S, RISE_PERCENT


class ChannelState:
    """What is known of one channel, and the straight line its baseline follows through the present block."""

    def __init__(self) -> None:
        self.rest = self.start = self.strength = math.nan  # start: the baseline until tension is learnt
        self.rest_sd = 0.0
        self.n_silent = 0  # blocks in a row far below the resting level
        self.tension: PassiveTension | None = None
        self.drift: ZeroDrift | None = None
        self.means: deque[float] = deque(maxlen=N_RECENT)  # of this stretch's last blocks
        self.line = (math.nan, math.nan)
        self.sd_line = (0.0, 0.0)

    def is_still(self, mean: float, block_s: float) -> bool:
        """Whether a relaxed block may be passive tension, which falls slowly and never rises in a held position."""
        if not self.means or math.isnan(self.strength):
            return True
        percent = 100.0 / self.strength
        falls = (self.means[-1] - mean) * percent > LETTING_GO_PERCENT_PER_S * block_s
        return not falls and (mean - min(self.means)) * percent <= RISE_PERCENT

    def set_line(self, from_s: float, to_s: float, *, has_learnt: bool = True) -> None:
        """Say where the baseline goes in the next block; it takes up where it was unless the block before taught it."""
        if self.tension is None or not self.tension.is_known:
            self.line, self.sd_line = (self.start, self.start), (self.rest_sd, self.rest_sd)
            return
        far = self.tension.predict(to_s)
        near = self.tension.predict(from_s) if has_learnt else Tension(self.line[1], self.sd_line[1])
        self.line, self.sd_line = (near.level, far.level), (near.sd, far.sd)
