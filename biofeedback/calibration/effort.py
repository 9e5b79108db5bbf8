"""Levels to effort in % of maximum. One streaming object serves live and afterwards, bit for bit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from biofeedback.account.values import Maximum
from biofeedback.calibration.attempt_values import is_quadratic
from biofeedback.calibration.channel_state import ChannelState
from biofeedback.calibration.drift import ZeroDrift
from biofeedback.calibration.passive import PassiveTension
from biofeedback.calibration.relaxed import EMG_DOUBTFUL, EMG_LIMIT_PERCENT, UNUSABLE, mean_emg_percent
from biofeedback.model import Channel, Flag, FlagArray, FloatArray, Levels, find_phone, measure_turn

BLOCK_S = 0.5
SETTLE_S = 1.5  # letting go takes about this long; what is read before is no baseline
OFF_BELOW, OFF_S = 0.3, 2.0  # of the resting level, for as long: no skin is that quiet; common practice, no source
UNCERTAIN_PERCENT = 1.0  # show the +- of an effort from here on: the bands' hysteresis is one point
BaselineMethod: TypeAlias = Literal["passive", "running", "zero"]


@dataclass(frozen=True, slots=True, eq=False)
class Effort:
    """A run of efforts on the level grid; arrays have shape ``(n_levels, n_channels)``.

    ``percent`` is NaN where unknown and never clipped at 100; of a position channel it is the distance from zero in
    the channel's unit, of a phone the angle between gravity now and at the zero.
    ``baseline`` is in the channel's unit, ``plus_minus_percent`` one standard deviation of what
    the baseline's uncertainty adds to ``percent``. ``flags``: those of the levels, DRIFT, STRANGER, TENSION and,
    far below the resting level, ELECTRODE.
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


