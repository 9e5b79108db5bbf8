"""Sets to fatigue while they run: the band is lost by a rule, rests follow recovery, a wasted set is held back."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from biofeedback.account.records import PhaseOnRecord
from biofeedback.account.target import BAND_LOST, LOST_S
from biofeedback.calibration.band_loss import BandLoss
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.recovery import Readiness
from biofeedback.model import Band
from biofeedback.session.training import (
    describe_waste,
    expect_set,
    find_last_set,
    find_lighter,
    find_next_set,
    is_rest_by_model,
    plan_rest,
)

if TYPE_CHECKING:
    from biofeedback.session.activity import SessionContext
    from biofeedback.session.plan import Plan, PlannedPhase


class SetWatch:
    """What a plan's sets and rests are judged by.

    ``ready`` is what is expected of the set that runs or comes next, ``said`` of rest and sets by the rules; ``loss``
    runs in a contraction that lasts until the band is lost.
    """

    def __init__(self, context: SessionContext) -> None:
        self._context = context
        self.loss: BandLoss | None = None
        self.ready: Readiness | None = None
        self.said = ""
        self._insists = False  # a person ended this rest knowing that the next set is called wasted

    def begin(self, plan: Plan, index: int, level: int) -> tuple[PlannedPhase, str]:
        """A phase begins: as it is to be carried out, and why where that is not as written."""
        self.said, self._insists, self.loss, phase = "", False, None, plan.phases[index]
        if phase.target and phase.shape.until == BAND_LOST:
            lost_s = LOST_S if phase.shape.lost_s is None else phase.shape.lost_s
            self.loss = BandLoss(phase.target, self._context.level_rate_hz, lost_s=lost_s, grace_s=plan.grace_s)
        place = index if phase.shape.until == BAND_LOST else find_next_set(plan, index)
        if place is None and is_rest_by_model(phase):  # after the last set: as if it came once more
            place = find_last_set(plan, index)
        self.ready = None if place is None else self._expect(plan, place, level)
        if self.ready is None or not is_rest_by_model(phase):
            return phase, ""
        rest_s, self.said = plan_rest(phase, self.ready)
        return replace(phase, duration_s=rest_s), self.said

    def take(self, effort: Effort) -> None:
        """Take the next levels of the phase."""
        if self.loss:
            guide = self._context.guide
            self.loss.take(effort.percent[:, guide], effort.flags[:, guide])

    @property
    def is_lost(self) -> bool:
        """Whether the running set's band has been lost."""
        return self.loss is not None and self.loss.found is not None

    def find_waste(self, plan: Plan, index: int, level: int) -> Readiness | None:
        """What is expected of the next set, where the model calls it wasted if rest ``index`` ended at ``level``."""
        place = find_next_set(plan, index) if not plan.phases[index].meaning.in_position else None
        ready = None if place is None else self._expect(plan, place, level)
        return ready if ready and ready.is_wasted else None

    def insist(self) -> None:
        """A person wants the next set now, although it is called wasted."""
        self._insists = True

    def hold_back(self, plan: Plan, index: int, level: int) -> Readiness | None:
        """At the end of a rest: what holds the next set back, if anything; ``said`` tells it."""
        ready = None if self._insists else self.find_waste(plan, index, level)
        if ready:
            self.said = describe_waste(ready)
        return ready

    def find_lighter(self, band: Band) -> tuple[Band, str] | None:
        """The next set's band after a set that hurt, or a best push that fell, and why; None: as it is."""
        done = list(self._context.sets_done.values())
        if not done:
            return None
        account = self._context.account
        rating = {one.phase_number: one.value for one in account.ratings}.get(done[-1].phase_number)
        held = [one.band for one in account.phases if one.until == BAND_LOST and one.band and self._is_of_plan(one)]
        lowest = min([band, *held], key=lambda each: each.low_percent)  # what was made lighter stays so
        lighter = find_lighter(lowest, rating=rating, limit=self._context.limit, done=done)
        return lighter or ((lowest, "lighter, as the set before") if lowest != band else None)

    def _is_of_plan(self, phase: PhaseOnRecord) -> bool:
        return phase.plan_number == len(self._context.account.plans)

    def _expect(self, plan: Plan, place: int, level: int) -> Readiness | None:
        """What may be expected of the set at ``place`` of the plan, if it began at ``level``."""
        band, context = plan.phases[place].band, self._context
        if band is None:
            return None
        return expect_set(context.sets, band, level / context.level_rate_hz, context.setup.joint)
