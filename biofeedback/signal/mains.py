"""Mains hum in a spectrum: where its fundamental lies, to a tenth of a hertz, and how much of the power it is.

The mains itself is within 0.2 Hz of 50 or 60 Hz nearly always; the clocks of boards are not, so a line counts wherever
a board that calls itself 1 kHz and is a few parts in a hundred off would show it. A full-wave rectifier hums at twice
the mains, a loaded one at four times: a line is taken for the harmonic that fits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray

FUNDAMENTAL_HZ = (48.5, 61.5)
N_HARMONICS = 6
HALF_WIDTH = 1.6  # bins that a line fills on either side, through a Hann window
PROMINENCE = 25.0  # times the median of the bins around: a line. Steady contractions reach 25 for a second at most
LEAST_LINE = 0.03  # of the power: what is weaker is not worth a second look


def find_hum(frequency_hz: FloatArray, power: FloatArray, rate_hz: float) -> tuple[float | None, float]:
    """Fundamental in Hz and the share of the power in its lines; ``(None, 0.0)`` without hum.

    Parameters
    ----------
    frequency_hz, power : (n_bins,) of one Hann-windowed stretch, about 1 Hz apart, in rising order.
    rate_hz : frames per second; lines are looked for up to 0.45 of it.
    """
    total = float(power.sum())
    if not total > 0 or len(power) < 70:
        return None, 0.0
    step_hz = float(frequency_hz[1])
    first, last = _find_span(frequency_hz, len(power), rate_hz)
    middle = first + int(power[first:last].argmax())
    within = slice(max(0, middle - 1), middle + 2)
    if power[within].sum() < LEAST_LINE * total or not _is_line(power[None], np.array([middle]), step_hz)[0]:
        return None, 0.0
    line_hz = locate_line(power, middle) * step_hz
    candidates = [line_hz / n for n in range(1, N_HARMONICS + 1)]
    fitting = [f for f in candidates if FUNDAMENTAL_HZ[0] <= f <= FUNDAMENTAL_HZ[1]]
    if not fitting:
        return None, 0.0
    shares = [_comb_share(frequency_hz, power, f, total) for f in fitting]
    best = int(np.argmax(shares))
    return fitting[best], shares[best]


def may_hum(frequency_hz: FloatArray, power: FloatArray, rate_hz: float) -> NDArray[np.bool_]:
    """Which spectra ``(n, n_bins)`` have a line, so that they are worth `find_hum`: a look at all of them at once."""
    first, last = _find_span(frequency_hz, power.shape[-1], rate_hz)
    if last <= first:
        return np.zeros(len(power), dtype=np.bool_)
    middle = first + power[:, first:last].argmax(axis=-1)
    rows = np.arange(len(power))
    line = power[rows, middle - 1] + power[rows, middle] + power[rows, middle + 1]
    strong = np.flatnonzero(line >= LEAST_LINE * power.sum(axis=-1))
    worth = np.zeros(len(power), dtype=np.bool_)
    worth[strong] = _is_line(power[strong], middle[strong], float(frequency_hz[1]))
    return worth


def _find_span(frequency_hz: FloatArray, n_bins: int, rate_hz: float) -> tuple[int, int]:
    """The bins in which the strongest line may lie."""
    step_hz = float(frequency_hz[1])
    top_hz = min(FUNDAMENTAL_HZ[1] * N_HARMONICS, 0.45 * rate_hz)
    return int(FUNDAMENTAL_HZ[0] / step_hz), min(int(top_hz / step_hz), n_bins - 2)


def locate_line(power: FloatArray, middle: int) -> float:
    """Bin, with its fraction, of a steady line whose strongest bin is ``middle``, seen through a Hann window.

    The ratio of the two strongest bins' amplitudes tells the fraction exactly: ``(2 r - 1) / (r + 1)``.
    """
    left, right = float(power[middle - 1]), float(power[middle + 1])
    side = 1 if right > left else -1
    ratio = float(np.sqrt(max(left, right) / power[middle]))
    return middle + side * max(0.0, (2 * ratio - 1) / (ratio + 1))


def _is_line(power: FloatArray, middle: NDArray[np.intp], step_hz: float) -> NDArray[np.bool_]:
    """Whether the strongest bin ``middle`` (n,) of each spectrum ``(n, n_bins)`` stands out from those around it."""
    if not len(power):
        return np.zeros(0, dtype=np.bool_)
    near, far = max(2, round(3 / step_hz)), max(6, round(12 / step_hz))
    beside = np.concatenate((np.arange(-far, -near), np.arange(near + 1, far)))
    rows = np.arange(len(power))
    around = power[rows[:, None], (middle[:, None] + beside).clip(0, power.shape[1] - 1)]
    around.sort(axis=1)
    median = (around[:, (len(beside) - 1) // 2] + around[:, len(beside) // 2]) / 2  # numpy's own imports 30 ms of more
    return np.asarray(power[rows, middle] > PROMINENCE * median, dtype=np.bool_)


def find_lines(frequency_hz: FloatArray, fundamental_hz: float) -> NDArray[np.bool_]:
    """Which bins (n_bins,) belong to the lines at all multiples of the fundamental."""
    order = np.maximum(1.0, np.round(frequency_hz / fundamental_hz))
    return np.asarray(np.abs(frequency_hz - order * fundamental_hz) <= HALF_WIDTH * frequency_hz[1], dtype=np.bool_)


def _comb_share(frequency_hz: FloatArray, power: FloatArray, fundamental_hz: float, total: float) -> float:
    """Share of the power within the lines at all multiples."""
    return float(power[find_lines(frequency_hz, fundamental_hz)].sum()) / total
