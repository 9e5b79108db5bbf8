"""Whether the sensor could measure an attempt: ends of its range, hum, loose electrodes, jumps that no muscle makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from biofeedback.calibration.attempt_values import BASELINE_S, Samples, bridge, is_quadratic
from biofeedback.model import Channel, Flag, FlagArray, FloatArray
from biofeedback.signal.artefacts import SLOWEST_RATE_HZ, EmgLook, find_jumps, look_at_emg
from biofeedback.signal.emg import RMS_S
from biofeedback.signal.rails import find_rail
from biofeedback.signal.spikes import SPIKE_REACH

HUM_PERCENT = 15.0  # of the power: lifts an RMS by 8 %
LOOSE_PERCENT = 50.0  # of the power below 20 Hz
MOST_CUT_PERCENT = 20.0  # of the push
FEW_BEYOND = 4  # readings beyond a declared end: it was declared wrongly; fewer may be glitches
LINE_PERCENT = 0.05  # of the value, the SD about the straightest second's line: real holds 0.28 and more
LINE_S, LINE_MEANS_S, LINE_SLOPE_PERCENT, LINE_TIMES_SD, LINE_TOP = 1.0, 0.05, 0.1, 5.0, 0.85
RING_S, ENVELOPE_RING_S = 0.10, 0.25  # how long a jump lasts in a level, by the filters' own settling


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """An attempt's levels without what no muscle does; why its sensor could not measure it; what was cut out."""

    levels: FloatArray
    reason: str = ""
    told: str = ""
    look: EmgLook | None = None


def see_sensor(
    levels: FloatArray, flags: FlagArray, n_baseline: int, *, channel: Channel, samples: Samples | None
) -> Seen:
    """What the sensor did in an attempt without gaps, of which ``n_baseline`` levels lie before the push."""
    level_rate_hz = n_baseline / BASELINE_S
    reason = ""
    cut: NDArray[np.bool_] = (flags & Flag.SPIKE).astype(bool)
    cut[:-SPIKE_REACH] |= cut[SPIKE_REACH:]  # the flag comes when the hops after the jump have come
    n_glitches = 0
    look: EmgLook | None = None
    if is_quadratic(channel) and samples is not None:
        n_hops = len(samples.counts) // samples.hop
        counts = _filled(samples.counts[-n_hops * samples.hop :])
        look = look_at_emg(
            counts,
            samples.rate_hz,
            hop=samples.hop,
            n_window=max(1, round(RMS_S * level_rate_hz)),
            n_lead=n_hops - len(levels),
            mains_hz=samples.mains_hz,
        )
        levels, cut, n_glitches = look.level * abs(channel.factor), look.spoilt, look.n_glitches
        reason = _check_ends(channel, look.repaired[-len(levels) * samples.hop :], samples.rate_hz, cut)
        reason = reason or _check_hum(100 * look.hum_share) or _check_loose(100 * look.slow_share)
        levels = bridge(levels, ~np.isfinite(levels))
    else:
        if is_quadratic(channel):
            late = flags[n_baseline + round(level_rate_hz) :]  # a verdict is told a second after what it is about
            reason = _check_hum(100.0 * bool((late & Flag.HUM).any()))
            reason = reason or _check_loose(100.0 * bool((late & Flag.ELECTRODE).any()))
        elif samples is not None:
            counts = _filled(samples.counts[-len(levels) * samples.hop :])
            cut = find_jumps(counts, samples.rate_hz, samples.hop)
            reason = _check_ends(channel, counts, samples.rate_hz, cut)
        ring_s = ENVELOPE_RING_S if channel.kind == "emg" else RING_S
        cut = np.convolve(cut, np.ones(1 + round(ring_s * level_rate_hz)))[: len(levels)] > 0
        cut[:-1] |= cut[1:]  # the hop before, of which half may be it
        levels = bridge(levels, cut)
        if samples is not None:
            reason = reason or _check_line(channel, counts, n_baseline, samples)
    reason = reason or _check_flat(flags[n_baseline:], level_rate_hz)
    cut_s = float(np.count_nonzero(cut[n_baseline:])) / level_rate_hz
    if 100 * cut_s > MOST_CUT_PERCENT * (len(levels) - n_baseline) / level_rate_hz:
        reason = reason or (
            f"{cut_s:.1f} s of the push are jumps that no muscle makes; fasten cable, strap and electrodes, then repeat"
        )
    told = [f"{cut_s:.2f} s with a jump that no muscle makes"] if cut_s else []
    told += [f"{n_glitches} single glitch reading{'s' if n_glitches != 1 else ''}"] if n_glitches else []
    return Seen(levels, reason, f"{' and '.join(told)} cut out" if told else "", look)


