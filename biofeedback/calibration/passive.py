"""Passive tension: what the position alone pulls, learnt while relaxed and carried through contractions.

A muscle held stretched relaxes: its tension falls by about a third in 90 s without any contraction (Magnusson et al.
1996, Scand J Med Sci Sports 6:323-328). Tension is described as ``B + A g(t)``, ``t`` since the hold began, where the
shape ``g`` is that of a standard linear solid, ``exp(-t / tau)``, or of a power law, ``(1 + t / 1 s)^-beta`` (log-log
linear relaxation: Kobayashi & Matsuyama 2024, arXiv 2401.13217), each on a small grid. ``A`` and ``B`` of every shape
follow by linear least squares from running sums, so an update costs the same after an hour as after a second; shapes
are weighed by how well they fit. A prediction starts at the mean of the last two relaxed seconds: shapes only say
how tension goes on from there.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from biofeedback.model import FloatArray

TAUS_S = 4.0 * 1.25 ** np.arange(16)  # 4 to 114 s; a coarser grid alone costs half a point after 100 s
BETAS = np.array([0.05, 0.1, 0.2, 0.4, 0.8])
EXPECTED_FALL = 0.33  # of the tension above zero within 90 s (Magnusson 1996) ...
EXPECTED_FALL_SD = 0.11  # ... and its SD between people: a third of it, common practice, no source
EXPECTED_AT_S = 90.0
UNKNOWN_FALL = 0.03  # of maximum: SD of a fall that the zero does not tell of, as when it was taken in the stretch
N_RECENT = 4  # blocks of half a second whose mean a prediction starts from
WANDER = 3.0  # relaxed tension wanders slowly: this many blocks count as one independent reading
MODEL_DOUBT = 0.3  # no muscle is exactly either shape: SD of a change, as a fraction of what is predicted or usual
N_DRIFT = 20  # blocks over which the residuals are looked at: do they drift?
SLOW_DOUBT = 0.3  # of the present slope may belong to something slower than any reading so far could tell
DRIFT_LASTS_S = 60.0  # a slope that the shapes do not have goes on, and eases, as everything here does
JUMP_SD = 6.0
JUMP_FRACTION = 0.2  # of the tension: a step this large is another position, not relaxation
UNREAD_S = 2.0  # longer without a relaxed reading is a contraction
TINY = 1e-300
_PER_S = np.concatenate((-1.0 / TAUS_S, np.zeros_like(BETAS)))
_PER_LOG = np.concatenate((np.zeros_like(TAUS_S), -BETAS))


def shapes(time_s: float) -> FloatArray:
    """``g`` of every shape, 1 at the start of the hold; solids first."""
    return np.asarray(np.exp(_PER_S * time_s + _PER_LOG * math.log1p(time_s)))


PER_FALL = 1.0 / (1.0 - shapes(EXPECTED_AT_S))  # amplitude of a unit fall
PER_FALL_SQUARE = PER_FALL**2


@dataclass(frozen=True, slots=True)
class Tension:
    """Passive tension at one instant and one standard deviation of it, in the channel's unit."""

    level: float
    sd: float