class EffortStream:
    """Effort of every channel, from levels and from what is known so far.

    Force: ``100 (level - baseline) / strength``, the baseline learnt in relaxed stretches and carried through
    contractions. Raw EMG: ``100 sqrt(max(0, level^2 - rest^2)) / strength``; envelope: linear. Commands act from the
    next pushed level on; results do not depend on how levels are cut into pushes: the baseline is renewed at every
    whole half second of the level grid and is a straight line in between.

    ``baseline`` names what is subtracted from force: the "passive" tension model, the "running" mean of the last two
    relaxed seconds, or only the "zero".
    """

    def __init__(
        self, channels: Sequence[Channel], level_rate_hz: float, *, baseline: BaselineMethod = "passive"
    ) -> None:
        if baseline not in get_args(BaselineMethod):
            raise ValueError(f"baseline {baseline!r} is not one of {', '.join(get_args(BaselineMethod))}")
        self.channels = tuple(channels)
        self.level_rate_hz = level_rate_hz
        self.baseline: BaselineMethod = baseline
        self._n_block = max(1, round(BLOCK_S * level_rate_hz))
        self._n_settle = round(SETTLE_S * level_rate_hz)
        self._states = [ChannelState() for _ in self.channels]
        self._where = (np.arange(self._n_block)[:, None] + 0.5) / self._n_block
        self._values = np.full((self._n_block, len(self.channels)), np.nan)
        self._flags = np.zeros((self._n_block, len(self.channels)), np.uint16)
        self._n_relaxed: int | None = None  # levels since relaxing began; None while contracting
        self._is_stretch_new = False
        self._is_quadratic = np.array([is_quadratic(channel) for channel in self.channels])
        self._is_emg = np.array([channel.kind == "emg" for channel in self.channels])
        self._no_doubts: FlagArray = np.zeros(len(self.channels), np.uint16)
        self._is_position = np.array([channel.kind == "position" for channel in self.channels])
        self._is_stranger = False
        self._is_asked = False  # to relax or to contract: before, nothing is judged by it
        self._doubts: FlagArray | None = None  # DRIFT and STRANGER of each channel, None while there are none
        self._all_quadratic, self._any_quadratic = bool(self._is_quadratic.all()), bool(self._is_quadratic.any())
        self._any_position = bool(self._is_position.any())
        self._phone = find_phone(self.channels)
        self._table: tuple[FloatArray, ...] | None = None  # of this block, all channels at once: that is cheap live

    @property
    def methods(self) -> tuple[str, ...]:
        """What each channel's baseline rests on just now, in words."""
        return tuple("zero" if state.tension is None else state.tension.method for state in self._states)

    def set_rest(self, channel_index: int, level: float, sd: float) -> None:
        """Take ``level`` +- ``sd`` as the channel's zero (EMG: resting RMS) and forget what was learnt before."""
        state = self._states[channel_index]
        state.rest, state.rest_sd = float(level), float(sd)
        state.start = state.rest
        state.tension = None
        self._is_asked = False  # until the next phase says so
        channel = self.channels[channel_index]
        if channel.kind == "force":
            state.drift = ZeroDrift(channel, state.rest, state.rest_sd, block_s=self._n_block / self.level_rate_hz)
        self._note_doubts()
        state.means.clear()
        state.set_line(0.0, 0.0)
        self._table = None

    def set_maximum(self, channel_index: int, maximum: Maximum) -> None:
        """Take ``maximum`` as 100 % of the channel.

        An attempt's own baseline, measured in the position, is what force starts from until tension is learnt.
        """
        state = self._states[channel_index]
        state.strength = maximum.strength
        is_in_position = self.channels[channel_index].kind == "force" and maximum.method in ("attempts", "revised")
        if math.isnan(state.rest) or (is_in_position and self.baseline != "zero"):
            state.start = maximum.baseline
        if state.tension is None or not state.tension.is_known:
            state.set_line(0.0, 0.0)
        self._table = None

    def set_relaxed(self, relaxed: bool) -> None:
        """Say whether the athlete is asked to relax: only then is the force baseline learnt."""
        self._is_asked = True
        if relaxed != (self._n_relaxed is not None):
            self._n_relaxed = 0 if relaxed else None
            self._is_stretch_new = relaxed
        self._note_doubts()

    def set_stranger(self, is_stranger: bool) -> None:
        """Say whether a device answers of which nobody has said whether the calibration holds for it."""
        self._is_stranger = is_stranger
        self._note_doubts()

    def forget(self) -> None:
        """No zero and no maximum holds any more: effort is unknown until there are new ones."""
        self._states = [ChannelState() for _ in self.channels]
        self._table = None
        self._note_doubts()

    def push(self, levels: Levels) -> Effort:
        """Effort for a run of levels, in order."""
        parts = []
        at, flags = 0, levels.flags
        while at < levels.n_levels:
            offset = (levels.first + at) % self._n_block
            n_blocks = 0 if offset else (levels.n_levels - at) // self._n_block
            if n_blocks > 1:  # afterwards
                end = at + n_blocks * self._n_block
                whole = Levels(levels.first + at, levels.values[at:end], levels.flags[at:end])
                *part, doubts = self._push_blocks(whole, n_blocks)
                parts.append((part[0], part[1], part[2]))
                if doubts is not None:
                    flags = levels.flags.copy() if flags is levels.flags else flags
                    flags[at:end] |= doubts
                at = end
                continue
            end = min(levels.n_levels, at + self._n_block - offset)
            block = slice(offset, offset + end - at)
            self._values[block] = levels.values[at:end]
            self._flags[block] = levels.flags[at:end]
            parts.append(self._measure(levels.values[at:end], block))
            if self._doubts is not None:
                flags = levels.flags.copy() if flags is levels.flags else flags
                flags[at:end] |= self._doubts
            if self._n_relaxed is not None:
                self._n_relaxed += end - at
            at = end
            if block.stop == self._n_block:
                means, usable = self._summarise_block()
                self._watch_zeros(means, usable)
                self._renew_baselines(levels.first + at, means, usable)
                self._table = None
        if len(parts) == 1:
            percent, baseline, plus_minus = parts[0]
        else:
            empty = np.empty((0, len(self.channels)))
            percent, baseline, plus_minus = (
                np.concatenate([part[i] for part in parts]) if parts else empty for i in range(3)
            )
        return Effort(levels.first, percent, baseline, plus_minus, flags)

    def _push_blocks(
        self, levels: Levels, n_blocks: int
    ) -> tuple[FloatArray, FloatArray, FloatArray, FlagArray | None]:
        """Whole blocks at once, number for number what they give one by one; their doubts, None without.

        What a block teaches is for the next one, so that is worked out in turn; the levels' efforts together after it.
        """
        shape = (n_blocks, self._n_block, len(self.channels))
        values, flags = levels.values.reshape(shape), levels.flags.reshape(shape)
        self._values[:], self._flags[:] = values[-1], flags[-1]
        seen = np.bitwise_or.reduce(flags, axis=1)
        means = _average(values, self._n_block).tolist()
        usable = ((seen & UNUSABLE) == 0).tolist()
        active = self._find_active(levels.values, seen).tolist() if self._n_relaxed is not None else [False] * n_blocks
        lines, doubts, is_doubtful = [], [], False
        for k in range(n_blocks):
            lines.append([(*state.line, *state.sd_line) for state in self._states])
            doubts.append(self._no_doubts if self._doubts is None else self._doubts)
            is_doubtful = is_doubtful or self._doubts is not None
            if self._n_relaxed is not None:
                self._n_relaxed += self._n_block
            self._watch_zeros(means[k], usable[k])
            self._renew_baselines(levels.first + (k + 1) * self._n_block, means[k], usable[k], is_active=active[k])
        self._table = None
        near, far, near_sd, far_sd = np.array(lines).transpose(2, 0, 1)[:, :, None]
        strength = np.array([state.strength for state in self._states])
        baseline = (near + (far - near) * self._where).reshape(levels.values.shape)
        plus_minus = ((near_sd + (far_sd - near_sd) * self._where) * (100.0 / strength)).reshape(baseline.shape)
        percent = self._percent(levels.values, baseline, baseline * baseline, strength)
        return percent, baseline, plus_minus, np.repeat(doubts, self._n_block, axis=0) if is_doubtful else None

    def _find_active(self, values: FloatArray, seen: FlagArray) -> NDArray[np.bool_]:
        """Of whole blocks (n_blocks,): `_is_emg_active`; the baselines of EMG stay through all of them."""
        start = np.array([state.line[0] for state in self._states])
        strength = np.array([state.strength for state in self._states])
        percent = self._percent(values, start, start * start, strength)
        means = _average(percent.reshape(len(seen), self._n_block, -1), self._n_block)
        is_sound = self._is_emg & ((seen & EMG_DOUBTFUL) == 0) & np.isfinite(means)
        return np.asarray((is_sound & (means > EMG_LIMIT_PERCENT)).any(axis=1))

    def _measure(self, values: FloatArray, block: slice) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Effort, baseline and its uncertainty of levels ``(n, n_channels)`` at this part of their block."""
        if self._table is None:
            near, far, near_sd, far_sd, strength = np.array([(*s.line, *s.sd_line, s.strength) for s in self._states]).T
            baseline = near + (far - near) * self._where
            plus_minus = (near_sd + (far_sd - near_sd) * self._where) * (100.0 / strength)
            self._table = baseline, baseline * baseline, plus_minus, strength
        baseline, square, plus_minus, strength = self._table
        percent = self._percent(values, baseline[block], square[block], strength)
        return percent, baseline[block], plus_minus[block]

    def _percent(
        self, values: FloatArray, baseline: FloatArray, square: FloatArray, strength: FloatArray
    ) -> FloatArray:
        if self._all_quadratic:
            above = np.sqrt(np.maximum(0.0, values * values - square))
        else:
            above = values - baseline
            if self._any_quadratic:
                above = np.where(self._is_quadratic, np.sqrt(np.maximum(0.0, values * values - square)), above)
        percent = 100.0 * above / strength
        shown = np.where(self._is_position, above, percent) if self._any_position else percent
        if self._phone is not None:
            angle, gravity = self._phone
            zero = np.array([self._states[column].rest for column in gravity])
            shown[:, angle] = measure_turn(values[:, gravity], zero)
        return shown

    def _summarise_block(self) -> tuple[list[float], list[bool]]:
        """Each channel's mean level over a whole block, and whether all of its levels are to be used."""
        means = np.add.reduce(np.ascontiguousarray(self._values.T), axis=1) / self._n_block
        usable = (np.bitwise_or.reduce(self._flags, axis=0) & UNUSABLE) == 0
        return means.tolist(), usable.tolist()

    def _renew_baselines(
        self, end: int, means: Sequence[float], usable: Sequence[bool], *, is_active: bool | None = None
    ) -> None:
        """At the end of a block: learn from it if it was relaxed, and say where force baselines go next.

        ``is_active``: whether EMG was, where that is known; else it is looked at when it matters.
        """
        if self.baseline == "zero":
            return
        n_relaxed = self._n_relaxed or 0
        is_relaxed = n_relaxed >= self._n_settle + self._n_block and not (
            self._is_emg_active() if is_active is None else is_active
        )
        end_s, block_s = end / self.level_rate_hz, self._n_block / self.level_rate_hz
        for index, (channel, state) in enumerate(zip(self.channels, self._states, strict=True)):
            if channel.kind != "force":
                continue
            if state.tension is None:
                zero = 0.0 if math.isnan(state.rest) else state.rest
                state.tension = PassiveTension(zero, relaxes=self.baseline == "passive")
            state.tension.strength = 0.0 if math.isnan(state.strength) else state.strength
            if self._is_stretch_new:
                state.tension.begin_stretch(end_s - n_relaxed / self.level_rate_hz)
                state.means.clear()
            mean = means[index]
            is_usable = usable[index] and not math.isnan(mean)
            learns = is_relaxed and is_usable and state.is_still(mean, block_s)
            if learns:
                state.tension.learn(end_s - block_s / 2, mean)
            if is_usable:
                state.means.append(mean)
            state.set_line(end_s, end_s + block_s, has_learnt=learns)
        if self._n_relaxed:
            self._is_stretch_new = False

    def _watch_zeros(self, means: Sequence[float], usable: Sequence[bool]) -> None:
        """At the end of a block: whether the zeros of the force channels still hold."""
        for index, state in enumerate(self._states):
            if self._is_quadratic[index]:
                state.n_silent = state.n_silent + 1 if means[index] < OFF_BELOW * state.rest else 0
            if state.drift is not None:
                state.drift.strength = 0.0 if math.isnan(state.strength) else state.strength
                state.drift.push(means[index] if usable[index] else math.nan)
        self._note_doubts()

    def _note_doubts(self) -> None:
        is_asked = self._is_asked and self._n_relaxed is None and self.baseline != "zero"
        doubts = [
            (Flag.STRANGER if self._is_stranger else 0)
            | (Flag.DRIFT if state.drift and state.drift.has_moved else 0)
            | (Flag.ELECTRODE if state.n_silent >= OFF_S / BLOCK_S else 0)
            | (Flag.TENSION if is_asked and self._has_tension(k) else 0)
            for k, state in enumerate(self._states)
        ]
        self._doubts = np.array(doubts, dtype=np.uint16) if any(doubts) else None

    def _has_tension(self, index: int) -> bool:
        """Whether the channel's effort is of the position as well, of which nothing has been learnt since the zero."""
        state = self._states[index]
        is_force = self.channels[index].kind == "force" and not math.isnan(state.strength)
        return is_force and (state.tension is None or not state.tension.is_known)

    def _is_emg_active(self) -> bool:
        percent, _, _ = self._measure(self._values, slice(0, self._n_block))
        active = mean_emg_percent(percent, self._flags, self.channels)
        return active is not None and active > EMG_LIMIT_PERCENT


def _average(values: FloatArray, n: int) -> FloatArray:
    """Over each block of ``n``, (n_blocks, n, n_channels) to (n_blocks, n_channels), added up as in a single one."""
    return np.asarray(np.add.reduce(np.ascontiguousarray(values.transpose(0, 2, 1)), axis=2) / n)