def _filled(counts: FloatArray) -> FloatArray:
    """Missing readings before the attempt held at their neighbours; the attempt itself has none."""
    return bridge(counts, ~np.isfinite(counts))


def _check_ends(channel: Channel, counts: FloatArray, rate_hz: float, cut: NDArray[np.bool_]) -> str:
    """Whether the counts (n,) show an end of the range, declared or not; ``cut`` hops do not count."""
    kept = counts.reshape(len(cut), -1)[~cut].ravel()
    rails = (channel.rail_high_counts, channel.rail_low_counts)
    for side, rail in zip((1, -1), rails, strict=True):
        if rail is not None and (clipped_s := np.count_nonzero(side * kept >= side * rail) / rate_hz):
            if np.count_nonzero(side * kept > side * rail) >= FEW_BEYOND:
                return (
                    f"the sensor sent {side * (side * kept).max():.10g}, and its converter was said to end at "
                    f'{rail:.10g}: correct what it "counts from, to", or leave it empty; the push is not to blame'
                )
            return check_clipping(clipped_s)
    for side in (1, -1) if is_quadratic(channel) else (1 if channel.factor > 0 else -1,):
        end = find_rail(kept, rate_hz, side=side, is_emg=is_quadratic(channel))
        if end is not None:
            clipped_s, last = np.count_nonzero(side * kept >= side * end) / rate_hz, side * (side * kept).max()
            return (
                f"{clipped_s:.2f} s of the attempt lie on one end, {last:.10g} as sent, nothing beyond it measured: "
                "the sensor or its amplifier ends there; lower the gain or use a larger sensor"
            )
    return ""


def _check_flat(flags: FlagArray, level_rate_hz: float) -> str:
    flat_s = np.count_nonzero(flags & Flag.FLAT) / level_rate_hz
    if not flat_s:
        return ""
    return (
        "the reading did not change for a second during the push, and no force is that steady; check that the sensor "
        "is connected and not at its end"
    )


def _check_line(channel: Channel, counts: FloatArray, n_baseline: int, samples: Samples) -> str:
    """Whether a second at the top of the push is a sloping line, straighter than an effort can be.

    So looks an end of the range that drifts with temperature or supply, or that comes gradually. A level line is a
    heap at an end, or stands still. Slow boards are not judged: theirs may be means over a second.
    """
    n_mean, n = max(1, round(LINE_MEANS_S * samples.rate_hz)), round(LINE_S / LINE_MEANS_S)
    readings = counts if channel.factor > 0 else -counts
    push = readings[n_baseline * samples.hop :]
    means = push[: len(push) // n_mean * n_mean].reshape(-1, n_mean).mean(axis=1)
    if samples.rate_hz < SLOWEST_RATE_HZ or len(means) < n:
        return ""
    baseline = float(np.mean(readings[: n_baseline * samples.hop]))
    value = float(np.quantile(means, 0.95)) - baseline  # a jump is no effort
    seconds = np.lib.stride_tricks.sliding_window_view(means - baseline, n)
    seconds = seconds[seconds.min(axis=1) > LINE_TOP * value]
    t = np.linspace(-0.5, 0.5, n)
    rise = (seconds @ t) / (t @ t)  # within each second
    about = np.std(seconds - np.outer(rise, t), axis=1)
    if not (
        (about <= LINE_PERCENT / 100 * value)
        & (np.abs(rise) >= np.maximum(LINE_SLOPE_PERCENT / 100 * value, LINE_TIMES_SD * about))
    ).any():
        return ""
    return (
        "a second of the push is a straight line, and no force is that steady: the sensor or its amplifier ends there; "
        "lower the gain or use a larger sensor"
    )


def _check_hum(percent: float) -> str:
    if percent <= HUM_PERCENT:
        return ""
    return (
        f"mains hum carries {percent:.0f} % of the push; {HUM_PERCENT:g} % is allowed; run the computer from its "
        "battery, move away from mains leads, press the electrodes on"
        if percent < 100
        else "mains hum carries most of the push; run the computer from its battery, move away from mains leads, press "
        "the electrodes on"
    )


def _check_loose(percent: float) -> str:
    if percent <= LOOSE_PERCENT:
        return ""
    return "most of the push lies below 20 Hz: an electrode is loose or dry; press it on or replace it, then repeat"


def check_clipping(clipped_s: float) -> str:
    """Why an attempt with so many seconds on the converter's rail does not count."""
    if not clipped_s:
        return ""
    return (
        f"for {clipped_s:.2f} s the sensor was at its end (the converter's rail), and nothing beyond it is measured; "
        "lower the gain or use a larger sensor"
    )
