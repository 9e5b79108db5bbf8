"""A simulated athlete on simulated sensors: cues in, converter counts out, the truth beside them.

Frames are made in fixed batches from frame 0 on and handed out in slices, each kind of randomness has its own seeded
stream, and nobody reacts faster than a batch lasts. So the same cues at the same frames give the same counts,
whatever the sizes of the reads.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from biofeedback.acquisition.physiology import SHORTEST_REACTION_S, Athlete, Body, State
from biofeedback.acquisition.waveforms import EmgNoise, Wobble
from biofeedback.model import Channel, Cue, FloatArray

__all__ = ["Athlete", "AthleteSimulator", "Truth", "make_channel"]

CountArray = NDArray[np.int64]
BATCH_S = 0.1
SENSOR_NOISE = {"force": 0.05, "emg": 2.0, "position": 0.05}  # SD in the channel's unit
SENSOR_ZERO = {"force": 3.7, "emg": 35.0, "position": 0.0}  # where an idle sensor stands, in the channel's unit
HUM_MICROVOLT = 2.0
REACH_CM = 40.0
ENVELOPE_S = 0.1


def make_channel(name: str, *, envelope: bool = False, clip: float | None = None) -> Channel:
    """Channel of a simulated sensor; the kind is read from the name's beginning (force, emg, position).

    Force: 24-bit counts of 0.0005 N (about +-4200 N). EMG: 16-bit counts of 0.1 µV. Position: 16-bit counts of 0.01 cm.
    ``clip``: the converter's last code lies at this many units.

    Raises
    ------
    ValueError
        The name begins with none of the kinds.
    """
    for kind, unit, factor, rail in (
        ("force", "N", 0.0005, 2**23),
        ("emg", "uV", 0.1, 2**15),
        ("position", "cm", 0.01, 2**15),
    ):
        if name.startswith(kind):
            high = rail - 1 if clip is None else round(clip / factor)
            low = 0 if envelope else -high - 1
            return Channel(
                name=name,
                kind=kind,  # type: ignore[arg-type]
                unit=unit,
                factor=factor,
                envelope=envelope,
                rail_low_counts=low,
                rail_high_counts=high,
            )
    raise ValueError(f"channel {name!r}: the name must begin with force, emg or position")


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What really happened, one value per hop of frames, at the hop's end: shape ``(n_hops,)`` each."""

    hop: int
    effort_percent: FloatArray
    fatigued: FloatArray
    passive_newton: FloatArray
    discomfort: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Made:
    """Whole batches of what the body did, before the first hop and after each: force, and states if anybody asks."""

    frames: FloatArray
    hop: int
    n_hops: int  # of one batch
    force: list[float]
    states: list[State]

    def spread(self, points: list[float]) -> FloatArray:
        """A value for every frame, in a straight line from hop to hop."""
        if self.hop == 1:
            return np.array(points[1:])
        share, grid = np.arange(1, self.n_hops * self.hop + 1) / self.hop, np.arange(self.n_hops + 1, dtype=float)
        starts = range(0, len(points) - 1, self.n_hops)
        return np.concatenate([np.interp(share, grid, points[k : k + self.n_hops + 1]) for k in starts])


