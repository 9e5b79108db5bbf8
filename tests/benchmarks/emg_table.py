"""A real hold (source in tests/opendata.py): restlessness of the EMG level, when a release shows, what is left of hum.

Run: python tests/benchmarks/emg_table.py [--no-hum]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy import signal

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from biofeedback.model import Channel, Chunk, Flag, FloatArray
from biofeedback.signal.emg import band_pass, find_wandering_percent, mains_notch
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.whiten import (
    PLAIN_BELOW,
    RELEASE_S,
    WHOLE_ABOVE,
    WhiteningFilter,
    learn_whitening,
    measure_bandwidth,
    measure_independent,
)
from tests.opendata import load_ramp_hold

EMG = Channel(name="emg", kind="emg", unit="uV")
TAUGHT_S, JUDGED_S = (8.0, 12.0), (13.0, 25.0)
HOLD_SHARE = 0.26  # of the maximum, as the recording says
OWN_HUM_HZ = 50.2


def measure_levels(x: FloatArray, rate_hz: float, one: WhiteningFilter | None = None) -> tuple[FloatArray, float]:
    """Levels and their rate, with the recording's own hum taken out."""
    stream = LevelStream([EMG], rate_hz, mains_hz=OWN_HUM_HZ)
    if one is not None:
        stream.whiten(0, one, 0)
    return stream.push(Chunk(0, x[:, None])).values[:, 0], stream.level_rate_hz


