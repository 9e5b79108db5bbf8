"""Orders drawn by lot before the start, and the p-value that only such a draw can give."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations, permutations, product
from math import comb, factorial
from typing import Any, Literal, TypeAlias

import numpy as np

Design: TypeAlias = Literal["pairs", "shuffle", "onset"]
Order: TypeAlias = tuple[str, ...]
LevelOrder: TypeAlias = tuple[float, ...]
N_ENUMERATED_MAX = 2**14  # more possible orders than these are sampled
N_SAMPLED = 9999  # with the order held itself this makes 10,000
TOLERANCE = 1e-9  # statistics that differ only in the last bits of their arithmetic are equal


@dataclass(frozen=True, slots=True)
class DrawnOrder:
    """Passive and contracting phases as drawn; to be stored before the session starts.

    ``pairs``: an opening passive phase, ``n_cycles`` pairs each in an order of its own, a closing passive phase
    (2^n orders). ``shuffle``: the same phases in any order (C(2n, n) orders). ``onset``: ``n_cycles`` phases, passive
    first, then contracting from a drawn one on, at least ``n_min`` of each (n - 2 n_min + 1 orders).
    """

    design: Design
    n_cycles: int
    seed: int
    order: Order = ()
    n_min: int = 1

    def __post_init__(self) -> None:
        if self.design not in ("pairs", "shuffle", "onset"):
            raise ValueError(f"design {self.design!r} is not one of pairs, shuffle, onset")
        if not 1 <= self.n_cycles <= 60:
            raise ValueError(f"{self.n_cycles} cycles: 1 to 60 can be drawn")
        if self.design == "onset" and not 1 <= self.n_min <= self.n_cycles / 2:
            raise ValueError(f"at least {self.n_min} phases of each kind do not fit into {self.n_cycles}")

    @property
    def n_orders(self) -> int:
        """How many orders could have been drawn, all equally likely."""
        n = self.n_cycles
        return int({"pairs": 2**n, "shuffle": comb(2 * n, n), "onset": n - 2 * self.n_min + 1}[self.design])

    @property
    def smallest_p(self) -> float:
        """The one-sided p-value that nothing can get below."""
        return 1 / self.n_orders

    def list_orders(self) -> Iterator[Order]:
        """Every order that could have been drawn."""
        n = self.n_cycles
        if self.design == "pairs":
            yield from (_frame_pairs(first) for first in product((False, True), repeat=n))
        elif self.design == "shuffle":
            yield from (_frame_chosen(n, chosen) for chosen in combinations(range(2 * n), n))
        else:
            yield from (_start_at(onset, n) for onset in range(self.n_min, n - self.n_min + 1))

    def draw(self, rng: np.random.Generator) -> Order:
        """One of them."""
        n = self.n_cycles
        if self.design == "pairs":
            return _frame_pairs(tuple(bool(b) for b in rng.integers(0, 2, n)))
        if self.design == "shuffle":
            return _frame_chosen(n, tuple(int(i) for i in rng.permutation(2 * n)[:n]))
        return _start_at(int(rng.integers(self.n_min, n - self.n_min + 1)), n)

    def to_dict(self) -> dict[str, Any]:
        """As stored in a plan."""
        return {**asdict(self), "order": list(self.order)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> DrawnOrder:
        """The inverse of ``to_dict``."""
        n_min = int(data.get("n_min", 1))
        return cls(data["design"], int(data["n_cycles"]), int(data["seed"]), tuple(data["order"]), n_min)


@dataclass(frozen=True, slots=True)
class DrawnLevels:
    """Effort levels of successive contractions in % of maximum, drawn in complete rounds ((L!)^rounds orders).

    Every level comes once before any comes again, so that fatigue and habituation meet all levels alike.
    """

    levels_percent: LevelOrder
    n_rounds: int
    seed: int
    order: LevelOrder = ()

    def __post_init__(self) -> None:
        if len(set(self.levels_percent)) < max(len(self.levels_percent), 1) or not 1 <= self.n_rounds <= 60:
            raise ValueError(
                f"levels {self.levels_percent} in {self.n_rounds} rounds: different levels, 1 to 60 rounds"
            )

    @property
    def n_orders(self) -> int:
        """How many orders could have been drawn, all equally likely."""
        return int(factorial(len(self.levels_percent)) ** self.n_rounds)

    def list_orders(self) -> Iterator[LevelOrder]:
        """Every order that could have been drawn."""
        for rounds in product(permutations(self.levels_percent), repeat=self.n_rounds):
            yield tuple(level for one in rounds for level in one)

    def draw(self, rng: np.random.Generator) -> LevelOrder:
        """One of them."""
        return tuple(float(v) for _ in range(self.n_rounds) for v in rng.permutation(np.array(self.levels_percent)))

    def to_dict(self) -> dict[str, Any]:
        """As stored in a plan."""
        return {**asdict(self), "levels_percent": list(self.levels_percent), "order": list(self.order)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> DrawnLevels:
        """The inverse of ``to_dict``."""
        return cls(tuple(data["levels_percent"]), int(data["n_rounds"]), int(data["seed"]), tuple(data["order"]))


@dataclass(frozen=True, slots=True)
class RandomisationTest:
    """One-sided p-values over the orders that could have been drawn; ``exact`` when all of them were gone through."""

    statistic: float
    p_less: float
    p_more: float
    n_orders: int
    n_compared: int
    exact: bool
    smallest_p: float


def draw_order(n_cycles: int, *, seed: int, design: Design = "pairs", n_min: int = 1) -> DrawnOrder:
    """Draw one order; the same seed gives the same order."""
    possible = DrawnOrder(design, n_cycles, seed, n_min=n_min)
    return DrawnOrder(design, n_cycles, seed, possible.draw(np.random.default_rng(seed)), n_min)


def draw_levels(levels_percent: Sequence[float], n_rounds: int, *, seed: int) -> DrawnLevels:
    """Draw one order of effort levels; the same seed gives the same order."""
    possible = DrawnLevels(tuple(float(v) for v in levels_percent), n_rounds, seed)
    return DrawnLevels(possible.levels_percent, n_rounds, seed, possible.draw(np.random.default_rng(seed)))


def rank_order(statistic: Callable[[Any], float], drawn: DrawnOrder | DrawnLevels) -> RandomisationTest:
    """Rank the order held among all that could have been drawn, ratings staying where they are.

    ``statistic`` (low = less discomfort while contracting) is given one order at a time. p = share of orders at
    least as extreme, the one held included; sampled orders give (1 + k) / (1 + M). Edgington & Onghena,
    Randomization Tests, 4th ed. (2007); Phipson & Smyth, Stat Appl Genet Mol Biol 9 (2010) 39.
    """
    observed = statistic(drawn.order)
    exact = drawn.n_orders <= N_ENUMERATED_MAX
    rng = np.random.default_rng([drawn.seed, 1])  # a stream apart from the one that drew the order
    orders = drawn.list_orders() if exact else (drawn.draw(rng) for _ in range(N_SAMPLED))
    values = np.array([statistic(order) for order in orders])
    extra = 0 if exact else 1  # the order held is among the enumerated ones already
    total = values.size + extra
    return RandomisationTest(
        statistic=observed,
        p_less=(int(np.sum(values <= observed + TOLERANCE)) + extra) / total,
        p_more=(int(np.sum(values >= observed - TOLERANCE)) + extra) / total,
        n_orders=drawn.n_orders,
        n_compared=total,
        exact=exact,
        smallest_p=1 / total,
    )


def rank_levels(changes: Sequence[float], drawn: DrawnLevels) -> RandomisationTest:
    """Does more effort bring less discomfort? Ranks the slope of ``changes``, one for each contraction held."""
    y = np.asarray(changes, dtype=np.float64)
    if y.size != len(drawn.order):
        raise ValueError(f"{y.size} changes for {len(drawn.order)} contractions drawn")
    centred = y - y.mean()

    def slope(order: LevelOrder) -> float:
        x = np.asarray(order)
        x = x - x.mean()
        return float(x @ centred / (x @ x))

    return rank_order(slope, drawn)


def _frame_pairs(first_contract: tuple[bool, ...]) -> Order:
    pairs = (("contract", "passive") if first else ("passive", "contract") for first in first_contract)
    return ("passive", *(kind for pair in pairs for kind in pair), "passive")


def _frame_chosen(n: int, chosen: tuple[int, ...]) -> Order:
    picked = set(chosen)
    return ("passive", *("contract" if i in picked else "passive" for i in range(2 * n)), "passive")


def _start_at(onset: int, n: int) -> Order:
    return ("passive",) * onset + ("contract",) * (n - onset)
