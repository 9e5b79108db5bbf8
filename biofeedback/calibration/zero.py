"""The zero: what a channel reads while nothing is done, and the refusal to take one from a moving signal."""

from __future__ import annotations

import numpy as np

from biofeedback.account.values import Zero
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel, Flag, FlagArray, FloatArray

NEEDED_S = 1.0
BLOCK_S = 0.25


def measure_zero(
    levels: FloatArray,
    flags: FlagArray,
    level_rate_hz: float,
    *,
    channel: Channel,
    move_limit: float = 5.0,
) -> Zero:
    """Zero of ``channel`` from a stretch of at least one second; ``levels`` and ``flags`` have shape ``(n,)``.

    The signal moves when its quarter-second means differ by more than both four times the scatter inside them
    (fast noise is harmless, it averages out) and ``move_limit`` (5 N, 1 % of a 500 N maximum: common practice, no
    source). A resting EMG has no such unit: it moves when the means differ by more than their own mean, an
    envelope, which may rest near 0 or below, by more than four times its scatter as well.

    Raises
    ------
    CalibrationError
        Too short, missing or clipped levels, or a moving signal.
    """
    name, duration_s = channel.name, len(levels) / level_rate_hz
    if len(levels) < max(2, round(NEEDED_S * level_rate_hz)):
        raise CalibrationError(
            f"the zero of {name} lasts {duration_s:.2f} s; {NEEDED_S:.0f} s is needed", "keep still for longer"
        )
    flagged = int(np.bitwise_or.reduce(flags))
    if flagged & Flag.MISSING or not np.all(np.isfinite(levels)):
        raise CalibrationError(f"{name} has a gap during the zero", "check the cable or radio, then zero again")
    if flagged & Flag.CLIPPED:
        raise CalibrationError(
            f"{name} lies on the converter's rail during the zero",
            "lower the gain or check the wiring, then zero again",
        )
    n_block = max(1, round(BLOCK_S * level_rate_hz))
    blocks = levels[: len(levels) // n_block * n_block].reshape(-1, n_block)
    means = blocks.mean(axis=1)
    moved = float(np.ptp(means))
    is_emg = channel.kind == "emg"
    scatter = 4 * float(np.median(blocks.std(axis=1)))
    limit = max(abs(float(np.mean(means))), scatter * channel.envelope) if is_emg else max(move_limit, scatter)
    if moved > limit:
        raise CalibrationError(
            f"{name} moves by {moved:.3g} {channel.unit} during the zero; {limit:.3g} is allowed",
            "relax, let go of the strap and keep still",
        )
    return Zero(float(np.mean(levels)), float(np.std(levels, ddof=1)), len(levels))
