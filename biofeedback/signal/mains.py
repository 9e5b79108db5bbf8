"""Mains hum in a spectrum: where its fundamental lies, to a tenth of a hertz, and how much of the power it is.

The mains itself is within 0.2 Hz of 50 or 60 Hz nearly always; the clocks of boards are not, so a line counts wherever
a board that calls itself 1 kHz and is a few parts in a hundred off would show it. A full-wave rectifier hums at twice
the mains, a loaded one at four times: a line is taken for the harmonic that fits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray

FUNDAMENTAL_HZ = (48.5, 61.5)
N_HARMONICS = 6
HALF_WIDTH = 1.6  # bins that a line fills on either side, through a Hann window
PROMINENCE = 25.0  # times the median of the bins around: a line. Steady contractions reach 25 for a second at most
LEAST_LINE = 0.03  # of the power: what is weaker is not worth a second look
AROUND_HZ = 12.0  # on either side, with which a line is compared
SAME_HZ = 0.5  # two looks that tell the same line


@dataclass(frozen=True, slots=True)
class HumSearch:
    """How hum too weak for a single second is looked for: in the mean spectrum of ``n_together`` seconds.

    A line stands out from the bins around it ``prominence`` times: a mean wavers less than a single spectrum. Each
    second counts alike, however strong: one contraction among seconds of rest would be a single spectrum again.
    It is kept with a recording, because the notch that it switches on changes levels.
    """

    n_together: int = 8
    prominence: float = 5.0

    def to_dict(self) -> dict[str, float]:
        """As it stands among a recording's settings, under ``hum_search``."""
        return asdict(self)


WEAK = HumSearch()  # of today's sessions


def read_search(settings: Mapping[str, object]) -> HumSearch | None:
    """The search that a recording was made with; None in recordings from before, which went by single seconds."""
    said = settings.get("hum_search")
    if not isinstance(said, Mapping):
        return None
    n_together, prominence = said.get("n_together"), said.get("prominence")
    if type(n_together) is not int or not 2 <= n_together <= 60:
        return None
    if not isinstance(prominence, int | float) or not 1 <= prominence <= 1000:
        return None
    return HumSearch(n_together, float(prominence))


class WeakHum:
    """Looks for hum in the means of the last few stretches' spectra, until the same line shows in two running."""

    def __init__(self, search: HumSearch, n_channels: int, frequency_hz: FloatArray, rate_hz: float) -> None:
        top_hz = FUNDAMENTAL_HZ[1] * N_HARMONICS + AROUND_HZ
        self._search, self._rate_hz = search, rate_hz
        self._frequency_hz = frequency_hz[: int(np.searchsorted(frequency_hz, top_hz))]
        self._shares: FloatArray = np.zeros((search.n_together, n_channels, self._frequency_hz.size))  # of late
        self.forget()

    def forget(self) -> None:
        """A stretch could not be judged: begin anew."""
        self._n_seen = 0
        self._suspect_hz: float | None = None

    def find(self, power: FloatArray, total: FloatArray) -> tuple[int, float] | None:
        """Which of the next stretches tells hum, and at how many Hz.

        Their power is ``(n, n_channels, n_bins)``, ``total`` its sum over the bins.
        """
        prominence, n_before, n = self._search.prominence, self._search.n_together - 1, len(power)
        if len(self._shares) < n_before + n:
            self._shares = np.concatenate((self._shares[:n_before], np.zeros((n, *self._shares.shape[1:]))))
        shares = self._shares[: n_before + n]
        whole = np.where(total > 0, total, 1.0)[..., None]
        np.divide(power[..., : self._frequency_hz.size], whole, out=shares[n_before:])
        together = shares[:n].copy()
        for k in range(1, n_before + 1):
            together += shares[k : k + n]
        shares[:n_before] = shares[n:]
        n_unknown = min(n, max(0, n_before - self._n_seen))
        self._n_seen += n
        together, n = together[n_unknown:], n - n_unknown
        if not n:
            return None
        flat = together.reshape(-1, together.shape[-1])
        worth = may_hum(self._frequency_hz, flat, self._rate_hz, prominence).reshape(n, -1)
        is_worth = [bool(tells.any()) for tells in worth]
        for k in range(n):
            if not is_worth[k]:  # as nearly all
                self._suspect_hz = None
                continue
            hums = [
                find_hum(self._frequency_hz, together[k, c], self._rate_hz, prominence)
                for c in np.flatnonzero(worth[k])
            ]
            found_hz, _ = max(hums, key=lambda hum: hum[1], default=(None, 0.0))
            suspect_hz, self._suspect_hz = self._suspect_hz, found_hz
            if found_hz is not None and suspect_hz is not None and abs(found_hz - suspect_hz) <= SAME_HZ:
                return len(power) - n + k, round((found_hz + suspect_hz) / 2, 1)
        return None


