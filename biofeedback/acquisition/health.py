"""Ten seconds of a sensor in words: what arrives, how evenly, and what each channel looks like. Pure.

Limits without a source are common practice; the athlete should sit still with the sensor attached while it is watched.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.acquisition.clock import find_common_rate
from biofeedback.acquisition.remarks import RATE_TOLERANCE_PERCENT, UNSURE_PERCENT
from biofeedback.acquisition.timeline import find_silence_s
from biofeedback.model import STANDARD_GRAVITY_M_PER_S2, Channel, Chunk, FloatArray, Gap, Item

State = Literal["good", "look", "bad"]
Fix: TypeAlias = Mapping[str, str | bool]
HUM_LOOK_PERCENT, HUM_BAD_PERCENT = 20.0, 50.0
SLOW_BAD_PERCENT = 50.0  # of a raw EMG's power below 20 Hz: muscle has little there
SMOOTH_PERCENT = 90.0  # below 20 Hz: no raw EMG looks like that
STUCK_PERCENT = 5.0  # of samples on exactly the first or last value seen
FEW_STEPS = 8
BITS = (10, 12, 16, 24)  # of usual converters
BAD_LINES_PERCENT = 1.0
MOST_ALIKE = 3.0  # readings in a row that a converter may give alike before the board is asked for more than it has
LEAST_STEPS_PER_S = 3.0  # of a channel that moves at all: below, it is only at rest
ALIKE_SHARE = 0.8  # of the runs of equal readings that are nearly as long as each other: a grid, not chance
TOO_FEW_READINGS_HZ = 40.0  # new readings a second: a push shorter than a second is hardly seen
DRIFT_LOOK_PPM = 5000.0  # a ceramic resonator's 0.5 %


@dataclass(frozen=True, slots=True)
class Finding:
    """``about`` names a channel or "wire"; ``cure`` is "" where nothing is wrong.

    ``fix`` is the cure at one press, where there is one: ``words`` for the button, and which ``field`` of the start
    page's form takes which ``value``; with ``channel`` it is a field of that channel's column.
    """

    state: State
    about: str
    text: str
    cure: str = ""
    fix: Fix | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """What was seen: items in order, when each batch arrived and of how many frames it was."""

    channels: Sequence[Channel]
    rate_hz: float
    items: Sequence[Item]
    arrivals: Sequence[tuple[float, int]]
    n_lines: int
    n_bad_lines: int
    clock_drift_ppm: float | None = None

    def counts(self) -> FloatArray:
        """``(n_frames, n_channels)`` without the gaps."""
        parts = [item.counts for item in self.items if isinstance(item, Chunk)]
        return np.concatenate(parts) if parts else np.empty((0, len(self.channels)))

    def outages(self) -> list[Gap]:
        """Gaps, those that follow each other as the one outage that they are."""
        found: list[Gap] = []
        for item in self.items:
            if isinstance(item, Gap):
                if found and found[-1].end_frame == item.first_frame:
                    item = Gap(found[-1].first_frame, found.pop().n_frames + item.n_frames, item.reason)  # noqa: PLW2901
                found.append(item)
        return found

    def longest_run(self, k: int) -> FloatArray:
        """The longest stretch of channel ``k`` without a gap (n,)."""
        runs: list[list[FloatArray]] = [[]]
        for item in self.items:
            if isinstance(item, Gap):
                runs.append([])
            elif isinstance(item, Chunk):
                column = item.counts[:, k]
                holes = [-1, *np.flatnonzero(np.isnan(column)).tolist(), len(column)]
                for before, after in pairwise(holes):
                    if before >= 0:
                        runs.append([])
                    runs[-1].append(column[before + 1 : after])
        best = max(runs, key=lambda run: sum(map(len, run)))
        return np.concatenate(best) if best else np.empty(0)


def judge_sensor(watched: Watched) -> list[Finding]:
    """Findings about the wire, then about each channel, in the order in which to deal with them."""
    findings = _judge_wire(watched)
    counts = watched.counts()
    for k, channel in enumerate(watched.channels):
        column = counts[np.isfinite(counts[:, k]), k]
        if len(column):
            findings += _judge_channel(channel, column, watched.longest_run(k), watched.rate_hz)
        elif len(counts):
            findings.append(Finding("bad", channel.name, "nothing came", "check that its sensor is on"))
    return findings


def _judge_wire(watched: Watched) -> list[Finding]:
    n_frames = sum(n for _, n in watched.arrivals)
    if n_frames < 2:
        return [Finding("bad", "wire", "no frames arrived", "check that the board sends and its baud rate")]
    findings = [_judge_rate(watched)]
    gaps = watched.outages()
    if gaps:
        longest_s = max(gap.n_frames for gap in gaps) / watched.rate_hz
        lost = sum(gap.n_frames for gap in gaps)
        percent = 100 * lost / (lost + n_frames)
        n_gaps = f"{len(gaps)} gap{'s' * (len(gaps) > 1)}"
        text = f"{n_gaps}, {lost} frames missing ({percent:.2g} %), longest {longest_s:.2g} s"
        findings.append(
            Finding(
                "look", "wire", text, "use a shorter cable, bring the radio closer, or send fewer bytes per reading"
            )
        )
    else:
        findings.append(Finding("good", "wire", "no gaps"))
    percent = 100 * watched.n_bad_lines / max(1, watched.n_lines)
    if percent > BAD_LINES_PERCENT:
        text = f"{percent:.2g} % of lines unreadable"
        findings.append(Finding("bad" if percent > 50 else "look", "wire", text, "check the baud rate and the cable"))
    else:
        findings.append(Finding("good", "wire", f"{watched.n_bad_lines} of {watched.n_lines} lines unreadable"))
    pauses_s = np.diff([moment for moment, n in watched.arrivals if n])
    if len(pauses_s):
        longest_s, middle_s = float(pauses_s.max()), float(np.median(pauses_s))
        text = f"batches every {1000 * middle_s:.0f} ms, longest pause {1000 * longest_s:.0f} ms"
        silence_s = find_silence_s(watched.rate_hz)
        late = longest_s > silence_s
        limit = f"a pause above {1000 * silence_s:.0f} ms counts as a lost signal"
        cure = f"{limit}: close other programs, or bring the radio closer"
        findings.append(Finding("look" if late else "good", "wire", text, cure if late else ""))
    if watched.clock_drift_ppm is not None:
        text = (
            f"its clock is {abs(watched.clock_drift_ppm):.0f} ppm {'fast' if watched.clock_drift_ppm > 0 else 'slow'}"
        )
        off = abs(watched.clock_drift_ppm) > DRIFT_LOOK_PPM
        cure = "times and rates of this board are off by as much; a board with a crystal is better"
        findings.append(Finding("look" if off else "good", "wire", text, cure if off else ""))
    return findings


def _judge_rate(watched: Watched) -> Finding:
    """What comes while something comes: a silence says nothing about the rate, unless there is nothing else."""
    arrivals = np.array([arrival for arrival in watched.arrivals if arrival[1]])
    waits_s, n_frames = np.diff(arrivals[:, 0]), arrivals[1:, 1]
    gaps = [item for item in watched.items if isinstance(item, Gap)]
    counts: NDArray[np.bool_] = np.ones(len(waits_s), dtype=np.bool_)
    if any(gap.reason == "no data" for gap in gaps) and (short := waits_s <= find_silence_s(watched.rate_hz)).any():
        counts = short
    seen_s = float(waits_s[counts].sum())
    missing = sum(gap.n_frames for gap in gaps if gap.reason != "no data")
    measured_hz = (float(n_frames[counts].sum()) + missing) / seen_s if seen_s > 0 else 0.0
    deviation = 100 * (measured_hz / watched.rate_hz - 1)
    text = f"{measured_hz:.4g} frames/s, declared {watched.rate_hz:g} ({deviation:+.1f} %)"
    if abs(deviation) <= RATE_TOLERANCE_PERCENT:
        return Finding("good", "wire", text)
    state: State = "bad" if abs(deviation) > UNSURE_PERCENT else "look"
    rate = f"{find_common_rate(measured_hz):.4g}"
    fix = {"words": f"Use {rate} readings a second", "field": "rate", "value": rate}
    return Finding(state, "wire", text, f"use the rate that arrives: rate={rate}", fix if float(rate) > 0 else None)


def _judge_channel(channel: Channel, counts: FloatArray, run: FloatArray, rate_hz: float) -> list[Finding]:
    low, high = float(counts.min()), float(counts.max())
    if low == high:
        return [
            Finding("bad", channel.name, f"always {low:.10g}: dead", "check its wiring, and that it is switched on")
        ]
    codes = np.unique(counts)
    step = float(np.diff(codes).min())
    n_steps = round((high - low) / step) + 1
    text = f"{low:.10g} to {high:.10g} in steps of {step:g}: {n_steps} steps in use ({np.log2(n_steps):.1f} bits)"
    text += _say_in_units(channel, low, high)
    coarse = n_steps < FEW_STEPS and channel.kind == "emg"
    findings = [
        Finding("look" if coarse else "good", channel.name, text, "raise the gain of the board" if coarse else "")
    ]
    findings += _judge_repeats(channel, run, rate_hz)
    findings += _judge_rails(channel, counts)
    if channel.kind == "emg":
        findings += _judge_emg(channel, run, rate_hz)
    return findings


def _say_in_units(channel: Channel, low: float, high: float) -> str:
    """What was seen of a force in its unit: whoever pulls knows whether that can be."""
    if channel.kind != "force" or channel.unit == "count":
        return ""
    ends = sorted((channel.scaled(np.array([low, high])) + 0.0).tolist())  # none of them is minus nothing
    said = f"; that is {ends[0]:.4g} to {ends[1]:.4g} {channel.unit}"
    if channel.unit == "N":
        said += f", as of {ends[0] / STANDARD_GRAVITY_M_PER_S2:.3g} to {ends[1] / STANDARD_GRAVITY_M_PER_S2:.3g} kg"
    return said


def _judge_repeats(channel: Channel, run: FloatArray, rate_hz: float) -> list[Finding]:
    """A board that prints more often than its converter reads: the same number over and over, in a fixed rhythm."""
    changes = np.flatnonzero(np.diff(run))
    if len(changes) < LEAST_STEPS_PER_S * len(run) / rate_hz or len(changes) < 8:
        return []
    lengths = np.diff(changes)
    usual = float(np.median(lengths))
    alike = np.abs(lengths - usual) <= max(1.0, 0.1 * usual)
    if usual < MOST_ALIKE or alike.mean() < ALIKE_SHARE:
        return []
    new_hz = rate_hz / float(lengths[alike].mean())
    text = f"each reading comes about {usual:.0f} times: {new_hz:.3g} new ones a second, in {rate_hz:g} frames/s"
    cure = "set its converter to more readings a second, or let the board print new readings only"
    return [Finding("bad" if new_hz < TOO_FEW_READINGS_HZ else "look", channel.name, text, cure)]


def _judge_rails(channel: Channel, counts: FloatArray) -> list[Finding]:
    percent = 100 * float(find_clipped(channel, counts).mean())
    if channel.rail_low_counts is None or channel.rail_high_counts is None:
        text = f"{percent:.2g} % of samples on one end of what was seen: clipped?"
        cure = f"say what its converter counts from and to, for example {channel.name}@0..1023"
        return [Finding("look", channel.name, text, cure, _offer_rails(channel, counts))] if percent else []
    if percent:
        text = f"{percent:.2g} % of samples on a rail of the converter"
        return [Finding("bad", channel.name, text, "lower the gain, or centre the signal")]
    return [Finding("good", channel.name, "nothing clipped")]


def _offer_rails(channel: Channel, counts: FloatArray) -> Fix | None:
    """The range of a converter whose first or last code is an end of what was seen; None where there is no such one."""
    low, high = float(counts.min()), float(counts.max())
    signed = [(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) for bits in BITS]
    for first, last in [*((0, 2**bits - 1) for bits in BITS if low >= 0), *signed]:
        if high == last or (low == first and low < 0):
            words = f"It counts from {first} to {last}"
            return {"words": words, "field": "rails", "channel": channel.name, "value": f"{first} to {last}"}
    return None


def find_clipped(channel: Channel, counts: FloatArray) -> NDArray[np.bool_]:
    """Which samples (n,) lie on a rail; where no rails are declared, on an end of the range that holds 5 % of them."""
    low, high = counts.min(), counts.max()
    if channel.rail_low_counts is not None and channel.rail_high_counts is not None:
        return np.asarray((counts <= channel.rail_low_counts) | (counts >= channel.rail_high_counts), dtype=np.bool_)
    clipped = np.zeros(len(counts), dtype=np.bool_)
    if len(np.unique(counts)) > FEW_STEPS:
        for stuck in (counts == low, counts == high):
            clipped |= stuck & (100 * stuck.mean() >= STUCK_PERCENT)
    return clipped


def _is_small(channel: Channel, run: FloatArray) -> bool:
    """Whether the whole signal uses less than a hundredth of the converter's range."""
    if channel.rail_low_counts is None or channel.rail_high_counts is None:
        return False
    return bool(np.ptp(run) < (channel.rail_high_counts - channel.rail_low_counts) / 100)


