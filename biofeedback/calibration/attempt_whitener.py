"""The filter that makes a channel steadier, learnt from a maximal attempt and the rest before it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from biofeedback.account.values import Whitener
from biofeedback.calibration.attempt_values import HALF, Samples, bridge
from biofeedback.model import Channel, FloatArray
from biofeedback.signal.artefacts import EmgLook
from biofeedback.signal.whiten import PLAIN_BELOW, RELEASE_S, WHOLE_ABOVE, learn_whitening, measure_independent


def learn_whitener(look: EmgLook, samples: Samples, channel: Channel, n_baseline: int, n_best: int) -> Whitener | None:
    """The filter that makes this channel's levels steadier, scaled so that the attempt's value stays.

    None where it does not pay. Learnt from the push where it is above half of its strength, without what was cut out,
    and from the quietest half second before it.
    """
    hop, n_levels = look.hop, len(look.level)
    hops = look.filtered[-n_levels * hop :].reshape(n_levels, hop)
    strong = (look.level > HALF * np.nanmax(look.level)) & ~look.spoilt
    strong[:n_baseline] = False
    before, n_rest = look.filtered[: len(look.filtered) - (n_levels - n_baseline) * hop], n_best * hop
    rests = [before[at : at + n_rest] for at in range(0, len(before) - n_rest + 1, max(1, n_rest // 2))]
    rest = min(rests, key=lambda part: float(np.std(part)), default=before)
    value = _find_value(look.level, n_baseline, n_best)
    learnt = learn_whitening(hops[strong].ravel(), rest, samples.rate_hz, maximum=value)
    if learnt is None:
        return None
    filtered = np.convolve(look.filtered, learnt.coefficients)[: len(look.filtered)]
    level = look.measure_level(filtered)[-n_levels:]
    rest_square = float(np.mean(learnt.rest**2))
    best = _find_best(level, n_baseline, n_best)
    if best**2 <= rest_square:
        return None
    scale = value / math.sqrt(best**2 - rest_square)
    unit = abs(channel.factor)  # the samples were looked at as they were sent
    excess = max(0.0, scale**2 * rest_square - float(np.mean(rest**2)))
    # On a noisy board what is left of a light hold, the noise taken off, is not told from rest by a few moments
    tells_rest = excess < (PLAIN_BELOW * value) ** 2
    return Whitener(
        tuple((scale * learnt.coefficients).tolist()),
        samples.rate_hz,
        rest_excess=unit**2 * excess,
        plain_below=unit * PLAIN_BELOW * value,
        whole_above=unit * WHOLE_ABOVE * value,
        bandwidth_before_hz=learnt.bandwidth_before_hz,
        bandwidth_after_hz=learnt.bandwidth_after_hz,
        plain_independent_hz=_measure_independent(look.filtered, strong, samples.rate_hz, hop),
        independent_hz=_measure_independent(filtered, strong, samples.rate_hz, hop),
        release_s=RELEASE_S if tells_rest else 0.0,
    )


def _measure_independent(filtered: FloatArray, strong: NDArray[np.bool_], rate_hz: float, hop: int) -> float:
    """By how the means of neighbouring tenths of a second scatter in the strong hops (n_levels,) at the end."""
    power = np.mean(filtered[-len(strong) * hop :].reshape(-1, hop) ** 2, axis=1)
    return measure_independent(np.where(strong, power, np.nan), rate_hz / hop)


def _find_best(levels: FloatArray, n_baseline: int, n_best: int) -> float:
    """Best half second of an RMS in the push."""
    push = bridge(levels, ~np.isfinite(levels))[n_baseline:]
    return float(np.convolve(push, np.ones(n_best) / n_best, "valid").max())


def _find_value(levels: FloatArray, n_baseline: int, n_best: int) -> float:
    """Best half second of an RMS above its baseline; 0 where it is not."""
    baseline = float(np.nanmean(levels[:n_baseline]))
    return math.sqrt(max(0.0, _find_best(levels, n_baseline, n_best) ** 2 - baseline**2))
