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


class _Sensor:
    """One channel's converter and its noises."""

    def __init__(self, athlete: Athlete, channel: Channel, index: int, rate_hz: float, hum_hz: float) -> None:
        self.channel, self._athlete, self._rate_hz, self._hum_hz = channel, athlete, rate_hz, hum_hz
        self._rng = np.random.default_rng([athlete.seed, 10 + index])
        self._emg = EmgNoise(np.random.default_rng([athlete.seed, 100 + index]), rate_hz)
        self._envelope = 0.0

    def convert(self, frames: FloatArray, share: FloatArray, states: list[State], force: FloatArray) -> CountArray:
        """Counts of a batch. ``share`` is where each frame lies on the grid of ``states`` (one more than hops)."""
        grid = np.arange(len(states), dtype=float)
        kind = self.channel.kind
        if kind == "force":
            value = np.interp(share, grid, force)
        elif kind == "emg":
            value = self._muscle(frames, share, grid, states)
        else:
            at = np.array([s.position for s in states])
            slip = self._athlete.position_drift_cm_per_min * frames / (60 * self._rate_hz)
            value = np.interp(share, grid, at) * (REACH_CM + slip)
        value += self._rng.standard_normal(frames.size) * SENSOR_NOISE[kind]
        if not self.channel.envelope:
            value += SENSOR_ZERO[kind]
        counts = np.rint(value / self.channel.factor + self.channel.offset_counts)
        low, high = self.channel.rail_low_counts, self.channel.rail_high_counts
        return np.clip(counts, low, high).astype(np.int64)

    def _muscle(self, frames: FloatArray, share: FloatArray, grid: FloatArray, states: list[State]) -> FloatArray:
        a = self._athlete
        amplitude = np.interp(share, grid, np.array([s.excitation for s in states]) * a.emg_maximum_microvolt)
        value = amplitude * self._emg.draw(frames.size, 1 - a.median_fall * states[0].fatigued)
        if self._hum_hz:
            value += HUM_MICROVOLT * math.sqrt(2) * np.sin(2 * math.pi * self._hum_hz / self._rate_hz * frames)
        return self._smooth(value, len(states) - 1) if self.channel.envelope else value

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
        self._state = self._body.state
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
        parts, n_have = [self._left], len(self._left)
        while n_have < n_frames:
            parts.append(self._make_batch())
            n_have += len(parts[-1])
        counts = np.concatenate(parts) if len(parts) > 1 else self._left
        self._left = counts[n_frames:]
        self.next_frame += n_frames
        return counts[:n_frames]

    def _make_batch(self) -> CountArray:
        states, force = [self._state], [self._force]
        unsteady = self._unsteady.draw(self._n_hops)
        tremor = self._tremor.draw(self._n_hops) if self._tremor else [0.0] * self._n_hops
        for i in range(self._n_hops):
            self._react(self._made_frame + i * self._hop)
            self._body.step(self._hop / self.rate_hz)
            state = self._body.state
            states.append(state)
            shake = 1 + (self.athlete.force_noise_percent * unsteady[i] + self.athlete.tremor_percent * tremor[i]) / 100
            force.append(state.passive_newton + state.activation * self.athlete.maximum_newton * shake)
            if self._truth:
                row = (100 * state.activation, state.fatigued, state.passive_newton, state.discomfort)
                for series, value in zip(self._truth, row, strict=True):
                    series.append(value)
        self._state, self._force = states[-1], force[-1]
        n = self._n_hops * self._hop
        frames = np.arange(self._made_frame, self._made_frame + n, dtype=float)
        share = np.arange(1, n + 1) / self._hop
        self._made_frame += n
        columns = [sensor.convert(frames, share, states, np.array(force)) for sensor in self._sensors]
        return np.stack(columns, axis=1)

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
