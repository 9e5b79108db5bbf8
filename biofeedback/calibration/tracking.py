"""How well an effort followed what was asked, with the number shown and without: the measures of force matching.

Constant error: mean of effort minus target; RMS error: root of the mean squared distance from the target; CV: SD over
mean. Target is the middle of the band. Without seeing it the distance from the target grows while the CV stays (Eur J
Appl Physiol 115 (2015) 507, abstract read). Onset: the first stay above rest + 3 SD (Hodges & Bui,
Electroencephalogr Clin Neurophysiol 101 (1996) 511, from memory), less what the filter holds back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from biofeedback.account.target import Target
from biofeedback.model import FloatArray

ONSET_SDS = 3.0
ONSET_STAY_S = 0.05  # above (or below) for so long is no flicker
GONE_SHARE = 0.1  # of a contraction: less of it counts as let go (common practice)
STEADY_S = 3.0
STEADY_CV_PERCENT = 25.0  # of what lies above rest, over 3 s: steady for who is looking for a muscle (common practice)
LEAST_SD_SHARE = 1e-9


@dataclass(frozen=True, slots=True)
class Tracking:
    """Errors in points of % of maximum over ``seconds`` of known effort; ``kept``: RMS error within half the band."""

    seconds: float
    constant_error: float | None = None
    rms_error: float | None = None
    cv_percent: float | None = None
    kept: bool = False


def measure_tracking(
    percent: FloatArray, target: Target, level_rate_hz: float, *, blind: bool, grace_s: float = 0.0
) -> Tracking:
    """Effort (n,) of one phase against its target, in the blind stretches or outside them, after the grace.

    The CV is of effort relative to where the target is, so that a ramp is not taken for unsteadiness.
    """
    low, high = target.level_edges(percent.size, level_rate_hz)
    counted = np.isfinite(percent) & (target.blind_levels(percent.size, level_rate_hz) == blind)
    counted[: round(grace_s * level_rate_hz)] = False
    if np.count_nonzero(counted) < 3:
        return Tracking(0.0)
    middle, half = (low + high)[counted] / 2, (high - low)[counted] / 2
    error = percent[counted] - middle
    rms = float(np.sqrt(np.mean(error**2)))
    mean = float(percent[counted].mean())
    cv = 100 * float(error.std(ddof=1)) / mean if mean >= 1.0 else None
    return Tracking(error.size / level_rate_hz, float(error.mean()), rms, cv, rms <= float(half.mean()))


@dataclass(frozen=True, slots=True)
class Rest:
    """Mean and SD of a channel at rest, in its unit, as it lay just before the cue."""

    level: float
    sd: float

    @classmethod
    def of(cls, values: FloatArray) -> Rest | None:
        """From the values (n,) before a cue; None where none is known."""
        known = values[np.isfinite(values)]
        if known.size < 10:
            return None
        return cls(float(known.mean()), max(float(known.std(ddof=1)), LEAST_SD_SHARE * abs(float(known.mean()))))

    @property
    def threshold(self) -> float:
        """What a contraction is above."""
        return self.level + ONSET_SDS * self.sd


def find_onset(values: FloatArray, rest: Rest, level_rate_hz: float) -> float | None:
    """Seconds from the cue to the first stay above rest of the levels (n,) since the cue; None: none came."""
    return _find_stay(np.isfinite(values) & (values > rest.threshold), level_rate_hz, ONSET_STAY_S)


def find_release(values: FloatArray, rest: Rest, level_rate_hz: float, *, height: float = 0.0) -> float | None:
    """Seconds from the cue to let go to the first stay no longer above rest; None: it did not come.

    ``height`` of the contraction above rest: a tenth of it is gone, too, as tissue comes back slower than muscle.
    """
    gone = max(rest.threshold, rest.level + GONE_SHARE * height)
    return _find_stay(np.isfinite(values) & (values <= gone), level_rate_hz, ONSET_STAY_S)


def find_steady(values: FloatArray, rest: Rest, level_rate_hz: float) -> float | None:
    """Seconds from the cue to the start of the first 3 s that are above rest and steady; None: there are none."""
    n = round(STEADY_S * level_rate_hz)
    above = values - rest.level
    if above.size < n:
        return None
    sums, squares = (np.cumsum(np.concatenate([[0.0], np.nan_to_num(each)])) for each in (above, above**2))
    mean = (sums[n:] - sums[:-n]) / n
    sd = np.sqrt(np.maximum((squares[n:] - squares[:-n]) / n - mean**2, 0))
    unknown = np.cumsum(np.concatenate([[0], ~np.isfinite(above) | (values <= rest.threshold)]))
    good = (unknown[n:] - unknown[:-n] == 0) & (sd <= STEADY_CV_PERCENT / 100 * mean)
    first = np.flatnonzero(good)
    return float(first[0]) / level_rate_hz if first.size else None


def _find_stay(mask: np.ndarray[tuple[int], np.dtype[np.bool_]], level_rate_hz: float, stay_s: float) -> float | None:
    n = max(1, round(stay_s * level_rate_hz))
    if mask.size < n:
        return None
    total = np.cumsum(np.concatenate([[0], mask]))
    stays = np.flatnonzero(total[n:] - total[:-n] == n)
    return float(stays[0]) / level_rate_hz if stays.size else None
