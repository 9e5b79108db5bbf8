"""What the fatigue model expects of a plan before it starts: can this joint hold its contractions?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from biofeedback.account.target import BAND_LOST, RECOVERED
from biofeedback.calibration.recovery import SHORTEST_REST_S
from biofeedback.joints import (
    explain_stand_in,
    find_joint,
    find_rest,
    muscle_of,
    predict_failure,
    predict_fatigue,
    predict_recovery,
)
from biofeedback.model import Band
from biofeedback.session.plan import Plan, PlannedPhase

LONGEST_UNBROKEN_S = 120.0  # in the stretch without a rest; longer only by the coach's choice (common practice)


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a plan asks of a joint: seconds of each contraction that the model can hold, of those asked for.

    ``unbroken_s`` is the longest time in the stretch without a rest.
    """

    joint: str
    asked_s: tuple[float, ...]
    held_s: tuple[float, ...]
    unbroken_s: float
    stand_in: str = ""

    @property
    def can_be_held(self) -> bool:
        """Whether every contraction lasts as long as asked."""
        return all(held >= asked for held, asked in zip(self.held_s, self.asked_s, strict=True))

    def sentences(self) -> tuple[str, ...]:
        """What is said before the plan is chosen; empty when there is nothing to warn of."""
        said = []
        if not self.can_be_held:
            number, held = next(
                (n, held)
                for n, (held, asked) in enumerate(zip(self.held_s, self.asked_s, strict=True), start=1)
                if held < asked
            )
            fewest = min(self.held_s)
            rest = "" if fewest >= held else f", down to {fewest:.0f} s later"
            stand_in = f" ({self.stand_in})" if self.stand_in else ""
            said.append(
                f"The effort will probably fade: the fatigue model of the {self.joint} expects contraction {number} "
                f"to hold {held:.0f} of {self.asked_s[number - 1]:.0f} s{rest}{stand_in}. People differ by a third "
                "and more."
            )
        if self.unbroken_s > LONGEST_UNBROKEN_S:
            minutes, seconds = divmod(round(self.unbroken_s), 60)
            said.append(f"{minutes}:{seconds:02d} min in the stretch without a rest; 2 min is the usual most.")
        return tuple(said)


@lru_cache(maxsize=256)  # asked of every plan whenever the page is told something new
def expect_plan(plan: Plan, joint_name: str) -> Expectation:
    """Carry the three-compartment model through the plan, at the middle of each band, relaxing counted as rest.

    Bands drawn by lot are expected in the order that tires most, hardest first in every round; a band that adapts at
    the highest that it may reach.
    """
    joint = find_joint(joint_name).name
    fatigued, unbroken_s, longest_s = 0.0, 0.0, 0.0
    asked, held = [], []
    for phase, band in zip(plan.phases, _hardest_bands(plan), strict=True):
        unbroken_s = 0.0 if not phase.meaning.in_position else unbroken_s + phase.duration_s
        longest_s = max(longest_s, unbroken_s)
        if band is None:
            rest_s = phase.duration_s
            if phase.shape.until == RECOVERED:
                rest_s = min(rest_s, max(SHORTEST_REST_S, find_rest(fatigued, joint=joint)))
            fatigued = predict_recovery(fatigued, rest_s, joint=joint)
            continue
        effort = min(100.0, (band.low_percent + band.high_percent) / 2)
        if phase.shape.until == BAND_LOST:  # it is to fade; how long it lasts is what is asked
            loss_s = muscle_of(joint).loss_s(effort, min(100.0, band.low_percent), fatigued)
            held_s = phase.duration_s if loss_s is None else min(phase.duration_s, loss_s)
            asked.append(held_s)
            held.append(held_s)
            fatigued = predict_fatigue(effort, held_s, joint=joint, fatigued_percent=fatigued)
            continue
        failure_s = predict_failure(effort, joint=joint, fatigued_percent=fatigued)
        asked.append(phase.duration_s)
        held.append(phase.duration_s if failure_s is None else min(phase.duration_s, failure_s))
        fatigued = predict_fatigue(effort, phase.duration_s, joint=joint, fatigued_percent=fatigued)
    return Expectation(joint, tuple(asked), tuple(held), longest_s, explain_stand_in(joint_name))


def offer_in_order(plans: Sequence[Plan], joint_name: str) -> list[Plan]:
    """The plans in the order to offer them: those that this joint can hold first, the rest as they were."""
    return sorted(plans, key=lambda plan: not expect_plan(plan, joint_name).can_be_held)


def _hardest_bands(plan: Plan) -> list[Band | None]:
    """The band of every phase as it tires most; None where the muscle rests."""
    contracts = [index for index, phase in enumerate(plan.phases) if phase.meaning.contracts]
    bands: list[Band | None] = [_highest(phase) for phase in plan.phases]
    if plan.randomise_bands and not plan.drawn:
        rising = sorted(plan.randomise_bands, key=lambda band: band.low_percent + band.high_percent)
        n = len(rising)
        for number, index in enumerate(contracts):
            upwards = (number // n) % 2 == 0  # light to hard, then hard to light: the hardest meet
            bands[index] = rising[number % n if upwards else n - 1 - number % n]
    return bands


def _highest(phase: PlannedPhase) -> Band | None:
    if phase.felt is not None:
        return Band(0.0, 20 * phase.felt)  # its middle: effort felt as 2 of 10 is about 20 % (common practice)
    if phase.target and phase.target.moves:
        return max(phase.target.bands, key=lambda band: band.high_percent)
    if phase.band is None or phase.adapt is None:
        return phase.band
    width = phase.band.high_percent - phase.band.low_percent
    return Band(phase.adapt.high_percent - width, phase.adapt.high_percent)
