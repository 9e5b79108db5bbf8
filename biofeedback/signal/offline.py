"""Force without delay, for afterwards only: it looks into the future, so nobody may steer by it live."""

from __future__ import annotations

import numpy as np

from biofeedback.model import FloatArray
from biofeedback.signal.force import FORCE_EDGE_HZ, HIGHEST_EDGE


def correct_edge_hz(edge_hz: float, order: int) -> float:
    """Edge to ask for so that two passes together are down by 3 dB at ``edge_hz``.

    ``edge_hz / (sqrt(2) - 1) ** (1 / (2 * order))``: divide by 0.802 for order 2 (Winter, Biomechanics and Motor
    Control of Human Movement).
    """
    return float(edge_hz / (np.sqrt(2) - 1) ** (1 / (2 * order)))


def smooth_force(force: FloatArray, rate_hz: float, *, edge_hz: float = FORCE_EDGE_HZ, order: int = 2) -> FloatArray:
    """Low-pass forwards and backwards along time (rows), without delay; -3 dB at ``edge_hz`` after both passes.

    Parameters
    ----------
    force : (n_frames,) or (n_frames, n_channels), without NaN.
    rate_hz : too slow a board (corrected edge above 0.45 of its rate) gets its force back unchanged.

    Raises
    ------
    ValueError
        NaN in the force: a gap cannot be filtered over, cut it out first.
    """
    if not np.isfinite(force).all():
        raise ValueError("force has gaps; filter the stretches between them")
    asked_hz = correct_edge_hz(edge_hz, order)
    if asked_hz > HIGHEST_EDGE * rate_hz:
        return force.copy()
    from scipy.signal import butter, sosfiltfilt

    sections = butter(order, asked_hz, fs=rate_hz, output="sos")
    padding = min(round(rate_hz), force.shape[0] - 1)
    return np.asarray(sosfiltfilt(sections, force, axis=0, padlen=padding), dtype=np.float64)
