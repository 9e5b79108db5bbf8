"""Orders drawn by lot before the start, and the p-value that only such a draw can give."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from itertools import combinations, product
from math import comb
from typing import Any, Literal, TypeAlias

import numpy as np

Design: TypeAlias = Literal["pairs", "shuffle"]
Order: TypeAlias = tuple[str, ...]
N_ENUMERATED_MAX = 2**14  # more possible orders than these are sampled
N_SAMPLED = 9999  # with the order held itself this makes 10,000
TOLERANCE = 1e-9  # statistics that differ only in the last bits of their arithmetic are equal


@dataclass(frozen=True, slots=True)
class DrawnOrder:
    """Passive and contracting phases as drawn; to be stored before the session starts.

    ``pairs``: an opening passive phase, ``n_cycles`` pairs each in an order of its own, a closing passive phase
    (2^n orders). ``shuffle``: the same phases in any order (C(2n, n) orders).
    """

    design: Design
    n_cycles: int
    seed: int
    order: Order

    def __post_init__(self) -> None:
        if self.design not in ("pairs", "shuffle"):
            raise ValueError(f"design {self.design!r} is not one of pairs, shuffle")
        if not 1 <= self.n_cycles <= 60:
            raise ValueError(f"{self.n_cycles} cycles: 1 to 60 can be drawn")

    @property
    def n_orders(self) -> int:
        """How many orders could have been drawn, all equally likely."""
        return 2**self.n_cycles if self.design == "pairs" else comb(2 * self.n_cycles, self.n_cycles)

    @property
    def smallest_p(self) -> float:
        """The one-sided p-value that nothing can get below."""
        return 1 / self.n_orders

    def to_dict(self) -> dict[str, Any]:
        """As stored in a plan."""
        return {**asdict(self), "order": list(self.order)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> DrawnOrder:
        """The inverse of ``to_dict``."""
        return cls(data["design"], int(data["n_cycles"]), int(data["seed"]), tuple(data["order"]))


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


def draw_order(n_cycles: int, *, seed: int, design: Design = "pairs") -> DrawnOrder:
    """Draw one order; the same seed gives the same order."""
    rng = np.random.default_rng(seed)
    empty = DrawnOrder(design, n_cycles, seed, ())
    return DrawnOrder(design, n_cycles, seed, _draw_one(empty, rng))


def draw_levels(levels_percent: tuple[float, ...], n_each: int, *, seed: int) -> tuple[float, ...]:
    """Effort levels in % of maximum, each ``n_each`` times, in an order drawn by lot in complete rounds.

    Every level comes once before any comes again, so that fatigue and habituation meet all levels alike.
    """
    rng = np.random.default_rng(seed)
    return tuple(float(level) for _ in range(n_each) for level in rng.permutation(np.asarray(levels_percent)))


def list_orders(drawn: DrawnOrder) -> Iterator[Order]:
    """Every order that could have been drawn."""
    n = drawn.n_cycles
    if drawn.design == "pairs":
        for first_contract in product((False, True), repeat=n):
            yield _frame_pairs(first_contract)
    else:
        for chosen in combinations(range(2 * n), n):
            yield _frame_chosen(n, chosen)


def rank_order(statistic: Callable[[Order], float], drawn: DrawnOrder) -> RandomisationTest:
    """Rank the order held among all that could have been drawn, ratings staying where they are.

    ``statistic`` (low = less discomfort while contracting) is given one order at a time. p = share of orders at
    least as extreme, the one held included; sampled orders give (1 + k) / (1 + M). Edgington & Onghena,
    Randomization Tests, 4th ed. (2007); Phipson & Smyth, Stat Appl Genet Mol Biol 9 (2010) 39.
    """
    observed = statistic(drawn.order)
    exact = drawn.n_orders <= N_ENUMERATED_MAX
    rng = np.random.default_rng([drawn.seed, 1])  # a stream apart from the one that drew the order
    orders = list_orders(drawn) if exact else (_draw_one(drawn, rng) for _ in range(N_SAMPLED))
    values = np.array([statistic(order) for order in orders])
    n_less = int(np.sum(values <= observed + TOLERANCE))
    n_more = int(np.sum(values >= observed - TOLERANCE))
    extra = 0 if exact else 1
    total = values.size + extra
    return RandomisationTest(
        statistic=observed,
        p_less=(n_less + extra) / total,
        p_more=(n_more + extra) / total,
        n_orders=drawn.n_orders,
        n_compared=total,
        exact=exact,
        smallest_p=1 / total,
    )


def _draw_one(drawn: DrawnOrder, rng: np.random.Generator) -> Order:
    n = drawn.n_cycles
    if drawn.design == "pairs":
        return _frame_pairs(tuple(bool(b) for b in rng.integers(0, 2, n)))
    return _frame_chosen(n, tuple(rng.permutation(2 * n)[:n]))


def _frame_pairs(first_contract: tuple[bool, ...]) -> Order:
    pairs = (("contract", "passive") if first else ("passive", "contract") for first in first_contract)
    return ("passive", *(kind for pair in pairs for kind in pair), "passive")


def _frame_chosen(n: int, chosen: tuple[int, ...]) -> Order:
    picked = set(chosen)
    return ("passive", *("contract" if i in picked else "passive" for i in range(2 * n)), "passive")
