"""Finding a maximum: one guided attempt after the other until the rule is satisfied."""

from __future__ import annotations

from typing import Any, Literal, TypeAlias

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.kinds import AttemptMade, Noted, PracticeMade
from biofeedback.account.records import AttemptOnRecord
from biofeedback.account.values import Maximum
from biofeedback.calibration.attempt_values import BASELINE_S, BEST_S, above_baseline
from biofeedback.calibration.attempts import judge_attempt, rose
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.maximum_rule import EMG_TOLERANCE_PERCENT, MaximumVerdict, judge_maximum
from biofeedback.model import Cue, Levels
from biofeedback.session.activity import SessionContext
from biofeedback.session.setup import Setup

FELL = "The number fell while you pushed"
RIG_CURE = "look at the rig: a strap only pulls, a plate or bar is only pressed; then push lightly again"
OUT_S, ANSWER_S = 1.0, 5.0  # out of the stretch, then how it felt; common practice
FALL_SD = 6.0  # of the noise at rest: less is no fall

Step: TypeAlias = Literal["countdown", "push", "rest"]


class MaximumSearch:
    """What the attempts of the present search amount to; nothing is ever deleted."""

    def __init__(self, account: Account, setup: Setup) -> None:
        self.attempts: tuple[AttemptOnRecord, ...] = tuple(account.search)
        self.guide = account.guide
        self._setup = setup
        self._kinds = {channel.name: channel.kind for channel in account.channels}

    def verdict(self) -> MaximumVerdict:
        """What the guiding channel's attempts amount to."""
        return self.verdict_of(self.guide)

    def verdict_of(self, name: str) -> MaximumVerdict:
        """What the attempts of one channel amount to; an EMG repeats less well than a force."""
        tolerance_percent = self._setup.tolerance_percent
        if self._kinds.get(name) == "emg":
            tolerance_percent = max(tolerance_percent, EMG_TOLERANCE_PERCENT)
        attempts = [made.channels[name] for made in self.attempts]
        n_needed = 3 if name == self.guide else 2  # the others are not what the athlete was asked for
        return judge_maximum(
            attempts,
            tolerance_percent=tolerance_percent,
            n_needed=n_needed,
            improving_percent=self._setup.improving_percent if name == self.guide else None,
        )

    def find_left_out(self) -> dict[str, tuple[str, str]]:
        """Why a channel beside the guide gets no maximum, and the cure, by name: it was refused, or does not agree."""
        left_out = {}
        for name in self.attempts[0].channels if self.attempts else ():
            verdict = self.verdict_of(name)
            if name == self.guide or verdict.state == "accepted":
                continue
            refused = [made.channels[name].reason for made in self.attempts if not made.channels[name].accepted]
            if 2 * len(refused) > len(self.attempts):
                left_out[name] = (refused[-1], "mend that, then find the maximum again")
            else:
                left_out[name] = (verdict.reason, "see to its strap or electrodes, then find the maximum again")
        return left_out

    def maxima(self, utc: str) -> dict[str, Maximum]:
        """The best accepted attempt of each channel that agrees with itself; channels are maximal in their own.

        The guide's is taken as it is: by the rule, or because a person says so.
        """
        maxima, left_out = {}, self.find_left_out()
        for name in self.attempts[0].channels if self.attempts else ():
            if name in left_out:
                continue
            tried = [(made.channels[name], made.feedback_shown) for made in self.attempts]
            good = [(attempt, shown) for attempt, shown in tried if attempt.accepted and attempt.value]
            if not good:
                continue
            best, feedback_shown = max(good, key=lambda one: one[0].value or 0.0)
            maxima[name] = Maximum(
                channel=name,
                strength=best.value or 0.0,
                baseline=best.baseline or 0.0,
                unit=best.unit,
                position=self._setup.position,
                side=self._setup.side,
                exercise=self._setup.exercise,
                feedback_shown=feedback_shown,
                utc=utc,
                n_attempts=len(good),
                whitener=best.whitener,
            )
        return maxima

    def to_dict(self) -> list[dict[str, Any]]:
        """The guiding channel's attempts, for the page."""
        return [
            {
                "number": made.number,
                "value": attempt.value,
                "unit": attempt.unit,
                "accepted": attempt.accepted,
                "reason": attempt.reason,
                "told": attempt.told,
                "rejected": attempt.reason if attempt.by_coach else None,
                "felt": {"discomfort": made.discomfort, "effort": made.felt_effort, "sharp": made.sharp},
            }
            for made in self.attempts
            for attempt in (made.channels[self.guide],)
        ]


