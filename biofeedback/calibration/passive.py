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
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from biofeedback.calibration.passive_fit import (
    BETAS,
    EXPECTED_AT_S,
    EXPECTED_FALL,
    N_FIT,
    N_RECENT,
    N_SHAPES,
    PER_FALL,
    TAUS_S,
    UNKNOWN_FALL,
    WANDER,
    Fits,
    Hold,
    shapes,
)

__all__ = ["EXPECTED_AT_S", "EXPECTED_FALL", "N_RECENT", "PassiveTension", "Tension"]
MODEL_DOUBT = 0.3  # no muscle is exactly either shape: SD of a change, as a fraction of what is predicted or usual
DRIFT_LASTS_S = 60.0  # a slope that the shapes do not have goes on, and eases, as everything here does
JUMP_SD = 6.0
JUMP_FRACTION = 0.2  # of the tension: a step this large is another position, not relaxation
UNREAD_S = 2.0  # longer without a relaxed reading is a contraction
MOST_TOGETHER = 64  # readings learnt at once: those after a jump are worked out again


class Tension(NamedTuple):
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
        self._hold: Hold | None = None  # what is known of the present one
        self._suspect: tuple[float, float] | None = None
        self._wander_variance = 0.0  # per second without a reading, from surprises so far
        self._n_surprises = 0

    @property
    def is_known(self) -> bool:
        """Whether anything has been learnt."""
        return self._hold is not None

    @property
    def method(self) -> str:
        """What the prediction rests on, in words."""
        if self._hold is None:
            return "zero"
        if self._hold.n < N_FIT or not self._relaxes:
            return "mean of the last 2 s relaxed"
        best = int(np.argmax(self._hold.last.weights[0]))
        if best < len(TAUS_S):
            return f"standard linear solid, {TAUS_S[best]:.0f} s"
        return f"power law, exponent {BETAS[best - len(TAUS_S)]:g}"

    def begin_stretch(self, time_s: float) -> None:
        """Say that the athlete is asked to relax from ``time_s`` on."""
        self._stretch_s = time_s
        self._suspect = None

    def learn(self, time_s: float, level: float) -> None:
        """Take the mean of one relaxed block around ``time_s``; see `learn_all`."""
        self.learn_all([time_s], [level])

    def learn_all(self, times_s: Sequence[float], levels: Sequence[float]) -> list[Fits]:
        """Take the means of relaxed blocks around ``times_s``; what is known after each of them.

        A block that jumps away from the prediction is held back; if the next one jumps as well the athlete is in
        another position, and learning starts again.
        """
        parts, at = [], 0
        while at < len(times_s):
            end = at + MOST_TOGETHER
            parts.append(self._learn_some(times_s[at:end], levels[at:end]))
            at += parts[-1].n
        return parts

    def _learn_some(self, times_s: Sequence[float], levels: Sequence[float]) -> Fits:
        """As many as do not jump, at least one."""
        hold = self._hold
        if hold is None:
            hold = self._begin(times_s[0], levels[0])
        else:
            error, jumps = self._compare(times_s[:1], levels[:1], hold.last)[0]
            if not jumps:
                self._note_surprise(times_s[0] - hold.last.last_s[0], error)
            elif self._suspect is None:
                self._suspect = (times_s[0], levels[0])
                return hold.last
            else:
                hold = self._begin(*self._suspect)
        self._suspect = None
        n = 1
        while n < len(times_s) and times_s[n] - times_s[n - 1] <= UNREAD_S:
            n += 1
        fits = self._extend(hold, times_s[:n], levels[:n])
        if n > 1:
            found = self._compare(times_s[1:n], levels[1:n], fits.rows(0, n - 1))
            n = next((k for k, (_, jumps) in enumerate(found, 1) if jumps), n)
        return hold.keep(n)

    def _compare(self, times_s: Sequence[float], levels: Sequence[float], fits: Fits) -> list[tuple[float, bool]]:
        """How far each reading is off what was known before it, and whether that is a jump."""
        found = []
        for level, sd, (expected, variance, drift_variance) in zip(
            levels, fits.sd, self._foresee(times_s, fits), strict=True
        ):
            usual_sd = math.sqrt(max(0.0, variance - drift_variance))  # what may yet go on slowly is no jump
            limit = max(
                JUMP_SD * max(usual_sd, sd), JUMP_FRACTION * abs(expected - self._rest), UNKNOWN_FALL * self.strength
            )
            found.append((level - expected, not abs(level - expected) <= limit))
        return found

    def predict(self, time_s: float) -> Tension:
        """Tension at ``time_s``, at or after the last block learnt; its SD widens with the time since then."""
        return self.foresee([time_s])[0]

    def foresee(self, times_s: Sequence[float], fits: Fits | None = None) -> list[Tension]:
        """Tension by what is known now at any times, or at the times of ``fits``, which may be gone through again."""
        if fits is None:
            if self._hold is None:
                raise ValueError("nothing has been learnt yet")
            fits = self._hold.last
        return [Tension(level, math.sqrt(variance)) for level, variance, _ in self._foresee(times_s, fits)]

    def _foresee(self, times_s: Sequence[float], fits: Fits) -> list[tuple[float, float, float]]:
        """Tension, its variance, and what of that a slope explains that no shape does.

        ``times_s`` are one for each fit, over and over.
        """
        n_times = len(times_s) // fits.n
        shape = shapes([time_s - fits.start_s for time_s in times_s])
        change = shape.reshape(n_times, fits.n, N_SHAPES) - fits.recent_shape
        moved = fits.amplitude * change
        mean = np.add.reduce(fits.weights * moved, axis=-1)
        spread = fits.weights * ((moved - mean[..., None]) ** 2 + fits.amplitude_variance * change * change)
        usual = EXPECTED_FALL * fits.tension * np.add.reduce(PER_FALL * change, axis=-1) / N_SHAPES
        of_shapes = (each.ravel().tolist() for each in (mean, usual, np.add.reduce(spread, axis=-1)))
        known = zip(fits.recent_level, fits.n_recent, fits.sd, fits.drift_variance, fits.last_s, strict=True)
        found = []
        for time_s, moves, usually, doubt, (level, n, sd, drift, last_s) in zip(
            times_s, *of_shapes, [*known] * n_times, strict=True
        ):
            ahead_s = max(0.0, time_s - last_s)
            variance = WANDER * sd**2 / n + doubt
            if self._relaxes:
                variance += (MODEL_DOUBT * max(abs(moves), abs(usually))) ** 2
            variance += fits.wander_variance * ahead_s
            drift_variance = drift * (DRIFT_LASTS_S * -math.expm1(-ahead_s / DRIFT_LASTS_S)) ** 2
            found.append((level + moves, variance + drift_variance, drift_variance))
        return found

    def _begin(self, time_s: float, level: float) -> Hold:
        """A new hold; a reading that was held back before the present one is its first."""
        start_s, tension = max(self._stretch_s, time_s - UNREAD_S), max(0.0, level - self._rest)
        self._hold = Hold(start_s, tension, strength=self.strength, relaxes=self._relaxes)
        if self._suspect is not None:
            self._extend(self._hold, [time_s], [level])
            self._hold.keep(1)
        return self._hold

    def _extend(self, hold: Hold, times_s: Sequence[float], levels: Sequence[float]) -> Fits:
        return hold.extend(times_s, levels, strength=self.strength, wander_variance=self._wander_variance)

    def _note_surprise(self, unread_s: float, error: float) -> None:
        """After a contraction, remember how far off the prediction was, per second."""
        if unread_s > UNREAD_S:
            self._n_surprises += 1
            self._wander_variance += (error**2 / unread_s - self._wander_variance) / self._n_surprises
