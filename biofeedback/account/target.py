"""Where the band of a contraction is at every moment: it may stand, move in a line, jump, and be out of sight."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Band, FloatArray

BoolArray: TypeAlias = NDArray[np.bool_]

BAND_LOST, RECOVERED = "band lost", "recovered"
LOST_S = 2.0  # below the band for so long is losing it; studies take 2 to 5 s (5 s: Patikas 2013), the shortest is ours


@dataclass(frozen=True, slots=True)
class Target:
    """The band over ``duration_s``: ``band`` first, then in a straight line through ``ramp``, or by jumps to ``steps``.

    Each takes an equal part of the time; after the end the last band stays. ``blind``: stretches (from, to), in s from
    the start, in which neither number nor sound is given; all that is counted goes on. ValueError: it cannot be so.
    """

    band: Band
    duration_s: float
    ramp: tuple[Band, ...] = ()
    steps: tuple[Band, ...] = ()
    blind: tuple[tuple[float, ...], ...] = ()

    def __post_init__(self) -> None:
        if not (isfinite(self.duration_s) and self.duration_s > 0):
            raise ValueError(f"a band over {self.duration_s} s")
        if self.ramp and self.steps:
            raise ValueError("a band that moves in a line and by steps at once")
        for stretch in self.blind:
            if len(stretch) != 2 or not 0 <= stretch[0] < stretch[1]:
                raise ValueError(f"a blind stretch {list(stretch)}: from one second to a later one")

    @property
    def moves(self) -> bool:
        """Whether the band is elsewhere at another time."""
        return bool(self.ramp or self.steps)

    @property
    def bands(self) -> tuple[Band, ...]:
        """All that it comes to, in order."""
        return (self.band, *self.ramp, *self.steps)

    def at(self, time_s: float) -> Band:
        """The band at ``time_s`` from the start."""
        if not self.moves:
            return self.band
        low, high = self.edges(np.array([time_s]))
        return Band(float(low[0]), float(high[0]))

    def edges(self, time_s: FloatArray) -> FloatArray:
        """Lower and upper edge (2, n) in % at each time (n,) in s from the start."""
        bands = self.bands
        both = np.array([[band.low_percent for band in bands], [band.high_percent for band in bands]])
        if self.ramp:
            knots = np.linspace(0.0, self.duration_s, len(bands))
            return np.stack([np.interp(time_s, knots, edge) for edge in both])
        if self.steps:
            part = np.floor(np.asarray(time_s) / self.duration_s * len(bands)).astype(int)
            return np.asarray(both[:, np.clip(part, 0, len(bands) - 1)], dtype=np.float64)
        return np.repeat(both[:, :1], len(time_s), axis=1)

    def level_edges(self, n_levels: int, level_rate_hz: float, first: int = 0) -> FloatArray:
        """The edges (2, n_levels) of levels from ``first`` on, each at its middle; level 0 begins with the phase."""
        return self.edges(_middles(n_levels, level_rate_hz, first))

    def is_blind(self, time_s: float) -> bool:
        """Whether number and sound are away at ``time_s`` from the start."""
        return any(first <= time_s < end for first, end in self.blind)

    def blind_levels(self, n_levels: int, level_rate_hz: float, first: int = 0) -> BoolArray:
        """Which levels (n_levels,) from ``first`` on are blind."""
        time_s = _middles(n_levels, level_rate_hz, first)
        hidden = np.zeros(n_levels, dtype=np.bool_)
        for start, end in self.blind:
            hidden |= (time_s >= start) & (time_s < end)
        return hidden


def _middles(n_levels: int, level_rate_hz: float, first: int) -> FloatArray:
    return (np.arange(first, first + n_levels, dtype=np.float64) + 0.5) / level_rate_hz