class Attempting:
    """One attempt: countdown, push, verdict, rest."""

    name = "maximum"

    def __init__(self, number: int, context: SessionContext, start: int) -> None:
        self.step: Step = "countdown"
        self.started = start
        self.number = number
        self._setup = setup = context.setup
        self._context = context
        self._taken: list[Levels] = []
        self._rest_end = start
        self._asks_at: int | None = None  # when to ask how it felt
        self.boundary = start + self._levels(setup.countdown_s)
        context.give_cue(Cue("relax"))

    def take(self, levels: Levels, effort: Effort) -> None:
        """Keep countdown and push: the countdown's last second is the baseline."""
        if self.step != "rest":
            self._taken.append(levels)

    def reach(self, level: int) -> bool:
        """Go, judge, rest."""
        if self.step == "countdown":
            self.step = "push"
            self.boundary = level + self._levels(self._setup.push_s)
            self._context.give_cue(Cue("maximum"))
            return False
        if self.step == "push":
            self.step = "rest"
            self._context.give_cue(Cue("release" if self._setup.graded else "relax"))
            self._judge()
            last = self._context.account.search[-1].channels[self._context.account.guide]
            if not rose(last):  # whoever has not pushed need not rest from it
                self._rest_end = level
                if not self._setup.graded:
                    return True
            else:
                self._rest_end = level + self._levels(self._setup.rest_between_attempts_s)
            self._asks_at = level + self._levels(OUT_S) if self._setup.graded else None
            self.boundary = self._rest_end if self._asks_at is None else self._asks_at
            return self._is_over() and not self._setup.graded  # nothing to rest for when the search is over
        if self._asks_at is not None:
            self._asks_at = None
            self._context.give_cue(Cue("rate"))
            answered = level + self._levels(ANSWER_S)
            self.boundary = answered if self._is_over() else max(answered, self._rest_end)
            return False
        return True

    def _is_over(self) -> bool:
        return MaximumSearch(self._context.account, self._setup).verdict().state != "more"

    def remaining_s(self, level: int) -> float:
        """Until the step ends."""
        return (self.boundary - level) / self._context.level_rate_hz

    def cancel(self, reason: str) -> None:
        """An attempt that is abandoned happened, so it is noted; one that rests already is on record."""
        if self.step != "rest":
            self._context.emit(Noted(text=f"attempt {self.number} abandoned: {reason}"))
        self._context.give_cue(Cue("relax"))

    def _judge(self) -> None:
        values = np.concatenate([part.values for part in self._taken])
        flags = np.concatenate([part.flags for part in self._taken])
        rate_hz = self._context.level_rate_hz
        from_level = max(0, self._levels(self._setup.countdown_s) - round(BASELINE_S * rate_hz))
        results = {
            channel.name: judge_attempt(
                values[from_level:, column],
                flags[from_level:, column],
                rate_hz,
                channel=channel,
                samples=self._context.recall(column, len(values)),
            )
            for column, channel in enumerate(self._context.channels)
            if channel.kind != "position"
        }
        guide = results[self._context.account.guide]
        self._context.emit(
            AttemptMade(
                number=self.number,
                accepted=guide.accepted,
                reason=guide.reason,
                channels=results,
                feedback_shown=self._context.account.feedback_shown,
            )
        )

    def _levels(self, seconds: float) -> int:
        return max(1, round(seconds * self._context.level_rate_hz))


class Practising(Attempting):
    """One push at a felt share of all: countdown, push, and whether the number rose."""

    def __init__(self, felt_percent: float, context: SessionContext, start: int) -> None:
        super().__init__(0, context, start)
        self.felt_percent = felt_percent

    def reach(self, level: int) -> bool:
        """Go, then measure; nothing to rest for after a light push."""
        if self.step == "push":
            self._context.give_cue(Cue("relax"))
            self._judge()
            return True
        super().reach(level)
        self._context.give_cue(Cue("contract", self.felt_percent))
        return False

    def cancel(self, reason: str) -> None:
        """A push that is abandoned happened, so it is noted."""
        self._context.emit(Noted(text=f"practice push at {self.felt_percent:g} % abandoned: {reason}"))
        self._context.give_cue(Cue("relax"))

    def _judge(self) -> None:
        values = np.concatenate([part.values for part in self._taken])
        rate_hz, n_countdown = self._context.level_rate_hz, self._levels(self._setup.countdown_s)
        rest = values[max(0, n_countdown - round(BASELINE_S * rate_hz)) : n_countdown]
        n_best = max(1, round(BEST_S * rate_hz))
        reached: dict[str, float] = {}
        fell = False
        for column, channel in enumerate(self._context.channels):
            before, pushed = rest[:, column], values[n_countdown:, column]
            before, pushed = before[np.isfinite(before)], pushed[np.isfinite(pushed)]
            if channel.kind == "position" or len(before) < 2 or len(pushed) < n_best:
                continue
            means = np.convolve(pushed, np.full(n_best, 1 / n_best), "valid")
            reached[channel.name] = above_baseline(float(means.max()), float(before.mean()), channel)
            if channel.name == self._context.account.guide:
                down = float(before.mean() - means.min())
                fell = down > FALL_SD * float(before.std()) and down > 2 * max(0.0, reached[channel.name])
        self._context.emit(PracticeMade(felt_percent=self.felt_percent, channels=reached, fell=fell))
