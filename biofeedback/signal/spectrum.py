"""Median frequency of raw EMG, epoch by epoch; only afterwards and only where the sample rate allows it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from biofeedback.errors import AnalysisError
from biofeedback.model import FloatArray
from biofeedback.signal.emg import GOOD_RATE_HZ, HIGH_EDGE_HZ, HIGHEST_EDGE, LOW_EDGE_HZ
from biofeedback.signal.mains import find_hum, find_lines


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumTrack:
    """Middle of each epoch in seconds and its median frequency in Hz, both ``(n_epochs,)``; NaN where not known.

    ``hum_share`` is what mains hum at ``mains_hz`` held of all power before it was taken out; None without hum.
    """

    time_s: FloatArray
    median_hz: FloatArray
    mains_hz: float | None = None
    hum_share: float = 0.0


def find_median_frequency(frequency_hz: FloatArray, power: FloatArray) -> float | None:
    """Frequency that halves the power: sum below = sum above, straight line within a bin. None without power.

    ``power`` is the density at ``frequency_hz`` (rising, any spacing), integrated by trapezoids.
    """
    return find_median_frequencies(frequency_hz, power[None])[0]


def find_median_frequencies(frequency_hz: FloatArray, power: FloatArray) -> list[float | None]:
    """`find_median_frequency` of each row of ``power`` ``(n, n_bins)``."""
    total = np.zeros(power.shape)
    np.cumsum(np.diff(frequency_hz) * (power[:, 1:] + power[:, :-1]), axis=1, out=total[:, 1:])
    # twice the integral, as its half is
    return [float(np.interp(one[-1] / 2, one, frequency_hz)) if one[-1] > 0 else None for one in total]


def track_median_frequency(counts: FloatArray, rate_hz: float, *, epoch_s: float = 1.0) -> SpectrumTrack:
    """Median frequency between 20 and 450 Hz in back-to-back epochs of one raw EMG channel, without mains hum.

    Hum is looked for in the mean of all epochs; in its bins stands what their neighbours hold, so that the muscle
    loses nothing there.

    Parameters
    ----------
    counts : (n_frames,) raw EMG, any unit; epochs with a NaN are not known.
    rate_hz : at least 1000; below it part of the spectrum is folded or lost.
    epoch_s : 0.5 to 1; shorter ones scatter more, in longer ones a contraction is not steady.

    Raises
    ------
    AnalysisError
        The sample rate is below 1000 Hz.
    """
    if rate_hz < GOOD_RATE_HZ:
        raise AnalysisError(
            f"sampled at {rate_hz:g} Hz; a spectrum needs {GOOD_RATE_HZ:g} Hz", "use the amplitude, or a faster board"
        )
    if not 0.5 <= epoch_s <= 1.0:
        raise ValueError(f"epoch of {epoch_s} s: must be 0.5 to 1")
    n = round(epoch_s * rate_hz)
    epochs = counts[: counts.size // n * n].reshape(-1, n)
    frequency_hz = np.asarray(np.fft.rfftfreq(n, 1 / rate_hz), dtype=np.float64)
    inside = (frequency_hz >= LOW_EDGE_HZ) & (frequency_hz <= min(HIGH_EDGE_HZ, HIGHEST_EDGE * rate_hz))
    centred = epochs - epochs.mean(axis=1, keepdims=True)
    power = np.asarray(np.abs(np.fft.rfft(centred * np.hanning(n + 1)[:-1], axis=1)) ** 2, dtype=np.float64)
    power, mains_hz, hum_share = _take_hum_out(frequency_hz, power, rate_hz)
    medians = find_median_frequencies(frequency_hz[inside], power[:, inside])
    middle_s = np.asarray((np.arange(len(epochs)) + 0.5) * n / rate_hz, dtype=np.float64)
    return SpectrumTrack(middle_s, np.array([np.nan if m is None else m for m in medians]), mains_hz, hum_share)


def _take_hum_out(
    frequency_hz: FloatArray, power: FloatArray, rate_hz: float
) -> tuple[FloatArray, float | None, float]:
    """Epochs' power ``(n_epochs, n_bins)`` without hum lines, the mains frequency and the share that it held."""
    known = power[np.isfinite(power).all(axis=1)]
    if not len(known):
        return power, None, 0.0
    low = frequency_hz >= LOW_EDGE_HZ  # an electrode's drift says nothing about hum
    mains_hz, share = find_hum(frequency_hz, known.mean(axis=0) * low, rate_hz)
    if mains_hz is None:
        return power, None, 0.0
    lines = find_lines(frequency_hz, mains_hz)
    cleaned = power.copy()
    for row in cleaned:
        row[lines] = np.interp(frequency_hz[lines], frequency_hz[~lines], row[~lines])
    return cleaned, mains_hz, share
