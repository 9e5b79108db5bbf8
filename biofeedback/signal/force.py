"""Force, position and ready-made envelopes: a causal low-pass and a short mean, with a delay that is known."""

from __future__ import annotations

import numpy as np

from biofeedback.model import FloatArray
from biofeedback.signal.cascade import Cascade, group_delay_s, settling_frames
from biofeedback.signal.design import butterworth

FORCE_EDGE_HZ = 15.0  # upper end of 10-15 Hz, common practice: takes least from the scatter and is prompt
ENVELOPE_EDGE_HZ = 6.0  # linear envelope of muscle activity; common practice, no source
MEAN_S = 0.02
MEDIAN_S = 0.05  # five hops: an outlier of up to two does not show
HIGHEST_EDGE = 0.45  # of the sample rate; a filter nearer to half the rate does nothing but add trouble


def low_pass(edge_hz: float, rate_hz: float) -> FloatArray:
    """Butterworth sections of order 2, half power at ``edge_hz``."""
    return butterworth(2, edge_hz, rate_hz)


class SmoothFilter:
    """Butterworth low-pass of order 2, then the mean of the last aligned hops that make up about 20 ms.

    A board too slow for the edge (``edge_hz > 0.45 * rate_hz``: below 34 frames/s for force) is passed through:
    it has nothing above the edge to remove. ``edge_hz=None`` filters nothing and takes the median of 50 ms
    (position: steps survive, single outliers do not).
    """

    counts_held = True

    def __init__(self, n_channels: int, rate_hz: float, hop: int, *, edge_hz: float | None) -> None:
        self._is_median, self._hop = edge_hz is None, hop
        self.blank = np.nan if self._is_median else 0.0
        self.n_window = max(1, round((MEDIAN_S if self._is_median else MEAN_S) * rate_hz / hop))
        self._cascade: Cascade | None = None
        delay_s, settling = 0.0, 0
        if edge_hz is not None and edge_hz <= HIGHEST_EDGE * rate_hz:
            sections = low_pass(edge_hz, rate_hz)
            self._cascade = Cascade(sections, n_channels)
            delay_s, settling = group_delay_s(sections, 0.0, rate_hz), settling_frames(sections, rate_hz)
        self.delay_s = delay_s + (self.n_window * hop + 1) / 2 / rate_hz
        self.n_settling = -(-settling // hop) + self.n_window - 1

    @property
    def needs_windows(self) -> bool:
        """A median does."""
        return self._is_median

    def start(self, first: FloatArray) -> None:
        """Start again at ``first`` (n_channels,)."""
        if self._cascade is not None:
            self._cascade.start(first)

    def run(self, x: FloatArray, *, is_held: bool) -> FloatArray:
        """Next frames ``(n_channels, n_frames)`` to the quantity whose hop means are averaged."""
        return x if self._cascade is None else self._cascade.run(x)

    def finish(self, sums: FloatArray, n_frames: FloatArray | int) -> FloatArray:
        """Sums per hop, ``(n_channels, n_levels, n_window)``, and frames in each window to the mean or median."""
        return (
            _median(sums / self._hop) if self._is_median else self.finish_total(np.add.reduce(sums, axis=-1), n_frames)
        )

    def finish_total(self, total: FloatArray, n_frames: FloatArray | int) -> FloatArray:
        """The mean from the sum of each window, ``(n_channels, n_levels)``."""
        return total / n_frames


def _median(x: FloatArray) -> FloatArray:
    """Median over the last axis leaving out NaN; NaN where nothing is left (numpy's own warns and is slow)."""
    ordered = np.sort(x, axis=-1)  # NaN go last
    n = np.isfinite(x).sum(axis=-1, keepdims=True)
    middle = np.concatenate((np.maximum(n - 1, 0) // 2, np.minimum(n // 2, x.shape[-1] - 1)), axis=-1)
    low, high = np.moveaxis(np.take_along_axis(ordered, middle, axis=-1), -1, 0)
    return np.asarray((low + high) / 2, dtype=np.float64)
