"""What contraction did within one session, from every rating that is there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from biofeedback.analysis.censored import open_interval
from biofeedback.analysis.effects import compute_corrected_tau, compute_nap, compute_nap_error, compute_tau_u
from biofeedback.analysis.interval import count_more_cycles, find_rounding
from biofeedback.analysis.randomisation import DrawnOrder, Order, RandomisationTest, rank_order
from biofeedback.analysis.ratings import (
    SCALE_HIGH,
    SCALE_LOW,
    Estimate,
    Ratings,
    Scatter,
    bend_freely,
    correlate,
    estimate,
    list_drift,
)
from biofeedback.analysis.trends import Trend, fit_theil_sen
from biofeedback.analysis.words import (
    MAY_COME_LATE,
    YARDSTICK_POINTS,
    Reach,
    ResponseWord,
    choose_word,
    count,
    find_wanted,
    judge_reach,
)
from biofeedback.model import Band

PhaseKind: TypeAlias = Literal["passive", "contract"]
N_CONTRASTS_MIN = 3  # fewer rated contractions are anecdotes, whatever the interval
N_BETWEEN_MIN = 2  # of them with a relaxed rating on each side: otherwise a drift could be all there is
MIXED_PERCENT = 15.0  # contractions further apart than this are not one effort
LATE_SHARE = 0.75  # of a change that may come late, which the relaxed phases after a contraction make; by simulation
N_SHIFT_MIN = 4  # contractions; a change of the change over three is a guess


@dataclass(frozen=True, slots=True)
class RatedPhase:
    """One phase in the order held. ``rating`` 0-10, None for no answer; ``time_s`` is when it was rated.

    ``marks`` say what spoils it ("out of band", "position moved", "signal lost"); empty for a good one. Phases of
    different ``run`` have time between them that no plan knew of, such as after a stop: they are no neighbours.
    ``effort_percent`` is the mean effort of a contraction, None where unknown; ``band`` the one that was asked for.
    """

    kind: PhaseKind
    rating: float | None
    time_s: float
    marks: tuple[str, ...] = ()
    run: int = 0
    effort_percent: float | None = None
    band: Band | None = None

    def __post_init__(self) -> None:
        if self.kind not in ("passive", "contract"):
            raise ValueError(f"kind {self.kind!r} is not one of passive, contract")
        if self.rating is not None and not SCALE_LOW <= self.rating <= SCALE_HIGH:
            raise ValueError(f"rating {self.rating}: the scale runs from 0 to 10")
        if not np.isfinite(self.time_s):
            raise ValueError("every phase needs its time, also one without a rating")


@dataclass(frozen=True, slots=True)
class Contrast:
    """One contracting phase and the nearest rated passive phases around it, for people to look at.

    ``change``: its rating minus the line between the two; None with ``reason`` when one of the three is missing.
    """

    cycle: int
    before: float | None
    during: float | None
    after: float | None
    change: float | None
    marks: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Shift:
    """How much the change itself moved from the first contraction to the last, in points, with its 95 % interval."""

    first: float
    last: float
    low: float
    high: float

    @property
    def is_clear(self) -> bool:
        """Whether the whole interval lies on one side of zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True)
class Response:
    """The answer of one session, in points of the 0-10 scale; negative changes are less discomfort.

    ``low`` to ``high`` is the 95 % interval of ``mean_change``, ``error`` its standard error; ``is_open`` where the
    scale's end hides how far the change went, so that the interval's outer end is a guess. ``scatter`` is that of
    single ratings in this session, ``borrowed`` whether the interval also used that of earlier ones; ``alias_points``
    is what rounding may have imitated, part of the interval. ``mean_passive`` is what the contractions would have been
    rated without one, ``wanted_points`` the easing that would matter from there.
    ``free_change`` is the estimate beside a drift that bends freely, for use over many sessions.

    ``n_contrasts`` contractions were rated and compared, of ``n_rated`` ratings in all.

    ``reach``: whether the interval reaches the yardstick of a change that matters. ``relaxed_over_min``: from the first
    relaxed rating to the last; ``rounding``: the step that ratings were rounded to.

    ``nap`` and ``tau`` are above 0.5 and 0 where contracting phases were rated lower; ``tau`` is free of the passive
    ratings' own trend, ``tau_u`` its forerunner, for older reports. ``at_end_percent`` of the ratings are 0 or 10.
    ``fell`` and ``came_back`` are the mean steps into and out of a contraction; ``shift`` tells whether the change
    stayed the same over the cycles, None where that cannot be asked. ``first_step`` is the first contraction minus
    the relaxed phase before it, ``later_step`` the relaxed phases after contractions minus that one: where the change
    comes from those alone, the word is that it may come late, neither "less" nor "more". ``test`` is None unless the
    order was drawn by lot. ``n_more_cycles`` is what a clear answer would still need if the change stays as it is.
    ``without_marked`` is the same answer from good ratings only, None when none are marked.
    """

    contrasts: tuple[Contrast, ...]
    n_contrasts: int
    n_rated: int
    mean_passive: float | None
    wanted_points: float | None
    mean_change: float | None
    error: float | None
    rating_sd: float | None
    scatter: Scatter | None
    borrowed: bool
    alias_points: float
    low: float | None
    high: float | None
    is_open: bool
    free_change: float | None
    change_percent: float | None
    reach: Reach | None
    nap: float | None
    nap_error: float | None
    tau: float | None
    tau_u: float | None
    at_end_percent: float
    drift_per_min: Trend
    relaxed_over_min: float
    rounding: float
    fell: float | None
    came_back: float | None
    shift: Shift | None
    first_step: float | None
    later_step: float | None
    test: RandomisationTest | None
    test_reason: str
    word: ResponseWord
    reason: str
    n_more_cycles: int | None
    n_more_reason: str
    notes: tuple[str, ...]
    without_marked: Response | None = None

    @property
    def is_full(self) -> bool:
        """Whether contraction took discomfort away altogether: there was some, and every contraction was rated 0."""
        during = [c.during for c in self.contrasts if c.during is not None]
        return self.word == "less" and bool(during) and max(during) == SCALE_LOW