def learn(x: FloatArray, rate_hz: float) -> WhiteningFilter | None:
    """As an attempt teaches: from the contraction and the quietest half second."""
    sections = np.concatenate((band_pass(rate_hz), mains_notch(OWN_HUM_HZ, rate_hz)))
    filtered = np.asarray(signal.sosfilt(sections, x - x[0]))
    taught = filtered[slice(*(round(t * rate_hz) for t in TAUGHT_S))]
    n = round(0.5 * rate_hz)
    rest = min((filtered[at : at + n] for at in range(400, len(filtered) - n, n // 4)), key=np.std)
    maximum = float(taught.std()) / HOLD_SHARE
    learnt = learn_whitening(taught, rest, rate_hz, maximum=maximum)
    if learnt is None:
        return None
    excess = max(0.0, float(np.mean(learnt.rest**2) - np.mean(rest**2)))
    return WhiteningFilter(
        tuple(learnt.coefficients.tolist()), excess, PLAIN_BELOW * maximum, WHOLE_ABOVE * maximum, RELEASE_S
    )


def tell_errors(x: FloatArray, rate_hz: float, one: WhiteningFilter) -> tuple[float, float]:
    """Random error of a level in %, by the spectrum and by the scatter of neighbours, in what taught the filter."""
    sections = np.concatenate((band_pass(rate_hz), mains_notch(OWN_HUM_HZ, rate_hz)))
    filtered = np.convolve(signal.sosfilt(sections, x - x[0]), one.coefficients)
    taught = filtered[slice(*(round(t * rate_hz) for t in TAUGHT_S))]
    hop = round(rate_hz / 100)
    power = np.mean(taught[: len(taught) // hop * hop].reshape(-1, hop) ** 2, axis=1)
    each_hz = measure_bandwidth(taught, rate_hz), measure_independent(power, rate_hz / hop)
    return find_wandering_percent(each_hz[0]), find_wandering_percent(each_hz[1])


def print_steadiness(pairs: FloatArray, rate_hz: float) -> None:
    rows, told, deviations = [], [], []
    for pair in pairs.T:
        one = learn(pair, rate_hz)
        if one is None:
            continue
        told.append(tell_errors(pair, rate_hz, one))
        row, apart = [], []
        for each in (None, one):
            levels, level_rate_hz = measure_levels(pair, rate_hz, each)
            held = levels[slice(*(round(t * level_rate_hz) for t in JUDGED_S))]
            apart.append(signal.detrend(held) / held.mean())
            row.append(100 * float(apart[-1].std()))
        rows.append(row)
        deviations.append(np.array(apart)[:, : int(JUDGED_S[1] - JUDGED_S[0]) * int(level_rate_hz)])
    plain, whitened = np.array(rows).T
    n_of = f"{len(rows)} of {pairs.shape[1]} pairs"
    print(f"CV of the level, {n_of}: {np.median(plain):.1f} % plain, {np.median(whitened):.1f} % whitened")
    by_spectrum, by_scatter = np.median(told, axis=0)
    print(f"told beforehand: {by_spectrum:.1f} % by the spectrum, {by_scatter:.1f} % by the scatter of neighbours")
    ratio = whitened / plain
    worst = int(np.argmax(ratio))
    low, high = draw_ratios(deviations[worst], round(JUDGED_S[1] - JUDGED_S[0]))
    told_worst = f"worst {ratio[worst]:.3f} (its seconds drawn anew: {low:.2f} to {high:.2f})"
    print(f"whitened over plain: median {np.median(ratio):.2f}, {told_worst}")


def draw_ratios(deviations: FloatArray, n_blocks: int) -> tuple[float, float]:
    """95 % interval of the ratio of two SDs, (2, n) relative deviations in one hold, by drawing its seconds anew."""
    powers = (deviations[:, : deviations.shape[1] // n_blocks * n_blocks].reshape(2, n_blocks, -1) ** 2).mean(axis=2)
    drawn = powers[:, np.random.default_rng(1).integers(n_blocks, size=(4000, n_blocks))].mean(axis=2)
    low, high = np.percentile(np.sqrt(drawn[1] / drawn[0]), (2.5, 97.5))
    return float(low), float(high)


def print_hum(pairs: FloatArray, rate_hz: float) -> None:
    print(f"\n{'hum, Hz':>8} {'times':>6} {'found':>6} {'after, s':>9} {'left, %':>8} {'flagged':>8}")
    clean = pairs[round(3 * rate_hz) : round(30 * rate_hz), :6]
    t, n_pairs = np.arange(len(clean)) / rate_hz, clean.shape[1]
    for hum_hz in (49.0, 50.2, 51.0, 59.6, 61.0):
        for times in (0.1, 0.3, 1.0, 3.0):
            found, after_s, left, flagged = 0, [], [], 0
            for pair in clean.T:
                held = pair[round(5 * rate_hz) : round(20 * rate_hz)]
                hummed = pair + times * np.sqrt(2) * held.std() * np.sin(2 * np.pi * hum_hz * t)
                stream = LevelStream([EMG], rate_hz)
                starts = range(0, len(t) - 2040, 2040)
                levels = [stream.push(Chunk(at, hummed[at : at + 2040, None])) for at in starts]
                plain = LevelStream([EMG], rate_hz, mains_hz=stream.mains_hz).push(Chunk(0, pair[:, None])).values
                values = np.concatenate([one.values for one in levels])[:, 0]
                late = slice(len(values) // 2, len(values) - 300)
                left.append(100 * (float(np.mean(values[late]) / np.mean(plain[late, 0])) - 1))
                flags = np.concatenate([one.flags for one in levels])[:, 0]
                flagged += bool((flags & Flag.HUM).any())
                if stream.mains_hz is not None and abs(stream.mains_hz - hum_hz) < 0.2:
                    found += 1
                    after_s.append(float(np.flatnonzero(flags[100:] & Flag.SETTLING)[-1:].sum() / 102.4))
            when = f"{np.median(after_s):.1f}" if after_s else "-"
            print(f"{hum_hz:>8g} {times:>6g} {found:>4} of {n_pairs} {when:>7} {np.median(left):>8.1f} {flagged:>8}")


def count_found(signals: FloatArray, rate_hz: float) -> int:
    """In how many of the columns (n_frames, n) hum is found."""
    streams = [LevelStream([EMG], rate_hz) for _ in signals.T]
    for stream, x in zip(streams, signals.T, strict=True):
        stream.push(Chunk(0, x[:, None]))
    return sum(stream.mains_hz is not None for stream in streams)


def print_false_hum(pairs: FloatArray, electrodes: FloatArray, rate_hz: float) -> None:
    """Hum found where none is: in contractions alone, and in ten minutes of simulated ones, 5 s on and 5 s off."""
    hold = slice(round(3 * rate_hz), round(30 * rate_hz))
    for name, x in (("pairs", pairs), ("single electrodes", electrodes)):
        print(f"hum found in the contraction alone: {count_found(x[hold], rate_hz)} of {x.shape[1]} {name}")
    n, rng, found, peaks_hz = 600_000, np.random.default_rng(1), 0, (15, 25, 40, 60, 80, 100) * 3
    frequency_hz = np.fft.rfftfreq(n, 1e-3)
    for peak_hz in peaks_hz:
        shape = np.sqrt(frequency_hz * np.exp(-frequency_hz / peak_hz))
        muscle = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) * shape, n)
        effort = np.where(np.arange(n) // 5000 % 2, 100.0, 2.0)
        found += count_found((effort * muscle / muscle.std() + rng.normal(0, 2, n))[:, None], 1000)
    print(f"hum found in simulated sessions of ten minutes without any: {found} of {len(peaks_hz)}")


def print_release(pairs: FloatArray, rate_hz: float) -> None:
    """How long the level takes to lose 90 % when the hold is followed at once by the recording's own rest."""
    rest = pairs[: round(rate_hz)]
    for name in ("plain", "whitened"):
        took_ms = []
        for pair in pairs[:, :12].T:
            one = learn(pair, rate_hz) if name == "whitened" else None
            if name == "whitened" and one is None:
                continue
            for at_s in (14.0, 17.0, 20.0, 23.0):
                at = round(at_s * rate_hz)
                released = np.concatenate((pair[:at], np.resize(rest[:, 0], len(pair) - at)))
                levels, per_s = measure_levels(released, rate_hz, one)
                start = round(at_s * per_s)
                held, gone = levels[start - round(1.5 * per_s) : start].mean(), levels[start + round(per_s) :].mean()
                took_ms.append(1000 * int(np.argmax(levels[start:] < gone + 0.1 * (held - gone))) / per_s)
        middle, late = np.percentile(took_ms, (50, 90))
        print(f"90 % of a release, {name}: median {middle:.0f} ms, 90th percentile {late:.0f} ms")


def main() -> None:
    recording = load_ramp_hold()
    pairs = recording.emg_microvolt[:, 0:62:2] - recording.emg_microvolt[:, 1:62:2]
    print_steadiness(pairs, recording.rate_hz)
    print_release(pairs, recording.rate_hz)
    if "--no-hum" not in sys.argv:
        print_hum(pairs, recording.rate_hz)
        print_false_hum(pairs, recording.emg_microvolt, recording.rate_hz)


if __name__ == "__main__":
    main()