def _judge_emg(channel: Channel, run: FloatArray, rate_hz: float) -> list[Finding]:
    frequency, power = compute_spectrum(run, rate_hz)
    if rate_hz < 200 or not len(power):
        return []
    total = float(power[frequency >= 1].sum()) or 1.0
    slow_percent = 100 * float(power[(frequency >= 1) & (frequency < 20)].sum()) / total
    findings = []
    if channel.envelope:
        if slow_percent < 50:
            cure = f"leave out @envelope of {channel.name}"
            fix: Fix = {"words": "It is raw", "field": "envelope", "channel": channel.name, "value": False}
            findings.append(Finding("bad", channel.name, "declared an envelope, looks like raw EMG", cure, fix))
        return findings
    hum_hz, hum_percent = measure_hum(power, frequency)
    state: State = "bad" if hum_percent > HUM_BAD_PERCENT else "look" if hum_percent > HUM_LOOK_PERCENT else "good"
    if state == "bad" and _is_small(channel, run):
        state = "look"  # of a relaxed muscle's few counts any hum is a large share
    cure = "press the electrodes on, move away from mains cables, unplug the charger" if state != "good" else ""
    findings.append(Finding(state, channel.name, f"{hum_percent:.0f} % of its power is {hum_hz} Hz hum", cure))
    if slow_percent > SMOOTH_PERCENT and _is_one_sided(run):
        cure = f"if the board smooths, write {channel.name}@envelope"
        smooth: Fix = {"words": "The board smooths it", "field": "envelope", "channel": channel.name, "value": True}
        findings.append(Finding("look", channel.name, "looks like an envelope, declared raw", cure, smooth))
    elif slow_percent > SLOW_BAD_PERCENT:
        text = f"{slow_percent:.0f} % of its power lies below 20 Hz: loose or dry electrode"
        findings.append(Finding("bad", channel.name, text, "clean the skin, press the electrodes on, fix the cable"))
    return findings


