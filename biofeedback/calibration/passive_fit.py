"""What relaxed readings of a hold tell of every shape that passive tension may have; see ``passive``.

Readings that follow each other are taken together: what depends on the one before is worked out in turn, all else for
all of them at once. The numbers are the same, bit for bit, however many come together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from biofeedback.model import FloatArray

TAUS_S = 4.0 * 1.25 ** np.arange(16)  # 4 to 114 s; a coarser grid alone costs half a point after 100 s
BETAS = np.array([0.05, 0.1, 0.2, 0.4, 0.8])
EXPECTED_FALL = 0.33  # of the tension above zero within 90 s (Magnusson 1996) ...
EXPECTED_FALL_SD = 0.11  # ... and its SD between people: a third of it, common practice, no source
EXPECTED_AT_S = 90.0
UNKNOWN_FALL = 0.03  # of maximum: SD of a fall that the zero does not tell of, as when it was taken in the stretch
N_RECENT = 4  # blocks of half a second whose mean a prediction starts from
N_FIT = 3  # readings from which on there is a fit
WANDER = 3.0  # relaxed tension wanders slowly: this many blocks count as one independent reading
N_DRIFT = 20  # blocks over which the residuals are looked at: do they drift?
SLOW_DOUBT = 0.3  # of the present slope may belong to something slower than any reading so far could tell
TINY = 1e-300
_PER_S = np.concatenate((-1.0 / TAUS_S, np.zeros_like(BETAS)))
_PER_LOG = np.concatenate((np.zeros_like(TAUS_S), -BETAS))
N_SHAPES = len(_PER_S)
N_DRIFT_LEAST = 9  # readings, three in each third
SUMS_SHAPE, SUMS_SQUARE, SUMS_PRODUCT = (
    slice(2 + k * N_SHAPES, 2 + (k + 1) * N_SHAPES) for k in range(3)
)  # time, level


def shapes(times_s: Sequence[float]) -> FloatArray:
    """``g`` of every shape at ``n`` times, ``(n, N_SHAPES)``: 1 at the start of the hold; solids first."""
    if len(times_s) == 1:  # live
        return np.asarray(np.exp(_PER_S * times_s[0] + _PER_LOG * math.log1p(times_s[0])))[None]
    logs = [math.log1p(time_s) for time_s in times_s]  # numpy's own differs in the last digit between machines
    return np.asarray(np.exp(_PER_S * np.array(times_s)[:, None] + _PER_LOG * np.array(logs)[:, None]))


PER_FALL = 1.0 / (1.0 - shapes([EXPECTED_AT_S])[0])  # amplitude of a unit fall
PER_FALL_SQUARE = PER_FALL**2


class Fits(NamedTuple):
    """What is known after each of ``n`` readings of a hold: of every shape ``(n, N_SHAPES)``, and in all."""

    weights: FloatArray
    amplitude: FloatArray
    amplitude_variance: FloatArray
    recent_shape: FloatArray  # means of the last few readings
    recent_level: list[float]
    n_recent: list[int]
    sd: list[float]  # of residuals
    drift_variance: list[float]  # of a slope that no shape explains, per second squared
    last_s: list[float]
    start_s: float
    tension: float  # above the zero, when the hold began
    wander_variance: float  # per second without a reading

    @property
    def n(self) -> int:
        """Number of readings."""
        return len(self.sd)

    def rows(self, first: int, end: int) -> Fits:
        """Some of them."""
        of_each, of_hold = self[:-3], self[-3:]
        return Fits._make([*(one[first:end] for one in of_each), *of_hold])


class Hold:
    """Amplitude, its variance and weight of every shape since a hold began, by running sums.

    ``tension`` is that above the zero when it began. With ``relaxes=False`` it is taken as constant.
    """

    def __init__(self, start_s: float, tension: float, *, strength: float, relaxes: bool) -> None:
        self._start_s, self._tension, self._relaxes = start_s, tension, relaxes
        self.n = 0
        amplitude, variance = self._expect(strength)
        nothing = np.zeros((1, N_SHAPES))
        weights = np.full((1, N_SHAPES), 1.0 / N_SHAPES)
        self.last = Fits(
            weights, amplitude[None], variance[None], nothing, [0.0], [0], [0.0], [0.0], [0.0], start_s, tension, 0.0
        )
        self._fits = self.last  # after readings that are not all kept yet
        self._levels: list[float] = []  # the last ones
        self._shapes = np.zeros((N_RECENT - 1, N_SHAPES))
        self._sums = np.zeros((1, SUMS_PRODUCT.stop))  # after each of the last readings: a part is one difference
        self._shape_mean = nothing
        self._level_mean, self._level_square = [0.0], [0.0]

    def extend(
        self, times_s: Sequence[float], levels: Sequence[float], *, strength: float, wander_variance: float
    ) -> Fits:
        """What is known after each of the next readings; `keep` says how many of them are learnt."""
        n = len(times_s)
        counts = range(self.n + 1, self.n + n + 1)
        shape = shapes([time_s - self._start_s for time_s in times_s])
        self._add_up(counts, times_s, levels, shape)
        self._levels = [*self._levels, *levels]
        self._shapes = np.concatenate((self._shapes, shape))
        n_recent = [min(count, N_RECENT) for count in counts]
        ends = range(len(self._levels) - n + 1, len(self._levels) + 1)
        recent_level = [sum(self._levels[end - few : end]) / few for end, few in zip(ends, n_recent, strict=True)]
        recent_shape = self._shapes[:n]
        for k in range(1, N_RECENT):
            recent_shape = recent_shape + self._shapes[k : n + k]
        recent_shape /= np.array(n_recent)[:, None]
        weights, amplitude, variance, sd = self._fit(counts, strength)
        drift = self._find_drift(counts, weights * amplitude, sd)
        hold = (self._start_s, self._tension, wander_variance)
        self._fits = Fits(
            weights, amplitude, variance, recent_shape, recent_level, n_recent, sd, drift, [*times_s], *hold
        )
        return self._fits

    def keep(self, n: int) -> Fits:
        """Only the first ``n`` readings of those that came last, at least one; what is known after each of them."""
        n_left_out = self._fits.n - n
        fits = self._fits if not n_left_out else self._fits.rows(0, n)
        self.n += n
        self.last = fits if n == 1 else fits.rows(n - 1, n)
        self._levels = self._levels[: len(self._levels) - n_left_out][1 - N_RECENT :]
        self._shapes = self._shapes[n : n + N_RECENT - 1]
        self._sums = self._sums[: len(self._sums) - n_left_out][-N_DRIFT - 1 :]
        self._shape_mean = self._shape_mean[n : n + 1]
        self._level_mean, self._level_square = [self._level_mean[n]], [self._level_square[n]]
        return fits

    def _add_up(self, counts: range, times_s: Sequence[float], levels: Sequence[float], shape: FloatArray) -> None:
        """Go on with the running sums and means by the next readings, whose shapes are ``(n, N_SHAPES)``."""
        n = len(shape)
        means, terms = np.empty((n + 1, N_SHAPES)), np.empty((n + 1, SUMS_PRODUCT.stop))
        means[0], terms[0] = self._shape_mean[0], self._sums[-1]
        now = terms[1:]
        now[:, 0], now[:, 1], now[:, SUMS_SHAPE] = times_s, levels, shape
        steps = now[:, SUMS_PRODUCT]
        for count, one, before, after, step in zip(counts, shape, means[:-1], means[1:], steps, strict=True):
            np.subtract(one, before, out=step)
            np.add(before, step / count, out=after)
        off = []
        for count, level in zip(counts, levels, strict=True):
            step = level - self._level_mean[-1]
            self._level_mean.append(self._level_mean[-1] + step / count)
            off.append(level - self._level_mean[-1])
            self._level_square.append(self._level_square[-1] + step * off[-1])
        np.multiply(steps, shape - means[1:], out=now[:, SUMS_SQUARE])
        steps *= np.array(off)[:, None]
        self._shape_mean = means
        self._sums = np.concatenate((self._sums[:-1], np.add.accumulate(terms)))

    def _expect(self, strength: float) -> tuple[FloatArray, FloatArray]:
        """Amplitude of every shape, and its variance, before anything is read: the fall known from others."""
        if not self._relaxes:
            return np.zeros_like(PER_FALL), np.full_like(PER_FALL, TINY)
        variance = (EXPECTED_FALL_SD * self._tension) ** 2 + (UNKNOWN_FALL * strength) ** 2
        return (EXPECTED_FALL * self._tension) * PER_FALL, max(variance, TINY) * PER_FALL_SQUARE

    def _fit(self, counts: range, strength: float) -> tuple[FloatArray, FloatArray, FloatArray, list[float]]:
        """Weight of every shape, amplitude, its variance, and the residual SD, after each of the next readings."""
        last, n_few = self.last, max(0, min(len(counts), N_FIT - counts[0]))
        before = [one.repeat(n_few, axis=0) for one in (last.weights, last.amplitude, last.amplitude_variance)]
        counts = counts[n_few:]
        if not counts:
            return before[0], before[1], before[2], last.sd * n_few
        expected, prior_variance = self._expect(strength)
        sums = self._sums[len(self._sums) - len(counts) :]
        squares, products = sums[:, SUMS_SQUARE], sums[:, SUMS_PRODUCT]
        level_squares = np.array(self._level_square[n_few + 1 :])[:, None]
        sd, known = last.sd * (len(counts) + 1), last.sd
        for _ in counts:  # one SD weighs what the next comes from: with every turn one more is right, until all stay
            ridges = np.array([max(one**2, TINY) for one in sd[:-1]])[:, None] / prior_variance
            information = np.maximum(squares + ridges, TINY)
            amplitudes = (products + ridges * expected) / information
            misfits = np.maximum(level_squares + amplitudes * (amplitudes * squares - 2 * products), 0.0)
            least = np.minimum.reduce(misfits, axis=1).tolist()
            known, sd = sd, last.sd + [math.sqrt(a / max(1, n - 2)) for a, n in zip(least, counts, strict=True)]
            if sd == known:
                break
        variance = np.array([WANDER * max(one**2, TINY) for one in sd[1:]])[:, None]
        cost = misfits + ridges * (amplitudes - expected) ** 2
        excess = np.minimum.reduce(cost, axis=1, keepdims=True) - cost
        weights = np.exp(np.maximum(excess * (0.5 / variance), -700.0))
        weights /= np.add.reduce(weights, axis=1, keepdims=True)
        after = [weights, amplitudes, np.minimum(variance / information, prior_variance)]
        if n_few:
            after = [np.concatenate(pair) for pair in zip(before, after, strict=True)]
        return after[0], after[1], after[2], last.sd * n_few + sd[1:]

    def _find_drift(self, counts: range, fitted: FloatArray, sd: Sequence[float]) -> list[float]:
        """How far the last readings rose or fell otherwise than the fit does: what its own scatter does not explain.

        ``fitted`` is the sum of all shapes. A variance per second squared, after each of the next readings.
        """
        n_early = max(0, min(len(counts), N_DRIFT_LEAST - counts[0])) if self._relaxes else len(counts)
        if n_early == len(counts):
            return [0.0] * n_early
        n_within = np.minimum(counts[n_early:], N_DRIFT)
        third = n_within // 3
        last = np.arange(len(self._sums) - len(third), len(self._sums))
        first, sums = last - n_within, self._sums[:, : SUMS_SHAPE.stop]
        moved = (sums[last] - sums[last - third] - sums[first + third] + sums[first]) / third[:, None]
        explained = np.add.reduce(fitted[n_early:] * moved[:, SUMS_SHAPE], axis=1)
        rows = zip(*moved[:, :2].T.tolist(), explained.tolist(), sd[n_early:], third.tolist(), strict=True)
        return [0.0] * n_early + [
            (max(0.0, (seen - known) ** 2 - 2.0 * spread**2 / n) + (SLOW_DOUBT * seen) ** 2) / span_s**2
            for span_s, seen, known, spread, n in rows
        ]
