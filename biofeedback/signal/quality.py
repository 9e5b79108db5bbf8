"""What is wrong with a signal: checks on aligned stretches of about a second, and the words for every flag."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Flag, FlagArray, FloatArray

MAINS_HZ = (50.0, 60.0)
MAINS_HALF_WIDTH_HZ = 1.6  # boards that call themselves 1 kHz are often a few parts in a hundred off
HUM_FOUND = 0.10  # share of the power at which the notch comes on; a flat 20-450 Hz spectrum has below 0.01 there
HUM_MOST = 0.50
HUM_PROMINENCE = 25.0  # times the median of the bins around: a line. Steady contractions reach 25 for a second at most
SPIKE_LEVEL_RATE_HZ = 60.0
SPIKE_REACH, SPIKE_REACH_EMG = 4, 12  # hops on either side
SPIKE_TIMES_USUAL, SPIKE_OF_WIDTH, SPIKE_OF_RANGE, SPIKE_OF_POWER = 12.0, 0.7, 0.1, 0.8
LOOSE_BELOW_HZ, LOOSE_SHARE = 20.0, 0.50  # good electrodes: a few hundredths, seldom 0.15; common practice, no source
LOOSE_STRETCHES = 4  # seconds that are judged together: a loose electrode drifts and jumps, not all the time
_SETTLING, _FLAT, _HUM, _ELECTRODE, _SPIKE = (
    np.uint16(flag) for flag in (Flag.SETTLING, Flag.FLAT, Flag.HUM, Flag.ELECTRODE, Flag.SPIKE)
)

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
    A stretch with missing frames, or more than a tenth of held ones, is not judged.

    Attributes
    ----------
    verdict : (n_channels,) flags for the levels of the present stretch; SETTLING once, when ``mains_hz`` is found.
    mains_hz : where a line near 50 or 60 Hz was found in two stretches running, if this ``seeks_mains``; it stays.
    """

    def __init__(self, n_channels: int, rate_hz: float, n_frames: int, *, seeks_mains: bool) -> None:
        self._store: FloatArray = np.zeros((2, n_channels, n_frames))
        self._n_filled, self._n_lost = 0, 0
        self._seeks_mains = seeks_mains
        self._window: FloatArray = np.asarray(np.hanning(n_frames + 1)[:-1], dtype=np.float64)
        self._frequency_hz: FloatArray = np.arange(n_frames // 2 + 1, dtype=np.float64) * (rate_hz / n_frames)
        self._suspect_hz: float | None = None
        self._recent: list[FloatArray] = []  # raw power of the last few stretches
        self.mains_hz: float | None = None
        self.verdict: FlagArray = np.zeros(n_channels, dtype=np.uint16)

    def push(self, raw: FloatArray, filtered: FloatArray, *, is_held: bool) -> None:
        """Next frames of one stretch, ``(n_channels, n_frames)``: before and after the filters."""
        n = raw.shape[1]
        at = slice(self._n_filled, self._n_filled + n)
        self._store[0, :, at], self._store[1, :, at] = raw, filtered
        self._count(n, n_lost=n if is_held else 0)

    def miss(self, n_frames: int) -> None:
        """Frames of one stretch that never came."""
        self._count(n_frames, n_lost=self._store.shape[-1])

    def _count(self, n_frames: int, *, n_lost: int) -> None:
        self._n_filled, self._n_lost = self._n_filled + n_frames, self._n_lost + n_lost
        if self._n_filled == self._store.shape[-1]:
            if self._n_lost <= 0.1 * self._n_filled:
                self.verdict = self._judge()
            else:
                self.verdict, self._recent, self._suspect_hz = np.zeros_like(self.verdict), [], None
            self._n_filled, self._n_lost = 0, 0

    def _judge(self) -> FlagArray:
        raw, filtered = self._store - self._store.mean(axis=-1, keepdims=True)
        self._recent = [*self._recent[1 - LOOSE_STRETCHES :], _power(raw)]
        loose = self._share(np.add.reduce(self._recent), self._frequency_hz < LOOSE_BELOW_HZ) > LOOSE_SHARE
        power = _power(filtered * self._window)
        share, line_hz = max(((self._line_share(power, f), f) for f in MAINS_HZ), key=lambda pair: pair[0].max())
        found_hz = line_hz if share.max() > HUM_FOUND else None
        verdict = np.asarray(loose * _ELECTRODE | (share > HUM_MOST) * _HUM, dtype=np.uint16)
        if self._seeks_mains and self.mains_hz is None and found_hz is not None and found_hz == self._suspect_hz:
            self.mains_hz = self._centre_hz(power[share.argmax()], found_hz)
            verdict |= _SETTLING
        self._suspect_hz = found_hz
        return verdict

    def _share(self, power: FloatArray, chosen: NDArray[np.bool_]) -> FloatArray:
        """Share of the chosen bins in the power, ``(n_channels,)``."""
        total = power.sum(axis=-1)
        return np.asarray(power[:, chosen].sum(axis=-1) / np.where(total > 0, total, 1.0), dtype=np.float64)

    def _centre_hz(self, power: FloatArray, mains_hz: float) -> float:
        """Where the line of one channel really lies, to 0.1 Hz: the board's clock, not the mains, may be off."""
        line = np.abs(self._frequency_hz - mains_hz) <= MAINS_HALF_WIDTH_HZ
        return round(float(np.average(self._frequency_hz[line], weights=power[line])), 1)

    def _line_share(self, power: FloatArray, mains_hz: float) -> FloatArray:
        """Share of the power in the mains line; 0 where it does not stand out from its neighbours."""
        distance_hz = np.abs(self._frequency_hz - mains_hz)
        line = distance_hz <= MAINS_HALF_WIDTH_HZ
        around = (distance_hz > 3) & (distance_hz < 12)
        prominent = power[:, line].max(axis=-1) > HUM_PROMINENCE * np.median(power[:, around], axis=-1)
        return np.asarray(np.where(prominent, self._share(power, line), 0.0), dtype=np.float64)


def _power(x: FloatArray) -> FloatArray:
    return np.asarray(np.abs(np.fft.rfft(x)) ** 2, dtype=np.float64)


class FlatCheck:
    """FLAT once a channel has not moved by one count for a second of whole hops."""

    def __init__(self, n_channels: int, n_hops: int) -> None:
        self._n_hops = n_hops
        self._still: NDArray[np.int64] = np.zeros((n_channels, 1), dtype=np.int64)  # hops without a change
        self._held: FloatArray = np.full((n_channels, 1), np.nan)

    def push(self, low: FloatArray, high: FloatArray, is_missing: NDArray[np.bool_]) -> FlagArray:
        """Smallest and largest counts of the next hops, ``(n_channels, n_hops)``, to their flags."""
        before = np.concatenate((self._held, high[:, :-1]), axis=1)
        moved = (low != high) | (low != before) | is_missing
        position = np.arange(1, high.shape[1] + 1)
        start = np.maximum.accumulate(np.where(moved, position, -self._still), axis=1)
        run = position - start
        self._still, self._held = run[:, -1:], high[:, -1:].copy()
        return np.asarray((run >= self._n_hops) * _FLAT, dtype=np.uint16)


class SpikeCheck:
    """A pulse too narrow for a muscle, judged when the hops after it have come; the hop that tells is marked.

    Force, position, envelope: half of a twitch lasts 80 ms and more, so the mean of a hop may not stand away from
    the median of the 90 ms around it by nearly their whole range, by 12 times what it did in the second before, and
    by a tenth of the range that these medians have ever covered.
    Raw EMG: three hops may not carry nearly all the power of the 250 ms around them.
    Limits are common practice, no source. Boards below 60 levels a second are too slow to tell.
    """

    def __init__(self, n_channels: int, emg: NDArray[np.intp], level_rate_hz: float) -> None:
        self._emg, self._smooth = emg, np.setdiff1d(np.arange(n_channels), emg)
        self._is_fast_enough = level_rate_hz >= SPIKE_LEVEL_RATE_HZ
        self._past: FloatArray = np.full((n_channels, 2 * SPIKE_REACH_EMG), np.nan)
        self._n_stretch, self._n_filled = max(1, round(level_rate_hz)), 0
        self._distances: FloatArray = np.zeros((self._smooth.size, self._n_stretch))
        self._medians: FloatArray = np.zeros((self._smooth.size, self._n_stretch))
        self._limit: FloatArray = np.full((self._smooth.size, 1), np.inf)  # of the distance, in this stretch
        self._lowest, self._highest = np.inf * np.ones_like(self._limit), -np.inf * np.ones_like(self._limit)

    def push(self, means: FloatArray, power: FloatArray, is_missing: NDArray[np.bool_]) -> FlagArray:
        """Next hops, none beyond the end of a stretch: mean counts and summed squares, ``(n_channels, n_hops)``."""
        flags = np.zeros(means.shape, dtype=np.uint16)
        if not self._is_fast_enough:
            return flags
        hops = means.copy()
        hops[self._emg] = power[self._emg]
        hops[:, is_missing] = np.nan
        hops = np.concatenate((self._past, hops), axis=1)
        n = means.shape[1]
        self._past = hops[:, n:].copy()
        last = np.arange(hops.shape[1] - n, hops.shape[1])[:, None]
        if self._smooth.size:
            around = np.take(hops[self._smooth], last - np.arange(2 * SPIKE_REACH + 1), axis=1)
            flags[self._smooth] = self._find_pulses(around) * _SPIKE
        if self._emg.size:
            around = np.take(hops[self._emg], last - np.arange(2 * SPIKE_REACH_EMG + 1), axis=1)
            middle = around[..., SPIKE_REACH_EMG - 1 : SPIKE_REACH_EMG + 2].sum(axis=-1)
            flags[self._emg] = (middle > SPIKE_OF_POWER * around.sum(axis=-1)) * _SPIKE
        return flags

    def _find_pulses(self, around: FloatArray) -> NDArray[np.bool_]:
        ordered = np.sort(around, axis=-1)  # NaN go last and make every comparison false
        median, width = ordered[..., SPIKE_REACH], ordered[..., -1] - ordered[..., 0]
        distance = np.abs(around[..., SPIKE_REACH] - median)
        found = (distance > self._limit) & (distance > SPIKE_OF_WIDTH * width)
        at = slice(self._n_filled, self._n_filled + distance.shape[1])
        self._distances[:, at], self._medians[:, at] = np.where(np.isfinite(width), (distance, median), np.nan)
        self._n_filled += distance.shape[1]
        if self._n_filled == self._n_stretch:
            self._set_limit()
            self._n_filled = 0
        return np.asarray(found, dtype=np.bool_)

    def _set_limit(self) -> None:
        """From the distances and medians of the stretch that has just ended."""
        self._lowest = np.fmin(self._lowest, np.fmin.reduce(self._medians, axis=1, keepdims=True))
        self._highest = np.fmax(self._highest, np.fmax.reduce(self._medians, axis=1, keepdims=True))
        known = np.where(np.isfinite(self._distances), self._distances, np.inf)
        nothing = 1e-9 * np.fmax(np.abs(self._lowest), np.abs(self._highest))  # rounding
        least = np.where(known > nothing, known, np.inf).min(axis=1, keepdims=True)  # a coarse sensor's one count
        median = np.sort(known, axis=1)[:, self._n_stretch // 2, None]
        usual = np.where(median > nothing, median, least)
        self._limit = np.fmax(SPIKE_TIMES_USUAL * usual, SPIKE_OF_RANGE * (self._highest - self._lowest))
