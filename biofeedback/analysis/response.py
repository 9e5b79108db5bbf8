"""What contraction did within one session: each contracting phase against the passive phases on both sides of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from biofeedback.analysis.effects import compute_corrected_tau, compute_nap, compute_nap_error, compute_tau_u
from biofeedback.analysis.interval import (
    count_more_cycles,
    estimate_mean,
    find_rating_sd,
    find_rounding,
    find_t_quantile,
)
from biofeedback.analysis.randomisation import DrawnOrder, Order, RandomisationTest, rank_order
from biofeedback.analysis.trends import Trend, fit_theil_sen
from biofeedback.analysis.words import (
    YARDSTICK_PERCENT,
    YARDSTICK_POINTS,
    ResponseWord,
    choose_word,
    describe_response,
    describe_return,
)
from biofeedback.model import FloatArray

PhaseKind: TypeAlias = Literal["passive", "contract"]
N_CONTRASTS_MIN = 3  # two contrasts leave one degree of freedom: an interval 13 standard errors wide
SCALE_LOW, SCALE_HIGH = 0.0, 10.0


@dataclass(frozen=True, slots=True)
class RatedPhase:
    """One phase in the order held. ``rating`` 0-10, None for no answer; ``time_s`` is when it was rated.

    ``marks`` say what spoils it ("out of band", "position moved", "signal lost"); empty for a good one. Phases of
    different ``run`` have time between them that no plan knew of, such as after a stop: they are no neighbours.
    """

    kind: PhaseKind
    rating: float | None
    time_s: float
    marks: tuple[str, ...] = ()
    run: int = 0

    def __post_init__(self) -> None:
        if self.kind not in ("passive", "contract"):
            raise ValueError(f"kind {self.kind!r} is not one of passive, contract")
        if self.rating is not None and not SCALE_LOW <= self.rating <= SCALE_HIGH:
            raise ValueError(f"rating {self.rating}: the scale runs from 0 to 10")
        if not np.isfinite(self.time_s):
            raise ValueError("every phase needs its time, also one without a rating")


@dataclass(frozen=True, slots=True)
class Contrast:
    """One contracting phase: its rating minus the mean of its neighbours; None with ``reason`` when one is missing."""

    cycle: int
    before: float | None
    during: float | None
    after: float | None
    change: float | None
    marks: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Response:
    """The answer of one session, in points of the 0-10 scale; negative changes are less discomfort.

    ``low`` to ``high`` is the 95 % interval of ``mean_change``, ``error`` its standard error and ``rating_sd`` the
    scatter of single ratings behind it. ``nap`` and ``tau`` are above 0.5 and 0 where contracting phases were rated
    lower; ``tau`` is free of the passive ratings' own trend, ``tau_u`` its forerunner, for older reports.
    ``at_end_percent`` of the ratings are 0 or 10. ``fell`` and ``came_back`` are the mean steps into and out of a
    contraction. ``test`` is None unless the order was drawn by lot. ``n_more_cycles`` is what a clear answer would
    still need if the change stays as it is. ``without_marked`` is the same answer from good ratings only, None when
    none are marked.
    """

    contrasts: tuple[Contrast, ...]
    n_contrasts: int
    mean_passive: float | None
    mean_change: float | None
    error: float | None
    rating_sd: float | None
    low: float | None
    high: float | None
    change_percent: float | None
    reaches_yardstick: bool | None
    nap: float | None
    nap_error: float | None
    tau: float | None
    tau_u: float | None
    at_end_percent: float
    drift_per_min: Trend
    fell: float | None
    came_back: float | None
    test: RandomisationTest | None
    test_reason: str
    word: ResponseWord
    reason: str
    n_more_cycles: int | None
    n_more_reason: str
    notes: tuple[str, ...]
    without_marked: Response | None = None

    def sentences(self) -> tuple[str, ...]:
        """One or two plain sentences: what contraction did, and whether marked ratings matter."""
        return describe_response(self)

    def return_sentence(self) -> str:
        """Whether discomfort came back after the contractions; empty unless they eased it."""
        return describe_return(self)


def compute_response(phases: Sequence[RatedPhase], *, drawn: DrawnOrder | None = None) -> Response:
    """Compare contracting with passive phases, in the order held.

    Each contrast is C_i - (P_i + P_{i+1}) / 2, so that a straight-line drift (relaxation, habituation) cancels.
    ``drawn`` is the order as it was drawn by lot and stored before the start; without it there is no p-value.
    """
    response = _answer(phases, drawn)
    if not any(phase.marks for phase in phases):
        return response
    good = [replace(phase, rating=None) if phase.marks else phase for phase in phases]
    return replace(response, without_marked=_answer(good, drawn))


def _answer(phases: Sequence[RatedPhase], drawn: DrawnOrder | None) -> Response:
    contrasts, weights = make_contrasts(phases)
    usable = [c for c in contrasts if c.change is not None]
    changes = np.array([c.change for c in usable], dtype=np.float64)
    passive = [(p.time_s, p.rating) for p in phases if p.kind == "passive" and p.rating is not None]
    contract = [(p.time_s, p.rating) for p in phases if p.kind == "contract" and p.rating is not None]
    relaxed, working = [rating for _, rating in passive], [rating for _, rating in contract]
    ratings = relaxed + working
    mean, error = estimate_mean(changes, weights, rounding=find_rounding(ratings)) if usable else (None, None)
    reach = None if error is None or len(usable) < 2 else find_t_quantile(len(usable) - 1) * error
    low, high = (None, None) if mean is None or reach is None else (mean - reach, mean + reach)
    neighbours = _mean([(c.before + c.after) / 2 for c in usable if c.before is not None and c.after is not None])
    percent = 100 * mean / neighbours if mean is not None and neighbours else None
    at_end_percent = 100 * sum(r in (SCALE_LOW, SCALE_HIGH) for r in ratings) / max(len(ratings), 1)
    word, reason = choose_word(
        len(usable), low, high, n_min=N_CONTRASTS_MIN, yardstick=YARDSTICK_POINTS, at_end_percent=at_end_percent
    )
    n_more, n_more_reason = (
        (0, "the answer is clear already")
        if word in ("less", "more")
        else count_more_cycles(mean, error, weights, n_min=N_CONTRASTS_MIN)
    )
    test, test_reason = _test_order(phases, drawn)
    return Response(
        contrasts=contrasts,
        n_contrasts=len(usable),
        mean_passive=neighbours,
        mean_change=mean,
        error=error,
        rating_sd=find_rating_sd(error, weights),
        low=low,
        high=high,
        change_percent=percent,
        reaches_yardstick=_reaches_yardstick(mean, percent),
        nap=compute_nap(relaxed, working) if relaxed and working else None,
        nap_error=compute_nap_error(relaxed, working) if min(len(relaxed), len(working)) >= 2 else None,
        tau=_tau(passive, contract),
        tau_u=compute_tau_u(relaxed, working) if relaxed and working else None,
        at_end_percent=at_end_percent,
        drift_per_min=fit_theil_sen([t / 60 for t, _ in passive], [r for _, r in passive]),
        fell=_mean([c.during - c.before for c in usable if c.during is not None and c.before is not None]),
        came_back=_mean([c.after - c.during for c in usable if c.after is not None and c.during is not None]),
        test=test,
        test_reason=test_reason,
        word=word,
        reason=reason,
        n_more_cycles=n_more,
        n_more_reason=n_more_reason,
        notes=_make_notes(phases, contrasts),
    )


def make_contrasts(phases: Sequence[RatedPhase]) -> tuple[tuple[Contrast, ...], FloatArray]:
    """Every contracting phase with the nearest passive phase on each side; and the weights of the usable ones."""
    contrasts: list[Contrast] = []
    rows = []
    for index, phase in enumerate(phases):
        if phase.kind != "contract":
            continue
        near = [i for i, other in enumerate(phases) if other.kind == "passive" and other.run == phase.run]
        before = next((i for i in reversed(near) if i < index), None)
        after = next((i for i in near if i > index), None)
        sides = [None if i is None else phases[i].rating for i in (before, after)]
        marks = tuple(dict.fromkeys(m for i in (before, index, after) if i is not None for m in phases[i].marks))
        reason = _find_missing(before, phase, after, sides)
        change = None
        if not reason and before is not None and after is not None:
            row = np.zeros(len(phases))
            row[index], row[before], row[after] = 1.0, -0.5, -0.5
            rows.append(row)
            change = float(sum(w * (p.rating or 0.0) for w, p in zip(row, phases, strict=True) if w))
        contrasts.append(Contrast(len(contrasts) + 1, sides[0], phase.rating, sides[1], change, marks, reason))
    return tuple(contrasts), np.array(rows).reshape(len(rows), len(phases))


def _test_order(phases: Sequence[RatedPhase], drawn: DrawnOrder | None) -> tuple[RandomisationTest | None, str]:
    """p-value of the mean contrast over the orders that could have been drawn, or why there is none.

    An order with one onset has no closing passive phase: there it is the difference of the means.
    """
    if drawn is None:
        return None, "no p-value: the order was fixed, not drawn by lot"
    if tuple(p.kind for p in phases) != drawn.order:
        return None, "no p-value: the order held is not the order drawn"
    ratings = [p.rating for p in phases]

    def mean_contrast(order: Order) -> float:
        changes = []
        for index, kind in enumerate(order):
            if kind == "contract":
                before = ratings[max(i for i in range(index) if order[i] == "passive")]
                after = ratings[order.index("passive", index)]
                during = ratings[index]
                if before is not None and during is not None and after is not None:
                    changes.append(during - (before + after) / 2)
        return sum(changes) / len(changes) if changes else 0.0

    def difference(order: Order) -> float:
        groups = {
            kind: [r for k, r in zip(order, ratings, strict=True) if k == kind and r is not None] for kind in order
        }
        return (_mean(groups["contract"]) or 0.0) - (_mean(groups["passive"]) or 0.0)

    test = rank_order(difference if drawn.design == "onset" else mean_contrast, drawn)
    return test, f"order drawn by lot from {test.n_orders}; p cannot fall below {test.smallest_p:.2g}"


def _find_missing(before: int | None, phase: RatedPhase, after: int | None, sides: Sequence[float | None]) -> str:
    if before is None:
        return "no passive phase before it"
    if after is None:
        return "no closing passive phase after it"
    missing = [name for name, r in (("before", sides[0]), ("during", phase.rating), ("after", sides[1])) if r is None]
    return f"no rating {' and '.join(missing)}" if missing else ""


def _make_notes(phases: Sequence[RatedPhase], contrasts: Sequence[Contrast]) -> tuple[str, ...]:
    notes = [f"contraction {c.cycle} is left out: {c.reason}" for c in contrasts if c.reason]
    ratings = [p.rating for p in phases if p.rating is not None]
    n_silent = len(phases) - len(ratings)
    if n_silent:
        notes.append(f"{n_silent} of {len(phases)} phases have no usable rating")
    for end in (SCALE_LOW, SCALE_HIGH):
        n_at_end = ratings.count(end)
        if n_at_end:
            stand = "rating stands" if n_at_end == 1 else "ratings stand"
            notes.append(f"{n_at_end} {stand} at {end:g}, the end of the scale: the true change may be larger")
    return tuple(notes)


def _tau(passive: Sequence[tuple[float, float]], contract: Sequence[tuple[float, float]]) -> float | None:
    if len(passive) < 3 or not contract or len({t for t, _ in passive}) < 2:
        return None
    return compute_corrected_tau(
        [r for _, r in passive], [r for _, r in contract], [t for t, _ in passive], [t for t, _ in contract]
    )


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def _reaches_yardstick(mean: float | None, percent: float | None) -> bool | None:
    if mean is None:
        return None
    return abs(mean) >= YARDSTICK_POINTS or (percent is not None and abs(percent) >= YARDSTICK_PERCENT)