def compute_response(
    phases: Sequence[RatedPhase], *, drawn: DrawnOrder | None = None, earlier: Scatter | None = None
) -> Response:
    """Compare contracting with passive phases, in the order held, drift taken out (see ``analysis.ratings``).

    ``drawn`` is the order as it was drawn by lot and stored before the start; without it there is no p-value.
    ``earlier``: the person's scatter in earlier sessions, used unless this session's is clearly larger.
    """
    response = _answer(phases, drawn, earlier)
    if not any(phase.marks for phase in phases):
        return response
    good = [replace(phase, rating=None) if phase.marks else phase for phase in phases]
    return replace(response, without_marked=_answer(good, drawn, earlier))


def gather_ratings(phases: Sequence[RatedPhase]) -> Ratings:
    """Ratings that were given in stays with at least one relaxed rating to compare with, as columns."""
    compared = {p.run for p in phases if p.kind == "passive" and p.rating is not None}
    given = [p for p in phases if p.rating is not None and p.run in compared]
    return Ratings(
        np.array([p.rating for p in given], dtype=np.float64),
        np.array([p.kind == "contract" for p in given], dtype=np.bool_),
        np.array([p.time_s for p in given], dtype=np.float64),
        np.array([p.run for p in given], dtype=np.int_),
    )


