"""Weeks of simulated people: several sessions combined, a drift that repeats, and measures looked at every evening."""

from __future__ import annotations

from functools import partial
from multiprocessing.pool import Pool

import numpy as np
from simulated_answers import answer_sessions, rate, share_of
from simulated_people import Athlete

from biofeedback.analysis.response import compute_response
from biofeedback.analysis.sessions import combine_responses
from biofeedback.analysis.trends import FIRM, fit_theil_sen, judge_together, judge_trend


def check_sessions(between_sd: float, n_sessions: int, seed: int, *, n: int) -> tuple[float, float, float]:
    """Share of people whose mean, and whose next session's measured change, lie in their 95 % intervals; and width."""
    rng = np.random.default_rng(seed)
    mean_held, next_held, widths = [], [], []
    for _ in range(n):
        truths = rng.normal(-1, between_sd, n_sessions + 1)
        responses = [compute_response(rate(Athlete(change=float(t)), rng)) for t in truths]
        answer = combine_responses(responses[:-1])
        mean_held.append(answer.low <= -1 <= answer.high)
        next_held.append(answer.next_low <= responses[-1].mean_change <= answer.next_high)
        widths.append(answer.high - answer.low)
    return 100 * float(np.mean(mean_held)), 100 * float(np.mean(next_held)), float(np.mean(widths))


def print_sessions(pool: Pool, n: int, seed: int) -> None:
    print(f"\nSeveral sessions of 5 cycles, {n} people each: in their 95 % interval are")
    cells = [(between, k, seed + 10 * k + i) for k in (3, 6, 12) for i, between in enumerate((0.0, 0.5, 1.0))]
    rows = pool.starmap(partial(check_sessions, n=n), cells, chunksize=1)
    for (between, k, _), (mean, ahead, width) in zip(cells, rows, strict=True):
        print(f"{k:4d} sessions varying by {between:.1f}: mean {mean:5.1f}%, next {ahead:5.1f}%, width {width:.2f}")


CARRIED = {
    "relaxing": Athlete(settling_s=2),
    "relaxing, little scatter": Athlete(settling_s=2, noise_sd=0.4),
    "hyperbolic": Athlete(settling_s=2, drift="hyperbolic"),
    "hyperbolic, little scatter": Athlete(settling_s=2, drift="hyperbolic", noise_sd=0.4),
}


def check_carried(name: str, n_sessions: int, seed: int, *, n: int) -> tuple[float, float]:
    """Share of people told less, and of those told more."""
    answers = answer_sessions(CARRIED[name], n=n * n_sessions, seed=seed)[1]
    words = [combine_responses(answers[i::n]).word for i in range(n)]
    return share_of([word == "less" for word in words]), share_of([word == "more" for word in words])


def print_carried(pool: Pool, n: int, seed: int) -> None:
    """A drift that bends alike in every session, rated soon: is it taken for an effect in the long run?"""
    print(f"\nNo true change, rated 2 s after going in, a bending drift each time, {n} people: told less, told more")
    cells = [(name, k, seed + k) for name in CARRIED for k in (20, 12, 3)]
    rows = pool.starmap(partial(check_carried, n=n), cells, chunksize=1)
    for (name, k, _), (less, more) in zip(cells, rows, strict=True):
        print(f"  {name:28}{k:4d} sessions {less:5.1f}% {more:5.1f}%")


LOOKS = (  # slope in SD a session, correlation of neighbours, sessions, measures side by side
    ("no trend", 0.0, 0.0, 20, 1),
    ("no trend, one odd last session of 12", 0.0, 0.0, 12, 1),
    ("no trend, neighbours correlate (0.3)", 0.0, 0.3, 20, 1),
    ("no trend, neighbours correlate (0.5)", 0.0, 0.5, 20, 1),
    ("no trend, neighbours correlate (0.7)", 0.0, 0.7, 20, 1),
    ("no trend, 4 measures, any of them", 0.0, 0.0, 20, 4),
    ("no trend, 4 measures, correlated (0.3)", 0.0, 0.3, 20, 4),
    ("no trend, 4 measures, correlated (0.5)", 0.0, 0.5, 20, 4),
    ("trend of 0.3 SD a session, 12 sessions", 0.3, 0.0, 12, 1),
    ("the same, neighbours correlate (0.3)", 0.3, 0.3, 12, 1),
    ("trend of 0.5 SD a session, 12 sessions", 0.5, 0.0, 12, 1),
    ("trend of 0.15 SD a session, 20 sessions", 0.15, 0.0, 20, 1),
    ("0.3 SD in one of 4 measures, 12 sessions", 0.3, 0.0, 12, 4),
    ("0.5 SD in one of 4 measures, 12 sessions", 0.5, 0.0, 12, 4),
)


def check_looks(cell: tuple[str, float, float, int, int], seed: int, *, n: int) -> tuple[float, ...]:
    """In %, any of the measures: called real at any look from the third session on, at the last; real or "not decided".

    Beside them: real without any doubt told with it, and a single look of Theil-Sen's interval at the end.
    """
    name, slope, correlation, n_sessions, n_measures = cell
    rng = np.random.default_rng(seed)
    flags = np.zeros((n, n_measures, 5), dtype=bool)
    strengths = np.zeros((n, n_measures, n_sessions - 2))
    x = np.arange(float(n_sessions))
    for person, measure in np.ndindex(n, n_measures):
        y = rng.normal(0, 1, n_sessions)
        for i in range(1, n_sessions):
            y[i] = correlation * y[i - 1] + np.sqrt(1 - correlation**2) * y[i]
        y += slope * x * (measure == 0)  # of several measures one has the trend
        y[-1] += 5.0 if "odd" in name else 0.0
        looks = [judge_trend(x[:k], y[:k]) for k in range(3, n_sessions + 1)]
        real = [look.word in ("rising", "falling") for look in looks]
        near = any(look.is_open for look in looks) or any(real)
        strengths[person, measure] = [
            look.strength if is_real else 0.0 for look, is_real in zip(looks, real, strict=True)
        ]
        single = fit_theil_sen(x, y).word in ("rising", "falling")
        flags[person, measure, 2], flags[person, measure, 4] = near, single
    for person in range(n):
        looks_at = strengths[person].T.tolist()
        real_at = np.array([judge_together(own) for own in looks_at])
        flags[person, :, 0], flags[person, :, 1] = real_at.any(axis=0), real_at[-1]
        flags[person, :, 3] = (real_at & (strengths[person].T >= FIRM)).any(axis=0)
    return tuple((100 * flags.any(axis=1).mean(axis=0)).tolist())


def print_looks(pool: Pool, n: int, seed: int) -> None:
    """A measure looked at after every session: called real by chance, and a trend found, in %."""
    print(f"\nA measure over the sessions, {n} athletes each: called a real change, in %")
    heads = ("any look", "the last", "or not decided", "no doubt told", "one look, Theil-Sen")
    print(f"{'':42}" + "".join(f"{head:>{len(head) + 3}}" for head in heads))
    rows = pool.starmap(partial(check_looks, n=n), [(cell, seed + i) for i, cell in enumerate(LOOKS)], chunksize=1)
    for (name, *_), row in zip(LOOKS, rows, strict=True):
        print(f"  {name:40}" + "".join(f"{v:{len(head) + 2}.1f}%" for v, head in zip(row, heads, strict=True)))
