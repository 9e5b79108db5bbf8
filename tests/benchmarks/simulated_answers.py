"""Sessions of simulated people answered: coverage, false answers, power, and where it gives way."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.pool import Pool
from typing import Any

import numpy as np
from simulated_people import (
    Athlete,
    as_phases,
    list_breaking_athletes,
    list_fair_athletes,
    list_powers,
    list_unchanged_athletes,
    simulate,
)

from biofeedback.analysis.ratings import Scatter, pool_scatters
from biofeedback.analysis.response import RatedPhase, Response, compute_response
from biofeedback.analysis.words import MAY_COME_LATE

FALSE_PERCENT = (5.0, 4.3, 3.6)  # at which equal false rates power is compared


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
    late: float
    too_few: float
    bias: float
    width: float
    last_lower: float
    naive_less: float
    contrasts_cover: float
    contrasts_false: float


def check_response(name: str, athlete: Athlete, *, n: int, seed: int, beside: bool = False) -> Row:
    """Answer ``n`` sessions of one kind of athlete; ``beside`` it what complete contrasts would have said."""
    sessions, answers = answer_sessions(athlete, n=n, seed=seed)
    known = [a for a in answers if a.low is not None and a.word != "too few ratings to say"]
    contrasts = [measure_contrasts(p, athlete.step) for p in sessions] if beside else []
    before = [a for a in contrasts if a.low is not None]
    return Row(
        name,
        covers=share_of([a.low <= athlete.change <= a.high for a in known]),
        less=share(answers, "less"),
        more=share(answers, "more"),
        unclear=share(answers, "no clear difference"),
        late=share(answers, MAY_COME_LATE),
        too_few=share(answers, "too few ratings to say"),
        bias=mean_of([a.mean_change - athlete.change for a in known]),
        width=mean_of([a.high - a.low for a in known]),
        last_lower=0.0 if athlete.missing else share_of([find_last(p) < p[0].rating for p in sessions]),
        naive_less=0.0 if athlete.missing else share_of([compare_with_start(p) for p in sessions]),
        contrasts_cover=share_of([a.low <= athlete.change <= a.high for a in before]),
        contrasts_false=100 * sum(a.high < 0 or a.low > 0 for a in before) / n,
    )


def answer_sessions(
    athlete: Athlete, *, n: int, seed: int, earlier: list[Scatter | None] | None = None
) -> tuple[list[list[RatedPhase]], list[Response]]:
    """``n`` sessions of one kind of athlete and their answers; an order drawn by lot is a new one every ten.

    ``earlier``: for each of them, the scatter that its person's earlier sessions taught.
    """
    rng = np.random.default_rng(seed)
    sessions: list[list[RatedPhase]] = []
    while len(sessions) < n:
        rows, contracting, time_s = simulate(athlete, rng, 10 if athlete.drawn else n)
        sessions += [as_phases(row, contracting, time_s) for row in rows]
    taught = earlier or [None] * len(sessions)
    return sessions, [compute_response(p, earlier=known) for p, known in zip(sessions, taught, strict=True)]


def share_of(flags: list[bool]) -> float:
    return 100 * mean_of(flags)


def mean_of(values: list[Any]) -> float:
    return float(np.mean(values)) if values else float("nan")


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


def check_power(name: str, athlete: Athlete, *, n: int, seed: int) -> tuple[str, list[float]]:
    """Found, falsely found without a change, and found at equal false rates; in %, beside a line and contrasts alone.

    The line is plain regression on contraction and time. The contrasts are those of each contraction with both its
    neighbours, complete ones only, with a t interval from generalised least squares: what this program did before.
    """
    true, none = (answer_sessions(a, n=n, seed=seed) for a in (athlete, replace(athlete, change=0.0)))
    row = [*compare_scores(true[1], none[1])]
    for measure in (fit_line, measure_contrasts):
        row += compare_scores(
            *([measure(phases, athlete.step) for phases in sessions] for sessions in (true[0], none[0]))
        )
    return name, row


def check_borrowed(name: str, athlete: Athlete, *, n: int, seed: int, n_earlier: int = 4) -> tuple[str, list[float]]:
    """As ``check_power``, each person with the scatter of own earlier sessions of five cycles, without a change."""
    earlier = answer_sessions(Athlete(noise_sd=athlete.noise_sd), n=n * n_earlier, seed=seed + 1000)[1]
    scatters = [a.scatter for a in earlier]
    pooled = [pool_scatters([s for s in scatters[i::n] if s]) for i in range(n)]
    true, none = (
        answer_sessions(a, n=n, seed=seed, earlier=pooled)[1] for a in (athlete, replace(athlete, change=0.0))
    )
    return name, compare_scores(true, none)


def compare_scores(true: list[Any], none: list[Any]) -> list[float]:
    found, falsely = find_scores(true), find_scores(none)
    limits = [float(np.quantile(np.abs(falsely), 1 - percent / 100)) for percent in FALSE_PERCENT]
    equal = [share_of(list(found < -limit)) for limit in limits]
    return [share_of(list(found < -1)), share_of(list(np.abs(falsely) > 1)), *equal]


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


def fit_line(phases: list[RatedPhase], step: float) -> Contrasted:
    """Plain least squares on contraction and a straight line in time, at least three contractions."""
    from scipy.special import stdtrit

    rated = [p for p in phases if p.rating is not None]
    column = np.array([p.kind == "contract" for p in rated], dtype=float)
    columns = np.column_stack([np.ones(len(rated)), [p.time_s / 60 for p in rated], column])
    df = len(rated) - 3
    if column.sum() < 3 or df < 1 or np.linalg.matrix_rank(columns) < 3:
        return Contrasted("too few ratings to say")
    ratings = np.array([p.rating for p in rated])
    fit = np.linalg.lstsq(columns, ratings, rcond=None)[0]
    variance = max(float(((ratings - columns @ fit) ** 2).sum()) / df, step**2 / 12)
    reach = float(stdtrit(df, 0.975)) * np.sqrt(variance * np.linalg.inv(columns.T @ columns)[2, 2])
    return Contrasted("", float(fit[2] - reach), float(fit[2] + reach))


def measure_contrasts(phases: list[RatedPhase], step: float) -> Contrasted:
    """Mean of complete contrasts, at least three, with the interval of generalised least squares."""
    from scipy.special import stdtrit

    ratings = np.array([np.nan if p.rating is None else p.rating for p in phases])
    passive = np.flatnonzero([p.kind == "passive" for p in phases])
    rows = []
    for i, phase in enumerate(phases):
        before, after = passive[passive < i], passive[passive > i]
        if phase.kind == "contract" and before.size and after.size:
            row = np.zeros(len(phases))
            row[i], row[before[-1]], row[after[0]] = 1.0, -0.5, -0.5
            if not np.isnan(ratings[row != 0]).any():
                rows.append(row)
    if len(rows) < 3:
        return Contrasted("too few ratings to say")
    weights = np.array(rows)
    changes, covariance = weights @ np.nan_to_num(ratings), weights @ weights.T
    inverse, ones = np.linalg.inv(covariance), np.ones(len(rows))
    left = changes - ones @ inverse @ changes / (ones @ inverse @ ones)
    variance = max(float(left @ inverse @ left) / (len(rows) - 1), step**2 / 12)
    reach = float(stdtrit(len(rows) - 1, 0.975)) * np.sqrt(variance * covariance.sum()) / len(rows)
    return Contrasted("", float(changes.mean() - reach), float(changes.mean() + reach))


def check_all(pool: Pool, athletes: list[tuple[str, Athlete]], n: int, seed: int) -> list[Row]:
    """Every athlete of a list, each with a seed of its own."""
    cells = [(name, athlete, seed + i) for i, (name, athlete) in enumerate(athletes)]
    return pool.starmap(partial(_check_cell, n=n), cells, chunksize=1)


def _check_cell(name: str, athlete: Athlete, seed: int, *, n: int) -> Row:
    return check_response(name, athlete, n=n, seed=seed, beside=True)


def _check_power_cell(name: str, athlete: Athlete, seed: int, *, n: int) -> tuple[str, list[float]]:
    check = check_borrowed if "earlier" in name else check_power
    return check(name, athlete, n=n, seed=seed)


def print_fair(pool: Pool, n: int, seed: int) -> None:
    rows = check_all(pool, list(list_fair_athletes()), n, seed)
    print_rows(f"95 % intervals of the change, {n} sessions each; 93 to 97 % have to cover", rows)


def print_unchanged(pool: Pool, n: int, seed: int) -> None:
    rows = check_all(pool, list(list_unchanged_athletes()), n, seed)
    print_rows(f"No true change, {n} sessions each: at most 5 % may be told less or more", rows)


def print_breaking(pool: Pool, n: int, seed: int) -> None:
    print_rows(f"What breaks it, {n} sessions each", check_all(pool, list(list_breaking_athletes()), n, seed))


def print_power(pool: Pool, n: int, seed: int) -> None:
    """Power at equal false rates; and three cycles with the scatter of four earlier sessions."""
    rates = ", ".join(f"{percent:g}" for percent in FALSE_PERCENT)
    print(f"\nA true change of -2 points, {n} sessions each: found, falsely found at 0, found at {rates} % falsely")
    print(f"{'':42}{'all ratings':>40}{'a line in time':>40}{'complete contrasts':>40}")
    cells = [(name, athlete, seed + i) for i, (name, athlete) in enumerate(list_powers())]
    for name, row in pool.starmap(partial(_check_power_cell, n=n), cells, chunksize=1):
        print(f"{name:42}" + "".join(f"{v:7.1f}%" for v in row))


def print_rows(title: str, rows: list[Row]) -> None:
    print(f"\n{title}")
    print(f"{'':42}{'':8}{'':7}{'':7}{'':9}{'':7}{'':9}{'':8}{'':8}   complete contrasts")
    print(
        f"{'':42}{'covers':>8}{'less':>7}{'more':>7}{'unclear':>9}{'late':>7}{'too few':>9}{'bias':>8}{'width':>8}"
        f"{'cover':>10}{'false':>8}"
    )
    for r in rows:
        print(
            f"{r.name:42}{r.covers:7.1f}%{r.less:6.1f}%{r.more:6.1f}%{r.unclear:8.1f}%{r.late:6.1f}%{r.too_few:8.1f}%"
            f"{r.bias:+8.2f}{r.width:8.2f}{r.contrasts_cover:9.1f}%{r.contrasts_false:7.1f}%"
        )


def print_naive(pool: Pool, n: int, seed: int) -> None:
    print("\nNo true change, but 33 % relaxation and habituation: how many sessions say less?")
    print(f"{'':20}{'neighbours':>12}{'t test against first':>22}{'last below first':>18}")
    athletes = [("halves", Athlete(step=0.5)), ("whole numbers", Athlete(step=1.0))]
    for row in check_all(pool, athletes, n, seed):
        print(f"{row.name:20}{row.less:11.1f}%{row.naive_less:21.1f}%{row.last_lower:17.1f}%")
