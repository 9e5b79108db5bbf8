"""A plan being carried out: phases, the band, rating prompts, Stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

from biofeedback.calibration.effort import Effort
from biofeedback.model import Band, Cue, Levels
from biofeedback.session.activity import Desk
from biofeedback.session.adapting import Choice, HeldPhase, find_range, place_band
from biofeedback.session.band import BandState, BandTracker
from biofeedback.session.plan import Plan, PlannedPhase
from biofeedback.session.watch import PhaseWatch

ANSWER_WITHIN_S = 4.0  # a prompt stays open this long into the next phase, then "no answer" is the answer


class Hold:
    """Runs ``plan`` from level ``start`` on. Emits phase, choice, relaxed, ask and rating events."""

    name = "plan"

    def __init__(self, plan: Plan, desk: Desk, start: int) -> None:
        self.plan = plan
        self.index = 0
        self.tracker: BandTracker | None = None
        self.beside = desk.beside  # stays the same to the end: nothing may move on the screen during a hold
        self.beside_tracker: BandTracker | None = None
        self.ask: dict[str, Any] | None = None
        self.ask_position: int | None = None  # index of the contracting phase whose position the coach is asked about
        self.choice: Mapping[str, Any] | None = None  # of the band of the next phase, where the plan leaves it open
        self._watch = PhaseWatch(desk.channels, desk.level_rate_hz)
        self._phase_start = start
        self._n_asked = 0
        self.is_over = False  # all phases are; only the last answer is still waited for
        self._desk = desk
        self._ask_closes = 0
        self._phase_end = start
        self._ask_opens: int | None = None
        self.boundary = start
        desk.emit("plan", plan.to_dict())
        self._start_phase(start)

    @property
    def phase(self) -> PlannedPhase:
        """The phase running now."""
        return self.plan.phases[self.index]

    @property
    def next_phase(self) -> PlannedPhase | None:
        """The one after it, if any."""
        following = self.index + 1
        return self.plan.phases[following] if following < len(self.plan.phases) else None

    @property
    def band_state(self) -> BandState:
        """Where effort is against the band, steadied for the screen."""
        return self.tracker.state if self.tracker else BandState.NONE

    @property
    def beside_state(self) -> BandState:
        """The same of the channel beside; it counts for nothing."""
        return self.beside_tracker.state if self.beside_tracker else BandState.NONE

    def take(self, levels: Levels, effort: Effort) -> None:
        """Feed the band trackers of the two channels shown, and what is judged at the phase's end."""
        if not self.is_over:
            self._watch.take(effort)
        if self.tracker:
            for percent in effort.percent[:, self._desk.guide].tolist():
                self.tracker.push(percent)
        if self.beside_tracker and self.beside is not None:
            for percent in effort.percent[:, self.beside].tolist():
                self.beside_tracker.push(percent)

    def reach(self, level: int) -> bool:
        """Open or close a prompt, change phase."""
        if self.ask and level >= self._ask_closes:
            self.answer(None, by="nobody")
        if level >= self._phase_end and self.next_phase:
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

    def remaining_s(self, level: int) -> float:
        """Until the phase ends."""
        return max(0, self._phase_end - level) / self._desk.level_rate_hz

    def ask_remaining_s(self, level: int) -> float:
        """Until the open prompt closes unanswered."""
        return (self._ask_closes - level) / self._desk.level_rate_hz

    @property
    def phase_end(self) -> int:
        """The level at which the phase will end."""
        return self._phase_end

    def move_end(self, end: int, level: int) -> None:
        """Let the phase end at level ``end`` instead; its prompt moves with it unless it is open already.

        A phase that ends at once does not ask any more.
        """
        if self._ask_opens is not None:
            self._ask_opens = max(level, self._ask_opens + end - self._phase_end)
        if self.ask:
            self._ask_closes += end - self._phase_end
        self._phase_end = max(end, level + 1)
        self._set_boundary()

    def answer(self, value: float | None, *, by: str) -> None:
        """Record the answer to the open prompt (or a rating nobody asked for) and close the prompt."""
        ask, self.ask = self.ask, None
        self._desk.emit(
            "rating",
            {
                "value": value,
                "phase_index": ask["phase_index"] if ask else self.index,
                "ask_id": ask["id"] if ask else None,
                "by": by,
            },
        )
        self._set_boundary()

    def choose_band(self, band: Band, *, by: str, reason: str, **basis: Any) -> None:
        """Let the next phase have ``band``: on record before it begins, and shown as what comes next."""
        following = self.index + 1
        phases = list(self.plan.phases)
        phases[following] = replace(phases[following], band=band)
        self.plan = replace(self.plan, phases=tuple(phases))
        edges = [band.low_percent, band.high_percent]
        self.choice = {"phase_index": following, "band": edges, "by": by, "reason": reason}
        self._desk.emit("choice", {**self.choice, **basis})

    def reconsider(self) -> None:
        """Choose the next phase's band anew from the ratings so far, unless a person has chosen it.

        The plan's first contraction keeps the band as written: a light start.
        """
        following = self.next_phase
        if following is None or following.adapt is None or following.band is None or self.is_over:
            return
        if self.choice and self.choice["by"] != "rule":
            return
        if not any(phase.kind == "contract" for phase in self.plan.phases[: self.index + 1]):
            return
        held = self._desk.held
        found = find_range(following.band, following.adapt, held, agreed_limit=self._desk.limit)
        limits = {
            "low_percent": found.low_percent,
            "high_percent": found.high_percent,
            "top_percent": found.top_percent,
        }
        choice = self._desk.choose(held, **limits) or Choice(found.low_percent, "nothing to choose by")
        middle = min(max(choice.effort_percent, found.low_percent), found.high_percent)
        band = place_band(middle, following.band, following.adapt)
        reason = f"{choice.reason} ({found.caution})" if found.caution else choice.reason
        if self.choice is None or self.choice["band"] != [band.low_percent, band.high_percent]:
            self.choose_band(band, by="rule", reason=reason, **limits, **choice.basis)

    def cancel(self, reason: str) -> None:
        """Stop: the phase ends here and now."""
        self.ask = None
        if not self.is_over:
            self._close_phase()
            self._desk.emit("phase", {"kind": "end", "index": self.index, "reason": reason})
        self._desk.emit("relaxed", {"on": False})
        self._desk.give_cue(Cue("relax"))

    def _start_phase(self, level: int) -> None:
        phase = self.phase
        rate_hz = self._desk.level_rate_hz
        self._phase_start = level
        self._watch = PhaseWatch(self._desk.channels, rate_hz)
        self._desk.held.append(HeldPhase(phase.kind, self.index))
        self.choice = None
        self._phase_end = level + max(1, round(phase.duration_s * rate_hz))
        self._ask_opens = (
            max(level, self._phase_end - round(self.plan.ask_before_end_s * rate_hz)) if phase.ask else None
        )
        self.tracker = self._track(phase)
        self.beside_tracker = self._track(phase) if self.beside is not None else None
        self._desk.emit("phase", {"index": self.index, "grace_s": self.plan.grace_s, **phase.to_dict()})
        self._desk.emit("relaxed", {"on": phase.kind == "passive"})
        target = (phase.band.low_percent + phase.band.high_percent) / 2 if phase.band else None
        self._desk.give_cue(Cue("contract", target) if target is not None else Cue("relax"))
        self.reconsider()
        self._set_boundary()

    def _track(self, phase: PlannedPhase) -> BandTracker | None:
        if not phase.band:
            return None
        return BandTracker(
            phase.band,
            self._desk.level_rate_hz,
            grace_s=self.plan.grace_s,
            hysteresis_percent=self.plan.hysteresis_percent,
            dwell_s=self.plan.dwell_s,
        )

    def _open_ask(self) -> None:
        if self.ask:  # the one before was never answered
            self.answer(None, by="nobody")
        self._n_asked += 1
        self._ask_opens = None
        self._ask_closes = self._phase_end + round(self._answer_within_s() * self._desk.level_rate_hz)
        self.ask = {"id": self._n_asked, "text": "Discomfort now, 0 to 10?", "phase_index": self.index}
        self._desk.emit("ask", self.ask)
        self._desk.give_cue(Cue("rate"))

    def _answer_within_s(self) -> float:
        """How long into the next phase the prompt may stay open: its own prompt must find the place free."""
        following = self.next_phase
        if following is None or not following.ask:
            return ANSWER_WITHIN_S
        return min(ANSWER_WITHIN_S, max(0.0, following.duration_s - self.plan.ask_before_end_s))

    def _close_phase(self) -> None:
        """Judge the phase that ends here: position, relaxation, and whether the maximum still fits."""
        phase, where = self.phase, {"phase_index": self.index}
        self._desk.held[-1].effort_percent = self._watch.find_mean(self._desk.guide, self.plan.grace_s)
        if phase.kind == "rest":
            return
        position = self._watch.judge_position()
        if position:
            self._desk.emit("position", {**where, **position.to_dict()})
        elif phase.kind == "contract":
            self.ask_position = self.index
        if phase.kind == "passive":
            relaxation = self._watch.judge_relaxation(self._desk.maxima)
            self._desk.emit("relaxation", {**where, **asdict(relaxation)})
            return
        at_s = self._phase_start / self._desk.level_rate_hz
        for column, channel in enumerate(self._desk.channels):
            maximum = self._desk.maxima.get(channel.name)
            doubt = maximum and self._watch.find_doubt(column, maximum, self._desk.setup.joint, at_s)
            if doubt:
                self._desk.emit("doubt", {**where, **doubt.to_dict()})

    def _end_plan(self) -> None:
        self._close_phase()
        self.is_over = True
        self.tracker = self.beside_tracker = None
        self._desk.emit("phase", {"kind": "end", "index": self.index, "reason": "plan finished"})
        self._desk.emit("relaxed", {"on": False})
        self._desk.give_cue(Cue("relax"))
        self._set_boundary()

    def _set_boundary(self) -> None:
        due = [] if self.is_over and self.ask else [self._phase_end]
        if self._ask_opens is not None:
            due.append(self._ask_opens)
        if self.ask:
            due.append(self._ask_closes)
        self.boundary = min(due)

    def to_dict(self) -> Mapping[str, Any]:
        """The plan and where in it we are, for the page."""
        return {**self.plan.to_dict(), "index": self.index}
