"""Finding a maximum: one guided attempt after the other until the rule is satisfied."""

from __future__ import annotations

from typing import Any, Literal, TypeAlias

import numpy as np

from biofeedback.account.values import Attempt, Maximum
from biofeedback.calibration.attempts import BASELINE_S, MaximumVerdict, judge_attempt, judge_maximum
from biofeedback.calibration.effort import Effort
from biofeedback.model import Cue, Levels
from biofeedback.session.activity import Desk
from biofeedback.session.setup import Setup

Step: TypeAlias = Literal["countdown", "push", "rest"]


class MaximumSearch:
    """All attempts of one search: every channel's results by number; nothing is ever deleted."""

    def __init__(self, guide: str, setup: Setup) -> None:
        self.attempts: list[dict[str, Attempt]] = []
        self.guide = guide
        self._setup = setup
        self._feedback_shown: list[bool] = []  # by attempt: it may be switched between them

    def keep(self, results: dict[str, Attempt], *, feedback_shown: bool) -> None:
        """Take what an attempt came to on every channel."""
        self.attempts.append(results)
        self._feedback_shown.append(feedback_shown)

    def verdict(self) -> MaximumVerdict:
        """What the guiding channel's attempts amount to."""
        return judge_maximum(
            [results[self.guide] for results in self.attempts], tolerance_percent=self._setup.tolerance_percent
        )

    def reject(self, number: int, reason: str) -> None:
        """Set attempt ``number`` (from 1) aside, on every channel, keeping it on record."""
        results = self.attempts[number - 1]
        self.attempts[number - 1] = {name: attempt.rejected(reason) for name, attempt in results.items()}

    def maxima(self, utc: str) -> dict[str, Maximum]:
        """The best accepted attempt of each channel that has one. Channels are maximal in their own attempt."""
        maxima = {}
        for name in self.attempts[0] if self.attempts else ():
            tried = [(results[name], shown) for results, shown in zip(self.attempts, self._feedback_shown, strict=True)]
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
            )
        return maxima

    def to_dict(self) -> list[dict[str, Any]]:
        """The guiding channel's attempts, for the page."""
        return [
            {
                "number": number,
                "value": attempt.value,
                "unit": attempt.unit,
                "accepted": attempt.accepted,
                "reason": attempt.reason,
                "rejected": attempt.reason if attempt.by_coach else None,
            }
            for number, attempt in enumerate((results[self.guide] for results in self.attempts), start=1)
        ]


class Attempting:
    """One attempt: countdown, push, verdict, rest."""

    name = "maximum"

    def __init__(self, search: MaximumSearch, setup: Setup, desk: Desk, start: int) -> None:
        self.step: Step = "countdown"
        self.number = len(search.attempts) + 1
        self._search = search
        self._setup = setup
        self._desk = desk
        self._taken: list[Levels] = []
        self.boundary = start + self._levels(setup.countdown_s)
        desk.give_cue(Cue("relax"))

    def take(self, levels: Levels, effort: Effort) -> None:
        """Keep countdown and push: the countdown's last second is the baseline."""
        if self.step != "rest":
            self._taken.append(levels)

    def reach(self, level: int) -> bool:
        """Go, judge, rest."""
        if self.step == "countdown":
            self.step = "push"
            self.boundary = level + self._levels(self._setup.push_s)
            self._desk.give_cue(Cue("maximum"))
            return False
        if self.step == "push":
            self.step = "rest"
            self._desk.give_cue(Cue("relax"))
            self._judge()
            self.boundary = level + self._levels(self._setup.rest_between_attempts_s)
            return self._search.verdict().state != "more"  # nothing to rest for when the search is over
        return True

    def remaining_s(self, level: int) -> float:
        """Until the step ends."""
        return (self.boundary - level) / self._desk.level_rate_hz

    def cancel(self, reason: str) -> None:
        """An attempt that is abandoned happened, so it is noted; one that rests already is on record."""
        if self.step != "rest":
            self._desk.emit("note", {"text": f"attempt {self.number} abandoned: {reason}"})
        self._desk.give_cue(Cue("relax"))

    def _judge(self) -> None:
        values = np.concatenate([part.values for part in self._taken])
        flags = np.concatenate([part.flags for part in self._taken])
        rate_hz = self._desk.level_rate_hz
        from_level = max(0, self._levels(self._setup.countdown_s) - round(BASELINE_S * rate_hz))
        results = {
            channel.name: judge_attempt(
                values[from_level:, column], flags[from_level:, column], rate_hz, channel=channel
            )
            for column, channel in enumerate(self._desk.channels)
            if channel.kind != "position"
        }
        self._search.keep(results, feedback_shown=self._setup.feedback_shown)
        guide = results[self._desk.channels[self._desk.guide].name]
        self._desk.emit(
            "attempt",
            {
                "number": self.number,
                "accepted": guide.accepted,
                "reason": guide.reason,
                "channels": {name: attempt.to_dict() for name, attempt in results.items()},
                "feedback_shown": self._setup.feedback_shown,
            },
        )

    def _levels(self, seconds: float) -> int:
        return max(1, round(seconds * self._desk.level_rate_hz))
