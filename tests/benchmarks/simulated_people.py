"""Simulated people with a known truth: thousands of sessions of ratings at once, as arrays.

Ratings are simulated, not signals. Passive torque falls by 33 % in 90 s without any contraction (Magnusson et al.,
Scand J Med Sci Sports 6 (1996) 323) and discomfort with it; on top comes habituation. Everything is seeded.
"""

from __future__ import annotations

from collections.abc import Iterator
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
    phase), "mounting" (rises, faster and faster), "drop" (2 points at once, at any moment), "wave" (a point up and
    down, any period from 3 phases on), "none". ``fade``: the change of the first contraction is so many points below,
    that of the last above ``change``. ``anchoring``: the share of the last rating given in the next. ``missing``: the
    share without answer, of ratings "anywhere", "high" (above the session's median) or "contracting" as
    ``missing_where`` says.
    ``carry_over``: the share of a change still there in the passive phase after it. ``leaves``: points that come late,
    in every passive phase after the first contraction, and in no contraction.
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
    leaves: float = 0.0
    settling_s: float = 18.0  # in the position before the first rating
    drawn: bool = False  # each pair of phases in an order drawn by lot
    drift: str = "relaxing"
    walk_sd: float = 0.0
    per_phase: float = 0.0
    fade: float = 0.0
    anchoring: float = 0.0
    missing: float = 0.0
    missing_where: str = "anywhere"


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
    effect[:, np.cumsum(contracting) > 0] += athlete.leaves
    effect[:, contracting] -= athlete.leaves
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
        high = ratings > np.median(ratings, axis=1)[:, None]
        may = {"anywhere": True, "high": high, "contracting": contracting}
        share = athlete.missing * np.broadcast_to(may[athlete.missing_where], ratings.shape)
        ratings[rng.random((n, m)) < share] = np.nan
    return ratings, contracting, time_s


def _drift(athlete: Athlete, rng: np.random.Generator, n: int, time_s: np.ndarray) -> np.ndarray:
    if athlete.drift == "none":
        return np.zeros((n, time_s.size))
    if athlete.drift == "even":  # where on the grid of the scale it begins is anybody's guess
        return rng.uniform(-0.5, 0.5, (n, 1)) + athlete.per_phase * np.arange(time_s.size)
    phase = np.arange(time_s.size)
    if athlete.drift == "mounting":
        return np.broadcast_to(2.5 * (phase / phase[-1]) ** 3, (n, time_s.size))
    if athlete.drift == "drop":
        return -2.0 * (phase >= rng.uniform(0, time_s.size, (n, 1)))
    if athlete.drift == "wave":
        turn = rng.uniform(0, 2 * np.pi, (n, 1)) + 2 * np.pi * phase / rng.uniform(3, 12, (n, 1))
        return np.asarray(np.sin(turn))
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


def list_fair_athletes() -> Iterator[tuple[str, Athlete]]:
    """Whom the answer is made for: 95 % intervals have to hold the truth in 93 to 97 % of them."""
    for n_cycles in (4, 5, 8):
        for change in (0.0, -1.0, -2.5, 1.5):
            yield f"{n_cycles} cycles, change {change:+.1f}", Athlete(change=change, n_cycles=n_cycles)
    yield "5 cycles, order drawn by lot", Athlete(drawn=True)
    yield "5 cycles, order drawn by lot, -1.5", Athlete(drawn=True, change=-1.5)
    yield "5 cycles, no drift at all", Athlete(drift="none")
    yield "5 cycles, noisy ratings (SD 1.2)", Athlete(noise_sd=1.2, change=-1)
    yield "5 cycles, whole numbers", Athlete(step=1, change=-1)
    yield "5 cycles, a fifth without answer", Athlete(missing=0.2, change=-1)


def list_unchanged_athletes() -> Iterator[tuple[str, Athlete]]:
    """No true change, and every drift and scatter that might pass for one: at most 5 % may be told less or more."""
    for n_cycles in (3, 5, 8):
        yield f"{n_cycles} cycles", Athlete(n_cycles=n_cycles)
    yield "noisy ratings (SD 1.5)", Athlete(noise_sd=1.5)
    yield "whole numbers", Athlete(step=1)
    yield "a fifth without answer", Athlete(missing=0.2)
    yield "order drawn by lot", Athlete(drawn=True)
    yield "autocorrelated ratings (0.3)", Athlete(autocorrelation=0.3)
    yield "autocorrelated ratings (0.7)", Athlete(autocorrelation=0.7)
    yield "autocorrelated (0.7), drawn by lot", Athlete(autocorrelation=0.7, drawn=True)
    yield "anchored on the last rating (0.3)", Athlete(anchoring=0.3)
    yield "hyperbolic drift", Athlete(drift="hyperbolic")
    yield "hyperbolic drift, little scatter", Athlete(drift="hyperbolic", noise_sd=0.4)
    yield "hyperbolic, little scatter, 8 cycles", Athlete(drift="hyperbolic", noise_sd=0.3, n_cycles=8)
    yield "hyperbolic, little scatter, drawn", Athlete(drift="hyperbolic", noise_sd=0.3, drawn=True)
    yield "random-walk drift (0.3 a phase)", Athlete(drift="walk", walk_sd=0.3)
    yield "random-walk drift (0.8 a phase)", Athlete(drift="walk", walk_sd=0.8)
    yield "rated at once, no settling", Athlete(settling_s=2, noise_sd=0.4)
    yield "at the floor: start at 2", Athlete(start=2)
    yield "at the ceiling: start at 10, no drift", Athlete(start=10, noise_sd=1, drift="none")
    yield "discomfort mounts to the end", Athlete(drift="mounting", start=4)
    yield "drops by 2 at some moment", Athlete(drift="drop")
    yield "drops by 2 at some moment, little scatter", Athlete(drift="drop", noise_sd=0.3)
    yield "goes up and down by itself", Athlete(drift="wave", noise_sd=0.5)
    yield "whole numbers, little scatter", Athlete(step=1, noise_sd=0.4)
    yield "high ratings missing (40 %)", Athlete(missing=0.4, missing_where="high")
    yield "half the contractions missing", Athlete(missing=0.5, missing_where="contracting", n_cycles=8)
    for sd in (0.1, 0.2, 0.3):
        yield f"falls by 0.5 a phase, whole, SD {sd}", Athlete(drift="even", per_phase=-0.5, step=1, noise_sd=sd)


def list_powers() -> Iterator[tuple[str, Athlete]]:
    """A true -2, found how often?"""
    yield "SD 0.8, 5 cycles", Athlete(change=-2)
    yield "SD 1.5, 5 cycles", Athlete(change=-2, noise_sd=1.5)
    yield "SD 0.8, a fifth without answer", Athlete(change=-2, missing=0.2)
    yield "SD 0.8, 3 cycles", Athlete(change=-2, n_cycles=3)
    yield "3 cycles, scatter of 4 earlier sessions", Athlete(change=-2, n_cycles=3)
    yield "5 cycles, scatter of 4 earlier sessions", Athlete(change=-2)


def list_breaking_athletes() -> Iterator[tuple[str, Athlete]]:
    """Where it gives way: shown, not hidden."""
    yield "few cycles: 2", Athlete(change=-2, n_cycles=2)
    yield "few cycles: 3", Athlete(change=-2, n_cycles=3)
    yield "whole numbers, hardly any scatter", Athlete(change=-1, step=1, noise_sd=0.2)
    yield "start at 10: more cannot be rated", Athlete(change=2, start=10, noise_sd=1, drift="none")
    yield "start at 10, relaxing", Athlete(change=2, start=10)
    yield "start at 2: less cannot be rated", Athlete(change=-2, start=2)
    yield "start at 5, -3: some of it below 0", Athlete(change=-3, start=5)
    yield "start at 4, -3: most of it below 0", Athlete(change=-3, start=4)
    yield "half the change stays in the next phase", Athlete(change=-2, carry_over=0.5)
    yield "2 less, late: in relaxed phases only", Athlete(leaves=-2)
    yield "2 more, late: in relaxed phases only", Athlete(leaves=2, start=6)
    yield "2 more, while contracting", Athlete(change=2)
    yield "anchored on the last rating (0.3)", Athlete(change=-2, anchoring=0.3)
    yield "fading: -4 at first, 0 at last", Athlete(change=-2, fade=2)
    yield "rated at once, no settling, no scatter", Athlete(settling_s=2, noise_sd=0.2, step=0.1)
    yield "autocorrelated ratings (0.3)", Athlete(autocorrelation=0.3, change=-1)
    yield "strongly autocorrelated ratings (0.7)", Athlete(change=-1, autocorrelation=0.7)
