"""A trial over evenings for one person: which way helps most, answered from the lot that was drawn beforehand.

Each block holds every way once, in an order drawn by lot. What was not done as drawn is said: it stands in the test,
which goes by the draw, and not in the difference, which is of what was done.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations, product
from math import factorial
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.analysis.trial_fit import CARRY, NO_WAY, Fit, Rows, fit_ways
from biofeedback.analysis.words import YARDSTICK_POINTS
from biofeedback.model import FloatArray

Word: TypeAlias = Literal["lower", "higher", "no clear difference", "too few evenings to say"]
N_WAYS, N_BLOCKS = (2, 4), (2, 12)
N_LOOK_MIN = 3  # blocks before the first look
N_ENUMERATED_MAX = 2**14  # more schedules than these are sampled
N_SAMPLED = 9999  # with the one that was drawn this makes 10,000
TOLERANCE = 1e-9
T_TOLERANCE, LEFT_MIN, RANK_TOLERANCE = 1e-6, 1e-9, 1e-9  # ties; scatter beside a perfect fit; of sums of squares
ENDS = ("lower", "higher")
CONFIDENCE, POWER = 0.95, 0.8
LOOK_P: Mapping[int, float] = {2: 0.0085, 3: 0.0033, 4: 0.0017}  # by number of ways; see `judge`
N_MISSING_MAX = 60  # blocks beyond which no number is given


@dataclass(frozen=True, slots=True)
class Schedule:
    """Ways by evening: blocks one after the other, each a permutation of ``ways`` drawn from ``seed``."""

    ways: tuple[str, ...]
    n_blocks: int
    seed: int
    order: tuple[str, ...]

    @property
    def n_schedules(self) -> int:
        """How many could have been drawn, all equally likely."""
        return int(factorial(len(self.ways)) ** self.n_blocks)

    def block_of(self, evening: int) -> int:
        """The block, from 0, of an evening counted from 1."""
        return (evening - 1) // len(self.ways)


@dataclass(frozen=True, slots=True)
class TrialEvening:
    """One evening, counted from 1: what was drawn, what was done (empty: missed), and what was measured (None: not)."""

    number: int
    drawn: str
    done: str
    outcome: float | None


@dataclass(frozen=True, slots=True)
class WayDifference:
    """``first`` minus ``second`` with its 95 % interval at this look, and p over the schedules (two-sided).

    ``word`` is of ``first``: "lower" or "higher" only beyond the limit that holds at every look. ``n_missing``: blocks
    still needed to find a difference of the yardstick in 80 % of such trials; None: more than can be asked for.
    """

    first: str
    second: str
    difference: float | None
    low: float | None
    high: float | None
    p: float | None
    word: Word
    reason: str
    n_missing: int | None


@dataclass(frozen=True, slots=True)
class TrialAnswer:
    """Every pair of ways; ``sd`` of evenings in a block; the way that is ``lowest`` or ``highest`` of all, or empty."""

    differences: tuple[WayDifference, ...]
    means: Mapping[str, float]
    n_by_way: Mapping[str, int]
    n_blocks: int
    sd: float | None
    lowest: str
    highest: str
    n_schedules: int
    is_enumerated: bool


def draw_schedule(ways: Sequence[str], n_blocks: int, *, seed: int) -> Schedule:
    """Draw each block's order by lot. ValueError for fewer than two or more than four ways, or 2 to 12 blocks."""
    unique = tuple(dict.fromkeys(ways))
    if len(unique) != len(ways) or not N_WAYS[0] <= len(ways) <= N_WAYS[1]:
        raise ValueError(f"{len(ways)} ways: choose two to four different ones")
    if not N_BLOCKS[0] <= n_blocks <= N_BLOCKS[1]:
        raise ValueError(f"{n_blocks} blocks: choose {N_BLOCKS[0]} to {N_BLOCKS[1]}")
    random = np.random.default_rng(seed)
    order = [unique[place] for _ in range(n_blocks) for place in random.permutation(len(unique))]
    return Schedule(unique, n_blocks, seed, tuple(order))


