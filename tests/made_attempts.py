"""Maximal efforts with known truth, seeded, as a board would send them, whole and with what goes wrong.

Force: 1-3 % slow wander, half a per cent of tremor, up to 8 % of fading (common practice, no source). Muscle activity:
noise with the spectrum f exp(-f / 60 Hz), its amplitude wandering by 6 %. No person's data.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from biofeedback.account.values import Attempt
from biofeedback.calibration.attempt_values import Samples
from biofeedback.calibration.attempts import judge_attempt
from biofeedback.model import Channel, Chunk, FloatArray
from biofeedback.signal.levels import LevelStream

LEAD_S, COUNTDOWN_S, PUSH_S = 3.0, 1.0, 5.0
SECONDS = LEAD_S + COUNTDOWN_S + PUSH_S
START_S = LEAD_S + COUNTDOWN_S


@dataclass(frozen=True)
class Board:
    """A converter: codes per unit, the code at 0, first and last code; ``declared``: whether the channel says them."""

    kind: str
    rate_hz: int
    codes_per_unit: float
    zero: float
    last: float
    first: float = 0.0
    declared: bool = False

    @property
    def channel(self) -> Channel:
        """As the person describes it."""
        rails = (self.first, self.last) if self.declared else (None, None)
        factor = 1 / self.codes_per_unit
        low, high = rails
        return Channel(
            name=self.kind,
            kind=self.kind,  # type: ignore[arg-type]
            unit="N" if self.kind == "force" else "uV",
            factor=factor,
            rail_low_counts=low,
            rail_high_counts=high,
        )

    def convert(self, value: FloatArray) -> FloatArray:
        """Units to codes, cut off at the ends."""
        return np.clip(np.round(value * self.codes_per_unit + self.zero), self.first, self.last)


def make_shape(rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """What is done (n_frames,), 1 at full effort: rest, rise, a plateau that wanders and fades a little."""
    t = np.arange(round(SECONDS * rate_hz)) / rate_hz
    start_s, rise_s = START_S + rng.uniform(0.15, 0.5), rng.uniform(0.15, 0.5)
    rise = 1 - np.exp(-np.clip(t - start_s, 0, None) / rise_s)
    fade = 1 - rng.uniform(0, 0.08) * np.clip((t - start_s - 1) / 4, 0, 1)
    return np.asarray(rise * fade * (1 + rng.uniform(0.01, 0.03) * smooth_noise(rng, t.size, rate_hz, 1.5)))


def smooth_noise(rng: np.random.Generator, n: int, rate_hz: int, edge_hz: float) -> FloatArray:
    """Unit-variance noise below ``edge_hz``, (n,)."""
    spectrum = np.fft.rfft(rng.normal(size=n))
    spectrum[np.fft.rfftfreq(n, 1 / rate_hz) > edge_hz] = 0
    noise = np.fft.irfft(spectrum, n)
    return np.asarray(noise / noise.std())


def make_force(rng: np.random.Generator, rate_hz: int, maximum: float, noise: float = 0.5) -> FloatArray:
    """Newtons (n_frames,) of one attempt."""
    shape = make_shape(rng, rate_hz)
    t = np.arange(shape.size) / rate_hz
    tremor = 0.005 * np.sin(2 * np.pi * rng.uniform(8, 12) * t + rng.uniform(0, 6))
    return 20 + maximum * shape * (1 + tremor) + rng.normal(0, noise, shape.size)


def make_emg(rng: np.random.Generator, rate_hz: int, maximum: float, noise: float = 3.0) -> FloatArray:
    """Microvolts (n_frames,) of one attempt; RMS ``maximum`` at full effort."""
    shape = make_shape(rng, rate_hz)
    frequency_hz = np.fft.rfftfreq(shape.size, 1 / rate_hz)
    spectrum = np.fft.rfft(rng.normal(size=shape.size)) * np.sqrt(frequency_hz * np.exp(-frequency_hz / 60))
    carrier = np.fft.irfft(spectrum, shape.size)
    wander = 1 + 0.06 * smooth_noise(rng, shape.size, rate_hz, 2.0)
    return maximum * shape * wander * carrier / carrier.std() + rng.normal(0, noise, shape.size)


def add_glitches(rng: np.random.Generator, x: FloatArray, rate_hz: int, n: int, size: float) -> FloatArray:
    """Single samples far away, as a loose contact or a lost bit makes them."""
    at = rng.integers(round((START_S + 1.0) * rate_hz), len(x) - rate_hz // 2, n)
    x = x.copy()
    x[at] += size * rng.choice([-1, 1], n) * rng.uniform(0.6, 1.5, n)
    return x


def add_burst(rng: np.random.Generator, x: FloatArray, rate_hz: int, n: int, size: float) -> FloatArray:
    """Glitches close together, 0.15 s of them in the push: a plug that scrapes, a radio that loses bits."""
    first = rng.integers(round((START_S + 1.0) * rate_hz), len(x) - rate_hz)
    at = first + rng.integers(0, max(2, round(0.15 * rate_hz)), n)
    x = x.copy()
    np.add.at(x, at, size * rng.uniform(0.7, 1.3, n) * rng.choice([-1, 1], n, p=[0.3, 0.7]))
    return x


def add_pop(rng: np.random.Generator, x: FloatArray, rate_hz: int, size: float) -> FloatArray:
    """An electrode that steps aside and comes back: a jump that decays."""
    at = rng.integers(round((START_S + 0.8) * rate_hz), len(x) - rate_hz)
    t = np.arange(len(x) - at) / rate_hz
    x = x.copy()
    x[at:] += size * rng.choice([-1, 1]) * np.exp(-t / rng.uniform(0.03, 0.3))
    return x


def add_tug(rng: np.random.Generator, x: FloatArray, rate_hz: int, size: float) -> FloatArray:
    """A pulled cable: a few swings at 5-18 Hz within 0.2-0.6 s."""
    n = round(rng.uniform(0.2, 0.6) * rate_hz)
    at = rng.integers(round((START_S + 0.8) * rate_hz), len(x) - n)
    t = np.arange(n) / rate_hz
    x = x.copy()
    x[at : at + n] += size * np.sin(2 * np.pi * rng.uniform(5, 18) * t + rng.uniform(0, 6)) * np.hanning(n)
    return x


def add_bounce(rng: np.random.Generator, x: FloatArray, rate_hz: int, share: float) -> FloatArray:
    """Half a second of throwing oneself into the strap."""
    n = round(0.5 * rate_hz)
    at = rng.integers(round((START_S + 1.2) * rate_hz), len(x) - 2 * n)
    x = x.copy()
    x[at : at + n] *= 1 + share * np.sin(np.pi * np.arange(n) / n)
    return x


def judge(board: Board, values: FloatArray, rails: tuple[float, float] | None = None) -> Attempt:
    """One attempt as the session judges it: levels and flags of the live stream, samples of the same frames.

    ``rails``: what the person says of the board's ends, right or wrong.
    """
    counts, channel = board.convert(values), board.channel
    if rails is not None:
        channel = replace(channel, rail_low_counts=rails[0], rail_high_counts=rails[1])
    stream = LevelStream([channel], board.rate_hz)
    levels = stream.push(Chunk(0, counts[:, None]))
    first = round(LEAD_S * stream.level_rate_hz)
    samples = Samples(counts[: levels.n_levels * stream.hop], board.rate_hz, stream.hop, stream.mains_hz)
    return judge_attempt(
        levels.values[first:, 0], levels.flags[first:, 0], stream.level_rate_hz, channel=channel, samples=samples
    )


def measure_truth(board: Board, values: FloatArray) -> float:
    """Best half second of the same effort on a board without end, steps or faults."""
    wide = replace(board, codes_per_unit=1000.0, zero=0.0, first=-1e12, last=1e12, declared=False)
    value = judge(wide, values).value
    assert value is not None
    return value
