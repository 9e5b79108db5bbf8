"""What an attempt is measured with: the samples it came from, its baseline, and effort above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, FloatArray

BASELINE_S = 1.0  # the countdown's last second, before the push
BEST_S = 0.5  # an instant peak is 7-15 % too high in real recordings; a half-second mean is not
HALF = 0.5  # an attempt lasts while it is above half of its value


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """What one channel sent: ``counts`` (n_frames,), NaN where missing, up to the end of the levels of an attempt.

    ``hop`` frames make a level. What lies before the first level, a second or so, lets the filters settle.
    ``mains_hz`` is what the notch takes out of raw EMG.
    """

    counts: FloatArray
    rate_hz: float
    hop: int
    mains_hz: float | None = None


def is_quadratic(channel: Channel) -> bool:
    """Whether noise adds to the channel's level in quadrature (raw EMG's RMS) rather than linearly."""
    return channel.kind == "emg" and not channel.envelope


def above_baseline(level: float, baseline: float, channel: Channel) -> float:
    """Level above baseline: linear, or sqrt(max(0, level^2 - baseline^2)) for the RMS of raw EMG."""
    return float(np.sqrt(max(0.0, level**2 - baseline**2))) if is_quadratic(channel) else level - baseline


def bridge(levels: FloatArray, cut: NDArray[np.bool_]) -> FloatArray:
    """A straight line across what was cut out."""
    if not cut.any() or cut.all():
        return np.nan_to_num(levels) if cut.all() else levels
    at = np.arange(len(levels))
    return np.where(cut, np.interp(at, at[~cut], levels[~cut]), levels)