def measure_hum(power: FloatArray, frequency: FloatArray) -> tuple[int, float]:
    """The stronger mains frequency, in Hz, and its share of the power above 1 Hz, in %."""
    total = float(power[frequency >= 1].sum()) or 1.0
    shares = ((mains, 100 * _line_power(power, frequency, mains) / total) for mains in (50, 60))
    return max(shares, key=lambda pair: pair[1])


def compute_spectrum(x: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Frequencies, 1 Hz apart, and mean power of Hann-windowed seconds that overlap by half (Welch 1967).

    Counts squared per Hz; empty for less than two seconds.
    """
    n = round(rate_hz)
    if len(x) < 2 * n or n < 4:
        return np.empty(0), np.empty(0)
    starts = range(0, len(x) - n + 1, n // 2)
    window = np.hanning(n)
    segments = np.array([x[start : start + n] for start in starts])
    segments = segments - segments.mean(axis=1, keepdims=True)
    power = (np.abs(np.fft.rfft(segments * window, axis=1)) ** 2).mean(axis=0)
    frequency = np.asarray(np.fft.rfftfreq(n, 1 / rate_hz), dtype=np.float64)
    return frequency, np.asarray(2 * power / (rate_hz * float(window @ window)), dtype=np.float64)


def _line_power(power: FloatArray, frequency: FloatArray, mains_hz: float) -> float:
    """Power within 1.5 Hz of the mains frequency and its harmonics, above that of the neighbouring 4 Hz."""
    total = 0.0
    for harmonic in np.arange(mains_hz, frequency[-1] - 5, mains_hz):
        apart = np.abs(frequency - harmonic)
        line = power[apart <= 1.5]
        around = float(np.median(power[(apart > 1.5) & (apart <= 5.5)]))
        total += max(0.0, float(line.sum()) - around * len(line))
    return total


def _is_one_sided(x: FloatArray) -> bool:
    """An envelope rises from its floor; raw EMG swings to both sides."""
    low, middle, high = np.percentile(x, [1, 50, 99])
    return bool(high - middle > 2 * (middle - low))


def draw_strip(x: FloatArray, *, width: int = 60) -> str:
    """A channel over time in one line of text: higher blocks are higher values, a blank is no data."""
    if not len(x) or x.min() == x.max():
        return "─" * width if len(x) else " " * width
    means = [float(part.mean()) if len(part) else None for part in np.array_split(x, width)]
    seen = [mean for mean in means if mean is not None]
    low, span = min(seen), (max(seen) - min(seen)) or 1.0
    return "".join(" " if mean is None else "▁▂▃▄▅▆▇█"[min(7, int(8 * (mean - low) / span))] for mean in means)
