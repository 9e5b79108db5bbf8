"""What calibration finds and puts on record: a zero, an attempt, a maximum, and what speaks for or against them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Literal, TypeAlias

from biofeedback.account.codec import read_payload, write_payload

PositionState: TypeAlias = Literal["held", "drifted", "lost", "unknown"]


@dataclass(frozen=True, slots=True)
class Zero:
    """Mean and standard deviation of a still signal, in the channel's unit (EMG: resting RMS).

    ``unit`` is only said where it may be another one than the channel's: in files from elsewhere.
    """

    level: float
    sd: float
    n_levels: int = 0
    unit: str = ""

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording."""
        return write_payload(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Zero:
        """The inverse of ``to_dict``."""
        return read_payload(cls, data)


@dataclass(frozen=True, slots=True)
class Whitener:
    """The filter that makes one raw EMG channel's level steadier, learnt in the attempt that its maximum is from.

    ``coefficients``, newest sample first, of samples at ``rate_hz`` after the notch; scaled so that the attempt's value
    stays what it was. ``rest_excess``: what it adds to the mean square at rest, in the channel's unit squared, and what
    is taken off again. It acts wholly where the RMS is above ``whole_above``, not at all below ``plain_below``, in the
    channel's unit; first from ``from_level`` on, on the level grid. The statistical bandwidths tell what it is worth,
    the independent ones (plain, and so filtered) how restless the level was seen to be; 0 where nobody measured it.
    ``release_s`` of rest end a contraction at once; 0 on noisy boards and in recordings from before.
    """

    coefficients: tuple[float, ...]
    rate_hz: float
    rest_excess: float = 0.0
    plain_below: float = 0.0
    whole_above: float = 0.0
    from_level: int = 0
    bandwidth_before_hz: float = 0.0
    bandwidth_after_hz: float = 0.0
    plain_independent_hz: float = 0.0
    independent_hz: float = 0.0
    release_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Attempt:
    """One maximal effort on one channel. ``value`` is None when it cannot be computed; ``reason`` says why not.

    ``value`` is the best 0.5 s mean above baseline (EMG: noise removed in quadrature), ``peak`` the highest level
    above baseline, both in the channel's unit. Refused attempts are kept: they happened. ``told``: what was cut out of
    it, being no effort, and did not cost it.
    """

    channel: str
    unit: str
    value: float | None
    peak: float | None
    baseline: float | None
    baseline_sd: float | None
    best_from_s: float | None
    duration_s: float
    accepted: bool
    reason: str
    by_coach: bool = False
    told: str = ""
    whitener: Whitener | None = None

    def rejected(self, reason: str) -> Attempt:
        """The same attempt, set aside by the coach for ``reason``."""
        return replace(self, accepted=False, reason=reason, by_coach=True)

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording."""
        return write_payload(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Attempt:
        """The inverse of ``to_dict``; unknown keys of newer versions are ignored."""
        return read_payload(cls, data)


@dataclass(frozen=True, slots=True, kw_only=True)
class Maximum:
    """What 100 % means for one channel, and everything that decides whether it still applies.

    ``strength`` is the best attempt's value above ``baseline`` in ``unit`` (raw EMG: noise-corrected RMS).
    ``whitener``: percentages of this maximum are of levels so filtered; None in recordings from before, and where it
    does not pay.
    """

    channel: str
    strength: float
    baseline: float
    unit: str
    method: Literal["attempts", "typed", "carried", "revised"] = "attempts"
    position: str = ""
    side: str = ""
    exercise: str = ""
    feedback_shown: bool = True
    utc: str = ""
    n_attempts: int = 0
    whitener: Whitener | None = None

    def __post_init__(self) -> None:
        if not isfinite(self.strength) or self.strength <= 0:
            raise ValueError(f"strength {self.strength} of {self.channel}: must be a finite number above 0")

    def revised(self, strength: float, utc: str = "") -> Maximum:
        """The same maximum with the strength that later evidence asks for; a typed one stays marked as typed."""
        revised = replace(self, strength=strength, utc=utc or self.utc)
        return revised if self.method == "typed" else replace(revised, method="revised")

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording."""
        return write_payload(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Maximum:
        """The inverse of ``to_dict``; unknown keys of newer versions are ignored."""
        return read_payload(cls, data)


@dataclass(frozen=True, slots=True)
class Doubt:
    """What was seen, and the ``strength`` the maximum would have to have for it; ``unit`` is the channel's."""

    kind: Literal["above maximum", "long hold"]
    channel: str
    seen: str
    strength: float
    unit: str
    at_s: float
    advice: str

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording."""
        return write_payload(self)

    def percent_would_be(self, percent: float, maximum: Maximum) -> float:
        """What a past ``percent`` becomes on the maximum this evidence asks for."""
        return percent * maximum.strength / self.strength


@dataclass(frozen=True, slots=True)
class PositionResult:
    """How far the position went, in its unit; ``largest`` is None where nothing is known. ``by``: sensor or coach."""

    state: PositionState
    largest: float | None = None
    at_s: float | None = None
    reason: str = ""
    by: Literal["sensor", "coach"] = "coach"

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording."""
        return write_payload(self)


@dataclass(frozen=True, slots=True)
class Relaxation:
    """``is_relaxed`` is None where it cannot be known; ``by`` is what decided: "emg", "force" or nothing."""

    is_relaxed: bool | None
    by: str = ""
    reason: str = ""
