"""Sets to fatigue: how long to rest, whether the next set is offered, and when it has to be lighter.

Nothing here asks for more because discomfort fell: a band is only ever lowered, a rest only ever made longer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from biofeedback.account.account import Account
from biofeedback.account.records import PhaseOnRecord
from biofeedback.account.target import BAND_LOST, RECOVERED
from biofeedback.account.words import BANDS, get_meaning
from biofeedback.calibration.recovery import (
    LONGEST_REST_S,
    SHORTEST_REST_S,
    HeldSet,
    Readiness,
    find_readiness,
)
from biofeedback.errors import SessionError
from biofeedback.model import Band
from biofeedback.session.adapting import NEAR_POINTS

if TYPE_CHECKING:
    from biofeedback.session.plan import Plan, PlannedPhase

LIGHTER_PERCENT = 20.0  # a band is lowered by this much at a time (common practice)
FALLEN_SHARE = 0.85  # of the first set's best push: less is a fallen maximum, as end-range maxima repeat to 8 % (CV)
PAINFUL = ("too much", "sharp", "cramp", "dizzy")  # reasons for a stop after which nothing hard follows that day


@dataclass(frozen=True, slots=True)
class SetDone:
    """One set to fatigue: its band's lower edge and its best half second in %, and when the band was lost."""

    phase_number: int
    low_percent: float
    best_percent: float | None
    reached: bool
    lost_s: float | None


def list_sets(
    phases: Sequence[PhaseOnRecord],
    *,
    rate_hz: float,
    until_frame: int,
    efforts: Mapping[int, float | None],
    done: Mapping[int, SetDone],
) -> list[HeldSet]:
    """Every contraction in a band that is over, for the model; where the effort is not known, the band's middle.

    One that ends just now, at ``until_frame``, is over too: its effort has been found.
    """
    sets = []
    for phase in phases:
        if (
            not get_meaning(phase.kind).contracts
            or phase.band is None
            or (phase.end_frame is None and phase.number not in efforts)
        ):
            continue
        middle = (phase.band.low_percent + phase.band.high_percent) / 2
        effort = efforts.get(phase.number)
        one = done.get(phase.number)
        sets.append(
            HeldSet(
                start_s=phase.first_frame / rate_hz,
                end_s=(until_frame if phase.end_frame is None else phase.end_frame) / rate_hz,
                effort_percent=middle if effort is None else effort,
                asked_percent=middle,
                low_percent=phase.band.low_percent,
                lost_s=one.lost_s if one else None,
            )
        )
    return sets


def expect_set(sets: Sequence[HeldSet], band: Band, at_s: float, joint: str) -> Readiness:
    """What the model, or the person's own times, expect of a set in ``band`` that begins ``at_s``."""
    middle = (band.low_percent + band.high_percent) / 2
    return find_readiness(sets, at_s=at_s, asked_percent=middle, low_percent=band.low_percent, joint_name=joint)


def find_next_set(plan: Plan, index: int) -> int | None:
    """The place of the next set to fatigue after phase ``index``; None without one."""
    places = range(index + 1, len(plan.phases))
    return next((place for place in places if plan.phases[place].shape.until == BAND_LOST), None)


def find_last_set(plan: Plan, index: int) -> int | None:
    """The place of the last set to fatigue before phase ``index``; None without one."""
    places = reversed(range(index))
    return next((place for place in places if plan.phases[place].shape.until == BAND_LOST), None)


def plan_rest(phase: PlannedPhase, ready: Readiness) -> tuple[float, str]:
    """Seconds of a rest that lasts until recovered, and why: never longer than the plan's longest."""
    rest_s = min(phase.duration_s, max(SHORTEST_REST_S, float(round(ready.rest_s))))
    return rest_s, f"{rest_s:.0f} s of rest: 95 % is ready again after {ready.rest_s:.0f} s, {ready.source}"


def describe_waste(ready: Readiness) -> str:
    """Why a set is not offered yet."""
    return f"not yet: {_say_waste(ready)}; {ready.wait_s:.0f} s more of rest"


def _say_waste(ready: Readiness) -> str:
    lasts = f"{ready.expected_s or 0:.0f} s of {ready.fresh_s or 0:.0f} s"
    return f"a set now would last about {lasts} ({ready.source})"


