"""A plan being carried out: phases, the band, rating prompts, Stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from biofeedback.account.kinds import (
    BandChosen,
    MaximumDoubted,
    Paused,
    PhaseBegun,
    PhaseEndMoved,
    PositionJudged,
    RatingAsked,
    RatingGiven,
    RelaxationJudged,
    Relaxed,
    TakenUp,
)
from biofeedback.account.target import BAND_LOST
from biofeedback.account.words import SCALE
from biofeedback.calibration.band_loss import NOTHING_TO_GO_BY
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.recovery import Readiness
from biofeedback.model import Band, Cue, Levels
from biofeedback.session.activity import SessionContext
from biofeedback.session.adapting import Choice, find_range, place_band
from biofeedback.session.band import BandState, BandTracker
from biofeedback.session.lessons import LessonWatch
from biofeedback.session.plan import Plan, PlannedPhase
from biofeedback.session.sets import SetWatch
from biofeedback.session.training import SetDone, is_wasted_for_good
from biofeedback.session.watch import PhaseWatch

LOST_S = 3.0  # a contraction whose sensor says nothing to go by for so long is paused
CUE_EVERY_S = 0.1  # a simulated athlete is told so often where a moving band is
NEVER = 2**62
ANSWER_WITHIN_S = 4.0  # a prompt stays open this long into the next phase, then "no answer" is the answer


class Hold:
    """Runs ``plan`` from level ``start`` on. Emits phase, choice, relaxed, ask and rating events."""

    name = "plan"
    step = ""

    def __init__(self, plan: Plan, context: SessionContext, start: int) -> None:
        self.plan = plan
        self.started = start
        self.index = 0
        self.tracker: BandTracker | None = None
        self.beside = context.beside  # stays the same to the end: nothing may move on the screen during a hold
        self.beside_tracker: BandTracker | None = None
        self.ask: RatingAsked | None = None
        self.ask_position: int | None = None  # index of the contracting phase whose position the coach is asked about
        self.ask_effort: int | None = None  # index of the contraction by feel that the athlete is asked about
        self._watch = PhaseWatch(context.channels, context.level_rate_hz, context.setup)
        self._phase_start = start
        self._n_asked = 0
        self.paused = ""  # why, while it is
        self._n_lost_needed = max(1, round(LOST_S * context.level_rate_hz))
        self._n_lost = 0  # levels in a row without a signal to go by, in a contraction
        self._lesson = LessonWatch(plan.lesson, context) if plan.lesson else None
        self.sets = SetWatch(context)
        self._next_cue: int | None = None
        self._level = start
        self.is_over = False  # all phases are; only the last answer is still waited for
        self._context = context
        self._ask_closes = 0
        self._phase_end = start
        self._ask_opens: int | None = None
        self.boundary = start
        context.emit(plan.begun())
        self._start_phase(start)

    @property
    def phase(self) -> PlannedPhase:
        """The phase running now."""
        return self.plan.phases[self.index]

    @property
    def since_s(self) -> float:
        """Session time at which the phase began."""
        return self._phase_start / self._context.level_rate_hz

    @property
    def next_phase(self) -> PlannedPhase | None:
        """The one after it, if any."""
        following = self.index + 1
        return self.plan.phases[following] if following < len(self.plan.phases) else None

    @property
    def band_state(self) -> BandState:
        """Where effort is against the band, steadied for the screen; nothing is said in a blind stretch."""
        return self.tracker.state if self.tracker and not self.tracker.is_blind else BandState.NONE

    @property
    def beside_state(self) -> BandState:
        """The same of the channel beside; it counts for nothing."""
        tracker = self.beside_tracker
        return tracker.state if tracker and not tracker.is_blind else BandState.NONE

    @property
    def is_blind(self) -> bool:
        """Whether neither number nor sound is given just now."""
        return bool(self.tracker and self.tracker.is_blind)

    def take(self, levels: Levels, effort: Effort) -> None:
        """Feed the band trackers of the two channels shown, and what is judged at the phase's end."""
        self._level = levels.end
        if self.paused:
            return
        if self._lesson and not self.is_over:
            self._lesson.take(levels, effort)
        if not self.is_over:
            self._watch.take(effort)
            self._count_lost(effort)
            if self.sets.loss:
                self.sets.take(effort)
                self._set_boundary()
        if self.tracker:
            for percent in effort.percent[:, self._context.guide].tolist():
                self.tracker.push(percent)
        if self.beside_tracker and self.beside is not None:
            for percent in effort.percent[:, self.beside].tolist():
                self.beside_tracker.push(percent)

    def reach(self, level: int) -> bool:
        """Open or close a prompt, change phase, or pause without a signal."""
        if self.paused:
            return False
        if self._n_lost >= self._n_lost_needed:
            self.pause(f"{self._context.channels[self._context.guide].name}: no signal for {LOST_S:g} s", by="program")
            return False
        if self.ask and level >= self._ask_closes:
            self.take_rating(None, by="nobody")
        if self.sets.is_lost and not self.is_over and level < self._phase_end:
            self._lose_band(level)
        if self._next_cue is not None and level >= self._next_cue and not self.is_over:
            self._lead_on(level)
        if level >= self._phase_end and not self.is_over and self._is_next_set_held_back(level):
            self._set_boundary()
            return False
        if level >= self._phase_end and self.next_phase and not self.is_over:
            self._close_phase()
            self.index += 1
            self._start_phase(level)
        elif level >= self._phase_end:
            if not self.is_over:
                self._end_plan()
            return self.ask is None  # else wait for the last answer
        elif self._ask_opens is not None and level >= self._ask_opens:
            self._open_ask()
        self._set_boundary()
        return False

    def pause(self, reason: str, *, by: str) -> None:
        """The phase ends here; nothing follows until `take_up`. Ratings stay, and so does what is known of position."""
        if self.paused or self.is_over:
            return
        position = self._watch.judge_position() if self.phase.meaning.in_position else None
        if position:
            self._context.emit(PositionJudged(phase_index=self.index, position=position))
        self.paused, self.ask, self._ask_opens = reason, None, None
        self.tracker = self.beside_tracker = self.sets.loss = None
        self._context.emit(Paused(reason=reason, by=by))
        self._context.emit(Relaxed(on=False))
        self._context.give_cue(Cue("relax"))
        self._set_boundary()

    def take_up(self, level: int, *, by: str) -> None:
        """Begin the phase once more that was cut short."""
        self.paused = ""
        self._context.emit(TakenUp(phase_index=self.index, by=by))
        self._start_phase(level)

    def _count_lost(self, effort: Effort) -> None:
        """How long the contraction has had nothing to go by: missing, clipped, flat, or another sensor's numbers.

        One by felt effort goes by no number.
        """
        if self.phase.band is None:
            return
        guide = self._context.guide
        usable = np.isfinite(effort.percent[:, guide]) & ((effort.flags[:, guide] & NOTHING_TO_GO_BY) == 0)
        good = np.flatnonzero(usable)
        n = len(usable)
        self._n_lost = self._n_lost + n if not len(good) else n - 1 - int(good[-1])
        self._set_boundary()

    def _lose_band(self, level: int) -> None:
        """The band is lost: the contraction ends here, and asks now what it would have asked near its end."""
        left_s = max(0, self._phase_end - level) / self._context.level_rate_hz
        self._context.emit(PhaseEndMoved(phase_index=self.index, seconds=-left_s, by="rule", why=BAND_LOST))
        self._phase_end = level
        if self._ask_opens is not None:
            self._open_ask()

    def _lead_on(self, level: int) -> None:
        """Tell a simulated athlete where the moving band is now."""
        target, rate_hz = self.phase.target, self._context.level_rate_hz
        if target:
            band = target.at((level - self._phase_start) / rate_hz)
            self._context.give_cue(Cue("contract", (band.low_percent + band.high_percent) / 2))
        self._next_cue = level + max(1, round(CUE_EVERY_S * rate_hz))

    def _is_next_set_held_back(self, level: int) -> bool:
        """At the end of a rest: a set that would be wasted is not offered yet, or not any more."""
        ready = self.sets.hold_back(self.plan, self.index, level)
        if ready is None:
            return False
        if is_wasted_for_good(ready):
            self._end_plan(self.sets.said)
            return True
        moved = PhaseEndMoved(phase_index=self.index, seconds=ready.wait_s, by="rule", why=self.sets.said)
        self._context.emit(moved)
        self.move_end(level + round(ready.wait_s * self._context.level_rate_hz), level)
        return True

    def find_waste(self, level: int) -> Readiness | None:
        """What is expected of the next set, where the model calls it wasted if the rest ended at ``level``."""
        return self.sets.find_waste(self.plan, self.index, level)

    def remaining_s(self, level: int) -> float | None:
        """Until the phase ends; None while it is paused."""
        if self.paused:
            return None
        return max(0, self._phase_end - level) / self._context.level_rate_hz

    def ask_remaining_s(self, level: int) -> float:
        """Until the open prompt closes unanswered."""
        return (self._ask_closes - level) / self._context.level_rate_hz

    @property
    def phase_end(self) -> int:
        """The level at which the phase will end."""
        return self._phase_end

    def move_end(self, end: int, level: int) -> None:
        """Let the phase end at level ``end`` instead; its prompt opens, or closes where it is open, as much later.

        A prompt about the phase before stays as it is. A phase that ends at once does not ask any more.
        """
        if self._ask_opens is not None:
            self._ask_opens = max(level, self._ask_opens + end - self._phase_end)
        if self.ask and self.ask.phase_index == self.index:
            self._ask_closes += end - self._phase_end
        self._phase_end = max(end, level + 1)
        self._set_boundary()

    def take_rating(self, value: float | None, *, by: str) -> None:
        """Record the answer to the open prompt (or a rating nobody asked for) and close the prompt."""
        ask, self.ask = self.ask, None
        self._context.emit(
            RatingGiven(
                value=value,
                phase_index=ask.phase_index if ask else self.index,
                ask_id=ask.id if ask else None,
                by=by,
            )
        )
        self.reconsider()
        self._set_boundary()

    def choose_band(self, band: Band, *, by: str, reason: str, **basis: Any) -> None:
        """Let the next phase have ``band``: on record before it begins, and shown as what comes next."""
        following = self.index + 1
        phases = list(self.plan.phases)
        phases[following] = replace(phases[following], band=band)
        self.plan = replace(self.plan, phases=tuple(phases))
        self._context.emit(BandChosen(phase_index=following, band=band, by=by, reason=reason, **basis))

    @property
    def choice(self) -> BandChosen | None:
        """Of the band of the next phase, where the plan leaves it open."""
        return self._context.account.pending_choice

    def reconsider(self) -> None:
        """Choose the next phase's band again from the ratings so far, unless a person has chosen it.

        The plan's first contraction keeps the band as written: a light start.
        """
        following = self.next_phase
        if following is None or following.band is None or self.is_over:
            return
        if following.shape.until == BAND_LOST and self.choice is None:  # once for each set
            lighter = self.sets.find_lighter(following.band)
            if lighter:
                self.choose_band(lighter[0], by="rule", reason=lighter[1])
        if following.adapt is None:
            return
        if self.choice and self.choice.by != "rule":
            return
        if not any(phase.meaning.contracts for phase in self.plan.phases[: self.index + 1]):
            return
        held = self._context.held
        found = find_range(following.band, following.adapt, held, agreed_limit=self._context.limit)
        limits = {
            "low_percent": found.low_percent,
            "high_percent": found.high_percent,
            "top_percent": found.top_percent,
        }
        choice = self._context.choose(held, **limits) or Choice(found.low_percent, "nothing to choose by")
        middle = min(max(choice.effort_percent, found.low_percent), found.high_percent)
        band = place_band(middle, following.band, following.adapt)
        reason = f"{choice.reason} ({found.caution})" if found.caution else choice.reason
        if self.choice is None or self.choice.band != band:
            self.choose_band(band, by="rule", reason=reason, **limits, **choice.basis)

    def cancel(self, reason: str) -> None:
        """Stop: the phase ends here and now."""
        self.ask = None
        if not self.is_over and not self.paused:
            self._close_phase()
        if not self.is_over:
            self._context.emit(PhaseBegun(phase_kind="end", index=self.index, reason=reason))
        self._context.emit(Relaxed(on=False))
        self._context.give_cue(Cue("relax"))

    def _start_phase(self, level: int) -> None:
        rate_hz = self._context.level_rate_hz
        reason = self._prepare(level)
        phase = self.phase
        self._phase_start = self._level = level
        self._n_lost = 0
        self._watch = PhaseWatch(self._context.channels, rate_hz, self._context.setup)
        self._phase_end = level + max(1, round(phase.duration_s * rate_hz))
        self._ask_opens = (
            max(level, self._phase_end - round(self.plan.ask_before_end_s * rate_hz)) if phase.ask else None
        )
        self.tracker = self._track(phase)
        self.beside_tracker = self._track(phase) if self.beside is not None else None
        target = phase.target
        self._next_cue = level + max(1, round(CUE_EVERY_S * rate_hz)) if target and target.moves else None
        self._context.emit(phase.begun(self.index, grace_s=self.plan.grace_s, reason=reason))
        self._context.emit(Relaxed(on=phase.meaning.relaxes))
        aim = (phase.band.low_percent + phase.band.high_percent) / 2 if phase.band else None
        if phase.felt is not None:
            aim = 10 * phase.felt  # what a simulated athlete makes of it
        self._context.give_cue(Cue("contract", aim) if aim is not None else Cue("relax"))
        self.reconsider()
        self._set_boundary()

    def _prepare(self, level: int) -> str:
        """The phase as it is to be carried out, by lesson and sets, and why where that is not as written."""
        if self._lesson:
            self._put(self._lesson.begin(self.index, self.phase))
        phase, reason = self.sets.begin(self.plan, self.index, level)
        self._put(phase)
        return reason

    def _put(self, phase: PlannedPhase) -> None:
        phases = list(self.plan.phases)
        phases[self.index] = phase
        self.plan = replace(self.plan, phases=tuple(phases))

    def _track(self, phase: PlannedPhase) -> BandTracker | None:
        if not phase.band:
            return None
        return BandTracker(
            phase.target or phase.band,
            self._context.level_rate_hz,
            grace_s=self.plan.grace_s,
            hysteresis_percent=self.plan.hysteresis_percent,
            dwell_s=self.plan.dwell_s,
        )

    def _open_ask(self) -> None:
        if self.ask:  # the one before was never answered
            self.take_rating(None, by="nobody")
        self._n_asked += 1
        self._ask_opens = None
        self._ask_closes = self._phase_end + round(self._answer_within_s() * self._context.level_rate_hz)
        self.ask = RatingAsked(id=self._n_asked, text=SCALE.question, phase_index=self.index)
        self._context.emit(self.ask)
        self._context.give_cue(Cue("rate"))

    def _answer_within_s(self) -> float:
        """How long into the next phase the prompt may stay open: its own prompt must find the place free."""
        following = self.next_phase
        if following is None or not following.ask:
            return ANSWER_WITHIN_S
        return min(ANSWER_WITHIN_S, max(0.0, following.duration_s - self.plan.ask_before_end_s))

    def _close_phase(self) -> None:
        """Judge the phase that ends here: position, relaxation, and whether the maximum still fits."""
        phase, context = self.phase, self._context
        repeat = self._lesson.close(self.plan.grace_s) if self._lesson else None
        if repeat:
            context.emit(repeat)
        number = len(context.account.phases)
        context.efforts[number] = self._watch.find_mean(context.guide, self.plan.grace_s)
        if self.sets.loss:
            lost, rate_hz = self.sets.loss.left, context.level_rate_hz
            context.sets_done[number] = SetDone(
                number,
                phase.band.low_percent if phase.band else 0.0,
                self._watch.find_best(context.guide),
                reached=self.sets.loss.entered is not None,
                lost_s=None if self.sets.loss.found is None or lost is None else lost / rate_hz,
            )
        if not phase.meaning.in_position:
            return
        position = self._watch.judge_position()
        if position:
            context.emit(PositionJudged(phase_index=self.index, position=position))
        elif phase.meaning.contracts:
            self.ask_position = self.index
        if phase.meaning.contracts and context.account.by_feel:
            self.ask_effort = self.index
        if phase.meaning.relaxes:
            relaxation = self._watch.judge_relaxation(context.account.maxima)
            context.emit(RelaxationJudged(phase_index=self.index, relaxation=relaxation))
            return
        at_s = self._phase_start / context.level_rate_hz
        for column, channel in enumerate(context.channels):
            maximum = context.account.maxima.get(channel.name)
            doubt = maximum and self._watch.find_doubt(column, maximum, context.setup.joint, at_s)
            if doubt:
                context.emit(MaximumDoubted(phase_index=self.index, doubt=doubt))

    def _end_plan(self, reason: str = "plan finished") -> None:
        self._close_phase()
        self.is_over = True
        self.tracker = self.beside_tracker = self.sets.loss = None
        self._context.emit(PhaseBegun(phase_kind="end", index=self.index, reason=reason))
        self._context.emit(Relaxed(on=False))
        self._context.give_cue(Cue("relax"))
        self._set_boundary()

    def _set_boundary(self) -> None:
        due = [] if self.is_over and self.ask else [self._phase_end]
        if self._ask_opens is not None:
            due.append(self._ask_opens)
        if self.ask:
            due.append(self._ask_closes)
        if not self.is_over and self.phase.band is not None:  # the soonest that it could have been lost for too long
            due.append(self._level + self._n_lost_needed - self._n_lost)
        if self.sets.loss and not self.is_over:
            due.append(self._level + self.sets.loss.n_to_go)
        if self._next_cue is not None and not self.is_over:
            due.append(self._next_cue)
        self.boundary = NEVER if self.paused else min(due)

    def to_dict(self) -> Mapping[str, Any]:
        """The plan and where in it we are, for the page."""
        return {**self.plan.to_dict(), "index": self.index}
