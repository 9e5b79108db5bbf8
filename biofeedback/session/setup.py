"""What is settled before a session starts: who, which exercise, which side and position, and the timing of attempts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """Settings of one session; stored in the recording.

    ``athlete`` is a code, never a name. ``covariates`` (warm-up, heat, massage, ...) may ease discomfort by
    themselves. ``exercise_notes`` says which muscle, how to contract and where the sensors go. ``limit`` is the
    discomfort (0-10) agreed beforehand at which everything stops. Rests between attempts are 60 s (common practice);
    ``fast`` shortens rests and plans for trying the tool out and is stored, because a maximum after 6 s of rest is
    not one to train with. ``certificates`` says by channel which file, sensor and date scaled it.
    """

    athlete: str = "A01"
    exercise: str = ""
    exercise_notes: Mapping[str, str] = field(default_factory=dict)
    covariates: tuple[str, ...] = ()
    certificates: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    side: str = ""
    position: str = ""
    joint: str = "general"
    limit: float = 8.0
    fast: bool = False
    simulated: bool = False
    started_utc: str = ""
    tolerance_percent: float = 5.0
    countdown_s: float = 3.0
    push_s: float = 4.0
    rest_s: float = 60.0
    fast_rest_s: float = 6.0
    fast_factor: float = 0.3

    @property
    def rest_between_attempts_s(self) -> float:
        """As the athlete gets it today."""
        return self.fast_rest_s if self.fast else self.rest_s

    def to_settings(self) -> dict[str, Any]:
        """The part of a recording's settings that describes the session."""
        return {
            "athlete": self.athlete,
            "exercise": self.exercise,
            "covariates": list(self.covariates),
            "side": self.side,
            "position": self.position,
            "joint": self.joint,
            "limit": self.limit,
            "fast": self.fast,
            "simulated": self.simulated,
        }
