"""What is wrong with a signal: checks on aligned stretches of about a second, and the words for every flag."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Flag, FlagArray, FloatArray

MAINS_HZ = (50.0, 60.0)
MAINS_HALF_WIDTH_HZ = 1.6  # boards that call themselves 1 kHz are often a few parts in a hundred off
HUM_FOUND = 0.10  # share of the power at which the notch comes on; a flat 20-450 Hz spectrum has below 0.01 there
HUM_MOST = 0.50
HUM_PROMINENCE = 8.0  # times the median of the neighbouring bins: a line, not a broad hump of muscle activity
LOOSE_BELOW_HZ, LOOSE_SHARE = 20.0, 0.50  # good electrodes keep most of their power above; common practice, no source

_WORDS: dict[Flag, tuple[str, str]] = {
    Flag.MISSING: ("no data from {name}", "check the cable, the battery and the distance to the sensor"),
    Flag.BRIDGED: ("a few readings of {name} are missing and were bridged", "nothing to do unless it keeps happening"),
    Flag.SETTLING: ("the filter of {name} is settling", "wait a moment"),
    Flag.CLIPPED: ("{name} is at the end of its range", "lower the gain or unload the sensor, then zero again"),
    Flag.FLAT: ("{name} has not changed for a second", "check that the sensor is plugged in and powered"),
    Flag.HUM: (
        "mains hum carries most of {name}",
        "run the computer from its battery, move away from mains leads, press the electrodes on",
    ),
    Flag.ELECTRODE: (
        "most of {name} lies below 20 Hz: an electrode is loose or dry",
        "press it on or replace it; then find a new maximum",
    ),
    Flag.SPIKE: ("{name} jumped as no muscle does", "check the strap and the cable; the jump is not counted as effort"),
    Flag.DRIFT: ("the zero of {name} has moved", "unload the sensor and zero it again"),
}


def explain(flag: Flag, channel: Channel) -> tuple[str, str]:
    """What one flag means for this channel, and what the user can do about it."""
    what, cure = _WORDS[flag]
    return what.format(name=channel.name), cure


class EmgCheck:
    """Hum and loose electrodes of raw EMG channels, judged on whole aligned stretches of ``n_frames`` frames.

    A verdict holds for the stretch after the one it was made on, because a level is never changed once it is out.
    A stretch with missing frames is not judged.

    Attributes
    ----------
    verdict : (n_channels,) flags for the levels of the present stretch.
    mains_hz : 50 or 60 once a mains line was found in two stretches running, else None; it does not go back.
    """

    def __init__(self, n_channels: int, rate_hz: float, n_frames: int) -> None:
        self._store: FloatArray = np.zeros((2, n_channels, n_frames))
        self._n_filled, self._is_whole = 0, True
        self._window: FloatArray = np.asarray(np.hanning(n_frames + 1)[:-1], dtype=np.float64)
        self._frequency_hz: FloatArray = np.arange(n_frames // 2 + 1, dtype=np.float64) * (rate_hz / n_frames)
        self._suspect_hz: float | None = None
        self.mains_hz: float | None = None
        self.verdict: FlagArray = np.zeros(n_channels, dtype=np.uint16)

    def push(self, raw: FloatArray | None, filtered: FloatArray, n_frames: int, *, is_present: bool) -> None:
        """Next frames of one stretch, ``(n_channels, n_frames)``: before and after the filters."""
        if is_present and raw is not None:
            self._store[0, :, self._n_filled : self._n_filled + n_frames] = raw
            self._store[1, :, self._n_filled : self._n_filled + n_frames] = filtered
        self._is_whole &= is_present
        self._n_filled += n_frames
        if self._n_filled == self._store.shape[-1]:
            self.verdict = self._judge() if self._is_whole else np.zeros_like(self.verdict)
            self._n_filled, self._is_whole = 0, True

    def _judge(self) -> FlagArray:
        centred = self._store - self._store.mean(axis=-1, keepdims=True)
        raw, filtered = np.abs(np.fft.rfft(centred * self._window)) ** 2
        loose = self._share(raw, self._frequency_hz < LOOSE_BELOW_HZ) > LOOSE_SHARE
        share, line_hz = max(((self._line_share(filtered, f), f) for f in MAINS_HZ), key=lambda pair: pair[0].max())
        found_hz = line_hz if share.max() > HUM_FOUND else None
        if self.mains_hz is None and found_hz is not None and found_hz == self._suspect_hz:
            self.mains_hz = found_hz
        self._suspect_hz = found_hz
        verdict = np.where(loose, Flag.ELECTRODE, Flag.GOOD) | np.where(share > HUM_MOST, Flag.HUM, Flag.GOOD)
        return np.asarray(verdict, dtype=np.uint16)

    def _share(self, power: FloatArray, chosen: NDArray[np.bool_]) -> FloatArray:
        """Share of the chosen bins in the power, without the two lowest bins (the mean and its leakage)."""
        total = power[:, 2:].sum(axis=-1)
        return np.asarray(power[:, 2:][:, chosen[2:]].sum(axis=-1) / np.where(total > 0, total, 1.0), dtype=np.float64)

    def _line_share(self, power: FloatArray, mains_hz: float) -> FloatArray:
        """Share of the power in the mains line; 0 where it does not stand out from its neighbours."""
        distance_hz = np.abs(self._frequency_hz - mains_hz)
        line = distance_hz <= MAINS_HALF_WIDTH_HZ
        around = (distance_hz > 3) & (distance_hz < 12)
        prominent = power[:, line].max(axis=-1) > HUM_PROMINENCE * np.median(power[:, around], axis=-1)
        return np.asarray(np.where(prominent, self._share(power, line), 0.0), dtype=np.float64)
