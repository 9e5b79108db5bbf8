"""Simulated people with a known truth: thousands of sessions of ratings at once, as arrays.

Ratings are simulated, not signals. Passive torque falls by 33 % in 90 s without any contraction (Magnusson et al.,
Scand J Med Sci Sports 6 (1996) 323) and discomfort with it; on top comes habituation. Everything is seeded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from biofeedback.analysis.randomisation import draw_order
from biofeedback.analysis.response import RatedPhase

PHASE_S = 20.0


@dataclass(frozen=True)
class Athlete:
    """One kind of person: what contraction does to the rating, and everything else that moves it.

    ``drift``: "relaxing" (exponential, the time constant drawn for each session), "hyperbolic" (fast at first, with a
    long tail), "walk" (random steps of SD ``walk_sd`` a phase beside the relaxing), "even" (``per_phase`` points a
    phase), "none". ``fade``: the change of the first contraction is so many points below, that of the last above
    ``change``. ``anchoring``: the share of the last rating given in the next. ``missing``: the share without answer.
    ``carry_over``: the share of a change still there in the passive phase after it.
    """

    change: float = 0.0
    n_cycles: int = 5
    start: float = 7.0
    relaxation_percent: float = 33.0  # of the starting discomfort, in 90 s
    habituation_points: float = 1.0
    noise_sd: float = 0.8
    autocorrelation: float = 0.0
    step: float = 0.5
    carry_over: float = 0.0
    settling_s: float = 18.0  # in the position before the first rating
    drawn: bool = False  # each pair of phases in an order drawn by lot
    drift: str = "relaxing"
    walk_sd: float = 0.0
    per_phase: float = 0.0
    fade: float = 0.0
    anchoring: float = 0.0
    missing: float = 0.0


def list_order(athlete: Athlete, rng: np.random.Generator) -> tuple[str, ...]:
    """Kinds of the phases, passive first and last."""
    if athlete.drawn:
        return draw_order(athlete.n_cycles, seed=int(rng.integers(2**31))).order
    return ("passive", *("contract", "passive") * athlete.n_cycles)


def simulate(
    athlete: Athlete,
    rng: np.random.Generator,
    n: int,
    *,
    order: tuple[str, ...] | None = None,
    changes: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratings (n, n_phases), NaN without answer; whether contracting (n_phases,); times in s (n_phases,).

    ``changes`` (n or 1, n_contractions) overrides the change of each contraction.
    """
    order = order or list_order(athlete, rng)
    contracting = np.array(order) == "contract"
    m = contracting.size
    time_s = athlete.settling_s + PHASE_S * np.arange(m)
    felt = athlete.start + _drift(athlete, rng, n, time_s)
    effect = np.zeros((n, m))
    steps = np.linspace(-athlete.fade, athlete.fade, int(contracting.sum()))
    effect[:, contracting] = athlete.change + steps if changes is None else changes
    effect[:, 1:] += athlete.carry_over * effect[:, :-1] * ~contracting[1:]
    noise = rng.normal(0, athlete.noise_sd, (n, m))
    for i in range(1, m):
        noise[:, i] *= np.sqrt(1 - athlete.autocorrelation**2)
        noise[:, i] += athlete.autocorrelation * noise[:, i - 1]
    latent = felt + effect + noise
    ratings = np.empty((n, m))
    for i in range(m):
        value = latent[:, i]
        if i and athlete.anchoring:
            value = (1 - athlete.anchoring) * value + athlete.anchoring * ratings[:, i - 1]
        ratings[:, i] = np.clip(np.round(value / athlete.step) * athlete.step, 0, 10)
    if athlete.missing:
        ratings[rng.random((n, m)) < athlete.missing] = np.nan
    return ratings, contracting, time_s


def _drift(athlete: Athlete, rng: np.random.Generator, n: int, time_s: np.ndarray) -> np.ndarray:
    if athlete.drift == "none":
        return np.zeros((n, time_s.size))
    if athlete.drift == "even":  # where on the grid of the scale it begins is anybody's guess
        return rng.uniform(-0.5, 0.5, (n, 1)) + athlete.per_phase * np.arange(time_s.size)
    habituated = -athlete.habituation_points * (1 - np.exp(-time_s / 120))
    if athlete.drift == "hyperbolic":
        half_s = rng.uniform(10, 60, (n, 1))
        share = time_s / (half_s + time_s) * (half_s + 90) / 90
    else:
        tau_s = rng.uniform(10, 30, (n, 1))
        share = (1 - np.exp(-time_s / tau_s)) / (1 - np.exp(-90 / tau_s))
    drift = habituated - athlete.start * athlete.relaxation_percent / 100 * share
    if athlete.drift == "walk":
        drift = drift + np.cumsum(rng.normal(0, athlete.walk_sd, (n, time_s.size)), axis=1)
    return np.asarray(drift)


def as_phases(ratings: np.ndarray, contracting: np.ndarray, time_s: np.ndarray) -> list[RatedPhase]:
    """One session (n_phases,) as the analysis takes it."""
    return [
        RatedPhase("contract" if c else "passive", None if np.isnan(r) else float(r), float(t))
        for r, c, t in zip(ratings, contracting, time_s, strict=True)
    ]
