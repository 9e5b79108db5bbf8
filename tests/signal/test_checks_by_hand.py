"""What is wrong with a signal, judged as described, one second after the other; the checks take many at once."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.model import Flag
from biofeedback.signal.mains import find_hum
from biofeedback.signal.quality import EmgCheck, FlatCheck

RATE_HZ = N = 200  # a second of so many frames; bins of 1 Hz
HUM, ELECTRODE, SETTLING = int(Flag.HUM), int(Flag.ELECTRODE), int(Flag.SETTLING)


class BySeconds:
    """The verdict of each second of several raw EMG channels, told in the second after it."""

    def __init__(self, n_channels: int) -> None:
        self.raw: list[np.ndarray] = []  # slow power and all of it, of the last seconds
        self.strongest = np.zeros((3, n_channels))
        self.quietest = np.full(n_channels, np.inf)
        self.suspect_hz: float | None = None
        self.mains_hz: float | None = None

    def forget(self) -> None:
        self.raw, self.suspect_hz = [], None

    def judge(self, raw: np.ndarray, filtered: np.ndarray) -> np.ndarray:
        n_channels = len(raw)
        power = np.abs(np.fft.rfft(raw - raw.mean(axis=1, keepdims=True))) ** 2
        self.raw = [*self.raw, np.stack([power[:, :20].sum(axis=1), power.sum(axis=1)])][-4:]
        slow, whole = np.sum(self.raw, axis=0)
        windowed = (filtered - filtered.mean(axis=1, keepdims=True)) * np.hanning(N + 1)[:-1]
        spectra = np.abs(np.fft.rfft(windowed)) ** 2
        active = spectra.sum(axis=1) * 8 / 3
        self.quietest = np.minimum(self.quietest, np.where(active > 0, active, np.inf))
        if (active > self.strongest[0]).any():
            self.strongest = np.sort(np.vstack([self.strongest, active]), axis=0)[1:]
        verdict = np.zeros(n_channels, int)
        hums = [find_hum(np.arange(N // 2 + 1.0), spectra[c], float(RATE_HZ)) for c in range(n_channels)]
        for c in range(n_channels):
            share = slow[c] / max(whole[c], 1e-300)
            usual = self.strongest[0, c]  # of the third strongest second
            is_known = usual > 10 * self.quietest[c]  # the muscle has done something
            is_loose = slow[c] > 0.5 * len(self.raw) * usual if is_known else share > 0.93
            verdict[c] = ELECTRODE * (is_loose and share > 0.5) + HUM * (hums[c][1] > 0.5)
        found_hz, share = max(hums, key=lambda hum: hum[1])
        found_hz = found_hz if share > 0.1 else None
        before, self.suspect_hz = self.suspect_hz, found_hz
        if found_hz is not None and before is not None and abs(found_hz - before) <= 0.5:
            at_hz = round((found_hz + before) / 2, 1)
            if self.mains_hz is None or abs(at_hz - self.mains_hz) > 0.15:
                self.mains_hz, self.suspect_hz = at_hz, None
                verdict |= SETTLING
        return verdict


def make_signal(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """40 s of two channels: rest, contractions, a loose electrode, weak and strong hum that moves, in turn."""
    rng = np.random.default_rng(seed)
    t = np.arange(40 * N) / RATE_HZ
    effort = np.where((t % 10 > 4) & (t % 10 < 8), 30.0, 1.0)
    filtered = rng.normal(0, 1, (2, len(t))) * effort
    drift = np.where((t > 14) & (t < 23), 60.0, 0.5) * np.sin(2 * np.pi * 3.0 * t)
    hum = np.zeros_like(t)
    hum[(t >= 25) & (t < 29)] = 12.0
    hum[(t >= 32)] = 90.0
    line = hum * np.sin(2 * np.pi * np.where(t < 36, 50.0, 50.4) * t)
    filtered[0] += line
    raw = filtered + np.vstack([drift, 0.3 * drift[::-1]])
    return raw, filtered


@pytest.mark.parametrize("n_together", [1, 3, 40])
def test_each_second_is_judged_as_described_however_many_come_together(n_together: int) -> None:
    raw, filtered = make_signal(11)
    check = EmgCheck(2, float(RATE_HZ), N, seeks_mains=True, hum_search=None)
    reference = BySeconds(2)
    told: list[np.ndarray] = []
    at = 0
    while at < raw.shape[1]:
        end = min(raw.shape[1], at + n_together * N)
        taken = check.push(raw[:, at:end], filtered[:, at:end], is_held=False)
        told += list(check.verdicts)
        at += taken
    expected = [reference.judge(raw[:, k : k + N], filtered[:, k : k + N]) for k in range(0, raw.shape[1], N)]
    assert check.mains_hz == reference.mains_hz
    assert len(told) == len(expected)
    np.testing.assert_array_equal(told[0], 0)
    np.testing.assert_array_equal(np.array(told[1:]), np.array(expected[:-1]))
    seen = np.bitwise_or.reduce(np.array(expected), axis=0)
    assert seen[0] == HUM | ELECTRODE | SETTLING
    assert seen[1] == SETTLING, "the notch is everybody's"


@pytest.mark.parametrize(("n_lost", "is_judged"), [(20, True), (21, False)])
def test_a_second_of_which_more_than_a_tenth_is_lost_is_not_judged(n_lost: int, is_judged: bool) -> None:
    raw, filtered = make_signal(11)
    check = EmgCheck(2, float(RATE_HZ), N, seeks_mains=True, hum_search=None)
    loud = slice(33 * N, 34 * N)
    check.push(raw[:, loud][:, :n_lost], filtered[:, loud][:, :n_lost], is_held=True)
    check.push(raw[:, loud][:, n_lost:], filtered[:, loud][:, n_lost:], is_held=False)
    check.push(raw[:, loud], filtered[:, loud], is_held=False)
    assert bool(check.verdicts[0, 0] & HUM) is is_judged


def test_frames_that_never_came_leave_nothing_of_what_was_suspected() -> None:
    raw, filtered = make_signal(11)
    loud = slice(33 * N, 34 * N)
    for misses in (False, True):
        check = EmgCheck(2, float(RATE_HZ), N, seeks_mains=True, hum_search=None)
        check.push(raw[:, loud], filtered[:, loud], is_held=False)
        if misses:
            check.miss(N)
        check.push(raw[:, loud], filtered[:, loud], is_held=False)
        assert check.mains_hz == (None if misses else 50.0)


def flat_by_words(low: np.ndarray, high: np.ndarray, missing: np.ndarray, n_hops: int) -> np.ndarray:
    """Still for so many hops in a row: each holds one value, the same as the one before it, and none is missing."""
    found = np.zeros(low.shape, bool)
    for c in range(len(low)):
        run, held = 0, None
        for k in range(low.shape[1]):
            is_still = low[c, k] == high[c, k] and held == low[c, k] and not missing[c, k]
            run = run + 1 if is_still else 0
            held = high[c, k]
            found[c, k] = run >= n_hops
    return found


@pytest.mark.parametrize("n_together", [1, 4, 300])
def test_a_channel_is_flat_after_a_second_of_hops_that_hold_one_value(n_together: int) -> None:
    rng = np.random.default_rng(2)
    low = np.repeat(rng.integers(0, 3, (2, 60)), rng.integers(1, 12, 60), axis=1).astype(float)
    high = low + (rng.random(low.shape) < 0.05)
    missing = rng.random(low.shape) < 0.02
    check, parts = FlatCheck(2, 5), []
    for at in range(0, low.shape[1], n_together):
        part = slice(at, at + n_together)
        flags = check.push(low[:, part], high[:, part], missing[:, part])
        parts.append(np.zeros(low[:, part].shape, np.uint16) if flags is None else flags)
    expected = flat_by_words(low, high, missing, 5)
    assert expected.any()
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), expected * np.uint16(Flag.FLAT))


def test_flat_without_anything_missing_and_while_all_moves() -> None:
    check = FlatCheck(1, 3)
    still = np.full((1, 5), 7.0)
    assert check.push(still, still, None).tolist() == [[0, 0, 0, int(Flag.FLAT), int(Flag.FLAT)]]
    assert check.push(still, still + 1, None) is None
    assert check.push(still + 1, still + 1, None).tolist() == [[0, 0, int(Flag.FLAT), int(Flag.FLAT), int(Flag.FLAT)]]