def find_hum(
    frequency_hz: FloatArray, power: FloatArray, rate_hz: float, prominence: float = PROMINENCE
) -> tuple[float | None, float]:
    """Fundamental in Hz and the share of the power in its lines; ``(None, 0.0)`` without hum.

    Parameters
    ----------
    frequency_hz, power : (n_bins,) of one Hann-windowed stretch, about 1 Hz apart, in rising order.
    rate_hz : frames per second; lines are looked for up to 0.45 of it.
    prominence : how many times the median of the bins around a line is.
    """
    total = float(power.sum())
    if not total > 0 or len(power) < 70:
        return None, 0.0
    step_hz = float(frequency_hz[1])
    first, last = _find_span(frequency_hz, len(power), rate_hz)
    middle = first + int(power[first:last].argmax())
    within = slice(max(0, middle - 1), middle + 2)
    if (
        power[within].sum() < LEAST_LINE * total
        or not _is_line(power[None], np.array([middle]), step_hz, prominence).item()
    ):
        return None, 0.0
    line_hz = locate_line(power, middle) * step_hz
    candidates = [line_hz / n for n in range(1, N_HARMONICS + 1)]
    fitting = [f for f in candidates if FUNDAMENTAL_HZ[0] <= f <= FUNDAMENTAL_HZ[1]]
    if not fitting:
        return None, 0.0
    shares = [_comb_share(frequency_hz, power, f, total) for f in fitting]
    best = int(np.argmax(shares))
    return fitting[best], shares[best]


def may_hum(
    frequency_hz: FloatArray, power: FloatArray, rate_hz: float, prominence: float = PROMINENCE
) -> NDArray[np.bool_]:
    """Which spectra ``(n, n_bins)`` have a line, so that they are worth `find_hum`: a look at all of them at once."""
    first, last = _find_span(frequency_hz, power.shape[-1], rate_hz)
    if last <= first:
        return np.zeros(len(power), dtype=np.bool_)
    middle = first + power[:, first:last].argmax(axis=-1)
    rows = np.arange(len(power))
    line = power[rows, middle - 1] + power[rows, middle] + power[rows, middle + 1]
    strong = np.flatnonzero(line >= LEAST_LINE * power.sum(axis=-1))
    worth = np.zeros(len(power), dtype=np.bool_)
    worth[strong] = _is_line(power[strong], middle[strong], float(frequency_hz[1]), prominence)
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


def _is_line(power: FloatArray, middle: NDArray[np.intp], step_hz: float, prominence: float) -> NDArray[np.bool_]:
    """Whether the strongest bin ``middle`` (n,) of each spectrum ``(n, n_bins)`` stands out from those around it."""
    if not len(power):
        return np.zeros(0, dtype=np.bool_)
    near, far = max(2, round(3 / step_hz)), max(6, round(AROUND_HZ / step_hz))
    beside = np.concatenate((np.arange(-far, -near), np.arange(near + 1, far)))
    rows = np.arange(len(power))
    around = power[rows[:, None], (middle[:, None] + beside).clip(0, power.shape[1] - 1)]
    around.sort(axis=1)
    median = (around[:, (len(beside) - 1) // 2] + around[:, len(beside) // 2]) / 2  # numpy's own imports 30 ms of more
    return np.asarray(power[rows, middle] > prominence * median, dtype=np.bool_)


def find_lines(frequency_hz: FloatArray, fundamental_hz: float) -> NDArray[np.bool_]:
    """Which bins (n_bins,) belong to the lines at all multiples of the fundamental."""
    order = np.maximum(1.0, np.round(frequency_hz / fundamental_hz))
    return np.asarray(np.abs(frequency_hz - order * fundamental_hz) <= HALF_WIDTH * frequency_hz[1], dtype=np.bool_)


def _comb_share(frequency_hz: FloatArray, power: FloatArray, fundamental_hz: float, total: float) -> float:
    """Share of the power within the lines at all multiples."""
    return float(power[find_lines(frequency_hz, fundamental_hz)].sum()) / total
