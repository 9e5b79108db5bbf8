"""Simulated athletes with a known truth, thousands of them: does the answer hold what it claims?

    python tests/benchmarks/truth_table.py            # a quarter of an hour on two cores
    python tests/benchmarks/truth_table.py --n 300    # coarser, seconds

Ratings are simulated, not signals (see simulated_people.py). Everything is seeded.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from simulated_doses import print_advice
from simulated_people import Athlete, as_phases, simulate

from biofeedback.analysis.ratings import Scatter, pool_scatters
from biofeedback.analysis.response import RatedPhase, Response, compute_response
from biofeedback.analysis.sessions import combine_responses
from biofeedback.analysis.trends import judge_trend


def rate(athlete: Athlete, rng: np.random.Generator, changes: np.ndarray | None = None) -> list[RatedPhase]:
    """Ratings of one response check; ``changes`` overrides the change of each contraction."""
    rows, contracting, time_s = simulate(athlete, rng, 1, changes=None if changes is None else np.atleast_2d(changes))
    return as_phases(rows[0], contracting, time_s)


@dataclass(frozen=True)
class Row:
    """Shares in %, and the mean error and width of the 95 % interval in points."""

    name: str
    covers: float
    less: float
    more: float
    unclear: float
    too_few: float
    bias: float
    width: float
    last_lower: float
    naive_less: float


def check_response(name: str, athlete: Athlete, *, n: int, seed: int) -> Row:
    """Answer ``n`` sessions of one kind of athlete, and beside it what comparing with the start would have said."""
    sessions, answers = answer_sessions(athlete, n=n, seed=seed)
    known = [a for a in answers if a.low is not None]
    return Row(
        name,
        covers=100 * float(np.mean([a.low <= athlete.change <= a.high for a in known])),
        less=share(answers, "less"),
        more=share(answers, "more"),
        unclear=share(answers, "no clear difference"),
        too_few=share(answers, "too few ratings to say"),
        bias=float(np.mean([a.mean_change - athlete.change for a in known])),
        width=float(np.mean([a.high - a.low for a in known])),
        last_lower=0.0 if athlete.missing else share_of([find_last(p) < p[0].rating for p in sessions]),
        naive_less=0.0 if athlete.missing else share_of([compare_with_start(p) for p in sessions]),
    )


def answer_sessions(
    athlete: Athlete, *, n: int, seed: int, earlier: Scatter | None = None
) -> tuple[list[list[RatedPhase]], list[Response]]:
    """``n`` sessions of one kind of athlete and their answers; an order drawn by lot is a new one every ten."""
    rng = np.random.default_rng(seed)
    sessions: list[list[RatedPhase]] = []
    while len(sessions) < n:
        rows, contracting, time_s = simulate(athlete, rng, 10 if athlete.drawn else n)
        sessions += [as_phases(row, contracting, time_s) for row in rows]
    return sessions, [compute_response(phases, earlier=earlier) for phases in sessions]


def share_of(flags: list[bool]) -> float:
    return 100 * float(np.mean(flags))


def share(answers: list[Response], word: str) -> float:
    return 100 * float(np.mean([a.word == word for a in answers]))


def find_last(phases: list[RatedPhase]) -> float:
    return next(p.rating for p in reversed(phases) if p.kind == "contract")


def compare_with_start(phases: list[RatedPhase]) -> bool:
    """The naive comparison: ratings while contracting against the first rating, one-sample t test, 5 % two-sided."""
    from scipy.special import stdtrit

    steps = np.array([p.rating - phases[0].rating for p in phases if p.kind == "contract"])
    error = steps.std(ddof=1) / np.sqrt(steps.size)
    return bool(steps.mean() + stdtrit(steps.size - 1, 0.975) * error < 0)


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
    for sd in (0.1, 0.2, 0.3):
        yield f"falls by 0.5 a phase, whole, SD {sd}", Athlete(drift="even", per_phase=-0.5, step=1, noise_sd=sd)


def list_powers() -> Iterator[tuple[str, Athlete]]:
    """A true -2, found how often?"""
    yield "SD 0.8, 5 cycles", Athlete(change=-2)
    yield "SD 1.5, 5 cycles", Athlete(change=-2, noise_sd=1.5)
    yield "SD 0.8, a fifth without answer", Athlete(change=-2, missing=0.2)
    yield "SD 0.8, 3 cycles", Athlete(change=-2, n_cycles=3)


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
    yield "anchored on the last rating (0.3)", Athlete(change=-2, anchoring=0.3)
    yield "fading: -4 at first, 0 at last", Athlete(change=-2, fade=2)
    yield "rated at once, no settling, no scatter", Athlete(settling_s=2, noise_sd=0.2, step=0.1)
    yield "autocorrelated ratings (0.3)", Athlete(autocorrelation=0.3, change=-1)
    yield "strongly autocorrelated ratings (0.7)", Athlete(change=-1, autocorrelation=0.7)


def check_power(
    name: str, athlete: Athlete, *, n: int, seed: int, earlier: Scatter | None = None
) -> tuple[str, list[float]]:
    """Found, falsely found without a change, and found were exactly 5 % falsely found; in %, beside contrasts alone.

    The contrasts are those of each contraction with both its neighbours, complete ones only, with a t interval from
    generalised least squares: what this program did before.
    """
    row: list[float] = []
    for measure in (
        lambda a: answer_sessions(a, n=n, seed=seed, earlier=earlier)[1],
        lambda a: measure_contrasts(a, n, seed),
    ):
        found = find_scores(measure(athlete))
        falsely = find_scores(measure(replace(athlete, change=0.0)))
        limit = float(np.quantile(np.abs(falsely), 0.95))
        row += [
            100 * float(np.mean(found < -1)),
            100 * float(np.mean(np.abs(falsely) > 1)),
            100 * float(np.mean(found < -limit)),
        ]
    return name, row


def find_scores(answers: list[Any]) -> np.ndarray:
    """Change over half the width of its interval: beyond 1 zero is left out; 0 for no answer."""
    known = [(a.low, a.high) if a.low is not None and a.word != "too few ratings to say" else None for a in answers]
    return np.array([0.0 if k is None else (k[0] + k[1]) / max(k[1] - k[0], 1e-9) for k in known])


@dataclass(frozen=True)
class Contrasted:
    """The answer of complete contrasts alone."""

    word: str
    low: float | None = None
    high: float | None = None


def measure_contrasts(athlete: Athlete, n: int, seed: int) -> list[Contrasted]:
    """Mean of complete contrasts, at least three, with the interval of generalised least squares."""
    from scipy.special import stdtrit

    answers = []
    for phases in answer_free(athlete, n, seed):
        ratings = np.array([np.nan if p.rating is None else p.rating for p in phases])
        rows = []
        for i, phase in enumerate(phases):
            before = [j for j in range(i) if phases[j].kind == "passive"]
            after = [j for j in range(i + 1, len(phases)) if phases[j].kind == "passive"]
            row = np.zeros(len(phases))
            if phase.kind == "contract" and before and after:
                row[i], row[before[-1]], row[after[0]] = 1.0, -0.5, -0.5
                if not np.isnan(ratings[row != 0]).any():
                    rows.append(row)
        if len(rows) < 3:
            answers.append(Contrasted("too few ratings to say"))
            continue
        weights = np.array(rows)
        changes, covariance = weights @ np.nan_to_num(ratings), weights @ weights.T
        inverse, ones = np.linalg.inv(covariance), np.ones(len(rows))
        left = changes - ones @ inverse @ changes / (ones @ inverse @ ones)
        variance = max(float(left @ inverse @ left) / (len(rows) - 1), athlete.step**2 / 12)
        reach = float(stdtrit(len(rows) - 1, 0.975)) * np.sqrt(variance * covariance.sum()) / len(rows)
        answers.append(Contrasted("", float(changes.mean() - reach), float(changes.mean() + reach)))
    return answers


def answer_free(athlete: Athlete, n: int, seed: int) -> list[list[RatedPhase]]:
    rows, contracting, time_s = simulate(athlete, np.random.default_rng(seed), n)
    return [as_phases(row, contracting, time_s) for row in rows]


def print_power(n: int, seed: int) -> None:
    """Power at equal false rates; and three cycles with the scatter of four earlier sessions."""
    print(
        f"\nA true change of -2 points, {n} sessions each: found, falsely found at 0, and found at exactly 5 % falsely"
    )
    print(f"{'':42}{'all ratings':>24}{'complete contrasts':>24}")
    rows = [check_power(name, a, n=n, seed=seed + i) for i, (name, a) in enumerate(list_powers())]
    own = [r.scatter for r in answer_sessions(Athlete(), n=4, seed=seed + 90)[1] if r.scatter]
    pooled = pool_scatters(own)
    rows.append(
        check_power(
            "3 cycles, scatter of 4 earlier sessions",
            Athlete(change=-2, n_cycles=3),
            n=n,
            seed=seed + 9,
            earlier=pooled,
        )
    )
    for name, row in rows:
        print(f"{name:42}" + "".join(f"{v:7.1f}%" for v in row))


def check_sessions(between_sd: float, n_sessions: int, *, n: int, seed: int) -> tuple[float, float, float]:
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


def print_rows(title: str, rows: list[Row]) -> None:
    print(f"\n{title}")
    print(f"{'':42}{'covers':>8}{'less':>7}{'more':>7}{'unclear':>9}{'too few':>9}{'bias':>8}{'width':>8}")
    for r in rows:
        print(
            f"{r.name:42}{r.covers:7.1f}%{r.less:6.1f}%{r.more:6.1f}%{r.unclear:8.1f}%{r.too_few:8.1f}%"
            f"{r.bias:+8.2f}{r.width:8.2f}"
        )


def print_naive(n: int, seed: int) -> None:
    print("\nNo true change, but 33 % relaxation and habituation: how many sessions say less?")
    print(f"{'':20}{'neighbours':>12}{'t test against first':>22}{'last below first':>18}")
    for name, step in (("halves", 0.5), ("whole numbers", 1.0)):
        row = check_response(name, Athlete(step=step), n=n, seed=seed)
        print(f"{name:20}{row.less:11.1f}%{row.naive_less:21.1f}%{row.last_lower:17.1f}%")


def print_sessions(n: int, seed: int) -> None:
    print(f"\nSeveral sessions of 5 cycles, {n} people each: in their 95 % interval are")
    for k in (3, 6, 12):
        for between in (0.0, 0.5, 1.0):
            mean, ahead, width = check_sessions(between, k, n=n, seed=seed)
            print(f"{k:4d} sessions varying by {between:.1f}: mean {mean:5.1f}%, next {ahead:5.1f}%, width {width:.2f}")


def print_carried(n: int, seed: int) -> None:
    """A drift that bends alike in every session, rated soon: is it taken for an effect in the long run?"""
    print(f"\nNo true change, rated 2 s after going in, a bending drift each time, {n} people: told less")
    for name, athlete in (
        ("relaxing", Athlete(settling_s=2)),
        ("relaxing, little scatter", Athlete(settling_s=2, noise_sd=0.4)),
        ("hyperbolic", Athlete(settling_s=2, drift="hyperbolic")),
    ):
        pool = answer_sessions(athlete, n=max(10 * n, 200), seed=seed)[1]
        rng = np.random.default_rng(seed)
        for n_sessions in (3, 12, 20):
            picked = [rng.choice(len(pool), n_sessions, replace=False) for _ in range(n)]
            words = [combine_responses([pool[i] for i in own.tolist()]).word for own in picked]
            print(f"  {name:26}{n_sessions:4d} sessions {share_of([word == 'less' for word in words]):5.1f}%")


def print_looks(n: int, seed: int) -> None:
    """A measure looked at after every session: called real by chance, and a trend found, in %."""
    print(
        f"\nA measure over the sessions, {n} athletes each: called a real change at any look up to the twentieth, in %"
    )
    rng = np.random.default_rng(seed)
    cells = (
        ("no trend", 0.0, 0.0, 20),
        ("no trend, one odd last session of 12", 0.0, 0.0, 12),
        ("no trend, sessions hang together (0.3)", 0.0, 0.3, 20),
        ("no trend, sessions hang together (0.5)", 0.0, 0.5, 20),
        ("trend of 0.3 SD a session, 12 sessions", 0.3, 0.0, 12),
    )
    for name, slope, correlation, n_sessions in cells:
        found = last = 0
        for _ in range(n):
            y = rng.normal(0, 1, n_sessions)
            for i in range(1, n_sessions):
                y[i] = correlation * y[i - 1] + np.sqrt(1 - correlation**2) * y[i]
            y += slope * np.arange(n_sessions)
            y[-1] += 5.0 if "odd" in name else 0.0
            words = [judge_trend(np.arange(float(k)), y[:k]).word for k in range(3, n_sessions + 1)]
            found += any(word in ("rising", "falling") for word in words)
            last += words[-1] in ("rising", "falling")
        print(f"  {name:42} at any look {100 * found / n:5.1f}%   at the last {100 * last / n:5.1f}%")


def main() -> None:
    parser = argparse.ArgumentParser(description="Simulated athletes with a known truth")
    parser.add_argument("--n", type=int, default=1000, help="sessions per row")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2, help="processes for the slow tables")
    options = parser.parse_args()
    n, seed = options.n, options.seed
    fair = [check_response(name, a, n=n, seed=seed + i) for i, (name, a) in enumerate(list_fair_athletes())]
    print_rows(f"95 % intervals of the change, {n} sessions each; 93 to 97 % have to cover", fair)
    print_naive(n, seed + 50)
    unchanged = [
        check_response(name, a, n=n, seed=seed + 500 + i) for i, (name, a) in enumerate(list_unchanged_athletes())
    ]
    print_rows(f"No true change, {n} sessions each: at most 5 % may be told less or more", unchanged)
    print_power(n, seed + 600)
    breaking = enumerate(list_breaking_athletes())
    print_rows("What breaks it", [check_response(name, a, n=n, seed=seed + 100 + i) for i, (name, a) in breaking])
    print_sessions(max(n // 8, 20), seed + 200)
    print_carried(max(n // 8, 20), seed + 220)
    print_looks(n, seed + 250)
    print_advice(n, seed + 300, options.workers)


if __name__ == "__main__":
    main()
