"""Raw muscle activity to RMS: band-pass, mains notch when hum is there, root of the mean square over 250 ms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from biofeedback.errors import SourceError
from biofeedback.model import FlagArray, FloatArray
from biofeedback.signal.cascade import Cascade, group_delay_s, settling_frames
from biofeedback.signal.design import butterworth, notch
from biofeedback.signal.mains import HumSearch
from biofeedback.signal.quality import EmgCheck
from biofeedback.signal.whiten import WhiteningBank, WhiteningFilter

LOW_EDGE_HZ, HIGH_EDGE_HZ = 20.0, 450.0
HIGHEST_EDGE = 0.45  # of the sample rate
RMS_S = 0.25  # random error 1/(2 sqrt(B T)): 9 % at the 120 Hz that real muscles have, 5 % when whitened to 400 Hz
LOWEST_RATE_HZ, GOOD_RATE_HZ = 400.0, 1000.0
NOTCH_SETTLING_S = 0.75  # ln(100) / (pi * 2 Hz): until 1 % of the hum is left
NOTCH_WIDTH_HZ = 2.0  # at every harmonic; the whole comb takes some 3 % of the amplitude of muscle activity


def check_rate(rate_hz: float, names: Sequence[str]) -> tuple[str, ...]:
    """Warnings about the rate of raw EMG channels.

    Raises
    ------
    SourceError
        Below 400 Hz: most of the signal would fold back.
    """
    if rate_hz < LOWEST_RATE_HZ:
        raise SourceError(
            f"sampled at {rate_hz:g} Hz; raw EMG needs {GOOD_RATE_HZ:g} Hz", "use the board's envelope output"
        )
    if rate_hz < GOOD_RATE_HZ:
        return (
            f"{', '.join(names)}: sampled at {rate_hz:g} Hz; below {GOOD_RATE_HZ:g} Hz the amplitude is usable, "
            "the spectrum is not",
        )
    return ()


def band_pass(rate_hz: float) -> FloatArray:
    """Butterworth sections, 20-450 Hz (upper edge at most 0.45 of the rate), 24 dB per octave on both sides."""
    return butterworth(4, (LOW_EDGE_HZ, min(HIGH_EDGE_HZ, HIGHEST_EDGE * rate_hz)), rate_hz)


def mains_notch(mains_hz: float, rate_hz: float) -> FloatArray:
    """One section per harmonic inside the pass band, each 2 Hz wide between its -3 dB points."""
    top_hz = min(HIGH_EDGE_HZ, HIGHEST_EDGE * rate_hz)
    harmonics = np.arange(mains_hz, top_hz + 1e-9, mains_hz)
    return np.asarray([notch(f, NOTCH_WIDTH_HZ, rate_hz) for f in harmonics])


def find_wandering_percent(bandwidth_hz: float) -> float:
    """Random error of a level, in % of its value, at a statistical bandwidth in Hz: 1 / (2 sqrt(B T))."""
    return 100 / (2 * float(np.sqrt(bandwidth_hz * RMS_S)))


class RmsFilter:
    """Band-pass and square, frame by frame; the root of the mean comes from hop sums.

    The mains notch stays on once it is on: one that came and went would change the scale between a maximum and
    the effort held against it.

    Attributes
    ----------
    verdicts : (n_stretches, n_channels) flags for the stretches of ``n_stretch`` frames that were run last.
    mains_hz : what the notch takes out from the next stretch on, None while it is off.
    """

    counts_held = False
    blank = 0.0

    def __init__(
        self,
        n_channels: int,
        rate_hz: float,
        hop: int,
        n_stretch: int,
        *,
        mains_hz: float | Literal["auto"] | None,
        hum_search: HumSearch | None,
    ) -> None:
        self._rate_hz, self._hop = rate_hz, hop
        sections = band_pass(rate_hz)
        middle_hz = float(np.sqrt(LOW_EDGE_HZ * min(HIGH_EDGE_HZ, HIGHEST_EDGE * rate_hz)))
        self.n_window = max(1, round(RMS_S * rate_hz / hop))
        self.n_settling = -(-settling_frames(sections, rate_hz) // hop) + self.n_window - 1
        self.delay_s = group_delay_s(sections, middle_hz, rate_hz) + (self.n_window * hop + 1) / 2 / rate_hz
        self._cascade = Cascade(sections, n_channels)
        self._notch_hz: float | None = None  # where the notch is, None while it is off
        self._n_band = len(sections)
        self._whitening: WhiteningBank | None = None  # until a channel is whitened
        self._n_channels = n_channels
        self._check = EmgCheck(n_channels, rate_hz, n_stretch, seeks_mains=mains_hz == "auto", hum_search=hum_search)
        self._check.mains_hz = None if mains_hz == "auto" else mains_hz

    @property
    def mains_hz(self) -> float | None:
        """As said or found."""
        return self._check.mains_hz

    @property
    def verdicts(self) -> FlagArray:
        """HUM and ELECTRODE, from the stretch before; SETTLING in the stretch that begins with the notch."""
        return self._check.verdicts

    def _switch_notch_on(self, mains_hz: float) -> None:
        self._notch_hz = mains_hz
        self._cascade.cut(self._n_band)  # a notch that sat beside the line makes way
        self._cascade.append(mains_notch(mains_hz, self._rate_hz))
        self.n_settling = max(self.n_settling, round(NOTCH_SETTLING_S * self._rate_hz / self._hop))

    def whiten(self, channel: int, one: WhiteningFilter) -> None:
        """From the next frame on the squares of ``channel`` are those of its samples so filtered."""
        self._whitening = self._whitening or WhiteningBank(self._n_channels, self._rate_hz, self._hop)
        self._whitening.set_filter(channel, one)

    @property
    def needs_windows(self) -> bool:
        """While a channel is whitened: the newest hops tell where a contraction ended."""
        return self._whitening is not None

    def start(self, first: FloatArray) -> None:
        """Start again at ``first`` (n_channels,)."""
        self._cascade.start(first)
        if self._whitening is not None:
            self._whitening.start()

    def miss(self, n_frames: int) -> None:
        """Frames that never came; the stretch is not judged."""
        self._check.miss(n_frames)

    def run(self, x: FloatArray, *, is_held: bool) -> FloatArray:
        """Next frames ``(n_channels, n_frames)`` to squares; held ones are filtered but count nothing.

        Squares end with the stretch in which hum is found: what comes after it is to be run again, with the notch.
        """
        if self.mains_hz is not None and self.mains_hz != self._notch_hz:
            self._switch_notch_on(self.mains_hz)
        before = self._cascade.state
        y = self._cascade.run(x)
        n_judged = self._check.push(x, y, is_held=is_held)
        if n_judged < x.shape[1]:
            self._cascade.state = before
            y = self._cascade.run(x[:, :n_judged])
        squares = np.multiply(y, y, out=y) if self._whitening is None else self._whitening.run(y)
        return np.zeros(y.shape) if is_held else squares

    def finish(self, sums: FloatArray, n_frames: FloatArray | int) -> FloatArray:
        """Sums per hop, ``(n_channels, n_levels, n_window)``, and frames in each window to RMS."""
        total = np.add.reduce(sums, axis=-1)
        if self._whitening is None:
            return self.finish_total(total, n_frames)
        power = self._whitening.cut_release(total / n_frames, sums, n_frames)
        return np.sqrt(np.where(power < 0, 0.0, power))  # what was taken off for the rest may be more than there is

    def finish_total(self, total: FloatArray, n_frames: FloatArray | int) -> FloatArray:
        """The RMS from the sum of each window, ``(n_channels, n_levels)``."""
        return np.sqrt(total / n_frames)
