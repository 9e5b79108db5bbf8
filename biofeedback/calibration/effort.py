"""Levels to effort in % of maximum. One streaming object serves live and afterwards, bit for bit."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal

import numpy as np

from biofeedback.calibration.attempts import is_quadratic
from biofeedback.model import Channel, Flag, FlagArray, FloatArray, Levels

BLOCK_S = 0.1
RUNNING_S = 2.0
SETTLE_S = 1.5  # letting go, and the filter, take about this long; levels before that are no baseline
UNUSABLE = Flag.MISSING | Flag.CLIPPED | Flag.SETTLING


@dataclass(frozen=True, slots=True, kw_only=True)
class Maximum:
    """What 100 % means for one channel, and everything that decides whether it still applies.

    ``strength`` is the best attempt's value above ``baseline`` in ``unit`` (raw EMG: noise-corrected RMS).
    """

    channel: str
    strength: float
    baseline: float
    unit: str
    method: Literal["attempts", "typed", "carried"] = "attempts"
    position: str = ""
    side: str = ""
    exercise: str = ""
    feedback_shown: bool = True
    utc: str = ""
    n_attempts: int = 0

    def __post_init__(self) -> None:
        if not np.isfinite(self.strength) or self.strength <= 0:
            raise ValueError(f"strength {self.strength} of {self.channel}: must be a finite number above 0")

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Maximum:
        """The inverse of ``to_dict``; unknown keys of newer versions are ignored."""
        known = {f.name for f in fields(cls)}
        return cls(**{key: value for key, value in data.items() if key in known})


@dataclass(frozen=True, slots=True, eq=False)
class Effort:
    """A run of efforts on the level grid; arrays have shape ``(n_levels, n_channels)``.

    ``percent`` is NaN where unknown and never clipped at 100; of a position channel it is the distance from zero in
    the channel's unit. ``baseline`` is in the channel's unit, ``plus_minus_percent`` one standard deviation of what
    the baseline's uncertainty adds to ``percent``.
    """

    first: int
    percent: FloatArray
    baseline: FloatArray
    plus_minus_percent: FloatArray
    flags: FlagArray

    @property
    def n_levels(self) -> int:
        """Number of rows."""
        return int(self.percent.shape[0])


@dataclass(slots=True)
class _ChannelState:
    rest: float = float("nan")
    rest_sd: float = 0.0
    strength: float = float("nan")
    maximum_baseline: float = float("nan")
    learnt: float = float("nan")
    learnt_sd: float = 0.0
    block: list[float] = field(default_factory=list)
    block_good: bool = True
    recent: deque[float] = field(default_factory=deque)

    @property
    def baseline(self) -> float:
        known = (x for x in (self.learnt, self.rest, self.maximum_baseline) if not math.isnan(x))
        return next(known, float("nan"))


class EffortStream:
    """Effort of every channel, from levels and from what is known so far.

    Force: ``100 (level - baseline) / strength``, the baseline learnt in relaxed stretches and carried through
    contractions. Raw EMG: ``100 sqrt(max(0, level^2 - rest^2)) / strength``; envelope: linear. Commands act from the
    next pushed level on; results do not depend on how levels are cut into pushes.
    """

    method = "mean of the last 2 s relaxed"

    def __init__(self, channels: Sequence[Channel], level_rate_hz: float) -> None:
        self.channels = tuple(channels)
        self.level_rate_hz = level_rate_hz
        self._n_block = max(1, round(BLOCK_S * level_rate_hz))
        self._n_settle = round(SETTLE_S * level_rate_hz)
        self._n_recent = max(1, round(RUNNING_S * level_rate_hz / self._n_block))
        self._states = [_ChannelState() for _ in self.channels]
        self._n_relaxed: int | None = None  # levels since relaxing began; None while contracting

    def set_rest(self, channel_index: int, level: float, sd: float) -> None:
        """Take ``level`` +- ``sd`` as the channel's zero (EMG: resting RMS) and forget what was learnt before."""
        state = self._states[channel_index]
        state.rest, state.rest_sd = float(level), float(sd)
        state.learnt = float("nan")
        self._start_stretch(state)

    def set_maximum(self, channel_index: int, maximum: Maximum) -> None:
        """Take ``maximum`` as 100 % of the channel."""
        state = self._states[channel_index]
        state.strength, state.maximum_baseline = maximum.strength, maximum.baseline

    def set_relaxed(self, relaxed: bool) -> None:
        """Say whether the athlete is asked to relax: only then is the force baseline learnt."""
        if relaxed == (self._n_relaxed is not None):
            return
        self._n_relaxed = 0 if relaxed else None
        for state in self._states:
            self._start_stretch(state)

    def push(self, levels: Levels) -> Effort:
        """Effort for a run of levels, in order."""
        shape = levels.values.shape
        percent, baseline, plus_minus = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
        at = 0
        while at < levels.n_levels:
            end = min(levels.n_levels, at + self._n_block - (levels.first + at) % self._n_block)
            for index, (channel, state) in enumerate(zip(self.channels, self._states, strict=True)):
                values = levels.values[at:end, index]
                baseline[at:end, index] = state.baseline
                percent[at:end, index] = _percent(values, state, channel)
                plus_minus[at:end, index] = 100 * (state.learnt_sd or state.rest_sd) / state.strength
                if channel.kind == "force" and self._n_relaxed is not None:
                    self._learn(state, values, levels.flags[at:end, index], (levels.first + end) % self._n_block == 0)
            if self._n_relaxed is not None:
                self._n_relaxed += end - at
            at = end
        return Effort(levels.first, percent, baseline, plus_minus, levels.flags)

    def _learn(self, state: _ChannelState, values: FloatArray, flags: FlagArray, is_block_end: bool) -> None:
        assert self._n_relaxed is not None
        state.block.extend(values.tolist())
        state.block_good &= not np.any(flags & UNUSABLE)
        if not is_block_end:
            return
        whole = len(state.block) == self._n_block and state.block_good
        if whole and self._n_relaxed + len(values) - len(state.block) >= self._n_settle:
            state.recent.append(float(np.mean(state.block)))
            if len(state.recent) > self._n_recent:
                state.recent.popleft()
            state.learnt = float(np.mean(state.recent))
            state.learnt_sd = float(np.std(state.recent))
        state.block, state.block_good = [], True

    @staticmethod
    def _start_stretch(state: _ChannelState) -> None:
        state.block, state.block_good = [], True
        state.recent.clear()


def _percent(values: FloatArray, state: _ChannelState, channel: Channel) -> FloatArray:
    if channel.kind == "position":
        return values - state.baseline
    if is_quadratic(channel):
        above = np.sqrt(np.maximum(0.0, values**2 - state.baseline**2))
    else:
        above = values - state.baseline
    return 100.0 * above / state.strength
