"""Finding a maximum: one guided attempt after the other until the rule is satisfied."""

from __future__ import annotations

from typing import Any, Literal, TypeAlias

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.kinds import AttemptMade, Noted
from biofeedback.account.records import AttemptOnRecord
from biofeedback.account.values import Maximum
from biofeedback.calibration.attempts import (
    BASELINE_S,
    EMG_TOLERANCE_PERCENT,
    MaximumVerdict,
    judge_attempt,
    judge_maximum,
)
from biofeedback.calibration.effort import Effort
from biofeedback.model import Cue, Levels
from biofeedback.session.activity import SessionContext
from biofeedback.session.setup import Setup

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
        return judge_maximum(attempts, tolerance_percent=tolerance_percent, n_needed=n_needed)

    def find_left_out(self) -> dict[str, str]:
        """Why a channel beside the guide gets no maximum, by name: it does not agree with itself."""
        names = self.attempts[0].channels if self.attempts else ()
        verdicts = {name: self.verdict_of(name) for name in names if name != self.guide}
        return {name: verdict.reason for name, verdict in verdicts.items() if verdict.state != "accepted"}

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
            }
            for made in self.attempts
            for attempt in (made.channels[self.guide],)
        ]


class Attempting:
    """One attempt: countdown, push, verdict, rest."""

    name = "maximum"

    def __init__(self, number: int, context: SessionContext, start: int) -> None:
        self.step: Step = "countdown"
        self.number = number
        self._setup = setup = context.setup
        self._context = context
        self._taken: list[Levels] = []
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
            self._context.give_cue(Cue("relax"))
            self._judge()
            self.boundary = level + self._levels(self._setup.rest_between_attempts_s)
            return (
                MaximumSearch(self._context.account, self._setup).verdict().state != "more"
            )  # nothing to rest for when the search is over
        return True

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