def analyse_trial(
    schedule: Schedule,
    evenings: Sequence[TrialEvening],
    *,
    yardstick: float = YARDSTICK_POINTS,
    by_draw: bool = True,
    carry: tuple[float, ...] = CARRY,
) -> TrialAnswer:
    """The answer of the evenings so far, one at most for each of the schedule.

    Differences are least-squares estimates with blocks, of evenings done as drawn: what was done otherwise was not
    drawn by lot. p is by the draw alone: every evening with an outcome under the way drawn for it, over all orders of
    the blocks (enumerated up to 2^14, else 9,999 of them drawn with the schedule's own seed), so it holds whatever was
    done. ``carry``: shares of an evening's effect that may still act on the next one (`trial_fit`). ``by_draw`` False
    leaves p out, and with it every word. Blocks of which less than two evenings are known teach nothing.
    """
    known = [one for one in evenings if one.outcome is not None]
    kept = [one for one in known if one.done == one.drawn]
    rows = _gather_rows(schedule, evenings)
    n_blocks = len(set(rows.block))
    fit = fit_ways(rows, len(schedule.ways), carry)
    pairs = list(combinations(range(len(schedule.ways)), 2))
    labels, is_enumerated = _list_labels(schedule, known if by_draw else [])
    tested = _test_pairs(schedule, known, labels, pairs) if by_draw else [None] * len(pairs)
    n_missing = None if fit is None else count_missing_blocks(fit.sd, len(schedule.ways), n_blocks, yardstick)
    differences = tuple(_compare(schedule, fit, pair, p, n_missing) for pair, p in zip(pairs, tested, strict=True))
    n_by_way = {way: sum(one.drawn == way for one in kept) for way in schedule.ways}
    means = {} if fit is None else dict(zip(schedule.ways, map(float, fit.means()), strict=True))
    return TrialAnswer(
        differences,
        means,
        n_by_way,
        n_blocks,
        None if fit is None else fit.sd,
        _find_end(schedule.ways, differences, "lower"),
        _find_end(schedule.ways, differences, "higher"),
        schedule.n_schedules,
        is_enumerated,
    )


def judge(p_interval: float, p_draw: float | None, difference: float, n_ways: int) -> Word:
    """ "lower" or "higher" when both the t test with blocks and the draw pass the limit of every look.

    `LOOK_P` is passed by the t test's p in less than 5 % of trials without any difference, at any of the looks after
    3, 4, ... 12 blocks and for any pair of ways (simulated: tests/benchmarks/trial_table.py), where 0.05 is passed in
    18 % (two ways) to 51 % (four). The draw's own p, of no difference between any of the ways, must be at most 5 %,
    too: it holds without any distribution.
    """
    if p_interval > LOOK_P[n_ways] or p_draw is None or p_draw > 1 - CONFIDENCE + TOLERANCE:
        return "no clear difference"
    return "lower" if difference < 0 else "higher"


def _gather_rows(schedule: Schedule, known: Sequence[TrialEvening]) -> Rows:
    """Evenings done as drawn, of blocks that hold two of them; what was done before each, however it was drawn."""
    places = {way: place for place, way in enumerate(schedule.ways)}
    done = {one.number: places.get(one.done, NO_WAY) for one in known}
    blocks: dict[int, list[TrialEvening]] = {}
    for one in known:
        if one.done == one.drawn and one.outcome is not None:
            blocks.setdefault(schedule.block_of(one.number), []).append(one)
    used = [group for group in blocks.values() if len(group) > 1]
    kept = [(block, one) for block, group in enumerate(used) for one in group]
    return Rows(
        tuple(block for block, _ in kept),
        tuple(places[one.drawn] for _, one in kept),
        tuple(done.get(one.number - 1, NO_WAY) for _, one in kept),
        tuple(float(one.outcome or 0.0) for _, one in kept),
    )


def _compare(
    schedule: Schedule, fit: Fit | None, pair: tuple[int, int], p_draw: float | None, missing: int | None
) -> WayDifference:
    from scipy.stats import t as student

    first, second = (schedule.ways[place] for place in pair)
    if fit is None:
        return WayDifference(
            first, second, None, None, None, p_draw, "too few evenings to say",
            "not every way was done as drawn beside another one in a block", None,
        )  # fmt: skip
    difference, error = fit.contrast(*pair)
    reach = float(student.ppf(0.5 + CONFIDENCE / 2, fit.df)) * error
    low, high = difference - reach, difference + reach
    if fit.n_blocks < N_LOOK_MIN:
        reason = f"{fit.n_blocks} blocks; the first look is after {N_LOOK_MIN}"
        return WayDifference(first, second, difference, low, high, p_draw, "too few evenings to say", reason, missing)
    p_interval = 2 * float(student.sf(abs(difference) / error, fit.df)) if error > 0 else 0.0
    word = judge(p_interval, p_draw, difference, len(schedule.ways))
    interval = f"95 % interval {low:+.1f} to {high:+.1f}"
    reason = (
        f"{interval}, no more than chance may bring at one of several looks"
        if word == "no clear difference"
        else f"{interval}, beyond what chance brings at any look"
    )
    return WayDifference(first, second, difference, low, high, p_draw, word, reason, missing)


def count_missing_blocks(sd: float, n_ways: int, n_blocks: int, yardstick: float) -> int | None:
    """Blocks still needed until a true difference of ``yardstick`` passes the limit in 80 % of trials; None: too many.

    Power of the t test with blocks at `LOOK_P` by the noncentral t distribution.
    """
    from scipy.stats import nct
    from scipy.stats import t as student

    if not sd > 0:
        return 0
    for total in range(max(N_LOOK_MIN, n_blocks), n_blocks + N_MISSING_MAX + 1):
        df = (total - 1) * (n_ways - 1)
        limit = float(student.isf(LOOK_P[n_ways] / 2, df))
        if float(nct.sf(limit, df, yardstick / (sd * np.sqrt(2 / total)))) >= POWER:
            return total - n_blocks
    return None


