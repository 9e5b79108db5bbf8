"""Seeded noises that a simulated athlete's signals are made of. Each keeps its state, so slices join seamlessly."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from biofeedback.model import FloatArray

N_TAPS = 128


@lru_cache(maxsize=256)
def design_emg_kernel(rate_hz: float, scale: float) -> FloatArray:
    """Taps that turn white noise into noise with the spectrum of surface EMG and the same variance.

    Magnitude ``f fh^2 / (sqrt(f^2 + fl^2) (f^2 + fh^2))`` with fl 60 and fh 120 Hz times ``scale`` (shape of Stulen &
    De Luca 1981, from memory); ``scale`` below 1 is a tired muscle.
    """
    frequency_hz = np.fft.rfftfreq(N_TAPS, 1 / rate_hz)
    low, high = 60.0 * scale, 120.0 * scale
    size = frequency_hz * high**2 / (np.sqrt(frequency_hz**2 + low**2) * (frequency_hz**2 + high**2))
    window = np.hanning(N_TAPS)
    taps = np.roll(np.fft.irfft(size, N_TAPS), N_TAPS // 2) * window
    taps -= window * (taps.sum() / window.sum())  # the window lets some of 0 Hz in; muscle has none
    return np.asarray(taps / math.sqrt(float(np.sum(taps**2))))


class EmgNoise:
    """Unit-variance noise with the spectrum of surface EMG."""

    def __init__(self, rng: np.random.Generator, rate_hz: float) -> None:
        self._rng, self._rate_hz = rng, rate_hz
        self._white = rng.standard_normal(N_TAPS - 1)

    def draw(self, n: int, scale: float) -> FloatArray:
        """The next ``n`` samples, shape ``(n,)``; ``scale`` moves all frequencies (1 = fresh)."""
        white = np.concatenate((self._white, self._rng.standard_normal(n)))
        self._white = white[n:]
        return np.convolve(white, design_emg_kernel(self._rate_hz, round(scale, 2)), mode="valid")


class Wobble:
    """Unit-variance random oscillation: AR(2) with a resonance, drawn value by value on a slow grid."""

    def __init__(self, rng: np.random.Generator, rate_hz: float, centre_hz: float, width_hz: float) -> None:
        self._rng = rng
        radius = math.exp(-math.pi * width_hz / rate_hz)
        self._a1 = 2 * radius * math.cos(2 * math.pi * centre_hz / rate_hz)
        self._a2 = -(radius**2)
        a1, a2 = self._a1, self._a2
        variance = (1 - a2) / ((1 + a2) * ((1 - a2) ** 2 - a1**2))
        self._gain = 1 / math.sqrt(variance)
        self._last, self._before = 0.0, 0.0

    def draw(self, n: int) -> list[float]:
        """The next ``n`` values."""
        a1, a2, gain, last, before = self._a1, self._a2, self._gain, self._last, self._before
        values = []
        for white in self._rng.standard_normal(n).tolist():
            last, before = a1 * last + a2 * before + gain * white, last
            values.append(last)
        self._last, self._before = last, before
        return values
