"""What a simulated athlete's body does between cues: muscle, tissue, fatigue and discomfort. Pure, scalar, seeded.

Nothing here knows about sensors or sample rates; ``athlete`` turns the body's state into counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from biofeedback.joints import COMPARTMENTS, REST_FACTORS, find_joint
from biofeedback.model import Cue

REFERENCE_EFFORT_PERCENT = 70.0  # middle of the usual response check band: there the effect is ``effect_points``
ACTIVATION_PER_S = 10.0  # L of the three-compartment model, Frey-Law et al. 2012
DRIVE_RAD_PER_S, DRIVE_DAMPING = 9.0, 0.6  # rises in about 0.3 s with a few per cent of overshoot
LONGEST_STEP_S = 0.0125
_STIFFNESS, _DAMPING = DRIVE_RAD_PER_S**2, 2 * DRIVE_DAMPING * DRIVE_RAD_PER_S
SHORTEST_REACTION_S = 0.12  # longer than a batch of frames, so that no cue reaches frames already made


@dataclass(frozen=True, slots=True, kw_only=True)
class Athlete:
    """Everything that is true about a simulated athlete.

    Force noise is a CV of the present force; together with tracking and tremor about 2 % (Taylor, Christou & Enoka
    2003: 1.7 % near 30 % of maximum). ``relaxation_percent`` of passive tension is lost in 90 s (Magnusson 1996).
    Muscles tire and recover as those of ``joint`` (Frey-Law et al. 2012; the knee stands in for the hip); a rate that
    is given replaces the joint's own, 0 never tires.
    A beginner misses what is asked by ``clumsy_percent`` of maximum, this way or that, and by ``learning_per_repeat``
    less with each contraction: the error of repeat n is clumsy x exp(-learning n).
    ``rest_speed``: rests count as so many times their length, for a session whose rests are shortened.
    ``effect_points`` is the true change of discomfort at 70 % effort: negative eases, 0 with ``dose="none"``.
    """

    code: str = "A01"
    seed: int = 1
    maximum_newton: float = 400.0
    maximum_spread_percent: float = 3.0
    passive_newton: float = 60.0
    relaxation_percent: float = 33.0
    relaxation_s: float = 15.0
    reaction_s: float = 0.3
    force_noise_percent: float = 1.5
    tracking_percent: float = 1.2
    tremor_percent: float = 0.5
    tremor_hz: float = 10.0
    joint: str = "knee"
    fatigue_per_s: float | None = None
    recovery_per_s: float | None = None
    rest_speed: float = 1.0
    emg_maximum_microvolt: float = 400.0
    median_fall: float = 0.8
    discomfort: float = 7.0
    discomfort_from_tension: float = 0.5
    effect_points: float = -2.5
    dose: Literal["none", "line", "saturating"] = "saturating"
    half_effort_percent: float = 15.0
    carry_over_s: float = 2.0
    drift_per_min: float = -0.1
    rating_noise: float = 0.4
    rating_step: float = 0.5
    position_drift_cm_per_min: float = 0.0
    clumsy_percent: float = 0.0
    learning_per_repeat: float = 0.0

    def effect_at(self, effort_percent: float) -> float:
        """True change of discomfort in points at a steady effort: none, a straight line, or saturating (Emax)."""
        if self.dose == "none":
            return 0.0
        line = effort_percent / REFERENCE_EFFORT_PERCENT
        if self.dose == "line":
            return self.effect_points * line
        half = self.half_effort_percent
        return self.effect_points * line * (REFERENCE_EFFORT_PERCENT + half) / (effort_percent + half)


class State(NamedTuple):
    """The body at one moment. Fractions are of the fresh maximum; position is 0 (released) to 1 (end of range)."""

    activation: float
    fatigued: float
    passive_newton: float
    position: float
    discomfort: float

    @property
    def excitation(self) -> float:
        """Share of the muscle still able that is active: what EMG amplitude follows, rising as the muscle tires."""
        return self.activation / max(1.0 - self.fatigued, 1e-9)


class _Pace(NamedTuple):
    """What a step of one length needs and every such step has in common."""

    duration_s: float
    n_steps: int
    dt: float
    keep: float  # the aim wanders with a time constant of 2 s
    spread: float
    settled: float  # of the tissue's tension, what is left after ``dt``
    felt: float  # share by which what is felt follows


class Body:
    """One athlete's body: ``follow`` a cue, ``step`` through time, look at ``state``."""

    def __init__(self, athlete: Athlete) -> None:
        self.athlete = athlete
        self._noise = _draw(np.random.default_rng([athlete.seed, 1]))
        self._target = 0.0  # fraction asked for
        self._mistakes = np.random.default_rng([athlete.seed, 4])
        self._n_contractions, self._miss = 0, 0.0
        self._drive = self._drive_speed = self._wander = 0.0
        self._active, self._fatigued = 0.0, 0.0
        self._position = self._position_goal = self._viscous = 0.0
        joint = find_joint(athlete.joint).name
        fatigue, recovery = COMPARTMENTS[joint]
        self._fatigue_per_s = fatigue if athlete.fatigue_per_s is None else athlete.fatigue_per_s
        self._recovery_per_s = recovery if athlete.recovery_per_s is None else athlete.recovery_per_s
        self._rest_recovery_per_s = self._recovery_per_s * (REST_FACTORS[joint] * athlete.rest_speed)
        self._felt_percent = 0.0
        self._in_position_s = 0.0
        decline = athlete.relaxation_percent / 100
        self._viscous_share = decline / (1 - math.exp(-90.0 / athlete.relaxation_s))
        self._pace = self._find_pace(LONGEST_STEP_S)

    def follow(self, cue: Cue) -> None:
        """Start doing what ``cue`` asks (``rate`` changes nothing)."""
        if cue.kind == "rate":
            return
        self._position_goal = 0.0 if cue.kind == "release" else 1.0
        was_target, self._target = self._target, 0.0
        if cue.kind == "contract":
            if was_target == 0:
                self._miss = self._find_miss()
            self._target = max(0.01, (cue.target_percent or 0.0) / 100 + self._miss)
        elif cue.kind == "maximum":  # hardly anyone reaches their maximum at every attempt
            self._target = 1 - abs(next(self._noise)) * self.athlete.maximum_spread_percent / 100

    def _find_miss(self) -> float:
        """By how much the contraction that begins now misses what is asked, as a fraction of the maximum."""
        left = math.exp(-self.athlete.learning_per_repeat * self._n_contractions)
        self._n_contractions += 1
        if not self.athlete.clumsy_percent:
            return 0.0
        way, scatter = self._mistakes.choice((-1.0, 1.0)), math.exp(0.15 * self._mistakes.standard_normal())
        return float(way * self.athlete.clumsy_percent / 100 * left * scatter)

    def _find_pace(self, duration_s: float) -> _Pace:
        n_steps = max(1, math.ceil(duration_s / LONGEST_STEP_S - 1e-9))
        dt = duration_s / n_steps
        keep = math.exp(-duration_s / 2.0)
        spread = self.athlete.tracking_percent / 100 * math.sqrt(1 - keep * keep)
        settled = math.exp(-dt / self.athlete.relaxation_s)
        return _Pace(duration_s, n_steps, dt, keep, spread, settled, min(1.0, dt / self.athlete.carry_over_s))

    def step(self, duration_s: float) -> None:
        """Let ``duration_s`` pass."""
        pace = self._pace
        if duration_s != pace.duration_s:
            pace = self._pace = self._find_pace(duration_s)
        self._wander = pace.keep * self._wander + pace.spread * next(self._noise)
        aim = self._target * (1 + self._wander)
        for _ in range(pace.n_steps):
            self._tire(self._pull(aim, pace.dt), pace.dt)
            self._stretch(pace.dt, pace.settled)
            self._felt_percent += (100 * self._active - self._felt_percent) * pace.felt

    def _pull(self, aim: float, dt: float) -> float:
        """What is asked of the muscle, 0 to 1: it follows the aim with a few per cent of overshoot."""
        speed = self._drive_speed
        speed += (_STIFFNESS * (aim - self._drive) - _DAMPING * speed) * dt
        self._drive_speed = speed
        drive = self._drive = self._drive + speed * dt
        return (drive if drive < 1.0 else 1.0) if drive > 0.0 else 0.0

    def _tire(self, load: float, dt: float) -> None:
        """Three-compartment model: active, resting and fatigued shares of the muscle (Frey-Law et al. 2012)."""
        active, fatigued = self._active, self._fatigued
        wish, resting = load - active, 1 - active - fatigued
        activated = ACTIVATION_PER_S * (resting if 0 < wish > resting else wish)
        fatigue = self._fatigue_per_s * active
        recovery = (self._rest_recovery_per_s if load < 0.005 else self._recovery_per_s) * fatigued
        active += (activated - fatigue) * dt
        self._active = active if active > 0.0 else 0.0
        self._fatigued = fatigued + (fatigue - recovery) * dt

    def _stretch(self, dt: float, settled: float) -> None:
        """Standard linear solid: a spring beside a spring with a dashpot; in and out of position within 1.5 s."""
        way = self._position_goal - self._position
        if way:
            change = math.copysign(min(dt / 1.5, abs(way)), way)
            self._position += change
            self._viscous += self._viscous_share * change
        self._viscous *= settled
        self._in_position_s = self._in_position_s + dt if self._position > 0 else 0.0

    @property
    def activation(self) -> float:
        """Active share of the muscle now."""
        return self._active

    @property
    def tension(self) -> float:
        """The position's own tension now, as a share of what it is at the end of range before it eases."""
        tension = (1 - self._viscous_share) * self._position + self._viscous
        return tension if tension > 0.0 else 0.0

    @property
    def state(self) -> State:
        """The body now."""
        a = self.athlete
        tension, share = self.tension, a.discomfort_from_tension
        discomfort = a.discomfort * ((1 - share) * self._position + share * tension)
        discomfort += self._position * (a.drift_per_min * self._in_position_s / 60 + a.effect_at(self._felt_percent))
        return State(self._active, self._fatigued, a.passive_newton * tension, self._position, discomfort)


def _draw(rng: np.random.Generator) -> Iterator[float]:
    """Standard normal numbers without end, drawn many at a time: the same ones as one by one."""
    while True:
        yield from rng.standard_normal(256).tolist()