def describe_early(ready: Readiness | None, at_s: float, pain: str) -> dict[str, Any] | None:
    """For a page: what holds the next set back, until which session time, and why nobody may insist, if so."""
    if ready is None:
        return None
    return {"what": _say_waste(ready), "over_s": round(at_s + ready.wait_s, 1), "why_not": pain}


def is_wasted_for_good(ready: Readiness) -> bool:
    """Whether no sensible rest makes the set worth it."""
    return ready.wait_s > LONGEST_REST_S


def find_lighter(band: Band, *, rating: float | None, limit: float, done: Sequence[SetDone]) -> tuple[Band, str] | None:
    """The band of the next set where the last one asks for a lighter one, and why; None: as planned."""
    reason = describe_pain(rating, limit) or _describe_fall(done)
    if not reason:
        return None
    by = min(LIGHTER_PERCENT, max(0.0, band.low_percent - BANDS["light"].low_percent))
    lower = Band(band.low_percent - by, band.high_percent - by)
    return (lower, f"lighter: {reason}") if by > 0 else None


def describe_pain(rating: float | None, limit: float) -> str:
    """That a set hurt, by its rating; empty where it did not come near the agreed limit."""
    if rating is None or rating < limit - NEAR_POINTS:
        return ""
    return f"discomfort {rating:g} was near the agreed limit of {limit:g}"


def find_pain(account: Account, done: Mapping[int, SetDone], limit: float) -> str:
    """Why nobody may insist on another set yet: the last one hurt; empty where it did not."""
    ratings = {one.phase_number: one.value for one in account.ratings}
    return describe_pain(ratings.get(max(done)), limit) if done else ""


def need_no_pain(pain: str, ready: Readiness) -> None:
    """SessionError where somebody would insist on a set soon after one that hurt."""
    if pain:
        raise SessionError(
            f"{describe_waste(ready)}, and the last set hurt: {pain}",
            "rest on; nobody begins it earlier, and what stays or comes back is for a licensed professional",
        )


def say_insisted(ready: Readiness) -> str:
    """For the record: that a person began a set that was held back, and what was said of it."""
    return f"begun all the same; {describe_waste(ready)}"


def _describe_fall(done: Sequence[SetDone]) -> str:
    alike = [one for one in done if one.low_percent == done[-1].low_percent]  # a lighter band asks for no best push
    bests = [one.best_percent for one in alike if one.best_percent is not None]
    if len(bests) < 2 or bests[-1] >= FALLEN_SHARE * bests[0]:
        return ""
    return f"the best push fell from {bests[0]:.0f} to {bests[-1]:.0f} %"


def find_refusal(account: Account, channel: str) -> str:
    """Why no hard set is offered in this session any more, after pain or a fallen maximum; empty where one may be."""
    for stop in account.stops:
        if stop.is_pause:
            continue
        if stop.why in PAINFUL:
            return f"a set was stopped today ({stop.why})"
        if "agreed limit" in stop.reason:
            return f"a set was stopped today: {stop.reason}"
    found = [one.maximum.strength for one in account.maximum_history if one.maximum.channel == channel and not one.void]
    if len(found) > 1 and found[-1] < FALLEN_SHARE * max(found):
        return f"the maximum fell today to {100 * found[-1] / max(found):.0f} % of what it was"
    return ""


def find_begun_wasted(plan: Plan, sets: Sequence[HeldSet], at_s: float, joint: str) -> Readiness | None:
    """What is expected of the plan's first set if the plan begins ``at_s``, where the model calls that set wasted."""
    place = find_next_set(plan, -1)
    band = None if place is None else plan.phases[place].band
    if band is None or not sets:
        return None
    ready = expect_set(sets, band, at_s + sum(phase.duration_s for phase in plan.phases[:place]), joint)
    return ready if ready.is_wasted else None


def asks_for_sets(plan: Plan) -> bool:
    """Whether any phase goes on until the band is lost."""
    return any(phase.shape.until == BAND_LOST for phase in plan.phases)


def is_rest_by_model(phase: PlannedPhase) -> bool:
    """Whether this rest lasts as long as recovery takes."""
    return phase.shape.until == RECOVERED
