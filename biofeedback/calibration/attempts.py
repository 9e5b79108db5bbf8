"""Maximal attempts: the value of one, whether to believe it, and when several make a maximum."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from biofeedback.account.values import Attempt, Whitener
from biofeedback.model import Channel, Flag, FlagArray, FloatArray
from biofeedback.signal.artefacts import EmgLook, find_jumps, look_at_emg
from biofeedback.signal.emg import RMS_S
from biofeedback.signal.quality import SPIKE_REACH
from biofeedback.signal.rails import find_rail
from biofeedback.signal.whiten import PLAIN_BELOW, WHOLE_ABOVE, learn_whitening

BASELINE_S = 1.0  # the countdown's last second, before the push
BEST_S = 0.5  # an instant peak is 7-15 % too high in real recordings; a half-second mean is not
IMPROVING_PERCENT = 2.0  # a last attempt better by more asks for one more, in a graded maximum; common practice
HALF = 0.5  # an attempt lasts while it is above half of its value
FORCE_SPIKE_PERCENT = 25.0  # a 0.1 s jerk this high lifts the 0.5 s mean by 5 %, the tolerance of the rule below
EMG_SPIKE_PERCENT = 60.0  # a 250 ms RMS wanders by itself: four times its 5 % random error, and tremor
FORCE_BOUNCE_PERCENT, EMG_BOUNCE_PERCENT = 8.0, 50.0  # above what lies beside it; real holds reach 3 and 26 %
MOVING_PERCENT = 5.0
SIGNIFICANT_SD = 6.0
EMG_TOLERANCE_PERCENT = 20.0  # between the two best: an EMG repeats half as well as a force; common practice, no source
HUM_PERCENT = 15.0  # of the power: lifts an RMS by 8 %
LOOSE_PERCENT = 50.0  # of the power below 20 Hz
MOST_CUT_PERCENT = 20.0  # of the push
RING_S, ENVELOPE_RING_S = 0.10, 0.25  # how long a jump lasts in a level, by the filters' own settling


@dataclass(frozen=True, slots=True)
class MaximumVerdict:
    """What the attempts so far amount to.

    ``strength`` is the maximum once ``state`` is "accepted", else None; ``best`` is the best accepted attempt so far
    and ``best_index`` its place among all attempts. ``n_more`` is how many further attempts are asked for (at most).
    """

    state: Literal["more", "accepted", "unsettled"]
    strength: float | None
    n_more: int
    reason: str
    best: float | None
    best_index: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """What one channel sent: ``counts`` (n_frames,), NaN where missing, up to the end of the levels of an attempt.

    ``hop`` frames make a level. What lies before the first level, a second or so, lets the filters settle.
    ``mains_hz`` is what the notch takes out of raw EMG.
    """

    counts: FloatArray
    rate_hz: float
    hop: int
    mains_hz: float | None = None


def judge_attempt(
    levels: FloatArray,
    flags: FlagArray,
    level_rate_hz: float,
    *,
    channel: Channel,
    samples: Samples | None = None,
    needed_s: float = 3.0,
    spike_percent: float | None = None,
    moving_percent: float = MOVING_PERCENT,
) -> Attempt:
    """Judge one channel of one attempt; ``levels`` and ``flags`` have shape ``(n,)``.

    The sensor is judged first, the athlete last: whoever pushed against a rail has not pushed badly. What no muscle
    does and what lasted shortly is cut out, told, and costs nothing.

    Parameters
    ----------
    levels, flags
        From the start of the countdown's last second (which is the baseline) to the end of the push.
    samples
        What the levels were made from. Without them only the flags tell of the sensor, those of hum and electrode
        of all but the last second.
    needed_s
        Least time above half of the attempt's value; 3 s, common practice. Give the push phase a second more, for
        reaction and build-up.
    spike_percent
        Largest excess of the peak over the best 0.5 s mean: 25 % for force (a 0.1 s jerk of that height lifts the mean
        by 5 %), 60 % for EMG, whose RMS wanders by itself. Common practice, no source.
    moving_percent
        Largest trend over the baseline's second, and largest SD about it, in % of the attempt's value. Common practice.
    """
    n_baseline = max(2, round(BASELINE_S * level_rate_hz))
    n_missing = int(np.count_nonzero((flags & Flag.MISSING).astype(bool) | ~np.isfinite(levels)))
    n_best = max(1, round(BEST_S * level_rate_hz))
    is_measurable = not n_missing and len(levels) >= n_baseline + n_best
    seen = _look(levels, flags, n_baseline, channel=channel, samples=samples) if is_measurable else _Seen(levels)
    measured = (
        _measure(seen.levels, n_baseline, n_best, level_rate_hz, channel)
        if is_measurable
        else _Measured(duration_s=max(0, len(levels) - n_baseline) / level_rate_hz)
    )
    beside = _find_beside(seen.levels[n_baseline:], n_best, level_rate_hz, measured, channel)
    checks = (
        _check_gap(n_missing / level_rate_hz),
        "" if samples is not None else _check_clipping(np.count_nonzero(flags & Flag.CLIPPED) / level_rate_hz),
        seen.reason,
        _check_zero(measured, channel.unit),
        _check_duration(measured, needed_s),
        _check_spike(measured, default_spike_percent(channel) if spike_percent is None else spike_percent),
        _check_bounce(measured, beside, EMG_BOUNCE_PERCENT if channel.kind == "emg" else FORCE_BOUNCE_PERCENT),
        check_baseline(seen.levels[:n_baseline], measured.value, moving_percent),
    )
    reason = next((check for check in checks if check), "")
    whitener = None
    if not reason and seen.look is not None and samples is not None and measured.value is not None:
        whitener = _learn_whitener(seen.look, samples, channel, n_baseline, n_best)
    return Attempt(
        channel=channel.name,
        unit=channel.unit,
        accepted=not reason,
        reason=reason,
        told=seen.told,
        whitener=whitener,
        **asdict(measured),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """An attempt's levels without what no muscle does; why its sensor could not measure it; what was cut out."""

    levels: FloatArray
    reason: str = ""
    told: str = ""
    look: EmgLook | None = None


