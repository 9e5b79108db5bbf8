"""Fatigue as measured: leaving the band, force that sinks, an EMG spectrum that slows while its amplitude grows."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from biofeedback.account.target import LOST_S, Target
from biofeedback.analysis.trends import Trend, fit_theil_sen
from biofeedback.calibration.band_loss import BandLoss
from biofeedback.model import Band, FlagArray, FloatArray
from biofeedback.signal.emg import GOOD_RATE_HZ, HIGH_EDGE_HZ, HIGHEST_EDGE, LOW_EDGE_HZ
from biofeedback.signal.spectrum import track_median_frequency

LEAVE_DWELL_S = LOST_S  # below the band for this long is leaving it, not a wobble
N_EPOCHS_MIN = 5  # fewer show no slope worth the name
N_BLOCKS_MAX = 600  # all pairs are formed: a phase that nobody ended, hours long, would take gigabytes


@dataclass(frozen=True, slots=True)
class BandExit:
    """When the effort first reached the band and when it left it for good, in s from the start; None: it did not."""

    entered_s: float | None
    left_s: float | None

    @property
    def held_s(self) -> float | None:
        """Endurance in the band; None when it was never reached or never left."""
        return None if self.entered_s is None or self.left_s is None else self.left_s - self.entered_s


@dataclass(frozen=True, slots=True)
class EmgFatigue:
    """Slopes of median frequency and RMS over a contraction, in % of their start per s; None with ``reason``.

    Median frequency falls and amplitude rises in a sustained submaximal contraction (De Luca, J Appl Biomech 13
    (1997) 135). How fast depends on muscle, electrodes and effort: compare a person with themselves only.
    """

    n_epochs: int
    median_start_hz: float | None = None
    median_slope: Trend | None = None
    rms_slope: Trend | None = None
    reason: str = ""
    hum_share: float = 0.0  # of the power, taken out before the median frequency was measured


def find_band_exit(
    percent: FloatArray,
    *,
    level_rate_hz: float,
    low_percent: float | None = None,
    target: Target | None = None,
    flags: FlagArray | None = None,
    dwell_s: float = LEAVE_DWELL_S,
    grace_s: float | None = None,
) -> BandExit:
    """Endurance from effort (n,) in % of maximum: until it stays below the band for ``dwell_s``.

    The band is ``target``, or whatever lies above ``low_percent``. The moment of leaving is the start of that stay.
    Levels that are unknown (NaN) or whose ``flags`` (n,) leave nothing to go by are neither inside nor below. It is the
    rule that ends a hold live (`BandLoss`), level by level.
    """
    if percent.ndim != 1 or not level_rate_hz > 0:
        raise ValueError(f"effort of shape {percent.shape} at {level_rate_hz} Hz: one row and a rate are needed")
    if target is None:
        if low_percent is None:
            raise ValueError("neither a target nor a lower edge: there is no band to leave")
        target = Target(Band(low_percent, inf), 1.0)
    rule = BandLoss(target, level_rate_hz, lost_s=dwell_s, grace_s=grace_s)
    rule.take(percent, np.zeros(percent.size, dtype=np.uint16) if flags is None else flags)
    entered_s, left_s = (None if at is None else at / level_rate_hz for at in (rule.entered, rule.left))
    return BandExit(entered_s, left_s)


def fit_force_slope(percent: FloatArray, *, level_rate_hz: float, block_s: float = 1.0) -> Trend:
    """Slope of effort (n,) in points of % per minute: Theil-Sen over means of ``block_s`` (tremor averages out).

    Of ten minutes and more the blocks are longer: fewer than 1200 in all.
    """
    size = max(1, round(block_s * level_rate_hz))
    size *= max(1, percent.size // size // N_BLOCKS_MAX)
    n_blocks = percent.size // size
    blocks = percent[: n_blocks * size].reshape(n_blocks, size).mean(axis=1)
    minutes = (np.arange(n_blocks) + 0.5) * size / level_rate_hz / 60
    return fit_theil_sen(minutes, blocks, n_min=N_EPOCHS_MIN)


def measure_emg_fatigue(samples: FloatArray, *, rate_hz: float, epoch_s: float = 1.0) -> EmgFatigue:
    """Median-frequency and amplitude slopes of raw EMG (n,), one contracting stretch, any unit.

    Both between 20 and 450 Hz in epochs of ``epoch_s`` (0.5 to 1 s: stationary, and fine enough); epochs with a gap or
    without signal are left out, mains hum is taken out; slopes by Theil-Sen, in % of the value at the start per s.
    Refused below 1000 Hz and with fewer than five epochs. Never for envelopes: they have lost the spectrum.
    """
    if rate_hz < GOOD_RATE_HZ:
        return EmgFatigue(0, reason=f"sampled at {rate_hz:g} Hz; a spectrum needs {GOOD_RATE_HZ:g} Hz")
    track = track_median_frequency(samples, rate_hz, epoch_s=epoch_s)
    n_epochs = int(np.isfinite(track.median_hz).sum())
    if n_epochs < N_EPOCHS_MIN:
        return EmgFatigue(n_epochs, reason=f"{n_epochs} whole epochs of {epoch_s:g} s; {N_EPOCHS_MIN} are needed")
    median = fit_theil_sen(track.time_s, track.median_hz)
    return EmgFatigue(
        n_epochs=n_epochs,
        median_start_hz=median.intercept,
        median_slope=_normalise(median),
        hum_share=track.hum_share,
        rms_slope=_normalise(
            fit_theil_sen(track.time_s, _measure_amplitude(samples, rate_hz, round(epoch_s * rate_hz)))
        ),
    )


def _measure_amplitude(samples: FloatArray, rate_hz: float, size: int) -> FloatArray:
    """RMS between 20 and 450 Hz of each epoch, up to a factor; NaN where a sample is missing."""
    epochs = samples[: samples.size // size * size].reshape(-1, size)
    frequency_hz = np.fft.rfftfreq(size, 1 / rate_hz)
    inside = (frequency_hz >= LOW_EDGE_HZ) & (frequency_hz <= min(HIGH_EDGE_HZ, HIGHEST_EDGE * rate_hz))
    return np.asarray(np.linalg.norm(np.fft.rfft(epochs, axis=1)[:, inside], axis=1), dtype=np.float64)


def _normalise(trend: Trend) -> Trend:
    """Slope in % of the line's own start per unit of x."""
    if trend.slope is None or not trend.intercept or trend.intercept <= 0:
        return Trend(None, None, None, None, trend.n, trend.reason or "the line does not start above zero")
    scale = 100 / trend.intercept
    low, high = (None if v is None else v * scale for v in (trend.low, trend.high))
    return Trend(trend.slope * scale, low, high, 100.0, trend.n)
