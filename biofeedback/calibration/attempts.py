"""Maximal attempts: the value of one, whether to believe it, and when several make a maximum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from biofeedback.account.values import Attempt
from biofeedback.model import Channel, Flag, FlagArray, FloatArray

BASELINE_S = 1.0  # the countdown's last second, before the push
BEST_S = 0.5  # an instant peak is 7-15 % too high in real recordings; a half-second mean is not
HALF = 0.5  # an attempt lasts while it is above half of its value
FORCE_SPIKE_PERCENT = 25.0  # a 0.1 s jerk this high lifts the 0.5 s mean by 5 %, the tolerance of the rule below
EMG_SPIKE_PERCENT = 60.0  # a 250 ms RMS wanders by itself: four times its 5 % random error, and tremor
MOVING_PERCENT = 5.0
SIGNIFICANT_SD = 6.0


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


def judge_attempt(
    levels: FloatArray,
    flags: FlagArray,
    level_rate_hz: float,
    *,
    channel: Channel,
    needed_s: float = 3.0,
    spike_percent: float | None = None,
    moving_percent: float = MOVING_PERCENT,
) -> Attempt:
    """Judge one channel of one attempt; ``levels`` and ``flags`` have shape ``(n,)``.

    Parameters
    ----------
    levels, flags
        From the start of the countdown's last second (which is the baseline) to the end of the push.
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
    measured = (
        _measure(levels, n_baseline, n_best, level_rate_hz, channel)
        if is_measurable
        else _Measured(duration_s=max(0, len(levels) - n_baseline) / level_rate_hz)
    )
    checks = (
        _check_gap(n_missing / level_rate_hz),
        _check_zero(measured, channel.unit),
        _check_duration(measured, needed_s),
        _check_clipping(np.count_nonzero(flags & Flag.CLIPPED) / level_rate_hz),
        _check_spike(measured, default_spike_percent(channel) if spike_percent is None else spike_percent),
        check_baseline(levels[:n_baseline], measured.value, moving_percent),
    )
    reason = next((check for check in checks if check), "")
    return Attempt(channel=channel.name, unit=channel.unit, accepted=not reason, reason=reason, **asdict(measured))


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
    attempts: Sequence[Attempt], *, tolerance_percent: float = 5.0, n_needed: int = 3, n_extra: int = 2
) -> MaximumVerdict:
    """Say whether the attempts on one channel settle its maximum; refused and rejected ones do not count.

    Settled when at least ``n_needed`` are good and the two best differ by at most ``tolerance_percent`` of the better
    one (5 %; 10 % for a hand-held dynamometer: common practice, no single source). Else up to ``n_extra`` more; if the
    last of those is best by more than the tolerance the athlete may still be improving: one more.
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