def _learn_whitener(look: EmgLook, samples: Samples, channel: Channel, n_baseline: int, n_best: int) -> Whitener | None:
    """The filter that makes this channel's levels steadier, scaled so that the attempt's value stays.

    None where it does not pay. Learnt from the push where it is above half of its strength, without what was cut out,
    and from the quietest half second before it.
    """
    hop, n_levels = look.hop, len(look.level)
    hops = look.filtered[-n_levels * hop :].reshape(n_levels, hop)
    strong = (look.level > HALF * np.nanmax(look.level)) & ~look.spoilt
    strong[:n_baseline] = False
    before, n_rest = look.filtered[: len(look.filtered) - (n_levels - n_baseline) * hop], n_best * hop
    rests = [before[at : at + n_rest] for at in range(0, len(before) - n_rest + 1, max(1, n_rest // 2))]
    rest = min(rests, key=lambda part: float(np.std(part)), default=before)
    value = _find_value(look.level, n_baseline, n_best)
    learnt = learn_whitening(hops[strong].ravel(), rest, samples.rate_hz, maximum=value)
    if learnt is None:
        return None
    level = look.measure_level(np.convolve(look.filtered, learnt.coefficients)[: len(look.filtered)])[-n_levels:]
    rest_square = float(np.mean(learnt.rest**2))
    best = _find_best(level, n_baseline, n_best)
    if best**2 <= rest_square:
        return None
    scale = value / math.sqrt(best**2 - rest_square)
    unit = abs(channel.factor)  # the samples were looked at as they were sent
    return Whitener(
        tuple((scale * learnt.coefficients).tolist()),
        samples.rate_hz,
        rest_excess=unit**2 * max(0.0, scale**2 * rest_square - float(np.mean(rest**2))),
        plain_below=unit * PLAIN_BELOW * value,
        whole_above=unit * WHOLE_ABOVE * value,
        bandwidth_before_hz=learnt.bandwidth_before_hz,
        bandwidth_after_hz=learnt.bandwidth_after_hz,
    )


def _find_best(levels: FloatArray, n_baseline: int, n_best: int) -> float:
    """Best half second of an RMS in the push."""
    push = _bridged(levels, ~np.isfinite(levels))[n_baseline:]
    return float(np.convolve(push, np.ones(n_best) / n_best, "valid").max())


def _find_value(levels: FloatArray, n_baseline: int, n_best: int) -> float:
    """Best half second of an RMS above its baseline; 0 where it is not."""
    baseline = float(np.nanmean(levels[:n_baseline]))
    return math.sqrt(max(0.0, _find_best(levels, n_baseline, n_best) ** 2 - baseline**2))


def _look(levels: FloatArray, flags: FlagArray, n_baseline: int, *, channel: Channel, samples: Samples | None) -> _Seen:
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
        levels = _bridged(levels, ~np.isfinite(levels))
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
        levels = _bridged(levels, cut)
    reason = reason or _check_flat(flags[n_baseline:], level_rate_hz)
    cut_s = float(np.count_nonzero(cut[n_baseline:])) / level_rate_hz
    if 100 * cut_s > MOST_CUT_PERCENT * (len(levels) - n_baseline) / level_rate_hz:
        reason = reason or (
            f"{cut_s:.1f} s of the push are jumps that no muscle makes; fasten cable, strap and electrodes, then repeat"
        )
    told = [f"{cut_s:.2f} s with a jump that no muscle makes"] if cut_s else []
    told += [f"{n_glitches} single glitch reading{'s' if n_glitches != 1 else ''}"] if n_glitches else []
    return _Seen(levels, reason, f"{' and '.join(told)} cut out" if told else "", look)


def _bridged(levels: FloatArray, cut: NDArray[np.bool_]) -> FloatArray:
    """A straight line across what was cut out."""
    if not cut.any() or cut.all():
        return np.nan_to_num(levels) if cut.all() else levels
    at = np.arange(len(levels))
    return np.where(cut, np.interp(at, at[~cut], levels[~cut]), levels)


def _filled(counts: FloatArray) -> FloatArray:
    """Missing readings before the attempt held at their neighbours; the attempt itself has none."""
    return _bridged(counts, ~np.isfinite(counts))


def _check_ends(channel: Channel, counts: FloatArray, rate_hz: float, cut: NDArray[np.bool_]) -> str:
    """Whether the counts (n,) show an end of the range, declared or not; ``cut`` hops do not count."""
    kept = counts.reshape(len(cut), -1)[~cut].ravel()
    rails = (channel.rail_high_counts, channel.rail_low_counts)
    for side, rail in zip((1, -1), rails, strict=True):
        if rail is not None and (clipped_s := np.count_nonzero(side * kept >= side * rail) / rate_hz):
            return _check_clipping(clipped_s)
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


@dataclass(frozen=True, slots=True)
class _Measured:
    """The numbers of an attempt; None where it is too short or has a gap."""

    duration_s: float
    value: float | None = None
    peak: float | None = None
    baseline: float | None = None
    baseline_sd: float | None = None
    best_from_s: float | None = None


def _measure(levels: FloatArray, n_baseline: int, n_best: int, level_rate_hz: float, channel: Channel) -> _Measured:
    baseline, push = float(np.mean(levels[:n_baseline])), levels[n_baseline:]
    sums = np.concatenate(([0.0], np.cumsum(push)))
    means = (sums[n_best:] - sums[:-n_best]) / n_best
    best_at = int(np.argmax(means))
    value = above_baseline(float(means[best_at]), baseline, channel)
    half = np.hypot(HALF * value, baseline) if is_quadratic(channel) else baseline + HALF * value
    return _Measured(
        duration_s=longest_run(push > half) / level_rate_hz if value > 0 else 0.0,
        value=value,
        peak=above_baseline(float(np.max(push)), baseline, channel),
        baseline=baseline,
        baseline_sd=float(np.std(detrended(levels[:n_baseline]), ddof=1)),
        best_from_s=best_at / level_rate_hz,
    )


def _find_beside(
    push: FloatArray, n_best: int, level_rate_hz: float, measured: _Measured, channel: Channel
) -> float | None:
    """The better of the half seconds right before and right after the best one, above baseline; None without either."""
    if measured.best_from_s is None or measured.baseline is None:
        return None
    at = round(measured.best_from_s * level_rate_hz)
    beside = [push[first : first + n_best] for first in (at - n_best, at + n_best) if first >= 0]
    means = [float(part.mean()) for part in beside if len(part) == n_best]
    return above_baseline(max(means), measured.baseline, channel) if means else None


def _check_bounce(measured: _Measured, beside: float | None, limit_percent: float) -> str:
    if not beside or measured.value is None or beside <= 0:
        return ""
    excess_percent = 100 * (measured.value / beside - 1)
    if excess_percent <= limit_percent:
        return ""
    return (
        f"the best {BEST_S:g} s are {excess_percent:.0f} % above what lies beside them; {limit_percent:g} % is "
        "allowed; build up, then hold without a bounce"
    )


def _check_gap(missing_s: float) -> str:
    return f"attempt has a gap of {missing_s:.2f} s; check the cable or radio, then repeat" if missing_s else ""


def _check_zero(measured: _Measured, unit: str) -> str:
    if measured.value is None or measured.baseline_sd is None:
        return ""
    if measured.value <= 0:
        return (
            f"the push is not above the baseline but at {measured.value:.3g} {unit}; relax until the countdown "
            "ends, and check that the sensor is loaded and its factor has the right sign"
        )
    least = SIGNIFICANT_SD * measured.baseline_sd
    if measured.value > least:
        return ""
    return (
        f"the maximum would be {measured.value:.3g} {unit}; more than {least:.3g}, {SIGNIFICANT_SD:g} times the "
        "baseline's scatter, is needed; check that the sensor is loaded, then push"
    )


def _check_duration(measured: _Measured, needed_s: float) -> str:
    if measured.value is not None and measured.duration_s >= needed_s - 1e-9:
        return ""
    return f"attempt lasts {measured.duration_s:.2f} s; {needed_s:g} s are needed; hold longer"


def _check_clipping(clipped_s: float) -> str:
    if not clipped_s:
        return ""
    return (
        f"{clipped_s:.2f} s of the attempt lie on the converter's rail, nothing beyond it is measured; "
        "lower the gain or use a larger sensor"
    )


def _check_spike(measured: _Measured, limit_percent: float) -> str:
    if measured.value is None or measured.peak is None or measured.value <= 0:
        return ""
    excess_percent = 100 * (measured.peak / measured.value - 1)
    if excess_percent <= limit_percent:
        return ""
    return (
        f"the peak is {excess_percent:.0f} % above the best {BEST_S:g} s mean; {limit_percent:g} % is allowed; "
        "build up within a second and hold, do not jerk"
    )


def detrended(levels: FloatArray) -> FloatArray:
    """``levels`` (n,) without their mean and straight-line trend."""
    t = np.linspace(-0.5, 0.5, len(levels))
    return np.asarray(levels - levels.mean() - t * (t @ levels / (t @ t)))


def check_baseline(levels: FloatArray, value: float | None, limit_percent: float = MOVING_PERCENT) -> str:
    """Why the baseline ``levels`` (n,) moves too much for an effort of ``value``; empty when it is still."""
    if not value:
        return ""
    t = np.linspace(-0.5, 0.5, len(levels))
    moved = {
        "moves": 100 * abs(float(t @ levels / (t @ t))) / value,
        "scatters": 100 * float(np.std(detrended(levels), ddof=1)) / value,
    }
    for verb, percent in moved.items():
        if percent > limit_percent:
            return (
                f"the baseline {verb} by {percent:.1f} % of the effort before the push; {limit_percent:g} % is "
                "allowed; relax until the countdown ends, then push"
            )
    return ""


def judge_maximum(
    attempts: Sequence[Attempt],
    *,
    tolerance_percent: float = 5.0,
    n_needed: int = 3,
    n_extra: int = 2,
    improving_percent: float | None = None,
) -> MaximumVerdict:
    """Say whether the attempts on one channel settle its maximum; refused and rejected ones do not count.

    Settled when at least ``n_needed`` are good and the two best differ by at most ``tolerance_percent`` of the better
    one (5 %; 10 % for a hand-held dynamometer: common practice, no single source). Else up to ``n_extra`` more; if the
    last of those is best by more than the tolerance the athlete may still be improving: one more. With
    ``improving_percent`` the last one that is best by more than that asks for one more as well, up to ``n_extra``.
    """
    good = [(a.value, index) for index, a in enumerate(attempts) if a.accepted and a.value is not None]
    ranked = sorted(good, key=lambda pair: (-pair[0], pair[1]))
    best, best_index = ranked[0] if ranked else (None, None)

    def verdict(state: Literal["more", "accepted", "unsettled"], n_more: int, reason: str) -> MaximumVerdict:
        return MaximumVerdict(state, best if state == "accepted" else None, n_more, reason, best, best_index)

    if len(good) < n_needed or best is None or len(ranked) < 2:
        n_more = max(n_needed, 2) - len(good)
        return verdict("more", n_more, f"{len(good)} good attempts; {n_needed} are needed; {n_more} more")
    differ_percent = 100 * (best - ranked[1][0]) / best
    is_rising = (
        improving_percent is not None
        and best_index == good[-1][1]
        and 100 * (best / ranked[1][0] - 1) > improving_percent + 1e-9
        and len(good) < n_needed + n_extra
    )
    if is_rising and differ_percent <= tolerance_percent:
        return verdict("more", 1, f"the last attempt was the best by {differ_percent:.1f} %; one more")
    if differ_percent <= tolerance_percent + 1e-9:
        return verdict(
            "accepted", 0, f"the two best differ by {differ_percent:.1f} %; {tolerance_percent:g} % is allowed"
        )
    differ = f"the two best differ by {differ_percent:.1f} %; {tolerance_percent:g} % is allowed"
    last_is_best = best_index == good[-1][1]
    n_left = n_needed + n_extra - len(good)
    if last_is_best and n_left >= 0:
        return verdict("more", 1, f"{differ}; the last attempt was the best; one more")
    if n_left > 0:
        return verdict("more", n_left, f"{differ}; up to {n_left} more")
    return verdict("unsettled", 0, f"{differ}; rest, check position and strap, and find the maximum again")


def is_quadratic(channel: Channel) -> bool:
    """Whether noise adds to the channel's level in quadrature (raw EMG's RMS) rather than linearly."""
    return channel.kind == "emg" and not channel.envelope


def above_baseline(level: float, baseline: float, channel: Channel) -> float:
    """Level above baseline: linear, or sqrt(max(0, level^2 - baseline^2)) for the RMS of raw EMG."""
    return float(np.sqrt(max(0.0, level**2 - baseline**2))) if is_quadratic(channel) else level - baseline


def default_spike_percent(channel: Channel) -> float:
    """Largest believable excess of the peak over the best 0.5 s mean, by kind."""
    return EMG_SPIKE_PERCENT if channel.kind == "emg" else FORCE_SPIKE_PERCENT


def longest_run(mask: np.ndarray[Any, np.dtype[np.bool_]]) -> int:
    """Length of the longest unbroken run of True in a mask of shape ``(n,)``."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return int(np.max(edges[1::2] - edges[::2], initial=0))
