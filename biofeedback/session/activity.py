"""What the session is doing right now: zeroing, an attempt or a plan. One at a time, driven by sample time."""

from __future__ import annotations

from typing import Protocol

from biofeedback.account.account import Account
from biofeedback.account.kinds import Payload, RepeatMade
from biofeedback.calibration.attempt_values import Samples
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.recovery import HeldSet
from biofeedback.model import Channel, Cue, Levels
from biofeedback.session.adapting import Chooser, HeldPhase
from biofeedback.session.setup import Setup
from biofeedback.session.training import SetDone


class SessionContext(Protocol):
    """What an activity may ask of the engine around it."""

    channels: tuple[Channel, ...]
    level_rate_hz: float
    setup: Setup
    account: Account
    choose: Chooser
    efforts: dict[int, float | None]  # mean counted effort of each phase, by its number
    sets_done: dict[int, SetDone]  # of each set to fatigue, by the number of its phase

    @property
    def repeats(self) -> list[RepeatMade]:
        """Every repeat of every lesson that is known, earlier sessions' first."""

    @property
    def delays_s(self) -> tuple[float, ...]:
        """How much later than the muscle each channel's filter shows a change."""

    @property
    def guide(self) -> int:
        """Index of the channel that leads."""

    @property
    def limit(self) -> float:
        """The agreed discomfort at which everything stops."""

    @property
    def held(self) -> list[HeldPhase]:
        """Every phase so far, with its effort and last rating."""

    @property
    def sets(self) -> list[HeldSet]:
        """Every contraction in a band that is over, for the model of fatigue."""

    @property
    def beside(self) -> int | None:
        """Index of the calibrated channel that is shown as large as the guide; None without one."""

    def emit(self, payload: Payload) -> None:
        """Put an event on record at the present level."""

    def recall(self, column: int, n_levels: int) -> Samples | None:
        """What one channel sent in the last levels; None where it is not kept any more."""

    def give_cue(self, cue: Cue) -> None:
        """Tell a simulated athlete what is asked of the athlete."""


class Activity(Protocol):
    """Something that takes levels and changes at level boundaries which it names in advance.

    The engine never hands over levels beyond ``boundary``: what happens there happens at that very level, whatever
    the size of the chunks that came from the wire.
    """

    name: str
    boundary: int

    @property
    def step(self) -> str:
        """What of it is under way, where that is told when it changes; "" where it is one piece."""

    def take(self, levels: Levels, effort: Effort) -> None:
        """Take consecutive levels, none beyond ``boundary``."""

    def reach(self, level: int) -> bool:
        """Do what is due at ``level`` (= ``boundary``); True when the activity is over."""

    def remaining_s(self, level: int) -> float | None:
        """Seconds until the present step ends."""

    def cancel(self, reason: str) -> None:
        """End at once, as Stop does."""
