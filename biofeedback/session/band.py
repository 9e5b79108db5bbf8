"""Where effort is against the target band: a steady word for the screen, exact seconds for the count."""

from __future__ import annotations

import math
from enum import IntEnum

from biofeedback.account.target import Target
from biofeedback.model import Band


class BandState(IntEnum):
    """What the athlete sees and hears; NONE when there is no band or no valid level."""

    NONE = 0
    BELOW = 1
    IN = 2
    ABOVE = 3


class BandTracker:
    """State with hysteresis and dwell, and the time spent in the band.

    The state changes only after the level has asked for the change for ``dwell_s``; leaving IN takes
    ``hysteresis_percent`` beyond the edge. The count uses the plain edges, both included, and leaves out the first
    ``grace_s`` and every level that is not known. A `Target` moves the band from level to level.
    """

    def __init__(
        self, band: Band | Target, level_rate_hz: float, *, grace_s: float, hysteresis_percent: float, dwell_s: float
    ) -> None:
        self.band = band if isinstance(band, Band) else band.band
        target = band if isinstance(band, Target) and (band.moves or band.blind) else None
        n = 0 if target is None else math.ceil(target.duration_s * level_rate_hz) + 1  # the last holds from then on
        edges = target.level_edges(n, level_rate_hz).T.tolist() if target else []
        self._bands = [Band(low, high) for low, high in edges]  # at every level, so that following costs nothing
        self._blind = target.blind_levels(n, level_rate_hz).tolist() if target else []
        self.state = BandState.NONE
        self.is_blind = False  # neither number nor sound just now
        self.n_counted = 0
        self.n_in_band = 0
        self._level_s = 1.0 / level_rate_hz
        self._n_grace = round(grace_s * level_rate_hz)
        self._n_dwell = max(1, round(dwell_s * level_rate_hz))
        self._hysteresis = hysteresis_percent
        self._n_seen = 0
        self._wanted = BandState.NONE
        self._n_wanted = 0

    def push(self, percent: float) -> BandState:
        """Take one level of effort (NaN: unknown) and return the state to show."""
        self._n_seen += 1
        if self._bands:
            at = min(self._n_seen, len(self._bands)) - 1
            self.band, self.is_blind = self._bands[at], self._blind[at]
        if math.isnan(percent):
            self.state = self._wanted = BandState.NONE
            self._n_wanted = 0
            return self.state
        if self._n_seen > self._n_grace:
            self.n_counted += 1
            self.n_in_band += self.band.low_percent <= percent <= self.band.high_percent
        wanted = self._place(percent)
        self._n_wanted = self._n_wanted + 1 if wanted == self._wanted else 1
        self._wanted = wanted
        if wanted != self.state and (self.state == BandState.NONE or self._n_wanted >= self._n_dwell):
            self.state = wanted
        return self.state

    @property
    def in_band_s(self) -> float:
        """Counted seconds in the band."""
        return self.n_in_band * self._level_s

    @property
    def counted_s(self) -> float:
        """Seconds that count: known levels after the grace."""
        return self.n_counted * self._level_s

    def _place(self, percent: float) -> BandState:
        slack = self._hysteresis if self.state == BandState.IN else 0.0
        if percent < self.band.low_percent - slack:
            return BandState.BELOW
        if percent > self.band.high_percent + slack:
            return BandState.ABOVE
        return BandState.IN
