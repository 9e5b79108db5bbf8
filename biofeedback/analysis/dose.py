"""How much effort is enough: only what was held is advised, and only what was rated there decides.

The curve lends neighbouring efforts to each other's ratings, and tells what would be learnt where; an effort that was
never held is "not tried", and at most the next thing to try.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from biofeedback.analysis.curve import STEP_PERCENT, Contrasts, Posterior, weigh_curves
from biofeedback.analysis.emax import EmaxFit, fit_emax
from biofeedback.analysis.held import (
    DoseLevel,
    HeldBand,
    describe_enough,
    describe_neither,
    describe_open,
    describe_worse_from_little,
)
from biofeedback.analysis.informing import LOWEST_NEXT_PERCENT, choose_next, list_efforts
from biofeedback.analysis.words import (
    EXCLUDED_PERCENT,
    MAY_COME_LATE,
    N_POINTS_MIN,
    YARDSTICK_POINTS,
    DoseAdvice,
    ResponseWord,
)
from biofeedback.model import Band, FloatArray

REACH_PERCENT = 20.0  # no suggestion further than this above what was tried; common practice
MISFIT_Z = 2.5  # a level whose mean lies so many standard errors off the curve is named; by Student's t of its few df
SURE_PERCENT = 90.0  # chance that a band is enough before it is offered; found by simulation, see the truth table
LIGHT_TOP_PERCENT, HARD_FROM_PERCENT = 40.0, 60.0  # contraction is left out only after light and hard were both held
LIGHT_PERCENT = 25.0  # middle of the light band, 20-30 %; common practice
APART_PERCENT = 20.0  # held efforts further apart leave one between them worth trying
HALF_PERCENT = 5.0  # of a band made around an effort
LEAST_ROOM_POINTS = 1.5  # with less discomfort while relaxed there is nothing that an easing could show in


@dataclass(frozen=True, slots=True)
class DosePoint:
    """One contrast: mean effort of its contraction in % of maximum (below 0 counts as 0) and its change in points.

    ``band`` is the band that was asked for, None where none was.
    """

    effort_percent: float
    change: float
    session: int = 0
    cycle: int = 0
    band: Band | None = None

    def __post_init__(self) -> None:
        if not np.isfinite([self.effort_percent, self.change]).all():
            raise ValueError(f"effort {self.effort_percent} %, change {self.change}: both must be known")


@dataclass(frozen=True, slots=True)
class Dose:
    """What effort does for this person.

    ``advice``: "enough" (``band`` is the lowest held one that is), "neither" (leave contraction out) or "not decided".
    ``wanted_points`` is the easing that would matter. ``curve`` reaches as far as was tried. ``least_percent`` is the
    effort held in ``band``. ``next_percent`` is the one thing to try next, None where nothing more is worth it, with
    ``next_reason``. ``is_worse``: all that was held made it worse; ``relaxed_too_low``: there was nothing to ease.
    ``misfit`` names bands that the curve does not describe; there the ratings stand. ``limit_percent``: the highest
    effort that may be asked for.
    """

    n_points: int
    wanted_points: float
    held: tuple[HeldBand, ...]
    curve: tuple[DoseLevel, ...]
    advice: DoseAdvice
    band: Band | None
    reason: str
    least_percent: float | None
    least_chance_percent: float | None
    next_percent: float | None
    next_reason: str
    is_worse: bool
    relaxed_too_low: bool
    saturation: EmaxFit | None
    misfit: str
    limit_percent: float = 100.0

    def at(self, effort_percent: float) -> DoseLevel:
        """The level of the curve nearest to an effort."""
        return min(self.curve, key=lambda level: abs(level.effort_percent - effort_percent))


def compute_dose(
    points: Sequence[DosePoint],
    *,
    wanted_points: float = YARDSTICK_POINTS,
    relaxed_points: float | None = None,
    chance_percent: float = SURE_PERCENT,
    limit_percent: float = 100.0,
) -> Dose:
    """Which held band is enough, the lowest first; whether none is; and the one next thing to try.

    ``wanted_points`` 2 (Farrar 2001, a yardstick) or less where discomfort is lower; ``relaxed_points``: discomfort
    without contraction, None where unknown; ``chance_percent`` is how sure the answer has to be; ``limit_percent`` is
    the highest effort this person may be asked for.
    """
    if not wanted_points > 0 or not 50 <= chance_percent < 100 or not 0 < limit_percent <= 100:
        raise ValueError("wanted points above 0, chance 50 to below 100 %, limit above 0 to 100 %")
    contrasts = gather(points)
    posterior = weigh_curves(contrasts)
    held = _group(points, posterior, wanted_points)
    tried = max((h.effort_percent for h in held), default=0.0)
    curve = tuple(_judge_level(posterior, e, wanted_points) for e in list_efforts(tried).tolist()) if held else ()
    has_room = relaxed_points is None or relaxed_points >= LEAST_ROOM_POINTS
    allowed = [h for h in held if h.effort_percent <= limit_percent]
    enough = next((h for h in allowed if is_enough(h, wanted_points, chance_percent)), None)
    if len(points) < N_POINTS_MIN or not has_room:
        enough = None
    advice: DoseAdvice = "enough" if enough else "not decided"
    is_worse = bool(held) and len(points) >= N_POINTS_MIN and all(h.level.low > 0 for h in held)
    if (
        enough is None
        and has_room
        and len(points) >= N_POINTS_MIN
        and _is_excluded(held, curve, wanted_points, limit_percent)
    ):
        advice = "neither"
    next_percent, next_reason = (
        _choose_next(posterior, held, enough, wanted_points=wanted_points, limit_percent=limit_percent)
        if advice != "neither" and has_room
        else (None, "")
    )
    if enough is not None:
        reason = describe_enough(enough, wanted_points)
    elif advice == "neither":
        reason = describe_neither(held, wanted_points, is_worse=is_worse)
    else:
        reason = describe_open(
            held, wanted_points, has_room=has_room, is_worse=is_worse, limit_percent=limit_percent,
        )  # fmt: skip
    bent = enough is not None and len(held) >= N_POINTS_MIN
    return Dose(
        n_points=len(points),
        wanted_points=wanted_points,
        held=held,
        curve=curve,
        advice=advice,
        band=enough.band if enough else None,
        reason=reason,
        least_percent=enough.effort_percent if enough else None,
        least_chance_percent=enough.level.chance_percent if enough else None,
        next_percent=next_percent,
        next_reason=next_reason,
        is_worse=is_worse,
        relaxed_too_low=not has_room,
        saturation=fit_emax(contrasts.effort_percent, contrasts.change) if bent else None,
        misfit=_describe_misfit(held),
        limit_percent=limit_percent,
    )


def agree_with(dose: Dose, word: ResponseWord) -> Dose:
    """The dose answer beside the session's own: worse only where that is "more"; one band is enough only where "less".

    One band is not left out, however clear, as light or hard was never held. Where the change may come late no effort
    is judged.
    """
    if word == MAY_COME_LATE:
        return replace(
            dose, advice="not decided", band=None, least_percent=None, least_chance_percent=None, next_percent=None,
            next_reason="", is_worse=False, saturation=None, reason="what contraction does may come only after it",
        )  # fmt: skip
    is_single = len(dose.held) == 1
    is_worse = word == "more" and (dose.is_worse or is_single)
    if dose.advice == "neither" and not (is_single and word != "more"):
        return replace(
            dose, is_worse=is_worse, reason=describe_neither(dose.held, dose.wanted_points, is_worse=is_worse)
        )
    if dose.advice == "enough" and not (is_single and word != "less"):
        return dose
    if word == "more" and not is_worse and dose.held and dose.relaxed_too_low:
        return replace(dose, is_worse=False, reason=describe_worse_from_little(dose.held))
    if not is_worse and (not dose.held or dose.relaxed_too_low or dose.n_points < N_POINTS_MIN):
        return replace(dose, is_worse=is_worse)
    agreed = replace(
        dose, advice="not decided", band=None, least_percent=None, least_chance_percent=None, is_worse=is_worse,
        reason=describe_open(
            dose.held, dose.wanted_points, has_room=True, is_worse=is_worse, limit_percent=dose.limit_percent
        ),
    )  # fmt: skip
    if dose.advice != "not decided":
        again = dose.held[0].effort_percent
        agreed = replace(agreed, next_percent=again, next_reason="more ratings there would decide it")
    return agreed


def choose_effort(
    points: Sequence[DosePoint],
    *,
    low_percent: float,
    high_percent: float,
    top_percent: float,
    wanted_points: float = YARDSTICK_POINTS,
    chance_percent: float = SURE_PERCENT,
) -> tuple[float, str]:
    """Effort in % for the next contraction of a plan that adapts, from low to high, and why. Pure: can be recomputed.

    The effort that teaches most about the least that is enough up to ``top_percent``; once nothing more is to be
    learnt, that least one, else the lowest allowed.
    """
    posterior = weigh_curves(gather(points))
    efforts = list_efforts(top_percent)
    chosen, reason = choose_next(
        posterior, efforts, wanted_points=wanted_points, low_percent=low_percent, high_percent=high_percent
    )
    if chosen is not None:
        return chosen, reason
    enough = (
        effort
        for effort in efforts.tolist()
        if low_percent <= effort <= high_percent and 100 * posterior.below(effort, -wanted_points) >= chance_percent
    )
    return next(enough, low_percent), reason


def gather(points: Sequence[DosePoint]) -> Contrasts:
    """As columns."""
    return Contrasts(
        np.array([max(p.effort_percent, 0.0) for p in points], dtype=np.float64),
        np.array([p.change for p in points], dtype=np.float64),
        np.array([p.session for p in points], dtype=np.int_),
        np.array([p.cycle for p in points], dtype=np.int_),
    )


def make_band(effort_percent: float) -> Band:
    """A band 10 points wide around an effort, to the nearest 5 %."""
    middle = max(round(effort_percent / STEP_PERCENT) * STEP_PERCENT, 2 * HALF_PERCENT)
    return Band(middle - HALF_PERCENT, middle + HALF_PERCENT)


def is_enough(held: HeldBand, wanted_points: float, chance_percent: float = SURE_PERCENT) -> bool:
    """Held more than once or twice near by, surely enough on the curve, and enough by its own ratings."""
    return held.level.chance_percent >= chance_percent and held.rated <= -wanted_points


def _group(points: Sequence[DosePoint], posterior: Posterior, wanted_points: float) -> tuple[HeldBand, ...]:
    """Points by the band that was asked for where it was met, else by their effort to the nearest 10 %."""
    groups: dict[Band, list[DosePoint]] = {}
    for point in points:
        band = point.band
        if (
            band is None
            or not band.low_percent - HALF_PERCENT <= point.effort_percent <= band.high_percent + HALF_PERCENT
        ):
            band = make_band(10 * round(point.effort_percent / 10))
        groups.setdefault(band, []).append(point)
    changes = [np.array([p.change for p in own]) for own in groups.values()]
    off = _find_misfits(
        [float(np.mean([p.effort_percent for p in own])) for own in groups.values()], changes, posterior
    )
    held = []
    for (band, own), change, misfits in zip(groups.items(), changes, off, strict=True):
        effort = float(np.mean([max(p.effort_percent, 0.0) for p in own]))
        level = _judge_level(posterior, effort, wanted_points)
        held.append(HeldBand(band, effort, len(own), float(change.mean()), level, misfits))
    return tuple(sorted(held, key=lambda h: h.effort_percent))


def _is_excluded(
    held: Sequence[HeldBand], curve: Sequence[DoseLevel], wanted_points: float, limit_percent: float
) -> bool:
    """Whether all held, light among them, is worse; or all, light and hard among them, is unlikely to be enough."""
    if not held:
        return False
    lowest, highest = held[0].effort_percent, held[-1].effort_percent
    if lowest <= LIGHT_TOP_PERCENT and all(h.level.low > 0 for h in held):
        return True
    if lowest > LIGHT_TOP_PERCENT or highest < min(HARD_FROM_PERCENT, limit_percent - 2 * HALF_PERCENT):
        return False
    if any(h.rated <= -wanted_points for h in held):
        return False
    between = [level for level in curve if level.effort_percent >= lowest - HALF_PERCENT]
    worst = max((level.chance_percent for level in between), default=100.0)
    return all(h.level.chance_percent <= EXCLUDED_PERCENT for h in held) and worst <= 2 * EXCLUDED_PERCENT


def _choose_next(
    posterior: Posterior,
    held: Sequence[HeldBand],
    enough: HeldBand | None,
    *,
    wanted_points: float,
    limit_percent: float,
) -> tuple[float | None, str]:
    """The one thing to try next: below what is enough; what promised most again; what was not tried, light first."""
    if enough is not None:
        below = max((h.effort_percent for h in held if h.effort_percent < enough.effort_percent), default=None)
        if below is None and enough.effort_percent > LIGHT_TOP_PERCENT:
            return LIGHT_PERCENT, "less effort may do as well, and none was tried"
        below = LOWEST_NEXT_PERCENT if below is None else below
        if enough.effort_percent - below >= APART_PERCENT:
            between = STEP_PERCENT * round((enough.effort_percent + below) / 2 / STEP_PERCENT)
            return between, "less effort may do as well"
        return None, ""
    promising = [
        h
        for h in held
        if h.effort_percent <= limit_percent and h.rated <= -wanted_points and h.level.chance_percent > EXCLUDED_PERCENT
    ]
    if promising:
        return promising[0].effort_percent, "what was rated there would be enough, if it repeats"
    if held and held[0].effort_percent > LIGHT_TOP_PERCENT and limit_percent >= LIGHT_PERCENT:
        return LIGHT_PERCENT, "light effort was not tried"
    tried = max((h.effort_percent for h in held), default=0.0)
    return choose_next(
        posterior,
        list_efforts(limit_percent),
        wanted_points=wanted_points,
        low_percent=LOWEST_NEXT_PERCENT,
        high_percent=min(limit_percent, tried + REACH_PERCENT),
    )


def _judge_level(posterior: Posterior, effort_percent: float, wanted_points: float) -> DoseLevel:
    return DoseLevel(
        effort_percent=effort_percent,
        change=posterior.expect(effort_percent),
        low=posterior.quantile(effort_percent, 0.025),
        high=posterior.quantile(effort_percent, 0.975),
        chance_percent=100 * posterior.below(effort_percent, -wanted_points),
    )


def _find_misfits(efforts: Sequence[float], changes: Sequence[FloatArray], posterior: Posterior) -> list[bool]:
    """Bands whose contrasts lie off the curve by more than their scatter explains."""
    from scipy.special import ndtr, stdtrit

    repeated = [c for c in changes if c.size > 1]
    if not repeated:
        return [False] * len(changes)
    df = sum(c.size - 1 for c in repeated)
    squares = sum(float(((c - c.mean()) ** 2).sum()) for c in repeated)
    scatter = max(float(np.sqrt(squares / df)), 0.35)
    limit = float(stdtrit(df, ndtr(MISFIT_Z))) * scatter
    return [
        c.size > 1 and abs(float(c.mean()) - posterior.expect(effort)) > limit / c.size**0.5
        for effort, c in zip(efforts, changes, strict=True)
    ]


def _describe_misfit(held: Sequence[HeldBand]) -> str:
    off = [f"{h.name} ({h.rated:+.1f} points rated, {h.level.change:+.1f} on the curve)" for h in held if h.misfits]
    return f"the curve does not describe {', '.join(off)}; go by what was rated there" if off else ""