class _Sensor:
    """One channel's converter and its noises."""

    def __init__(self, athlete: Athlete, channel: Channel, index: int, rate_hz: float, hum_hz: float) -> None:
        self.channel, self._athlete, self._rate_hz, self._hum_hz = channel, athlete, rate_hz, hum_hz
        self._rng = np.random.default_rng([athlete.seed, 10 + index])
        self._emg = EmgNoise(np.random.default_rng([athlete.seed, 100 + index]), rate_hz)
        self._envelope = 0.0

    def convert(self, made: _Made) -> CountArray:
        """Counts of what was made."""
        kind = self.channel.kind
        if kind == "force":
            value = made.spread(made.force)
        elif kind == "emg":
            value = self._muscle(made)
        else:
            slip = self._athlete.position_drift_cm_per_min * made.frames / (60 * self._rate_hz)
            value = made.spread([state.position for state in made.states]) * (REACH_CM + slip)
        value += self._rng.standard_normal(value.size) * SENSOR_NOISE[kind]
        if not self.channel.envelope:
            value += SENSOR_ZERO[kind]
        counts = np.rint(value / self.channel.factor + self.channel.offset_counts)
        low, high = self.channel.rail_low_counts, self.channel.rail_high_counts
        return np.clip(counts, low, high).astype(np.int64)

    def _muscle(self, made: _Made) -> FloatArray:
        a = self._athlete
        value = made.spread([state.excitation * a.emg_maximum_microvolt for state in made.states])
        tired = [state.fatigued for state in made.states[: -1 : made.n_hops]]  # as each batch begins
        n = value.size // len(tired)
        value *= np.concatenate([self._emg.draw(n, 1 - a.median_fall * fatigued) for fatigued in tired])
        if self._hum_hz:
            value += HUM_MICROVOLT * math.sqrt(2) * np.sin(2 * math.pi * self._hum_hz / self._rate_hz * made.frames)
        return self._smooth(value, len(made.states) - 1) if self.channel.envelope else value

    def _smooth(self, value: FloatArray, n_hops: int) -> FloatArray:
        """Rectified and smoothed as an envelope board does, on the grid of hops."""
        keep = math.exp(-value.size / n_hops / self._rate_hz / ENVELOPE_S)
        points = [self._envelope]
        for mean in np.abs(value).reshape(n_hops, -1).mean(axis=1).tolist():
            points.append(keep * points[-1] + (1 - keep) * mean)
        self._envelope = points[-1]
        return np.repeat(np.array(points[1:]), value.size // n_hops)


class AthleteSimulator:
    """``cue`` what to do, ``produce`` the next frames, read ``said`` and ``truth``."""

    def __init__(
        self,
        athlete: Athlete,
        channels: Sequence[Channel],
        rate_hz: float,
        *,
        hum_hz: float = 50.0,
        keep_truth: bool = True,
    ) -> None:
        self.athlete, self.channels, self.rate_hz = athlete, tuple(channels), rate_hz
        self.next_frame = 0
        self._hop = max(1, round(rate_hz / 100))
        self._n_hops = max(1, int(BATCH_S * rate_hz / self._hop))
        self._made_frame = 0
        self._left: CountArray = np.empty((0, len(self.channels)), np.int64)
        self._body = Body(athlete)
        grid_hz = rate_hz / self._hop
        rng = np.random.default_rng([athlete.seed, 2])
        self._unsteady = Wobble(rng, grid_hz, 0.0, 2.0)
        self._tremor = Wobble(rng, grid_hz, athlete.tremor_hz, 1.5) if grid_hz >= 4 * athlete.tremor_hz else None
        self._force = athlete.passive_newton * 0.0
        self._sensors = [_Sensor(athlete, c, i, rate_hz, hum_hz) for i, c in enumerate(self.channels)]
        self._mind = np.random.default_rng([athlete.seed, 3])  # reactions and answers, in the order of the cues
        self._waiting: list[tuple[int, Cue, float, float]] = []
        self._answer: tuple[int, float] | None = None
        self._truth = [array("d") for _ in range(4)] if keep_truth else []
        self._needs_states = keep_truth or any(channel.kind != "force" for channel in self.channels)

    def tire_as(self, joint: str, *, rest_speed: float = 1.0) -> None:
        """Take that joint's fatigue and recover so much faster at rest, before the first frame; all else stays."""
        if self._made_frame:
            raise ValueError("the athlete has moved already")
        self.athlete = replace(self.athlete, joint=joint, rest_speed=rest_speed)
        self._body = Body(self.athlete)

    def cue(self, cue: Cue) -> None:
        """Ask something of the athlete at the next frame; the reaction follows after about 0.3 s."""
        delay_s = self.athlete.reaction_s * math.exp(0.2 * self._mind.standard_normal())
        frame = self.next_frame + math.ceil(max(SHORTEST_REACTION_S, delay_s) * self.rate_hz)
        thinking_s = float(self._mind.uniform(0.7, 2.5))
        if cue.kind == "rate":
            self._answer = None
        self._waiting.append((frame, cue, thinking_s, float(self._mind.standard_normal())))

    @property
    def said(self) -> float | None:
        """Answer to the last ``rate`` cue, 0-10, or None until it has been given (1-3 s of sample time later)."""
        return self._answer[1] if self._answer and self._answer[0] <= self.next_frame else None

    @property
    def said_at_frame(self) -> int | None:
        """Frame at which the answer was given."""
        return self._answer[0] if self.said is not None and self._answer else None

    @property
    def truth(self) -> Truth:
        """Everything so far, including at most one batch that has not been handed out yet."""
        return Truth(self._hop, *(np.array(series) for series in self._truth or [array("d")] * 4))

    def produce(self, n_frames: int) -> CountArray:
        """The next ``n_frames`` frames as counts, shape ``(n_frames, n_channels)``."""
        counts, n_batch = self._left, self._n_hops * self._hop
        n_batches = -(-(n_frames - len(counts)) // n_batch)
        if n_batches > 0:
            counts = np.concatenate((counts, self._make(n_batches)))
        self._left = counts[n_frames:]
        self.next_frame += n_frames
        return counts[:n_frames]

    def _make(self, n_batches: int) -> CountArray:
        """The next batches."""
        begin = self._made_frame
        force, states = [self._force], [self._body.state]
        for _ in range(n_batches):
            self._move(force, states)
        self._force = force[-1]
        for state in states[1:] if self._truth else ():
            row = (100 * state.activation, state.fatigued, state.passive_newton, state.discomfort)
            for series, value in zip(self._truth, row, strict=True):
                series.append(value)
        frames = np.arange(begin, self._made_frame, dtype=float)
        made = _Made(frames=frames, hop=self._hop, n_hops=self._n_hops, force=force, states=states)
        return np.stack([sensor.convert(made) for sensor in self._sensors], axis=1)

    def _move(self, force: list[float], states: list[State]) -> None:
        """One batch of the body's hops, at the end of those before."""
        athlete, body, hop_s = self.athlete, self._body, self._hop / self.rate_hz
        unsteady = self._unsteady.draw(self._n_hops)
        tremor = self._tremor.draw(self._n_hops) if self._tremor else [0.0] * self._n_hops
        for i in range(self._n_hops):
            if self._waiting:
                self._react(self._made_frame)
            body.step(hop_s)
            shake = 1 + (athlete.force_noise_percent * unsteady[i] + athlete.tremor_percent * tremor[i]) / 100
            force.append(athlete.passive_newton * body.tension + body.activation * athlete.maximum_newton * shake)
            self._made_frame += self._hop
            if self._needs_states:
                states.append(body.state)

    def _react(self, frame: int) -> None:
        """Carry out the cues whose reaction time is over, in the order in which they were given."""
        while self._waiting and self._waiting[0][0] <= frame:
            _, cue, thinking_s, doubt = self._waiting.pop(0)
            self._body.follow(cue)
            if cue.kind == "rate":
                step = self.athlete.rating_step
                felt = self._body.state.discomfort + doubt * self.athlete.rating_noise
                value = min(10.0, max(0.0, round(felt / step) * step))
                self._answer = (frame + math.ceil(thinking_s * self.rate_hz), value)
