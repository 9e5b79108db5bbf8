"""What is settled before a session starts: who, which exercise, which side and position, and the timing of attempts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from biofeedback.account.words import SCALE
from biofeedback.calibration.maximum_rule import IMPROVING_PERCENT
from biofeedback.calibration.position import PositionLimits


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """Settings of one session; stored in the recording.

    ``athlete`` is a code, never a name. ``covariates`` (warm-up, heat, massage, ...) may ease discomfort by
    themselves. ``exercise_notes`` says which muscle, how to contract and where the sensors go. ``limit`` is the
    discomfort (0-10) agreed beforehand at which everything stops. Rests between attempts are 60 s (common practice).
    ``graded``: who does not test is asked first, practice pushes come before attempts and how each felt after it; the
    athlete is out of the stretch between attempts; ``check_rest_s`` before a plan; a last attempt that is best by more
    than ``improving_percent`` asks for one more. ``familiarisation``: the same steps, for learning; nothing of it is
    used. ``lever_m``: from the joint to where the position is read, for limits in degrees; ``drift``: limits that this
    exercise has of its own. ``fast`` shortens rests and
    plans for trying the tool out and is stored, because a maximum after 6 s of rest is not one to train with.
    ``last_utc``: when this athlete's session before this one began, "" for the first: how it was afterwards is asked.
    ``certificates`` says by channel which file, sensor and date scaled it, and with which greatest load.
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
    graded: bool = False
    check_rest_s: float = 0.0
    improving_percent: float | None = None
    familiarisation: bool = False
    lever_m: float | None = None
    drift: PositionLimits | None = None
    last_utc: str = ""
    fast_rest_s: float = 6.0
    fast_factor: float = 0.3

    @property
    def rest_between_attempts_s(self) -> float:
        """As the athlete gets it today."""
        return self.fast_rest_s if self.fast else self.rest_s

    @property
    def rest_before_check_s(self) -> float:
        """From the last attempt to a plan, as the athlete gets it today."""
        return min(self.fast_rest_s, self.check_rest_s) if self.fast else self.check_rest_s

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
            **({"protocol": "graded", "rating_scale": SCALE.ends} if self.graded else {}),
            **({"familiarisation": True} if self.familiarisation else {}),
            **({"lever_m": self.lever_m} if self.lever_m else {}),
            **({"drift": self.drift.to_dict()} if self.drift else {}),
        }


# a graded maximum: into the stretch and 3-2-1, 3 s of ramp and 3 s of hold counted aloud (Kay et al.: 5 s, ramped, peak
# after 3 s), out of the stretch for 60 s between attempts (stretches of 60 s and more cost force: Kay & Blazevich 2012)
# and for 3 min before a check; the 2 %: common practice, no source
GRADED: Mapping[str, Any] = {
    "graded": True,
    "countdown_s": 5.0,
    "push_s": 6.0,
    "rest_s": 60.0,
    "check_rest_s": 180.0,
    "improving_percent": IMPROVING_PERCENT,
}
PRACTICE_PERCENT = (25.0, 50.0, 75.0)
