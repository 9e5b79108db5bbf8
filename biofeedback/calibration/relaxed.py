"""Did the athlete really relax? EMG at rest where there is a channel, the slope of force otherwise.

A constant light pull cannot be told from passive tension by force alone: then the answer is only "nothing moved".
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from biofeedback.account.values import Relaxation
from biofeedback.model import Channel, Flag, FlagArray, FloatArray

EMG_LIMIT_PERCENT = 5.0  # of the EMG's own maximum; common practice, no source
RISE_LIMIT_PERCENT_PER_S = 0.5  # passive tension in a held position never rises
FALL_LIMIT_PERCENT_PER_S = 3.0  # it falls by 33 % of itself in 90 s (Magnusson 1996), a few % in its fastest second
LETTING_GO_PERCENT_PER_S = 5.0  # a half second that falls faster than this is no baseline ...
RISE_PERCENT = 1.0  # ... nor one that has risen by more than this within two seconds
LOOK_S = 5.0
UNUSABLE = int(Flag.MISSING | Flag.CLIPPED | Flag.SETTLING)
EMG_DOUBTFUL = int(Flag.HUM | Flag.ELECTRODE) | UNUSABLE


def check_relaxed(
    percent: FloatArray, flags: FlagArray, level_rate_hz: float, *, channels: Sequence[Channel]
) -> Relaxation:
    """Judge the last five seconds of a relaxed stretch; ``percent`` and ``flags`` have shape ``(n, n_channels)``.

    Relaxed means every usable EMG at most 5 % of its maximum; without one, force that rises by at most 0.5 % of
    maximum per second and falls by at most 3 %.
    """
    n_look = round(LOOK_S * level_rate_hz)
    percent, flags = percent[-n_look:], flags[-n_look:]
    emg_percent = mean_emg_percent(percent, flags, channels)
    if emg_percent is not None:
        if emg_percent <= EMG_LIMIT_PERCENT:
            return Relaxation(True, "emg", "")
        return Relaxation(
            False,
            "emg",
            f"EMG shows {emg_percent:.0f} % of its maximum while relaxing; {EMG_LIMIT_PERCENT:g} % is allowed; let go",
        )
    for index, channel in enumerate(channels):
        good = np.isfinite(percent[:, index]) & ~(flags[:, index] & UNUSABLE).astype(bool)
        if channel.kind != "force" or np.count_nonzero(good) < level_rate_hz:
            continue
        time_s = np.flatnonzero(good) / level_rate_hz
        time_s = time_s - time_s.mean()
        slope = float(time_s @ percent[good, index] / (time_s @ time_s))
        return _judge_slope(slope)
    return Relaxation(None, "", "no calibrated force or EMG to judge by; ask the athlete")


def mean_emg_percent(percent: FloatArray, flags: FlagArray, channels: Sequence[Channel]) -> float | None:
    """The most active calibrated EMG channel's mean effort; None where none is usable."""
    means = [
        float(np.add.reduce(percent[:, index])) / len(percent)
        for index, channel in enumerate(channels)
        if channel.kind == "emg" and len(percent) and not np.any(flags[:, index] & EMG_DOUBTFUL)
    ]
    return max((mean for mean in means if np.isfinite(mean)), default=None)


def _judge_slope(slope: float) -> Relaxation:
    if slope > RISE_LIMIT_PERCENT_PER_S:
        return Relaxation(
            False,
            "force",
            f"force rises by {slope:.1f} % of maximum per second while relaxing; {RISE_LIMIT_PERCENT_PER_S:g} is "
            "allowed; let go, and hold the position still",
        )
    if slope < -FALL_LIMIT_PERCENT_PER_S:
        return Relaxation(
            False,
            "force",
            f"force still falls by {-slope:.1f} % of maximum per second; {FALL_LIMIT_PERCENT_PER_S:g} is allowed; "
            "wait until it has settled",
        )
    return Relaxation(True, "force", "")