def _answer(phases: Sequence[RatedPhase], drawn: DrawnOrder | None, earlier: Scatter | None) -> Response:
    contrasts = make_contrasts(phases)
    usable = [c for c in contrasts if c.change is not None]
    ratings = gather_ratings(phases)
    passive = [(p.time_s, p.rating) for p in phases if p.kind == "passive" and p.rating is not None]
    compared = set(ratings.run.tolist())
    contract = [
        (p.time_s, p.rating) for p in phases if p.kind == "contract" and p.rating is not None and p.run in compared
    ]
    relaxed, working = [rating for _, rating in passive], [rating for _, rating in contract]
    rounding = find_rounding(relaxed + working)
    column = ratings.contracting.astype(np.float64)
    fit = estimate(ratings, column, rounding=rounding, earlier=earlier) if usable else None
    free = None if fit is None else estimate(ratings, column, rounding=rounding, beside=bend_freely(ratings))
    mean = fit.value if fit is not None else _mean([c.change for c in usable if c.change is not None])
    low, high, is_open = (None, None, False) if fit is None else open_interval(ratings, fit, rounding)
    mean, low, high = (_confine(change) for change in (mean, low, high))
    mean_passive = None if fit is None else float(ratings.rating[ratings.contracting].mean()) - fit.value
    percent = (
        round(100 * fit.value / mean_passive, 7) if fit is not None and mean_passive and mean_passive > 0 else None
    )
    at_end_percent = 100 * sum(r in (SCALE_LOW, SCALE_HIGH) for r in relaxed + working) / max(ratings.n, 1)
    n = len(working) if len(usable) >= N_BETWEEN_MIN else len(usable)
    word, reason = choose_word(
        n, low, high, n_min=N_CONTRASTS_MIN, yardstick=YARDSTICK_POINTS, at_end_percent=at_end_percent,
        noun="rated contraction",
    )  # fmt: skip
    if n < min(N_CONTRASTS_MIN, len(working)):
        between = f"{n} of {count(len(working), 'rated contraction')} {'lies' if n == 1 else 'lie'}"
        between = between if n else "no rated contraction lies"
        reason = f"{between} between rated relaxed phases, {N_CONTRASTS_MIN} are needed"
    first_step, later_step = _find_steps(usable)
    if word in ("less", "more") and may_come_late(mean, first_step, later_step):
        word, reason = MAY_COME_LATE, "only relaxed phases after a contraction differ from it, not the one before any"
    n_more, n_more_reason = (
        (None, "only another order can")
        if word == MAY_COME_LATE
        else (0, "the answer is clear already")
        if word in ("less", "more")
        else count_more_cycles(
            None if fit is None else fit.value,
            None if fit is None else fit.scatter.variance**0.5,
            n,
            n_min=N_CONTRASTS_MIN,
            alias_points=0.0 if fit is None else fit.alias,
        )
    )
    test, test_reason = _test_order(phases, drawn)
    return Response(
        contrasts=contrasts,
        n_contrasts=n,
        n_rated=len(relaxed) + len(working),
        mean_passive=mean_passive,
        wanted_points=None if mean_passive is None else find_wanted(mean_passive),
        mean_change=mean,
        error=None if fit is None else fit.error,
        rating_sd=None if fit is None else fit.scatter.variance**0.5,
        scatter=None if fit is None else fit.scatter,
        borrowed=fit is not None and fit.borrowed,
        alias_points=0.0 if fit is None else fit.alias,
        low=low,
        high=high,
        is_open=is_open,
        free_change=None if free is None else free.value,
        change_percent=percent,
        reach=None if fit is None else judge_reach(low, high, mean_passive),
        nap=compute_nap(relaxed, working) if relaxed and working else None,
        nap_error=compute_nap_error(relaxed, working) if min(len(relaxed), len(working)) >= 2 else None,
        tau=_tau(passive, contract),
        tau_u=compute_tau_u(relaxed, working) if relaxed and working else None,
        at_end_percent=at_end_percent,
        drift_per_min=fit_theil_sen([t / 60 for t, _ in passive], [r for _, r in passive]),
        relaxed_over_min=(passive[-1][0] - passive[0][0]) / 60 if passive else 0.0,
        rounding=rounding,
        fell=_mean([c.during - c.before for c in usable if c.during is not None and c.before is not None]),
        came_back=_mean([c.after - c.during for c in usable if c.after is not None and c.during is not None]),
        shift=None if fit is None else _find_shift(phases, ratings, fit, rounding, earlier),
        first_step=first_step,
        later_step=later_step,
        test=test,
        test_reason=test_reason,
        word=word,
        reason=reason,
        n_more_cycles=n_more,
        n_more_reason=n_more_reason,
        notes=_make_notes(phases, contrasts),
    )


def _confine(change: float | None) -> float | None:
    """No change is larger than the scale, even where a drift drawn on past its end would say so."""
    span = SCALE_HIGH - SCALE_LOW
    return None if change is None else min(max(change, -span), span)


def make_contrasts(phases: Sequence[RatedPhase]) -> tuple[Contrast, ...]:
    """Every contracting phase with the nearest rated passive phase on each side in the same run."""
    contrasts: list[Contrast] = []
    for index, phase in enumerate(phases):
        if phase.kind != "contract":
            continue
        near = [i for i, other in enumerate(phases) if other.kind == "passive" and other.run == phase.run]
        rated = [i for i in near if phases[i].rating is not None]
        before = next((i for i in reversed(rated) if i < index), None)
        after = next((i for i in rated if i > index), None)
        sides = [None if i is None else phases[i].rating for i in (before, after)]
        marks = tuple(dict.fromkeys(m for i in (before, index, after) if i is not None for m in phases[i].marks))
        reason = _find_missing(index, near, phase, sides)
        change = None
        if before is not None and after is not None and phase.rating is not None:
            share = (index - before) / (after - before)
            change = phase.rating - (1 - share) * (sides[0] or 0.0) - share * (sides[1] or 0.0)
        contrasts.append(Contrast(len(contrasts) + 1, sides[0], phase.rating, sides[1], change, marks, reason))
    return tuple(contrasts)


def _find_shift(
    phases: Sequence[RatedPhase], ratings: Ratings, fit: Estimate, rounding: float, earlier: Scatter | None
) -> Shift | None:
    """A straight line in the change over the contractions, where they were one effort."""
    efforts = [p.effort_percent for p in phases if p.kind == "contract" and p.effort_percent is not None]
    n = int(ratings.contracting.sum())
    if n < N_SHIFT_MIN or (efforts and max(efforts) - min(efforts) > MIXED_PERCENT):
        return None
    along = np.zeros(ratings.n)
    along[ratings.contracting] = np.linspace(-0.5, 0.5, n)
    column = ratings.contracting.astype(np.float64)[:, None]
    slope = estimate(ratings, along, rounding=rounding, beside=column, earlier=earlier)
    if slope is None:
        return None
    first, last = fit.value - slope.value / 2, fit.value + slope.value / 2
    return Shift(first, last, slope.value - slope.reach, slope.value + slope.reach)


