"""What an effort stream knows of one channel."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TypeAlias

from biofeedback.calibration.drift import ZeroDrift
from biofeedback.calibration.passive import N_RECENT, PassiveTension
from biofeedback.calibration.relaxed import LETTING_GO_PERCENT_PER_S, RISE_PERCENT

OFF_BELOW, OFF_BLOCKS = 0.3, 4  # of the resting level, for 2 s: no skin is that quiet; common practice, no source
Line: TypeAlias = tuple[float, float, float, float]  # baseline at the start and the end of a block, and its SDs


class ChannelState:
    """What is known of one channel, and the straight line its baseline follows through the present block."""

    def __init__(self) -> None:
        self.rest = self.start = self.strength = math.nan  # start: the baseline until tension is learnt
        self.rest_sd = 0.0
        self.n_silent = 0  # blocks in a row far below the resting level
        self.tension: PassiveTension | None = None
        self.drift: ZeroDrift | None = None
        self.means: deque[float] = deque(maxlen=N_RECENT)  # of this stretch's last blocks
        self.line: Line = (math.nan, math.nan, 0.0, 0.0)

    @property
    def is_silent(self) -> bool:
        """Whether raw EMG is quieter than skin at rest can be."""
        return self.n_silent >= OFF_BLOCKS

    def find_silence(self, means: Sequence[float]) -> list[bool]:
        """`is_silent` after each of the next blocks, by their mean levels."""
        found = []
        for mean in means:
            self.n_silent = self.n_silent + 1 if mean < OFF_BELOW * self.rest else 0
            found.append(self.is_silent)
        return found

    def is_still(self, mean: float, block_s: float) -> bool:
        """Whether a relaxed block may be passive tension, which falls slowly and never rises in a held position."""
        if not self.means or math.isnan(self.strength):
            return True
        percent = 100.0 / self.strength
        falls = (self.means[-1] - mean) * percent > LETTING_GO_PERCENT_PER_S * block_s
        return not falls and (mean - min(self.means)) * percent <= RISE_PERCENT

    def start_anew(self) -> None:
        """The baseline of what is not learnt."""
        self.line = (self.start, self.start, self.rest_sd, self.rest_sd)

    def follow(
        self,
        tension: PassiveTension,
        means: Sequence[float],
        usable: Sequence[bool],
        may_learn: Sequence[bool],
        *,
        ends_s: Sequence[float],
        block_s: float,
    ) -> list[Line]:
        """Take the next blocks' mean levels, and learn where one may; the line of the block after each of them."""
        learns = []
        for mean, is_usable, may in zip(means, usable, may_learn, strict=True):
            is_known = is_usable and not math.isnan(mean)
            learns.append(may and is_known and self.is_still(mean, block_s))
            if is_known:
                self.means.append(mean)
        lines: list[Line] = []
        for is_learnt, some in groupby(learns):
            part = slice(len(lines), len(lines) + len(list(some)))
            if is_learnt:
                lines += _learn(tension, means[part], ends_s[part], block_s)
            elif tension.is_known:  # takes up where it was
                for far in tension.foresee([end_s + block_s for end_s in ends_s[part]]):
                    _, near, _, near_sd = lines[-1] if lines else self.line
                    lines.append((near, far.level, near_sd, far.sd))
            else:
                lines += [(self.start, self.start, self.rest_sd, self.rest_sd)] * (part.stop - part.start)
        self.line = lines[-1]
        return lines


def _learn(tension: PassiveTension, means: Sequence[float], ends_s: Sequence[float], block_s: float) -> Iterator[Line]:
    """Learn from blocks; the line of the block after each of them."""
    at = 0
    for fits in tension.learn_all([end_s - block_s / 2 for end_s in ends_s], means):
        part = ends_s[at : at + fits.n]
        at += fits.n
        near_and_far = tension.foresee([*part, *(end_s + block_s for end_s in part)], fits)
        for near, far in zip(near_and_far[: fits.n], near_and_far[fits.n :], strict=True):
            yield near.level, far.level, near.sd, far.sd
