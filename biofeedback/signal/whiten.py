"""A steadier EMG level: what makes a muscle's spectrum uneven is taken out before the squares.

The random error of an RMS is 1 / (2 sqrt(B T)), B the statistical bandwidth (sum P)^2 / sum P^2. Real muscle activity,
band-passed at 20-450 Hz, has a B of 80-120 Hz; after the inverse of its own autoregressive model (order 6, Yule-Walker)
it has three times as much. Hogan & Mann, IEEE Trans Biomed Eng 27 (1980) 382; Clancy, Morin & Merletti, J Electromyogr
Kinesiol 12 (2002) 1-16 (both from memory).

The inverse lifts what the muscle has little of, the amplifier's noise at high frequencies too. So it is made milder
until what it makes of the resting signal stays small, what it adds at rest is taken off again, near rest the plain
squares are used, and it is refused where it does not pay.

What the level then wanders by is more than the bandwidth says, as muscle fires in bursts: `measure_independent`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from biofeedback.model import FloatArray
from biofeedback.signal.cascade import Cascade

ORDER = 6
LEAST_S = 1.0  # of contraction to learn from
LEAST_GAIN = 1.3  # bandwidth after over before; less does not pay
LIGHT = 0.25  # of the maximum: where the filter is chosen to be best
PLAIN_BELOW, WHOLE_ABOVE = 0.05, 0.12  # of the maximum: below the lightest bands
FOLLOW_S = 0.2  # how long the choice between them looks back
POWERS_PER_S = 100.0  # mean squares, of which the scatter is measured
NEIGHBOUR_S = 0.12  # means whose scatter is measured: what is slower than two of them is the effort, not the signal
RELEASE_S = 0.16  # of rest ends a contraction: longer than between the pulses of one slow motor unit (from memory)
ENDED = 2.0  # times the power of the newest rest: the window still holds the contraction
FLOORS = (
    1e-4,
    1e-3,
    3e-3,
    1e-2,
    3e-2,
    0.1,
    0.3,
    1.0,
)  # white noise added to the model, of its power: the milder the more


@dataclass(frozen=True, slots=True, eq=False)
class Whitening:
    """``coefficients`` (7,) of the filter, newest sample first; bandwidths in Hz, judged where it was not learnt.

    ``rest`` (m,) is the resting signal so filtered.
    """

    coefficients: FloatArray
    bandwidth_before_hz: float
    bandwidth_after_hz: float
    rest: FloatArray


@dataclass(frozen=True, slots=True)
class WhiteningFilter:
    """What a level stream needs, in the channel's unit; one coefficient of 1 changes nothing.

    Coefficients, newest sample first; what they add to the mean square at rest; below which RMS they do not act at all
    and above which wholly. ``release_s`` of rest (below ``plain_below``) end a contraction at once, see `cut_release`;
    0 does not.
    """

    coefficients: tuple[float, ...]
    rest_excess: float
    plain_below: float
    whole_above: float
    release_s: float

    @property
    def is_plain(self) -> bool:
        """Whether it changes nothing."""
        return len(self.coefficients) <= 1


def learn_whitening(
    contraction: FloatArray, rest: FloatArray, rate_hz: float, *, maximum: float | None = None
) -> Whitening | None:
    """A filter for this channel, or None where it does not pay.

    Of models with more and more white noise added the one that leaves the least random error at a light effort is
    taken, the resting signal taken off; near rest, where it begins to act, it may not be worse than none.

    Parameters
    ----------
    contraction : (n,) band-passed samples of a strong effort, hum taken out; two thirds teach, the last third judges.
    rest : (m,) of the same channel at rest, half a second and more.
    maximum : RMS of the maximum in the same unit; None: that of the contraction.
    """
    if len(contraction) < LEAST_S * rate_hz or len(rest) < 0.4 * rate_hz or not contraction.any():
        return None
    taught, judged = np.split(contraction, [2 * len(contraction) // 3])
    before_hz = measure_bandwidth(judged, rate_hz)
    unit = (maximum or _rms(judged)) / _rms(judged)
    muscle, noise = unit**2 * _spectrum(judged, rate_hz), _spectrum(rest, rate_hz)
    tried = [filtered for floor in FLOORS if (filtered := _invert(taught, floor)) is not None]
    plain = np.array([1.0])
    tried = [
        one for one in tried if _error(one, muscle, noise, WHOLE_ABOVE) <= _error(plain, muscle, noise, WHOLE_ABOVE)
    ]
    if not tried:
        return None
    best = min(tried, key=lambda one: _error(one, muscle, noise, LIGHT))
    after = whiten(judged, best)
    after_hz = measure_bandwidth(after, rate_hz)
    if after_hz < LEAST_GAIN * before_hz or not _scatters_less(contraction, best, rate_hz):
        return None
    coefficients = best * _rms(judged) / _rms(after)
    return Whitening(coefficients, before_hz, after_hz, whiten(rest, coefficients))


def _scatters_less(x: FloatArray, coefficients: FloatArray, rate_hz: float) -> bool:
    """Whether the level of the contraction itself wanders less after the filter; also where too few readings tell.

    A spectrum that is even says nothing of a muscle whose units fire together: its level may wander as before.
    """
    hop = max(1, round(rate_hz / POWERS_PER_S))
    whole = len(x) // hop * hop
    plain_hz, after_hz = (
        measure_independent(np.mean(y[:whole].reshape(-1, hop) ** 2, axis=1), rate_hz / hop)
        for y in (x, np.convolve(x, coefficients))
    )
    return after_hz > plain_hz or not plain_hz


def _error(coefficients: FloatArray, muscle: FloatArray, noise: FloatArray, effort: float) -> float:
    """Relative random error of a mean square at ``effort``, up to a factor, from spectra at the maximum and at rest."""
    n = 2 * (len(muscle) - 1)
    gain = np.abs(np.fft.rfft(coefficients, n)) ** 2
    signal = effort**2 * muscle * gain
    return float(np.sqrt(np.sum((signal + noise * gain) ** 2)) / max(signal.sum(), 1e-300))


def whiten(x: FloatArray, coefficients: FloatArray) -> FloatArray:
    """The filter over samples (n,), without the first few, which it fills with."""
    return np.convolve(x, coefficients)[len(coefficients) - 1 : len(x)]


def measure_bandwidth(x: FloatArray, rate_hz: float) -> float:
    """Statistical bandwidth in Hz of samples (n,)."""
    power = _spectrum(x, rate_hz)
    return float(power.sum() ** 2 / max(float((power**2).sum()), 1e-300)) * rate_hz / (2 * (len(power) - 1))


def measure_independent(power: FloatArray, per_s: float) -> float:
    """The bandwidth in Hz that a flat Gaussian signal would have whose level wanders as much; 0 where too few tell.

    From means over 0.12 s of ``power`` (n,), ``per_s`` a second, NaN where it does not count. Each is compared with the
    mean of those before and after it, so that an effort that rises or falls in a line adds nothing: the variance of
    that difference of logarithms is 1.5 times that of one, which is 1 / (B T).
    """
    n = max(1, round(NEIGHBOUR_S * per_s))
    if len(power) < 3 * n:
        return 0.0
    means = np.log(np.maximum(np.convolve(power, np.ones(n) / n, "valid"), 1e-300))
    off = means[n:-n] - (means[: -2 * n] + means[2 * n :]) / 2
    off = off[np.isfinite(off)]
    if len(off) < LEAST_S * per_s:
        return 0.0
    return float(1.5 / max(float(np.mean(off**2)), 1e-300)) / (n / per_s)


def _spectrum(x: FloatArray, rate_hz: float) -> FloatArray:
    """Mean power of Hann-windowed quarters of a second that overlap by half, (n_bins,)."""
    n = 2 * round(rate_hz / 8)
    window = np.hanning(n + 1)[:-1]
    parts = np.array([x[at : at + n] for at in range(0, len(x) - n + 1, n // 2)])
    return np.asarray((np.abs(np.fft.rfft(parts * window, axis=1)) ** 2).mean(axis=0), dtype=np.float64)


def _invert(x: FloatArray, floor: float) -> FloatArray | None:
    """The inverse of the autoregressive model of x, by the Yule-Walker equations."""
    r = np.array([x[: len(x) - k] @ x[k:] for k in range(ORDER + 1)])
    r[0] *= 1 + floor
    lags = np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))
    try:
        weights = np.linalg.solve(r[lags], r[1:])
    except np.linalg.LinAlgError:
        return None
    return np.concatenate(([1.0], -weights))


def _rms(x: FloatArray) -> float:
    return float(np.sqrt(np.mean(x * x)))


class WhiteningBank:
    """The filters of several channels from frame to frame, as squares; channels without one are squared as they are."""

    def __init__(self, n_channels: int, rate_hz: float, hop: int) -> None:
        self._rate_hz, self._hop = rate_hz, hop
        self._releases: dict[int, tuple[int, float]] = {}  # by channel: hops of rest that end it; below which power
        self._coefficients: FloatArray = np.zeros((n_channels, ORDER + 1))
        self._coefficients[:, 0] = 1.0
        self._excess: FloatArray = np.zeros((n_channels, 1))
        self._below: FloatArray = np.full((n_channels, 1), np.inf)  # mean squares
        self._per_width: FloatArray = np.zeros((n_channels, 1))
        keep = float(np.exp(-1.0 / (FOLLOW_S * rate_hz)))
        self._follow = Cascade(np.array([[1.0 - keep, 0.0, 0.0, 1.0, -keep, 0.0]]), n_channels)
        self._before: FloatArray = np.zeros((n_channels, ORDER))  # samples

    def set_filter(self, channel: int, one: WhiteningFilter) -> None:
        """From here on ``channel`` goes through this filter."""
        self._coefficients[channel] = 0.0
        self._coefficients[channel, : len(one.coefficients)] = one.coefficients
        self._excess[channel] = one.rest_excess
        below, above = one.plain_below**2, one.whole_above**2
        self._below[channel] = np.inf if one.is_plain else below
        self._per_width[channel] = 0.0 if one.is_plain else 1.0 / max(above - below, 1e-300)
        self._releases.pop(channel, None)
        if one.release_s and not one.is_plain:
            self._releases[channel] = max(1, round(one.release_s * self._rate_hz / self._hop)), below

    def start(self) -> None:
        """Start again after missing frames."""
        self._before[:] = 0.0
        self._follow.start(np.zeros(len(self._before)))

    def run(self, x: FloatArray) -> FloatArray:
        """Squares of the next frames, ``(n_channels, n_frames)``; sums in one fixed order, however frames are cut."""
        n = x.shape[1]
        known = np.concatenate((self._before, x), axis=1)
        self._before = known[:, n:].copy()
        y = known[:, ORDER:] * self._coefficients[:, :1]
        for lag in range(1, ORDER + 1):
            y += known[:, ORDER - lag : ORDER - lag + n] * self._coefficients[:, lag : lag + 1]
        squares = x * x
        above = np.maximum(self._follow.run(squares) - self._below, 0.0)  # nothing of a channel without a filter
        share = np.minimum(above * self._per_width, 1.0)
        return squares + share * (y * y - self._excess - squares)

    def cut_release(self, power: FloatArray, sums: FloatArray, n_frames: FloatArray | int) -> FloatArray:
        """Mean squares of levels (n_channels, n_levels), of the newest hops alone where a contraction just ended.

        That is where these are at rest and the whole window holds more than twice their power. What is not at rest, a
        ramp or the gaps of an uneven contraction, keeps the whole window.

        Parameters
        ----------
        sums : (n_channels, n_levels, n_window) of hops.
        n_frames : in each window; one that holds fewer than all is left as it is.
        """
        for channel, (n, rest) in self._releases.items():
            if n >= sums.shape[2]:
                continue
            newest = np.add.reduce(sums[channel, :, -n:], axis=-1) / (n * self._hop)
            ended = (newest < rest) & (power[channel] > ENDED * newest) & (n_frames == sums.shape[2] * self._hop)
            power[channel] = np.where(ended, newest, power[channel])
        return power
