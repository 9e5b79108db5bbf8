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
from biofeedback.calibration.channel_state import ChannelState, Line
from biofeedback.calibration.drift import ZeroDrift
from biofeedback.calibration.passive import PassiveTension
from biofeedback.calibration.relaxed import EMG_DOUBTFUL, EMG_LIMIT_PERCENT, UNUSABLE, mean_emg_percent
from biofeedback.model import Channel, Flag, FlagArray, FloatArray, Levels, find_phone, measure_turn

BLOCK_S = 0.5
SETTLE_S = 1.5  # letting go takes about this long; what is read before is no baseline
UNCERTAIN_PERCENT = 1.0  # show the +- of an effort from here on: the bands' hysteresis is one point
_DRIFT, _ELECTRODE, _STRANGER, _TENSION = (
    int(flag) for flag in (Flag.DRIFT, Flag.ELECTRODE, Flag.STRANGER, Flag.TENSION)
)
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
        state.start_anew()
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
            state.start_anew()
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
                self._end_block(levels.first + at)
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
        means, usable = _average(values, self._n_block), (seen & UNUSABLE) == 0
        n_relaxed, active = 0, [False] * n_blocks
        if self._n_relaxed is not None:
            active = self._find_active(levels.values, seen).tolist()
            n_relaxed, self._n_relaxed = self._n_relaxed + self._n_block, self._n_relaxed + levels.n_levels
        first_lines, first_doubts = [state.line for state in self._states], self._doubts
        end = levels.first + self._n_block
        after, doubts_after = self._end_blocks(end, means, usable, active=active, n_relaxed=n_relaxed)
        lines = np.array([[first, *rest[:-1]] for first, rest in zip(first_lines, after, strict=True)])
        near, far, near_sd, far_sd = lines.transpose(2, 1, 0)[:, :, None]
        strength = np.array([state.strength for state in self._states])
        baseline = (near + (far - near) * self._where).reshape(levels.values.shape)
        plus_minus = ((near_sd + (far_sd - near_sd) * self._where) * (100.0 / strength)).reshape(baseline.shape)
        percent = self._percent(levels.values, baseline, baseline * baseline, strength)
        doubts = None
        if first_doubts is not None or doubts_after is not None:
            doubts = np.zeros((n_blocks, len(self.channels)), np.uint16)
            doubts[0] = 0 if first_doubts is None else first_doubts
            doubts[1:] = 0 if doubts_after is None else doubts_after[:-1]
            doubts = doubts.repeat(self._n_block, axis=0)
        return percent, baseline, plus_minus, doubts

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
            near, far, near_sd, far_sd, strength = np.array([(*s.line, s.strength) for s in self._states]).T
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

    def _end_block(self, end: int) -> None:
        """The block that ends at this level is whole."""
        means = np.add.reduce(np.ascontiguousarray(self._values.T), axis=1)[None] / self._n_block
        usable = (np.bitwise_or.reduce(self._flags, axis=0)[None] & UNUSABLE) == 0
        n_relaxed = self._n_relaxed or 0
        active = [self._is_settled(n_relaxed) and self._is_emg_active()]
        self._end_blocks(end, means, usable, active=active, n_relaxed=n_relaxed)

    def _end_blocks(
        self, first_end: int, means: FloatArray, usable: NDArray[np.bool_], *, active: Sequence[bool], n_relaxed: int
    ) -> tuple[list[list[Line]], FlagArray | None]:
        """What whole blocks teach: the line of each channel, and all doubts, in the block after each of them.

        Parameters
        ----------
        first_end : the level at which the first of them ends.
        means, usable : (n_blocks, n_channels) of their levels, and whether all of these are to be used.
        active : (n_blocks,) whether EMG was: then nothing is learnt.
        n_relaxed : levels since relaxing began, when the first of them ends; 0 while contracting.
        """
        by_channel, usable_by_channel = means.T.tolist(), usable.T.tolist()
        doubts = self._watch_zeros(by_channel, usable_by_channel)
        self._table = None
        block_s = self._n_block / self.level_rate_hz
        ends_s = [(first_end + k * self._n_block) / self.level_rate_hz for k in range(len(active))]
        may_learn = [
            not is_active and self._is_settled(n_relaxed + k * self._n_block) if n_relaxed else False
            for k, is_active in enumerate(active)
        ]
        lines = []
        for index, (channel, state) in enumerate(zip(self.channels, self._states, strict=True)):
            if channel.kind != "force" or self.baseline == "zero":
                lines.append([state.line] * len(active))
                continue
            if state.tension is None:
                zero = 0.0 if math.isnan(state.rest) else state.rest
                state.tension = PassiveTension(zero, relaxes=self.baseline == "passive")
            state.tension.strength = 0.0 if math.isnan(state.strength) else state.strength
            if self._is_stretch_new:
                state.tension.begin_stretch(ends_s[0] - n_relaxed / self.level_rate_hz)
                state.means.clear()
            seen = (by_channel[index], usable_by_channel[index])
            lines.append(state.follow(state.tension, *seen, may_learn, ends_s=ends_s, block_s=block_s))
        if n_relaxed:
            self._is_stretch_new = False
        return lines, doubts

    def _is_settled(self, n_relaxed: int) -> bool:
        """Whether a block that ends so many levels after relaxing began lies after the letting go."""
        return n_relaxed >= self._n_settle + self._n_block

    def _watch_zeros(self, means: Sequence[Sequence[float]], usable: Sequence[Sequence[bool]]) -> FlagArray | None:
        """Whether the zeros hold, by each channel's blocks: doubts (n_blocks, n_channels) after each; None: none."""
        found = []
        for index, state in enumerate(self._states):
            moved = silent = [False] * len(means[index])
            if self._is_quadratic[index]:
                silent = state.find_silence(means[index])
            if state.drift is not None:
                state.drift.strength = 0.0 if math.isnan(state.strength) else state.strength
                seen = zip(means[index], usable[index], strict=True)
                moved = state.drift.push_all([mean if is_usable else math.nan for mean, is_usable in seen])
            lasting = self._find_lasting_doubts(index)
            found.append([lasting | _DRIFT * a | _ELECTRODE * b for a, b in zip(moved, silent, strict=True)])
        self._doubts = None
        if not any(map(any, found)):
            return None
        doubts: FlagArray = np.array(found, dtype=np.uint16).T
        self._doubts = doubts[-1] if doubts[-1].any() else None
        return doubts

    def _note_doubts(self) -> None:
        """After something that was said."""
        doubts = [
            self._find_lasting_doubts(index)
            | (_DRIFT if state.drift and state.drift.has_moved else 0)
            | (_ELECTRODE if state.is_silent else 0)
            for index, state in enumerate(self._states)
        ]
        self._doubts = np.array(doubts, dtype=np.uint16) if any(doubts) else None

    def _find_lasting_doubts(self, index: int) -> int:
        """Those of a channel that hold until something is said."""
        is_asked = self._is_asked and self._n_relaxed is None and self.baseline != "zero"
        return (_STRANGER if self._is_stranger else 0) | (_TENSION if is_asked and self._has_tension(index) else 0)

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
