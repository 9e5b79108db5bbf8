"""Has the zero of a force channel moved? Judged on means of half seconds, causally, from the zero on.

Force alone cannot tell a moved zero from a load that stays. Two things can be told, since a strap pulls and never
pushes: a quiet reading below the zero is no load; and a reading that creeps away from the zero, more slowly than a
person comes into a stretch, is no person. So the resting level is followed from the zero on as long as it creeps, let
go of when it is left faster, and found again by a quiet reading near the zero, near where it was, or below.

What cannot be told: a zero that rises while the position is held, by more than half the limit at once or faster than
the creep that is followed; it is passive tension or contraction as far as anybody can see. Only zeroing again tells
then, and the change from one zero to the next is on record. A channel that can be pushed both ways (a plate held
rigidly) reads below its zero when it is pushed the other way for two seconds: that is taken for a moved zero until it
comes back.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from biofeedback.calibration.units import NEWTON_PER_UNIT
from biofeedback.model import Channel

LIMIT_PERCENT = 2.0  # of maximum: twice the hysteresis of the bands; common practice, no source
LIMIT_NEWTON = 5.0  # while there is no maximum: what may move while the zero is taken
NOISE_SD = 6.0  # never less than this many SD of a level at the zero ...
NOISE_SD_ALONE = 20.0  # ... or this many where neither maximum nor newtons are known
NEAR = 0.5  # of the limit: a quiet reading within this of a resting level is that level
CREEP_S = 40.0  # the least time in which the resting level may rise by the limit: coming into a stretch is faster
QUIET_S = 2.0


class ZeroDrift:
    """Follows one channel's resting level; ``has_moved`` says whether it is off the zero by more than the limit.

    ``rest`` +- ``sd`` is the zero in the channel's unit, ``sd`` that of a single level. ``strength`` (in the unit) may
    be set as soon as a maximum is known.
    """

    def __init__(self, channel: Channel, rest: float, sd: float, *, block_s: float) -> None:
        self.strength = 0.0
        self.level = rest
        self.has_moved = False
        self._zero, self._sd = rest, sd
        self._least = max(NOISE_SD_ALONE * sd, 4.0 * abs(channel.factor))  # of counts that only flip between two codes
        if newton := NEWTON_PER_UNIT.get(channel.unit):
            self._least = max(LIMIT_NEWTON / newton, NOISE_SD * sd)
        self._block_s = block_s
        self._recent: deque[float] = deque(maxlen=max(2, round(QUIET_S / block_s)))

    @property
    def limit(self) -> float:
        """How far the resting level may be from the zero, in the channel's unit."""
        if not self.strength > 0:
            return self._least
        return max(LIMIT_PERCENT / 100.0 * self.strength, NOISE_SD * self._sd)

    def push(self, mean: float) -> None:
        """The mean of the next half second; NaN where it is missing or not to be used."""
        self.push_all([mean])

    def push_all(self, means: Sequence[float]) -> list[bool]:
        """The means of the next half seconds; `has_moved` after each of them."""
        recent, moved, limit = self._recent, [], self.limit
        near = NEAR * limit
        for mean in means:
            if math.isnan(mean):
                recent.clear()
            else:
                recent.append(mean)
                if len(recent) == recent.maxlen and max(recent) - min(recent) <= near:
                    self._follow(mean, limit, near)
            moved.append(self.has_moved)
        return moved

    def _follow(self, mean: float, limit: float, near: float) -> None:
        """A quiet reading."""
        if mean < self.level or abs(mean - self._zero) <= near < abs(mean - self.level):
            self.level = mean
        elif mean - self.level <= near:
            self.level += min(mean - self.level, limit * self._block_s / CREEP_S)
        self.has_moved = abs(self.level - self._zero) > (near if self.has_moved else limit)
