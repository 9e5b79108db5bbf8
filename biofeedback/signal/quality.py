"""What is wrong with a signal: checks on aligned stretches of about a second, and the words for every flag."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Flag, FlagArray, FloatArray
from biofeedback.signal.mains import SAME_HZ, HumSearch, WeakHum, find_hum, may_hum

HUM_FOUND = 0.10  # share of the power at which the notch comes on; a flat 20-450 Hz spectrum has below 0.01 there
HUM_MOST = 0.50
HUM_MOVED_HZ = 0.15  # a notch of 2 Hz that is off by more leaves a few per cent, at the third harmonic a good part
LOOSE_BELOW_HZ, LOOSE_SHARE = 20.0, 0.50  # good electrodes: a few hundredths, seldom 0.15; common practice, no source
LOOSE_STRETCHES = 4  # seconds that are judged together: a loose electrode drifts and jumps, not all the time
LOOSE_OF_ACTIVITY = 0.5  # ... and as much of what the muscle has shown: any baseline drifts more than a muscle at rest
LOOSE_UNKNOWN_SHARE = 0.93  # while the muscle has only rested
ACTIVE_TIMES = 10.0  # the power of a second above that of the quietest: the muscle has done something
_SETTLING, _FLAT, _HUM, _ELECTRODE = (np.uint16(flag) for flag in (Flag.SETTLING, Flag.FLAT, Flag.HUM, Flag.ELECTRODE))

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
        "{name} is mostly below 20 Hz or far quieter than at rest: an electrode is loose, dry or off",
        "press it on or replace it; then find a new maximum",
    ),
    Flag.SPIKE: ("{name} jumped as no muscle does", "check the strap and the cable; the jump is not counted as effort"),
    Flag.DRIFT: ("what {name} reads at rest has moved away from its zero", "zero again, unloaded: slacken the strap"),
    Flag.TENSION: (
        "effort on {name} includes the position's own tension",
        "relax in the position for some seconds before contracting: begin with a passive phase",
    ),
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
    mains_hz : where hum was found in two stretches running, if this ``seeks_mains``; it stays, and follows the line.
        Until then ``hum_search`` says how weaker hum is looked for, in several stretches together.
    """

    def __init__(
        self, n_channels: int, rate_hz: float, n_stretch: int, *, seeks_mains: bool, hum_search: HumSearch | None
    ) -> None:
        self._n_stretch, self._n_filled, self._n_lost = n_stretch, 0, 0
        self._frames: FloatArray = np.empty((2, n_channels, n_stretch))  # of this stretch, before and after the filters
        self._window: FloatArray = np.asarray(np.hanning(n_stretch + 1)[:-1], dtype=np.float64)
        self._frequency_hz: FloatArray = np.arange(n_stretch // 2 + 1, dtype=np.float64) * (rate_hz / n_stretch)
        self._n_slow = int(np.searchsorted(self._frequency_hz, LOOSE_BELOW_HZ))
        self._seeks_mains, self._rate_hz = seeks_mains, rate_hz
        self._most_active: FloatArray = np.zeros((3, n_channels))  # power of the strongest seconds: a pop is one or two
        self._least_active: FloatArray = np.full(n_channels, np.inf)
        self._suspect_hz: float | None = None
        weak = WeakHum(hum_search, n_channels, self._frequency_hz, rate_hz) if hum_search and seeks_mains else None
        self._weak = weak  # until any hum is found
        self._nothing: FlagArray = np.zeros((1, n_channels), dtype=np.uint16)
        self._unknown: FloatArray = np.zeros((LOOSE_STRETCHES - 1, 2, n_channels))
        self._recent = self._unknown  # raw power of the last few stretches, slow and whole
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
            raw, filtered = self._frames
        return n - self._count(n, raw, filtered, n_lost=n if is_held else 0)

    def miss(self, n_frames: int) -> None:
        """Frames that never came."""
        self._count(n_frames, *self._frames, n_lost=max(n_frames, self._n_stretch))

    def _count(self, n_frames: int, raw: FloatArray, filtered: FloatArray, *, n_lost: int) -> int:
        self._n_filled, self._n_lost, self.verdicts = self._n_filled + n_frames, self._n_lost + n_lost, self._next
        n = self._n_filled // self._n_stretch
        if not n:
            return 0
        if self._n_lost <= 0.1 * self._n_filled:
            judged = self._judge(*(x.reshape(len(x), n, self._n_stretch).swapaxes(0, 1) for x in (raw, filtered)))
        else:
            judged, self._recent, self._suspect_hz = self._nothing.repeat(n, axis=0), self._unknown, None
            if self._weak is not None:
                self._weak.forget()
        self.verdicts, self._next = np.concatenate((self._next, judged[:-1])), judged[-1:]
        self._n_filled, self._n_lost = 0, 0
        return (n - len(judged)) * self._n_stretch

    def _judge(self, raw: FloatArray, filtered: FloatArray) -> FlagArray:
        """Verdicts of stretches ``(n, n_channels, n_stretch)``, up to the one where ``mains_hz`` is found."""
        n = len(raw)
        parts = np.fft.rfft(_centre(raw)).view(np.float64)
        each = np.stack([_add_squares(parts[..., : 2 * self._n_slow]), _add_squares(parts)], axis=1)
        late = np.concatenate((self._recent, each))  # slow power and all of it
        slow, whole = (late[:n] + late[1 : n + 1] + late[2 : n + 2] + late[3 : n + 3]).swapaxes(0, 1)
        n_known = np.minimum(LOOSE_STRETCHES, ((late[:, 1] > 0).cumsum(axis=0)[-n:]).clip(1))
        centred = _centre(filtered)
        centred *= self._window
        power = _find_power(centred)
        total = np.add.reduce(power, axis=-1)
        active = total * (8 / 3)  # a Hann window keeps 3/8; a raw drift leaks into all bins
        verdicts: FlagArray = np.zeros(active.shape, dtype=np.uint16)
        worth = may_hum(self._frequency_hz, power.reshape(-1, power.shape[-1]), self._rate_hz).reshape(n, -1)
        slow_share = slow / np.where(whole > 0, whole, 1.0)
        tells = (worth | (slow_share > LOOSE_SHARE) | (active > self._most_active[0])).any(axis=1).tolist()
        weak = None if self._weak is None else self._weak.find(power, total)
        if weak is not None:
            tells[weak[0]] = True
        quietest = np.minimum.accumulate(np.where(active > 0, active, np.inf), axis=0)
        for k in range(n):
            if not tells[k]:  # as nearly all
                self._suspect_hz = None
                continue
            least = np.minimum(self._least_active, quietest[k])
            verdicts[k] = self._find_loose(slow[k], slow_share[k], active[k], least, n_known[k]) * _ELECTRODE
            hums = {c: find_hum(self._frequency_hz, power[k, c], self._rate_hz) for c in np.flatnonzero(worth[k])}
            for channel, (_, share) in hums.items():
                verdicts[k, channel] |= _HUM * (share > HUM_MOST)
            found_hz, share = max(hums.values(), key=lambda hum: hum[1], default=(None, 0.0))
            if self._is_found(found_hz if share > HUM_FOUND else None) or self._is_weak_at(k, weak):
                self._weak = None
                verdicts[k] |= _SETTLING
                n, verdicts = k + 1, verdicts[: k + 1]
                break
        self._least_active = np.minimum(self._least_active, quietest[n - 1])
        self._recent = late[n : n + LOOSE_STRETCHES - 1].copy()
        return verdicts

    def _find_loose(
        self, slow: FloatArray, share: FloatArray, active: FloatArray, least: FloatArray, n_known: FloatArray
    ) -> NDArray[np.bool_]:
        """Which channels drift more than their muscle speaks, ``(n_channels,)``: slow power of late, its share.

        ``active`` is the muscle's power, ``least`` that of the quietest second so far.
        """
        if (active > self._most_active[0]).any():
            self._most_active = np.sort(np.concatenate((self._most_active, active[None])), axis=0)[1:]
        drifts = share > LOOSE_SHARE
        if not drifts.any():
            return drifts
        usual = self._most_active[0]
        is_known = usual > ACTIVE_TIMES * least
        enough = np.where(is_known, slow > LOOSE_OF_ACTIVITY * n_known * usual, share > LOOSE_UNKNOWN_SHARE)
        return np.asarray(drifts & enough, dtype=np.bool_)

    def _is_found(self, found_hz: float | None) -> bool:
        """Whether ``mains_hz`` has just been found, or found elsewhere, for the second time running."""
        suspect_hz, self._suspect_hz = self._suspect_hz, found_hz
        if found_hz is None or suspect_hz is None or not self._seeks_mains:
            return False
        if abs(found_hz - suspect_hz) > SAME_HZ:
            return False
        found_hz = round((found_hz + suspect_hz) / 2, 1)
        if self.mains_hz is not None and abs(found_hz - self.mains_hz) <= HUM_MOVED_HZ:
            return False
        self.mains_hz, self._suspect_hz = found_hz, None
        return True

    def _is_weak_at(self, k: int, weak: tuple[int, float] | None) -> bool:
        """Whether the weak search found ``mains_hz`` in stretch ``k`` of those that are judged."""
        if weak is None or weak[0] != k:
            return False
        self.mains_hz, self._suspect_hz = weak[1], None
        return True


def _centre(x: FloatArray) -> FloatArray:
    """Less the mean along the last axis."""
    return np.asarray(x - np.add.reduce(x, axis=-1, keepdims=True) / x.shape[-1])


def _add_squares(x: FloatArray) -> FloatArray:
    """Along the last axis."""
    return np.asarray(np.einsum("...i,...i->...", x, x))


def _find_power(x: FloatArray) -> FloatArray:
    """Spectra along the last axis; as real numbers, which is faster than the size of complex ones."""
    parts = np.fft.rfft(x).view(np.float64)
    parts *= parts
    return np.asarray(parts[..., ::2] + parts[..., 1::2])


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
