"""How tired the muscle is between sets, how long to rest, and whether another set is worth it.

The three-compartment model of the joint answers until this person has lost the band three times; then the rates that
fit their own times best, held near the joint's by how much people differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp, inf, log

from biofeedback.account.records import PhaseOnRecord
from biofeedback.account.words import get_meaning
from biofeedback.joints import ASSUMED_REST, Muscle, explain_stand_in, find_joint, muscle_of

ABLE_PERCENT = 95.0  # of the muscle ready again is recovered (common practice)
SHORTEST_REST_S, LONGEST_REST_S = 30.0, 600.0  # common practice
WASTED_SHARE = 0.5  # a set that would last less than this share of a fresh one is wasted (common practice)
HARD_FROM_PERCENT = 70.0  # the middle of a band that counts as hard (common practice)
N_OWN = 3  # own times of losing the band, from here on they lead
PEOPLE_LOG_SD = log(1.47)  # people differ by 29 to 47 % (Frey-Law, Looft & Heitsman 2012); the wider
REST_LOG_SD = 0.5  # of the rest factor between people: none is published, a guess
OWN_LOG_SD = 0.15  # of one person's repeated times about their own model (common practice)
GRID = 25  # steps of each rate that are tried, over three SD to either side


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldSet:
    """One contraction: when, its mean effort, its band's lower edge, and when the band was lost, in s from its start.

    ``lost_s`` None: it was not lost. ``asked_percent``: the middle of its band.
    """

    start_s: float
    end_s: float
    effort_percent: float
    asked_percent: float
    low_percent: float
    lost_s: float | None = None


@dataclass(frozen=True, slots=True)
class Readiness:
    """What may be expected of a set that begins after a rest.

    ``expected_s``: until the band is lost (None: never by the model), ``fresh_s`` of a rested muscle. ``rest_s``: still
    to rest until 95 % is ready; ``wait_s``: until the set is no longer wasted. ``n_own``: own times it goes by, 0: the
    population's. ``source`` in words.
    """

    fatigued_percent: float
    expected_s: float | None
    fresh_s: float | None
    rest_s: float
    wait_s: float
    n_own: int
    source: str

    @property
    def is_wasted(self) -> bool:
        """Whether a set now would last less than half as long as a fresh one."""
        return self.wait_s > 0


def find_readiness(
    sets: Sequence[HeldSet], *, at_s: float, asked_percent: float, low_percent: float, joint_name: str
) -> Readiness:
    """Carry the model through ``sets`` to ``at_s`` and ask it about a set in a band with this middle and lower edge."""
    joint = find_joint(joint_name).name
    muscle, n_own = fit_muscle(sets, joint)
    fatigued = _fatigue_before(sets, muscle, at_s)
    asked, low = min(100.0, asked_percent), min(100.0, low_percent)
    fresh_s = muscle.loss_s(asked, low)
    wait_s = _find_wait(muscle, fatigued, asked, low, fresh_s)
    rest_s = muscle.rest_s(min(100.0, fatigued), able_percent=ABLE_PERCENT)
    expected_s = muscle.loss_s(asked, low, fatigued)
    return Readiness(fatigued, expected_s, fresh_s, rest_s, wait_s, n_own, _name_source(joint, joint_name, n_own))


def fit_muscle(sets: Sequence[HeldSet], joint: str) -> tuple[Muscle, int]:
    """The joint's muscle, or with three own lost bands the one that fits them best; and how many it goes by."""
    return _fit_muscle(tuple(sets), joint)


@lru_cache(maxsize=64)  # asked of the same sets whenever the page is told something new
def _fit_muscle(sets: tuple[HeldSet, ...], joint: str) -> tuple[Muscle, int]:
    published = muscle_of(joint)
    n_own = sum(one.lost_s is not None for one in sets)
    if n_own < N_OWN:
        return published, 0
    steps = [6 * (k / (GRID - 1) - 0.5) for k in range(GRID)]  # in SD
    best, least = published, inf
    for tiring in steps:
        for resting in steps:
            muscle = replace(
                published,
                fatigue_per_s=published.fatigue_per_s * exp(tiring * PEOPLE_LOG_SD),
                rest_factor=published.rest_factor * exp(resting * REST_LOG_SD),
            )
            misfit = tiring**2 + resting**2 + _sum_misfit(sets, muscle)
            if misfit < least:
                best, least = muscle, misfit
    return best, n_own


def _sum_misfit(sets: Sequence[HeldSet], muscle: Muscle) -> float:
    """Squared log errors of the own times, in SD."""
    total, fatigued, before_s = 0.0, 0.0, None
    for one in sets:
        if before_s is not None:
            fatigued = muscle.fatigued_after_rest(fatigued, max(0.0, one.start_s - before_s))
        if one.lost_s is not None:
            expected_s = muscle.loss_s(min(100.0, one.asked_percent), min(100.0, one.low_percent), fatigued)
            error = log(max(one.lost_s, 0.5) / max(3600.0 if expected_s is None else expected_s, 0.5))
            total += (error / OWN_LOG_SD) ** 2
        fatigued, before_s = _tire(one, muscle, fatigued), one.end_s
    return total


def _tire(one: HeldSet, muscle: Muscle, fatigued: float) -> float:
    effort = min(100.0, max(0.0, one.effort_percent))
    return min(100.0, muscle.fatigued_after(effort, max(0.0, one.end_s - one.start_s), fatigued))


def _fatigue_before(sets: Sequence[HeldSet], muscle: Muscle, at_s: float) -> float:
    fatigued, before_s = 0.0, None
    for one in sets:
        if before_s is not None:
            fatigued = muscle.fatigued_after_rest(fatigued, max(0.0, one.start_s - before_s))
        fatigued, before_s = _tire(one, muscle, fatigued), one.end_s
    return fatigued if before_s is None else muscle.fatigued_after_rest(fatigued, max(0.0, at_s - before_s))


def _find_wait(muscle: Muscle, fatigued: float, asked: float, low: float, fresh_s: float | None) -> float:
    """Rest in s until a set would last half as long as a fresh one; 0: it would already."""
    if fresh_s is None:
        return 0.0

    def lasts(rest_s: float) -> bool:
        loss_s = muscle.loss_s(asked, low, muscle.fatigued_after_rest(fatigued, rest_s))
        return loss_s is None or loss_s >= WASTED_SHARE * fresh_s

    if lasts(0.0):
        return 0.0
    early, late = 0.0, 3600.0
    while late - early > 0.5:
        middle = (early + late) / 2
        early, late = (early, middle) if lasts(middle) else (middle, late)
    return late


def _name_source(joint: str, joint_name: str, n_own: int) -> str:
    if n_own:
        return f"the athlete's own {n_own} times"
    assumed = ", rest factor assumed" if joint in ASSUMED_REST else ""
    stand_in = f"; {said}" if (said := explain_stand_in(joint_name)) else ""
    return f"three-compartment model of the {joint}{assumed}{stand_in}"


def count_hard_s(phases: Sequence[PhaseOnRecord], rate_hz: float, until_frame: int) -> float:
    """Seconds of hard contractions so far."""
    return sum(
        (min(until_frame, until_frame if phase.end_frame is None else phase.end_frame) - phase.first_frame) / rate_hz
        for phase in phases
        if get_meaning(phase.kind).contracts
        and phase.band is not None
        and (phase.band.low_percent + phase.band.high_percent) / 2 >= HARD_FROM_PERCENT
    )
