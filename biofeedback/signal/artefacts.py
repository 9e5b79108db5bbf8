"""What no muscle does, found in the samples of one effort: single glitches, pops and tugs at a cable or electrode.

Afterwards, over a few seconds at once; live flags come from ``quality``. Limits were set on real holds (64 electrodes
of a vastus lateralis at 2048 Hz, four muscles at 2000 Hz), where clean electrodes stay below half of each; common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray
from biofeedback.signal.cascade import Cascade
from biofeedback.signal.design import butterworth
from biofeedback.signal.emg import LOW_EDGE_HZ, band_pass, mains_notch
from biofeedback.signal.mains import find_hum

GLITCH_EMG = 8.0  # times the RMS of the contraction, away from the median of five samples: muscle stays below 7
GLITCH_FORCE = 12.0  # times the usual distance from the median of 90 ms, and ...
GLITCH_OF_RANGE = 0.05  # ... of the effort's range
GLITCH_S = 0.03  # a twitch lasts longer
MEDIAN_S = 0.09
SLOWEST_RATE_HZ = 60.0  # below, a twitch may be one sample
SLOW_POWER = 1.0  # between 3 and 18 Hz in 100 ms, times the contraction's own power: a pulled cable
BURST_POWER = 12.0  # of 30 ms, times the contraction's own power
FAST_POWER = 6.0  # of second differences in 100 ms, times the contraction's own: glitches close together; muscle: 3.2
CROWD, CROWD_S = 3, 0.1  # glitches within that time: what lies between them is not to be believed, either
TOUCHED_S = 0.05  # on either side of what was found
MOST_SPOILT = 0.5  # of a window that may be left out of its mean


@dataclass(frozen=True, slots=True, eq=False)
class EmgLook:
    """One raw EMG channel's effort as its samples tell it.

    ``level`` (n_levels,) is the RMS without what was cut out, NaN where hardly anything is left; ``repaired`` and
    ``filtered`` are all samples without glitches, before and after the filters; ``spoilt`` (n_levels,) hops with a pop
    or tug; ``n_glitches`` single samples repaired;
    ``hum_share`` what mains hum holds of the effort's power, ``slow_share`` what lies below 20 Hz.
    """

    level: FloatArray
    repaired: FloatArray
    filtered: FloatArray
    spoilt: NDArray[np.bool_]
    n_glitches: int
    hum_share: float
    slow_share: float
    hop: int
    n_window: int
    all_spoilt: NDArray[np.bool_]  # those of the lead as well

    def measure_level(self, filtered: FloatArray) -> FloatArray:
        """RMS levels of all samples so filtered, without what was cut out; NaN where hardly anything is left."""
        return _measure_level(_hop_means(filtered**2, self.hop), self.all_spoilt, self.n_window)


def look_at_emg(
    samples: FloatArray, rate_hz: float, *, hop: int, n_window: int, n_lead: int, mains_hz: float | None
) -> EmgLook:
    """Judge raw EMG of an effort.

    Parameters
    ----------
    samples : (n_hops * hop,) in the channel's unit, with ``n_lead`` hops before the first level that is wanted.
    n_window : hops in the window of a level.
    mains_hz : what the notch takes out, None while it is off.
    """
    sections = band_pass(rate_hz)
    if mains_hz is not None:
        sections = np.concatenate((sections, mains_notch(mains_hz, rate_hz)))

    def run(which: FloatArray, x: FloatArray) -> FloatArray:
        cascade = Cascade(which, 1)
        cascade.start(x[:1])
        filtered: FloatArray = cascade.run(x[None])[0]
        return filtered

    filtered = run(sections, samples)
    repaired = _repair(samples, usual=np.sqrt(_usual_power(filtered, hop, n_window)))
    is_glitch = repaired != samples
    if is_glitch.any():
        filtered = run(sections, repaired)
    power = _hop_means(filtered**2, hop)
    usual = _usual_power(filtered, hop, n_window)
    slow = _hop_means(run(butterworth(2, (3.0, 18.0), rate_hz), repaired) ** 2, hop)
    per_s = rate_hz / hop
    spoilt = _spread(_running(slow, round(0.1 * per_s)) > SLOW_POWER * usual, round(TOUCHED_S * per_s))
    spoilt |= _spread(_running(power, max(1, round(0.03 * per_s))) > BURST_POWER * usual, round(TOUCHED_S * per_s))
    crowded = _find_crowds(repaired, is_glitch, hop=hop, per_s=per_s, n_window=n_window)
    spoilt |= _spread(crowded, round((CROWD_S + TOUCHED_S) * per_s))
    level = _measure_level(power, spoilt, n_window)
    active = filtered[n_lead * hop :].reshape(-1, hop)[level[n_lead:] ** 2 > usual / 4].ravel()
    hum_share = _hum_share(active, rate_hz)
    slow_share = _slow_share(repaired[n_lead * hop :], rate_hz)
    return EmgLook(
        level=level[n_lead:],
        repaired=repaired,
        filtered=filtered,
        spoilt=spoilt[n_lead:],
        n_glitches=int(np.count_nonzero(is_glitch)),
        hum_share=hum_share,
        slow_share=slow_share,
        hop=hop,
        n_window=n_window,
        all_spoilt=spoilt,
    )


def _measure_level(power: FloatArray, spoilt: NDArray[np.bool_], n_window: int) -> FloatArray:
    """Power of hops (n,) to RMS levels over windows of hops, spoilt ones left out."""
    windows = np.lib.stride_tricks.sliding_window_view
    kept = np.concatenate((np.zeros(n_window - 1), np.where(spoilt, 0.0, power)))
    n_in = windows(np.concatenate((np.zeros(n_window - 1), ~spoilt)), n_window).sum(axis=1)
    level = np.sqrt(windows(kept, n_window).sum(axis=1) / np.maximum(n_in, 1.0))
    level[n_in < MOST_SPOILT * n_window] = np.nan
    return np.asarray(level, dtype=np.float64)


def find_jumps(samples: FloatArray, rate_hz: float, hop: int) -> NDArray[np.bool_]:
    """Hops ``(n_hops,)`` of a force or an envelope with a jump too narrow for a muscle."""
    jumps = np.zeros(len(samples) // hop, dtype=np.bool_)
    if rate_hz < SLOWEST_RATE_HZ:
        return jumps
    from scipy.ndimage import median_filter

    width = 2 * (round(MEDIAN_S * rate_hz) // 2) + 1
    distance = np.abs(samples - median_filter(samples, max(5, width), mode="nearest"))
    n_around = round(rate_hz) | 1
    usual = np.full(len(samples), float(np.median(distance)))
    for at in range(0, len(samples), n_around):  # a push trembles more than a rest
        near = slice(max(0, at - n_around // 2), at + n_around + n_around // 2)
        usual[at : at + n_around] = np.median(distance[near])
    far = distance > np.maximum(GLITCH_FORCE * usual, GLITCH_OF_RANGE * np.ptp(np.quantile(samples, (0.02, 0.98))))
    edges = np.flatnonzero(np.diff(np.concatenate(([False], far, [False])).astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start <= max(1, round(GLITCH_S * rate_hz)):
            jumps[start // hop : (stop - 1) // hop + 1] = True
    return jumps


def _find_crowds(
    repaired: FloatArray, is_glitch: NDArray[np.bool_], *, hop: int, per_s: float, n_window: int
) -> NDArray[np.bool_]:
    """Hops (n_hops,) at whose end many glitches lie close together, repaired, or too small or too close for that."""
    n_near = max(1, round(CROWD_S * per_s))
    fast = np.concatenate(([0.0, 0.0], np.diff(repaired, 2)))
    power = _hop_means(fast**2, hop)
    crowded = _running(power, n_near) > FAST_POWER * _usual_power(fast, hop, n_window)
    crowded |= n_near * hop * _running(_hop_means(is_glitch.astype(np.float64), hop), n_near) > CROWD - 0.5
    return np.asarray(crowded, dtype=np.bool_)


def _repair(samples: FloatArray, *, usual: float) -> FloatArray:
    """Samples of raw EMG with lone outliers replaced by the median of their neighbours."""
    from scipy.ndimage import median_filter

    middle = median_filter(samples, 5, mode="nearest")
    far = np.abs(samples - middle) > GLITCH_EMG * usual
    lone = far & ~(np.convolve(far, np.ones(3), "same") > 2)
    return np.where(lone, middle, samples)


def _hum_share(active: FloatArray, rate_hz: float) -> float:
    """What mains hum holds of the power of filtered samples, in bins of about 1 Hz."""
    if active.size < rate_hz:
        return 0.0
    power = np.abs(np.fft.rfft((active - active.mean()) * np.hanning(active.size + 1)[:-1])) ** 2
    n_bin = max(1, active.size // round(rate_hz))
    power = power[: power.size // n_bin * n_bin].reshape(-1, n_bin).sum(axis=1)
    return find_hum(np.arange(power.size) * (n_bin * rate_hz / active.size), power, rate_hz)[1]


def _slow_share(samples: FloatArray, rate_hz: float) -> float:
    """What lies below 20 Hz of the power of a second, of the middle one of all seconds: a pop is one or two of them."""
    n = round(rate_hz)
    seconds = samples[: len(samples) // n * n].reshape(-1, n)
    if not len(seconds):
        return 0.0
    power = np.abs(np.fft.rfft(seconds - seconds.mean(axis=1, keepdims=True), axis=1)) ** 2
    share = power[:, : round(LOW_EDGE_HZ)].sum(axis=1) / np.maximum(power.sum(axis=1), 1e-300)
    return float(np.median(share))


def _usual_power(filtered: FloatArray, hop: int, n_window: int) -> float:
    """Power of the contraction: the median of the stronger half second windows, which a pop or two cannot move."""
    power = _running(_hop_means(filtered**2, hop), n_window)
    return float(np.median(power[power > np.quantile(power, 0.75) / 4]))


def _hop_means(x: FloatArray, hop: int) -> FloatArray:
    return np.asarray(x[: len(x) // hop * hop].reshape(-1, hop).mean(axis=1), dtype=np.float64)


def _running(x: FloatArray, n: int) -> FloatArray:
    """Mean of the last ``n``, of fewer at the start."""
    sums = np.concatenate(([0.0], np.cumsum(x)))
    first = np.maximum(np.arange(1, len(x) + 1) - n, 0)
    return (sums[1:] - sums[first]) / np.minimum(np.arange(1, len(x) + 1), n)


def _spread(found: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    """``found`` and ``n`` neighbours on either side."""
    return np.asarray(np.convolve(found, np.ones(2 * n + 1), "same") > 0.5, dtype=np.bool_)
