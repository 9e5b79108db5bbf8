"""Nine truths of how effort changes discomfort, each tried with three kinds of plan: is the advice right?

An advice is wrong when the band that it offers does not bring what would matter, or when it leaves contraction out
although an effort up to the hardest that was tried brings it. What is only to be tried next is no advice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple, dataclass
from functools import partial
from multiprocessing.pool import Pool

import numpy as np
from simulated_people import Athlete, as_phases, simulate

from biofeedback.analysis.dose import Dose, DosePoint, agree_with, choose_effort, compute_dose
from biofeedback.analysis.response import Response, compute_response
from biofeedback.model import Band

Curve = Callable[[np.ndarray], np.ndarray]
TRUTHS: dict[str, Curve] = {
    "none": lambda x: 0 * x,
    "flat, -3": lambda x: -3 + 0 * x,
    "line, -4 at 100 %": lambda x: -4 * x / 100,
    "saturating": lambda x: -4 * x / (x + 15),
    "threshold at 45 %": lambda x: np.where(x >= 45, -3.0, 0.0),
    "light helps, hard nothing": lambda x: np.where(x <= 40, -3.0, 0.0),
    "light helps, hard worsens": lambda x: np.where(x <= 40, -3.0, np.where(x <= 60, -0.5, 2.0)),
    "weak, -1": lambda x: -1 + 0 * x,
    "worse, +1.5": lambda x: 1.5 + 0 * x,
}
RESPONDERS = [name for name in TRUTHS if name not in ("none", "weak, -1", "worse, +1.5")]
PLANS = ("adaptive", "fixed 25/50/75 x 2", "70 % only")
FIXED = {25.0: Band(20, 30), 50.0: Band(45, 55), 75.0: Band(70, 80)}
MISS_PERCENT = 3.0  # by which efforts miss their target
N_ADAPTIVE = 8


@dataclass(frozen=True)
class Advised:
    """Shares in %: a band that is enough; wrong advice of either kind; rightly left out; not decided."""

    right: float
    wrong: float
    left_out: float
    open: float
    upwards: float  # of all: sent to an effort above one that was held and is enough


def check_cell(name: str, plan: str, *, n: int, seed: int, start: float = 8.0) -> Advised:
    """``n`` sessions of one truth and one plan, whole-number ratings, scatter 0.8 points."""
    rng, curve = np.random.default_rng(seed), TRUTHS[name]
    told = []
    upwards = 0
    for _ in range(n):
        response, points = hold_session(plan, curve, rng, start)
        dose = answer_dose(response, points)
        told.append(judge(dose, curve))
        upwards += dose.least_percent is not None and (dose.next_percent or 0) > dose.least_percent
    return Advised(*(100 * told.count(word) / n for word in ("right", "wrong", "left out", "open")), 100 * upwards / n)


def check_part(name: str, plan: str, seed: int, *, n: int) -> Advised:
    return check_cell(name, plan, n=n, seed=seed)


def summarise(parts: list[Advised]) -> Advised:
    """The mean of parts of equal size."""
    return Advised(*np.mean([astuple(part) for part in parts], axis=0).tolist())


def hold_session(plan: str, curve: Curve, rng: np.random.Generator, start: float) -> tuple[Response, list[DosePoint]]:
    """One session's answer and contrasts."""
    if plan == "adaptive":
        return hold_adaptive(curve, rng, start)
    if plan == "70 % only":
        targets, bands = np.full(5, 70.0), [Band(60, 80)] * 5
    else:
        targets = np.concatenate([rng.permutation(list(FIXED)) for _ in range(2)])
        bands = [FIXED[target] for target in targets.tolist()]
    efforts = targets + rng.normal(0, MISS_PERCENT, targets.size)
    rows, contracting, time_s = simulate(
        Athlete(n_cycles=efforts.size, step=1, start=start), rng, 1, changes=curve(efforts)[None]
    )
    return answer_ratings(rows[0], contracting, time_s, efforts.tolist(), bands)


def hold_adaptive(curve: Curve, rng: np.random.Generator, start: float) -> tuple[Response, list[DosePoint]]:
    """As a session does: a light start, 25 points above the hardest so far at most."""
    athlete, noise_seed = Athlete(n_cycles=N_ADAPTIVE, step=1, start=start), int(rng.integers(2**31))
    misses = rng.normal(0, MISS_PERCENT, N_ADAPTIVE)
    efforts: list[float] = []
    bands: list[Band] = []
    points: list[DosePoint] = []
    for i in range(N_ADAPTIVE):
        high = min(75.0, max(efforts, default=0.0) + 25)
        target = choose_effort(points, low_percent=15.0, high_percent=high, top_percent=75.0)[0] if i else 25.0
        bands.append(Band(target - 5, target + 5))
        efforts.append(float(target + misses[i]))
        changes = np.zeros(N_ADAPTIVE)
        changes[: i + 1] = curve(np.array(efforts))
        rows, contracting, time_s = simulate(athlete, np.random.default_rng(noise_seed), 1, changes=changes[None])
        so_far = slice(0, 2 * i + 3)
        response, points = answer_ratings(rows[0][so_far], contracting[so_far], time_s[so_far], efforts, bands)
    return response, points


def answer_ratings(
    ratings: np.ndarray, contracting: np.ndarray, time_s: np.ndarray, efforts: list[float], bands: list[Band]
) -> tuple[Response, list[DosePoint]]:
    response = compute_response(as_phases(ratings, contracting, time_s))
    points = [
        DosePoint(effort, contrast.change, 0, contrast.cycle, band)
        for effort, band, contrast in zip(efforts, bands, response.contrasts, strict=True)
        if contrast.change is not None
    ]
    return response, points


def answer_dose(response: Response, points: list[DosePoint]) -> Dose:
    """As the analysis of a recording does it."""
    dose = compute_dose(points, wanted_points=response.wanted_points or 2.0, relaxed_points=response.mean_passive)
    return agree_with(dose, response.word)


def judge(dose: Dose, curve: Curve) -> str:
    if dose.advice == "enough":
        return "right" if float(curve(np.array(dose.least_percent))) <= -dose.wanted_points else "wrong"
    if dose.advice == "neither":
        tried = np.arange(10.0, max(h.effort_percent for h in dose.held) + 1)
        return "wrong" if bool((curve(tried) <= -dose.wanted_points).any()) else "left out"
    return "open"


def print_advice(pool: Pool, n: int, seed: int, *, plan: str) -> None:
    """Every truth with a plan, in parts of 125 sessions so that all processes are busy to the end."""
    print(f"\nDose: {n} sessions in each cell; wrong advice has to stay at or below 5 %")
    print(f"{'':22}{'':28}{'right':>8}{'wrong':>8}{'left out':>10}{'open':>8}{'upwards':>9}")
    parts = max(n // 125, 1)
    jobs = [(name, plan, seed + 1000 * part) for name in TRUTHS for part in range(parts)]
    done = iter(pool.starmap(partial(check_part, n=-(-n // parts)), jobs, chunksize=1))
    rows = {name: summarise([next(done) for _ in range(parts)]) for name in TRUTHS}
    for name, r in rows.items():
        print(f"{plan:22}{name:28}{r.right:7.1f}%{r.wrong:7.1f}%{r.left_out:9.1f}%{r.open:7.1f}%{r.upwards:8.1f}%")
    mean = np.mean([rows[name].right for name in RESPONDERS])
    print(f"{plan:22}{'mean of the six responders':28}{mean:7.1f}%")
