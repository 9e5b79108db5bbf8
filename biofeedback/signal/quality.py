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
    Flag.DRIFT: ("what {name} reads at rest has moved away from its zero", "zero again, unloaded: slacken the strap"),
    Flag.STRANGER: ("{name} comes from another device", "keep the calibration, or zero and find a new maximum"),
}


def explain(flag: Flag, channel: Channel) -> tuple[str, str]:
    """What one flag means for this channel, and what the user can do about it."""
    what, cure = _WORDS[flag]
    return what.format(name=channel.name), cure


class EmgCheck:
    """Hum and loose electrodes of raw EMG channels, judged on whole aligned stretches of ``n_stretch`` frames.

    A verdict holds for the stretch after the one it was made on, because a level is never changed once it is out.
    A stretch with missing frames, or more than a tenth of held ones, is not judged. Frames come either within one
    stretch or as whole stretches, which are judged together.

    Attributes
    ----------
    verdicts : (n_stretches, n_channels) flags for the stretches of the frames that came last; SETTLING once, when
        ``mains_hz`` is found.
    mains_hz : where a line near 50 or 60 Hz was found in two stretches running, if this ``seeks_mains``; it stays.
    """

    def __init__(self, n_channels: int, rate_hz: float, n_stretch: int, *, seeks_mains: bool) -> None:
        self._n_stretch, self._n_filled, self._n_lost = n_stretch, 0, 0
        self._frames: FloatArray = np.empty((2, n_channels, n_stretch))  # of this stretch, before and after the filters
        self._window: FloatArray = np.asarray(np.hanning(n_stretch + 1)[:-1], dtype=np.float64)
        self._frequency_hz: FloatArray = np.arange(n_stretch // 2 + 1, dtype=np.float64) * (rate_hz / n_stretch)
        self._n_slow = int(np.searchsorted(self._frequency_hz, LOOSE_BELOW_HZ))
        self._seeks_mains = seeks_mains
        self._suspect_hz: float | None = None
        self._nothing: FlagArray = np.zeros((1, n_channels), dtype=np.uint16)
        self._unknown: FloatArray = np.zeros((LOOSE_STRETCHES - 1, n_channels, self._frequency_hz.size))
        self._recent = self._unknown  # raw power of the last few stretches
        self._next = self.verdicts = self._nothing
        self.mains_hz: float | None = None

    def push(self, raw: FloatArray, filtered: FloatArray, *, is_held: bool) -> int:
        """Next frames, ``(n_channels, n_frames)``: before and after the filters.

        Returns how many of them were taken: where ``mains_hz`` is found, none after the stretch that tells.
        """
        n: int = raw.shape[1]
        if n <= self._n_stretch - self._n_filled:
            now = slice(self._n_filled, self._n_filled + n)
            self._frames[0, :, now], self._frames[1, :, now] = raw, filtered
            frames = self._frames
        else:
            frames = np.array((raw, filtered))
        return n - self._count(n, frames, n_lost=n if is_held else 0)

    def miss(self, n_frames: int) -> None:
        """Frames that never came."""
        self._count(n_frames, self._frames, n_lost=max(n_frames, self._n_stretch))

    def _count(self, n_frames: int, frames: FloatArray, *, n_lost: int) -> int:
        self._n_filled, self._n_lost, self.verdicts = self._n_filled + n_frames, self._n_lost + n_lost, self._next
        n = self._n_filled // self._n_stretch
        if not n:
            return 0
        if self._n_lost <= 0.1 * self._n_filled:
            stretches = frames.reshape(2, -1, n, self._n_stretch).swapaxes(1, 2)
            judged = self._judge(np.ascontiguousarray(stretches))
        else:
            judged, self._recent, self._suspect_hz = self._nothing.repeat(n, axis=0), self._unknown, None
        self.verdicts, self._next = np.concatenate((self._next, judged[:-1])), judged[-1:]
        self._n_filled, self._n_lost = 0, 0
        return (n - len(judged)) * self._n_stretch

    def _judge(self, frames: FloatArray) -> FlagArray:
        """Verdicts of stretches, up to the one where ``mains_hz`` is found."""
        raw, filtered = frames - frames.mean(axis=-1, keepdims=True)
        n = len(raw)
        recent = np.concatenate((self._recent, _power(raw)))
        together = sum((recent[k : k + n] for k in range(1, LOOSE_STRETCHES)), recent[:n])
        loose = _share(together, slice(self._n_slow)) > LOOSE_SHARE
        power = _power(filtered * self._window)
        shares = np.array([self._line_share(power, mains_hz) for mains_hz in MAINS_HZ])
        highest = shares.max(axis=-1)
        strongest = highest.argmax(axis=0)
        share = shares[strongest, np.arange(n)]
        verdicts = np.asarray(loose * _ELECTRODE | (share > HUM_MOST) * _HUM, dtype=np.uint16)
        for k, which in enumerate(strongest):
            found_hz = MAINS_HZ[which] if highest[which, k] > HUM_FOUND else None
            is_certain = found_hz is not None and found_hz == self._suspect_hz
            self._suspect_hz = found_hz
            if found_hz is not None and is_certain and self._seeks_mains and self.mains_hz is None:
                self.mains_hz = self._centre_hz(power[k, share[k].argmax()], found_hz)
                verdicts[k] |= _SETTLING
                n, verdicts = k + 1, verdicts[: k + 1]
                break
        self._recent = recent[n : n + LOOSE_STRETCHES - 1].copy()
        return verdicts

    def _centre_hz(self, power: FloatArray, mains_hz: float) -> float:
        """Where the line of one channel really lies, to 0.1 Hz: the board's clock, not the mains, may be off."""
        line = np.abs(self._frequency_hz - mains_hz) <= MAINS_HALF_WIDTH_HZ
        return round(float(np.average(self._frequency_hz[line], weights=power[line])), 1)

    def _line_share(self, power: FloatArray, mains_hz: float) -> FloatArray:
        """Share of the power in the mains line; 0 where it does not stand out from its neighbours."""
        distance_hz = np.abs(self._frequency_hz - mains_hz)
        line = np.flatnonzero(distance_hz <= MAINS_HALF_WIDTH_HZ)
        within = slice(line[0], line[-1] + 1)
        around = power.take(np.flatnonzero((distance_hz > 3) & (distance_hz < 12)), axis=-1)
        prominent = power[..., within].max(axis=-1) > HUM_PROMINENCE * np.median(around, axis=-1)
        return np.asarray(np.where(prominent, _share(power, within), 0.0), dtype=np.float64)


def _power(x: FloatArray) -> FloatArray:
    return np.asarray(np.abs(np.fft.rfft(x)) ** 2, dtype=np.float64)


def _share(power: FloatArray, bins: slice) -> FloatArray:
    """Share of the bins in the power, over the last axis."""
    total = power.sum(axis=-1)
    return np.asarray(power[..., bins].sum(axis=-1) / np.where(total > 0, total, 1.0), dtype=np.float64)


class FlatCheck:
    """FLAT once a channel has not moved by one count for a second of whole hops."""

    def __init__(self, n_channels: int, n_hops: int) -> None:
        self._n_hops = n_hops
        self._never: NDArray[np.int64] = np.zeros((n_channels, 1), dtype=np.int64)
        self._still = self._never  # hops without a change
        self._held: FloatArray = np.full((n_channels, 1), np.nan)

    def push(self, low: FloatArray, high: FloatArray, is_missing: NDArray[np.bool_] | None) -> FlagArray | None:
        """Smallest and largest counts of the next hops, ``(n_channels, n_hops)``, to their flags; None: no flags."""
        held, self._held = self._held, high[:, -1:]
        moved = low != high
        if np.logical_and.reduce(moved, axis=None):
            self._still = self._never
            return None
        moved |= low != np.concatenate((held, high[:, :-1]), axis=1)
        if is_missing is not None:
            moved |= is_missing
        position = np.arange(1, high.shape[1] + 1)
        start = np.maximum.accumulate(np.where(moved, position, -self._still), axis=1)
        run = position - start
        self._still = run[:, -1:]
        return np.asarray((run >= self._n_hops) * _FLAT, dtype=np.uint16)


class SpikeCheck:
    """A pulse too narrow for a muscle, judged when the hops after it have come; the hop that tells is marked.

    Force, position, envelope: half of a twitch lasts 80 ms and more, so the mean of a hop may not stand away from
    the median of the 90 ms around it by nearly their whole range, by 12 times what it did in the second before, and
    by a tenth of the range that these medians have ever covered.
    Raw EMG: three hops may not carry nearly all the power of the 250 ms around them.
    Limits are common practice, no source. Boards below 60 levels a second are too slow to tell.
    """

    def __init__(self, n_smooth: int, n_stretch: int) -> None:
        self._n_stretch, self._n_filled = n_stretch, 0
        self._past: FloatArray = np.full((n_smooth, 2 * SPIKE_REACH), np.nan)
        self._seen: FloatArray = np.zeros((3, n_smooth, n_stretch))  # distance, median and width of this stretch
        self._limit: FloatArray = np.full((n_smooth, 1), np.inf)  # of the distance, in this stretch
        self._lowest, self._highest = np.inf * np.ones_like(self._limit), -np.inf * np.ones_like(self._limit)

    def find_smooth(self, means: FloatArray) -> NDArray[np.bool_]:
        """Next hops, within one stretch or whole ones: mean counts, ``(n_channels, n_hops)``, NaN where missing."""
        n = means.shape[1]
        hops = np.concatenate((self._past, means), axis=1)
        self._past = hops[:, n:]
        around = hops.take(np.arange(n)[:, None] + np.arange(2 * SPIKE_REACH, -1, -1), axis=1)
        distance = around[..., SPIKE_REACH].copy()
        around.sort(axis=-1)  # NaN go last and make every comparison false
        median, width = around[..., SPIKE_REACH], around[..., -1] - around[..., 0]
        distance = np.abs(distance - median)
        found: NDArray[np.bool_] = distance > self._find_limits(distance, median, width)
        if np.logical_or.reduce(found, axis=None):
            found &= distance > SPIKE_OF_WIDTH * width
        return found

    def find_emg(self, around: FloatArray) -> NDArray[np.bool_]:
        """Summed squares of the hops around each hop, latest first, ``(n_channels, n_hops, n_around)``."""
        middle = np.add.reduce(around[..., SPIKE_REACH_EMG - 1 : SPIKE_REACH_EMG + 2], axis=-1)
        return np.asarray(middle > SPIKE_OF_POWER * np.add.reduce(around, axis=-1), dtype=np.bool_)

    def _find_limits(self, distance: FloatArray, median: FloatArray, width: FloatArray) -> FloatArray:
        """The limit of each hop, from the stretches before its own: one for all, or one each."""
        limit, n = self._limit, distance.shape[1]
        at = slice(self._n_filled, self._n_filled + n)
        if n < self._n_stretch:
            self._seen[0, :, at], self._seen[1, :, at], self._seen[2, :, at] = distance, median, width
            self._n_filled = at.stop % self._n_stretch
            if not self._n_filled:
                self._limit = self._judge(self._seen[:, :, None])[:, -1:]
            return limit
        seen = np.array((distance, median, width)).reshape(3, len(distance), -1, self._n_stretch)
        limits = self._judge(seen)
        self._limit = limits[:, -1:]
        return np.concatenate((limit, limits[:, :-1]), axis=1).repeat(self._n_stretch, axis=1)

    def _judge(self, seen: FloatArray) -> FloatArray:
        """Limits ``(n_channels, n_stretches)`` from ended stretches ``(3, n_channels, n_stretches, n_hops)``."""
        distance, median = np.where(np.isfinite(seen[2]), seen[:2], np.nan)
        lowest = np.concatenate((self._lowest, np.fmin.reduce(median, axis=-1)), axis=1)
        highest = np.concatenate((self._highest, np.fmax.reduce(median, axis=-1)), axis=1)
        lowest, highest = np.fmin.accumulate(lowest, axis=1)[:, 1:], np.fmax.accumulate(highest, axis=1)[:, 1:]
        self._lowest, self._highest = lowest[:, -1:], highest[:, -1:]
        known = np.where(np.isfinite(distance), distance, np.inf)
        nothing = 1e-9 * np.fmax(np.abs(lowest), np.abs(highest))  # rounding
        least = np.where(known > nothing[..., None], known, np.inf).min(axis=-1)  # a coarse sensor's one count
        middle = np.sort(known, axis=-1)[..., self._n_stretch // 2]
        usual = np.where(middle > nothing, middle, least)
        return np.asarray(np.fmax(SPIKE_TIMES_USUAL * usual, SPIKE_OF_RANGE * (highest - lowest)), dtype=np.float64)