class PassiveTension:
    """Learns one force channel's tension from means of relaxed half seconds, in order of time; pure and causal.

    ``rest`` is the level at the zero. ``strength`` may be set as soon as a maximum is known. With ``relaxes=False``
    tension is taken as constant from the last relaxed two seconds on, which is what a tool without a model does.
    """

    def __init__(self, rest: float, *, relaxes: bool = True) -> None:
        self.strength = 0.0
        self._rest = rest
        self._relaxes = relaxes
        self._stretch_s = 0.0
        self._n = 0
        self._last_s = 0.0
        self._suspect: tuple[float, float] | None = None
        self._wander_variance = 0.0  # per second without a reading, from surprises so far
        self._n_surprises = 0

    @property
    def is_known(self) -> bool:
        """Whether anything has been learnt."""
        return self._n > 0

    @property
    def method(self) -> str:
        """What the prediction rests on, in words."""
        if self._n < 3 or not self._relaxes:
            return "mean of the last 2 s relaxed" if self._n else "zero"
        best = int(np.argmax(self._weights))
        if best < len(TAUS_S):
            return f"standard linear solid, {TAUS_S[best]:.0f} s"
        return f"power law, exponent {BETAS[best - len(TAUS_S)]:g}"

    def begin_stretch(self, time_s: float) -> None:
        """Say that the athlete is asked to relax from ``time_s`` on."""
        self._stretch_s = time_s
        self._suspect = None

    def learn(self, time_s: float, level: float) -> None:
        """Take the mean of one relaxed block around ``time_s``.

        A block that jumps away from the prediction is held back; if the next one jumps as well the athlete is in
        another position, and learning starts again.
        """
        if not self.is_known:
            self._begin(time_s, level)
            return
        expected = self.predict(time_s)
        error = level - expected.level
        usual_sd = math.sqrt(max(0.0, expected.sd**2 - self._find_drift_variance(time_s)))
        limit = max(
            JUMP_SD * max(usual_sd, self._sd),  # what may yet go on slowly is no jump
            JUMP_FRACTION * abs(expected.level - self._rest),
            UNKNOWN_FALL * self.strength,
        )
        if abs(error) <= limit:
            self._suspect = None
            self._note_surprise(time_s, error)
            self._update(time_s, level)
        elif self._suspect is None:
            self._suspect = (time_s, level)
        else:
            self._begin(*self._suspect)
            self._update(time_s, level)

    def predict(self, time_s: float) -> Tension:
        """Tension at ``time_s``, at or after the last block learnt; its SD widens with the time since then."""
        change = shapes(time_s - self._start_s) - self._recent_shape
        moved = self._amplitude * change
        mean = float(np.add.reduce(self._weights * moved))
        spread = self._weights * ((moved - mean) ** 2 + self._amplitude_variance * change * change)
        usual = EXPECTED_FALL * self._tension * float(np.add.reduce(PER_FALL * change)) / len(change)
        variance = WANDER * self._sd**2 / len(self._recent) + float(np.add.reduce(spread))
        variance += (MODEL_DOUBT * max(abs(mean), abs(usual))) ** 2 if self._relaxes else 0.0
        variance += self._wander_variance * max(0.0, time_s - self._last_s)
        variance += self._find_drift_variance(time_s)
        return Tension(self._recent_level + mean, math.sqrt(variance))

    def _find_drift_variance(self, time_s: float) -> float:
        """What a slope that no shape explains may have come to by ``time_s``."""
        ahead_s = max(0.0, time_s - self._last_s)
        return self._drift_variance * (DRIFT_LASTS_S * -math.expm1(-ahead_s / DRIFT_LASTS_S)) ** 2

    def _begin(self, time_s: float, level: float) -> None:
        n_shapes = len(TAUS_S) + len(BETAS)
        self._start_s = max(self._stretch_s, time_s - UNREAD_S)
        self._tension = max(0.0, level - self._rest)
        self._amplitude, self._amplitude_variance = self._expect()
        self._weights = np.full(n_shapes, 1.0 / n_shapes)
        self._n, self._sd, self._suspect = 0, 0.0, None
        self._level_mean = self._level_square = 0.0
        self._shape_mean, self._shape_square, self._product = np.zeros((3, n_shapes))
        self._recent: deque[tuple[float, FloatArray]] = deque(maxlen=N_RECENT)
        self._lately: deque[tuple[float, float, FloatArray]] = deque(
            [(0.0, 0.0, np.zeros(n_shapes))], maxlen=N_DRIFT + 1
        )  # running sums, so that any part of them is one difference
        self._drift_variance = 0.0  # of a slope that no shape explains, per second squared
        self._update(time_s, level)

    def _update(self, time_s: float, level: float) -> None:
        """Add one reading to the running sums of every shape, then fit."""
        shape = shapes(time_s - self._start_s)
        self._n += 1
        shape_step, level_step = shape - self._shape_mean, level - self._level_mean
        self._shape_mean = self._shape_mean + shape_step / self._n
        self._level_mean += level_step / self._n
        self._shape_square = self._shape_square + shape_step * (shape - self._shape_mean)
        self._level_square += level_step * (level - self._level_mean)
        self._product = self._product + shape_step * (level - self._level_mean)
        self._recent.append((level, shape))
        self._recent_level = sum(one for one, _ in self._recent) / len(self._recent)
        self._recent_shape = sum((one for _, one in self._recent), np.zeros_like(shape)) / len(self._recent)
        self._last_s = time_s
        times, levels, forms = self._lately[-1]
        self._lately.append((times + time_s, levels + level, forms + shape))
        if self._n >= 3:
            self._fit()
            self._find_drift()

    def _expect(self) -> tuple[FloatArray, FloatArray]:
        """Amplitude of every shape, and its variance, before anything is read: the fall known from others."""
        if not self._relaxes:
            return np.zeros_like(PER_FALL), np.full_like(PER_FALL, TINY)
        variance = (EXPECTED_FALL_SD * self._tension) ** 2 + (UNKNOWN_FALL * self.strength) ** 2
        return (EXPECTED_FALL * self._tension) * PER_FALL, max(variance, TINY) * PER_FALL_SQUARE

    def _fit(self) -> None:
        """Amplitude of every shape and its variance, the residual SD, and the shapes' weights."""
        expected, prior_variance = self._expect()
        ridge = max(self._sd**2, TINY) / prior_variance
        information = np.maximum(self._shape_square + ridge, TINY)
        self._amplitude = (self._product + ridge * expected) / information
        misfit = self._level_square + self._amplitude * (self._amplitude * self._shape_square - 2 * self._product)
        misfit = np.maximum(misfit, 0.0)
        cost = misfit + ridge * (self._amplitude - expected) ** 2
        self._sd = math.sqrt(misfit.min() / max(1, self._n - 2))
        variance = WANDER * max(self._sd**2, TINY)
        self._amplitude_variance = np.minimum(variance / information, prior_variance)
        weights = np.exp(np.maximum((cost.min() - cost) * (0.5 / variance), -700.0))
        self._weights = weights / np.add.reduce(weights)

    def _find_drift(self) -> None:
        """How far the last readings rose or fell otherwise than the fit does: what its own scatter does not explain."""
        n = (len(self._lately) - 1) // 3
        if n < 3 or not self._relaxes:
            self._drift_variance = 0.0
            return
        first, after_first, before_last, last = (self._lately[k] for k in (0, n, -1 - n, -1))
        span_s = (last[0] - before_last[0] - after_first[0] + first[0]) / n
        seen = (last[1] - before_last[1] - after_first[1] + first[1]) / n
        change = (last[2] - before_last[2] - after_first[2] + first[2]) / n
        fitted = float(np.add.reduce(self._weights * self._amplitude * change))
        chance = 2.0 * self._sd**2 / n
        unexplained = max(0.0, (seen - fitted) ** 2 - chance)
        self._drift_variance = (unexplained + (SLOW_DOUBT * seen) ** 2) / span_s**2

    def _note_surprise(self, time_s: float, error: float) -> None:
        """After a contraction, remember how far off the prediction was, per second."""
        unread_s = time_s - self._last_s
        if unread_s > UNREAD_S:
            self._n_surprises += 1
            self._wander_variance += (error**2 / unread_s - self._wander_variance) / self._n_surprises