def _find_end(ways: Sequence[str], differences: Sequence[WayDifference], word: Literal["lower", "higher"]) -> str:
    """The way that is ``word`` than each other one; empty without any."""
    beyond = {(d.first, d.second) if d.word == word else (d.second, d.first) for d in differences if d.word in ENDS}
    return next((way for way in ways if all((way, other) in beyond for other in ways if other != way)), "")


def _list_labels(schedule: Schedule, known: Sequence[TrialEvening]) -> tuple[FloatArray, bool]:
    """Places of ways (schedules, evenings), of the blocks that ``known`` reach; the drawn one is among them."""
    k = len(schedule.ways)
    blocks = sorted({schedule.block_of(one.number) for one in known})
    places = {way: place for place, way in enumerate(schedule.ways)}
    own = [[places[way] for way in schedule.order[block * k : block * k + k]] for block in blocks]
    where = [(blocks.index(schedule.block_of(one.number)), (one.number - 1) % k) for one in known]
    is_enumerated = factorial(k) ** len(blocks) <= N_ENUMERATED_MAX
    if not known:
        return np.zeros((1, 0)), True
    if is_enumerated:
        orders: Iterator[Sequence[Sequence[int]]] = product(permutations(range(k)), repeat=len(blocks))
        labels = np.array([[order[block][place] for block, place in where] for order in orders], dtype=np.float64)
    else:
        random = np.random.default_rng([schedule.seed, 1])
        drawn = np.argsort(random.random((N_SAMPLED, len(blocks), k)), axis=2)
        labels = drawn[:, [block for block, _ in where], [place for _, place in where]].astype(np.float64)
        labels = np.vstack([[[own[block][place] for block, place in where]], labels])
    return labels, is_enumerated


def _test_pairs(
    schedule: Schedule,
    known: Sequence[TrialEvening],
    labels: FloatArray,
    pairs: Sequence[tuple[int, int]],
) -> list[float | None]:
    """Two-sided p of each pair: how many schedules give a t at least as large.

    t and not the plain difference: other orders mix a way that helps into all of the others, so that their differences
    scatter by the effect itself, and -2 points in 4 blocks of four ways would be found in 58 % of trials, not 69
    (tests/benchmarks/trial_table.py). With two ways both order the schedules alike.
    """
    if not known:
        return [None] * len(pairs)
    k = len(schedule.ways)
    places = {way: place for place, way in enumerate(schedule.ways)}
    block = np.array([schedule.block_of(one.number) for one in known], dtype=np.int64)
    y = np.array([[one.outcome for one in known]], dtype=np.float64)
    observed = np.array([[places[one.drawn] for one in known]], dtype=np.float64)
    own, every = _find_t(observed, block, y, k, pairs)[0], _find_t(labels, block, y, k, pairs)
    result: list[float | None] = []
    for one, others in zip(own, every.T, strict=True):
        seen = others[np.isfinite(others)]
        result.append(float(np.mean(seen >= one * (1 - T_TOLERANCE))) if np.isfinite(one) else None)
    return result


def _find_t(
    labels: FloatArray, block: NDArray[np.int64], y: FloatArray, n_ways: int, pairs: Sequence[tuple[int, int]]
) -> FloatArray:
    """|t| without its degrees of freedom, of the least-squares fit with blocks: (schedules, pairs).

    NaN where a way has no evening, or stands in one block alone. ``labels`` (schedules, evenings), ``y`` (1, evenings).
    """
    ways = (labels[:, :, None] == np.arange(n_ways)).astype(np.float64)
    y = y.copy()
    for each in np.unique(block):
        inside = block == each
        ways[:, inside] -= ways[:, inside].mean(axis=1, keepdims=True)
        y[:, inside] -= y[:, inside].mean()
    normal = np.swapaxes(ways, 1, 2) @ ways  # (schedules, ways, ways), short of one rank: only differences are known
    is_known = np.linalg.eigvalsh(normal)[:, 1] > RANK_TOLERANCE
    inverse = np.linalg.inv(np.where(is_known[:, None, None], normal, np.eye(n_ways)) + 1 / n_ways)
    toward = ways.transpose(0, 2, 1) @ y[0]
    effects = (inverse @ toward[:, :, None])[:, :, 0]
    total = float(y[0] @ y[0])
    left = np.maximum(total - np.sum(effects * toward, axis=1), 0.0) + LEFT_MIN * total
    found = np.full((len(labels), len(pairs)), np.nan)
    for column, (first, second) in enumerate(pairs):
        spread = inverse[:, first, first] + inverse[:, second, second] - 2 * inverse[:, first, second]
        difference = np.abs(effects[:, first] - effects[:, second])
        with np.errstate(invalid="ignore", divide="ignore"):
            found[is_known, column] = (difference / np.sqrt(left * spread))[is_known] if total else 0.0
    return found