def _find_steps(usable: Sequence[Contrast]) -> tuple[float | None, float | None]:
    """The first contraction, and the relaxed phases after one, minus the relaxed phase before any.

    What goes on from one relaxed phase to the next is a drift, and no step that a contraction left behind.
    """
    later = [c.after for c in usable if c.after is not None]
    if not later or usable[0].before is None or usable[0].during is None:
        return None, None
    going_on = (later[-1] - later[0]) / max(len(later) - 1, 1) * (len(later) + 1) / 2
    step = float(np.mean(later)) - usable[0].before
    return usable[0].during - usable[0].before, step - going_on if step * going_on > 0 else step


def may_come_late(mean: float | None, first_step: float | None, later_step: float | None) -> bool:
    """Whether ``mean`` is a change only against the relaxed phases that followed a contraction.

    The first contraction then changed nothing in its direction, and those phases lie most of it away from the one
    before any, on the other side. So looks an easing that comes late and stays, called "more" without this; and a
    worsening that comes late, called "less".
    """
    if mean is None or first_step is None or later_step is None:
        return False
    sign = 1.0 if mean > 0 else -1.0
    return sign * first_step <= 0 and -sign * later_step >= LATE_SHARE * abs(mean)


def _test_order(phases: Sequence[RatedPhase], drawn: DrawnOrder | None) -> tuple[RandomisationTest | None, str]:
    """p-value of the change over the orders that could have been drawn, or why there is none.

    An order with one onset cannot tell a drift from an effect: there it is the difference of the means.
    """
    if drawn is None:
        return None, "no p-value: the order was fixed, not drawn by lot"
    if tuple(p.kind for p in phases) != drawn.order:
        return None, "no p-value: the order held is not the order drawn"
    groups = _rank_groups if drawn.design == "onset" else _rank_fits
    test = rank_order(groups(phases), drawn)
    return test, f"order drawn by lot from {test.n_orders}; p cannot fall below {test.smallest_p:.2g}"


def _rank_fits(phases: Sequence[RatedPhase]) -> Callable[[Order], float]:
    """The estimated change under any order, ratings and drift staying where they are."""
    given = np.array([p.rating is not None for p in phases])
    rated = [p for p in phases if p.rating is not None]
    ratings = Ratings(
        np.array([p.rating for p in rated], dtype=np.float64),
        np.zeros(len(rated), dtype=np.bool_),
        np.array([p.time_s for p in rated], dtype=np.float64),
        np.array([p.run for p in rated], dtype=np.int_),
    )
    straight, bend = list_drift(ratings)
    inverse = np.linalg.inv(correlate(bend))
    left = inverse - inverse @ straight @ np.linalg.pinv(straight.T @ inverse @ straight) @ straight.T @ inverse
    free = left @ ratings.rating

    def estimate_order(order: Order) -> float:
        column = (np.array(order) == "contract")[given].astype(np.float64)
        size = float(column @ left @ column)
        return float(column @ free) / size if size > 1e-9 else 0.0

    return estimate_order


def _rank_groups(phases: Sequence[RatedPhase]) -> Callable[[Order], float]:
    """The difference of the means under any order."""
    ratings = [p.rating for p in phases]

    def difference(order: Order) -> float:
        groups = {
            kind: [r for k, r in zip(order, ratings, strict=True) if k == kind and r is not None] for kind in order
        }
        return (_mean(groups["contract"]) or 0.0) - (_mean(groups["passive"]) or 0.0)

    return difference


def _find_missing(index: int, near: Sequence[int], phase: RatedPhase, sides: Sequence[float | None]) -> str:
    if not any(i < index for i in near):
        return "no passive phase before it"
    if not any(i > index for i in near):
        return "no closing passive phase after it"
    missing = [name for name, r in (("before", sides[0]), ("during", phase.rating), ("after", sides[1])) if r is None]
    return f"no rating {' and '.join(missing)}" if missing else ""


def _make_notes(phases: Sequence[RatedPhase], contrasts: Sequence[Contrast]) -> tuple[str, ...]:
    notes = [f"contraction {c.cycle} has no neighbours to be seen against: {c.reason}" for c in contrasts if c.reason]
    ratings = [p.rating for p in phases if p.rating is not None]
    n_silent = len(phases) - len(ratings)
    if n_silent:
        verb = "has" if n_silent == 1 else "have"
        notes.append(f"{n_silent} of {len(phases)} phases {verb} no usable rating")
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
