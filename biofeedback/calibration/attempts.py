"""One maximal attempt: its value, and whether to believe it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from biofeedback.account.values import Attempt
from biofeedback.calibration.attempt_sensor import Seen, check_clipping, see_sensor
from biofeedback.calibration.attempt_values import (
    BASELINE_S,
    BEST_S,
    HALF,
    Samples,
    above_baseline,
    is_quadratic,
)
from biofeedback.calibration.attempt_whitener import learn_whitener
from biofeedback.model import Channel, Flag, FlagArray, FloatArray

FORCE_SPIKE_PERCENT = 25.0  # a 0.1 s jerk this high lifts the 0.5 s mean by 5 %, the tolerance of the rule below
EMG_SPIKE_PERCENT = 60.0  # a 250 ms RMS wanders by itself: four times its 5 % random error, and tremor
FORCE_BOUNCE_PERCENT, EMG_BOUNCE_PERCENT = 8.0, 50.0  # above what lies beside it; real holds reach 3 and 26 %
MOVING_PERCENT = 5.0
SIGNIFICANT_SD = 6.0


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
    seen = see_sensor(levels, flags, n_baseline, channel=channel, samples=samples) if is_measurable else Seen(levels)
    measured = (
        _measure(seen.levels, n_baseline, n_best, level_rate_hz, channel)
        if is_measurable
        else _Measured(duration_s=max(0, len(levels) - n_baseline) / level_rate_hz)
    )
    beside = _find_beside(seen.levels[n_baseline:], n_best, level_rate_hz, measured, channel)
    checks = (
        _check_gap(n_missing / level_rate_hz),
        "" if samples is not None else check_clipping(np.count_nonzero(flags & Flag.CLIPPED) / level_rate_hz),
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
        whitener = learn_whitener(seen.look, samples, channel, n_baseline, n_best)
    return Attempt(
        channel=channel.name,
        unit=channel.unit,
        accepted=not reason,
        reason=reason,
        told=seen.told,
        whitener=whitener,
        **asdict(measured),
    )


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
    if beside is None or measured.value is None or beside <= 0:
        return ""
    excess_percent = 100 * (measured.value / beside - 1)
    if excess_percent <= limit_percent:
        return ""
    return (
        f"a bounce: the best {BEST_S:g} s are {excess_percent:.0f} % above what lies beside them; {limit_percent:g} % "
        "is allowed; build up, then hold without a bounce"
    )


def _check_gap(missing_s: float) -> str:
    return f"attempt has a gap of {missing_s:.2f} s; check the cable or radio, then repeat" if missing_s else ""


def _check_zero(measured: _Measured, unit: str) -> str:
    if measured.value is None or measured.baseline_sd is None:
        return ""
    if measured.value <= 0:
        return (
            f"the push never rose above rest but fell to {measured.value:.3g} {unit}; relax until the countdown "
            "ends, and check that the sensor is loaded and its factor has the right sign"
        )
    least = SIGNIFICANT_SD * measured.baseline_sd
    if measured.value > least:
        return ""
    return (
        f"the push never rose clearly above rest: by {measured.value:.3g} {unit}, and more than {least:.3g} is needed "
        f"({SIGNIFICANT_SD:g} times what rest varies by); check that the sensor is loaded, then push"
    )


def rose(attempt: Attempt) -> bool:
    """Whether there was a push at all: the number came clearly above rest, or nobody can say."""
    if attempt.value is None or attempt.baseline_sd is None:
        return True
    return attempt.value > max(0.0, SIGNIFICANT_SD * attempt.baseline_sd)


def _check_duration(measured: _Measured, needed_s: float) -> str:
    if measured.value is not None and measured.duration_s >= needed_s - 1e-9:
        return ""
    return f"the push lasted {measured.duration_s:.2f} s; {needed_s:g} s are needed; hold longer"


def _check_spike(measured: _Measured, limit_percent: float) -> str:
    if measured.value is None or measured.peak is None or measured.value <= 0:
        return ""
    excess_percent = 100 * (measured.peak / measured.value - 1)
    if excess_percent <= limit_percent:
        return ""
    return (
        f"a jerk: its peak is {excess_percent:.0f} % above the best {BEST_S:g} s mean; {limit_percent:g} % is allowed; "
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
        "moved": 100 * abs(float(t @ levels / (t @ t))) / value,
        "shook": 100 * float(np.std(detrended(levels), ddof=1)) / value,
    }
    for verb, percent in moved.items():
        if percent > limit_percent:
            return (
                f"before the push, rest {verb} by {percent:.1f} % of the effort; {limit_percent:g} % is "
                "allowed; relax until the countdown ends, then push"
            )
    return ""


def default_spike_percent(channel: Channel) -> float:
    """Largest believable excess of the peak over the best 0.5 s mean, by kind."""
    return EMG_SPIKE_PERCENT if channel.kind == "emg" else FORCE_SPIKE_PERCENT


def longest_run(mask: np.ndarray[Any, np.dtype[np.bool_]]) -> int:
    """Length of the longest unbroken run of True in a mask of shape ``(n,)``."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return int(np.max(edges[1::2] - edges[::2], initial=0))
