"""A sensor's scale from known loads: a certificate with its limits, and later checks against it.

Deviations are in % of full scale, the output between least and greatest load. Non-linearity, hysteresis, repeatability,
zero return and creep are as OIML R 60-1 (2021) defines them. R squared is no evidence of linearity (AMC Technical
Brief 3) and is not given.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np

from biofeedback.account.values import Maximum
from biofeedback.calibration.polynomial import PolynomialFit, choose_degree, fit_polynomial
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel, FloatArray

LOWER_LIMIT_FACTOR = 2.4  # times the residual SD: ASTM E74, from memory
N_LEAST_LOADS = 3
N_GOOD_FREE = 5  # with fewer degrees of freedom a scatter may be a fifth of the true one by luck; common practice
CHECK_PERCENT = 1.0  # a check mass may differ by this much of itself beyond the lower limit factor; common practice
MOVING_PERCENT = 0.5  # of the reading; a swinging mass shows more


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What a calibration found. Loads in ``unit``, readings in counts; None and a note where it was not measured.

    ``coefficients`` are of reading as a polynomial in load, ``line`` the straight one, which is what a channel uses.
    ``lower_limit`` (2.4 x residual SD as a load) is the lower limit factor.
    """

    sensor: str
    utc: str
    unit: str
    loads: tuple[float, ...]
    readings: tuple[float, ...]
    degree: int
    degree_p: float
    coefficients: tuple[float, ...]
    standard_errors: tuple[float, ...] | None
    line: tuple[float, float]
    residual_sd: float | None
    lower_limit: float | None
    deviation_percent: float
    nonlinearity_percent: float
    hysteresis_percent: float | None
    repeatability_percent: float | None
    zero_return_percent: float | None
    creep_percent: float | None = None
    lever_arm_m: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def factor(self) -> float:
        """Unit per count of the straight line, as a channel needs it."""
        return 1.0 / self.line[1]

    @property
    def offset_counts(self) -> float:
        """Reading without load on the straight line."""
        return self.line[0]

    @property
    def full_scale(self) -> float:
        """Greatest minus least load."""
        return max(self.loads) - min(self.loads)

    def smallest_load(self, within_percent: float = 5.0) -> float | None:
        """Smallest load worth reading: the one of which the lower limit factor is ``within_percent``.

        5 % is what two maximal attempts may differ by; 0.25 % is class A of ASTM E74 (400 times, from memory).
        """
        return None if self.lower_limit is None else 100.0 * self.lower_limit / within_percent

    def load(self, readings: FloatArray | float) -> FloatArray:
        """Loads that belong to ``readings``, by the chosen degree; exact inverse of the polynomial within its range."""
        readings = np.asarray(readings, np.float64)
        if self.degree == 1:
            return (readings - self.coefficients[0]) / self.coefficients[1]
        c, b, a = self.coefficients[0] - readings, self.coefficients[1], self.coefficients[2]
        root = np.sqrt(np.maximum(0.0, b * b - 4 * a * c))
        return -2 * c / (b + np.copysign(root, b))  # the branch that is the straight line for a -> 0

    @property
    def line_deviation_percent(self) -> float:
        """Largest deviation from the straight line in % of full scale: what a channel, which uses it, is off by."""
        off = (np.asarray(self.readings) - self.line[0]) / self.line[1] - np.asarray(self.loads)
        return 100.0 * float(np.max(np.abs(off))) / self.full_scale

    def residuals(self) -> FloatArray:
        """Readings minus fit as loads, ``(n,)``."""
        fitted = np.polynomial.polynomial.polyval(np.asarray(self.loads), np.asarray(self.coefficients))
        return np.asarray((np.asarray(self.readings) - fitted) / self.line[1], np.float64)

    def scaled(self, channel: Channel) -> Channel:
        """``channel`` with this calibration's unit, factor and offset."""
        return replace(channel, unit=self.unit, factor=self.factor, offset_counts=self.offset_counts)

    def to_json(self) -> str:
        """As saved beside the recordings."""
        return json.dumps({"kind": "scale certificate", "format": 1, **asdict(self)}, indent=1, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Certificate:
        """The inverse of ``to_json``; raises CalibrationError for anything else."""
        try:
            data: Mapping[str, Any] = json.loads(text)
            known = {f.name for f in fields(cls)}
            values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in data.items() if k in known}
            return cls(**values)
        except (ValueError, TypeError, AttributeError) as error:
            raise CalibrationError("this is not a scale certificate", "choose the .json that `scale` saved") from error


def explain_beyond(maximum: Maximum, scaled_by: Mapping[str, str]) -> str:
    """What to say of a maximum above the greatest load that its channel was calibrated with; "" where there is nothing.

    ``scaled_by``: what a recording says of the certificate; older ones do not say how far it went.
    """
    try:
        heaviest = float(scaled_by.get("heaviest", "nan"))
    except ValueError:
        return ""
    if not maximum.strength + max(0.0, maximum.baseline) > heaviest:
        return ""
    return (
        f"The maximum lies beyond what the sensor was calibrated with, {heaviest:.4g} {maximum.unit}: percentages hold "
        "as far as it stays linear; calibrate with a heavier mass"
    )


def make_certificate(
    loads: Sequence[float],
    readings: Sequence[float],
    *,
    unit: str,
    sensor: str = "",
    utc: str = "",
    creep_percent: float | None = None,
    lever_arm_m: float | None = None,
) -> Certificate:
    """Calibrate from loads in ``unit`` and mean readings in counts, in the order in which they were applied.

    Raises
    ------
    CalibrationError
        Fewer than three different loads, a number that is not finite, or readings that do not follow the load.
    """
    x, y = np.asarray(loads, np.float64), np.asarray(readings, np.float64)
    _refuse_unusable(x, y, unit)
    line = fit_polynomial(x, y, degree=1)
    _refuse_flat(x, y, line)
    fit, degree_p = choose_degree(x, y)
    full_scale_counts = abs(float(np.mean(y[x == x.max()]) - np.mean(y[x == x.min()])))
    lower_limit = None if fit.residual_sd is None else LOWER_LIMIT_FACTOR * fit.residual_sd / abs(fit.coefficients[1])
    up = find_rising(x)
    hysteresis, repeatability, zero_return = (
        _hysteresis_counts(x, y, up),
        _repeatability_counts(x, y, up),
        _zero_return_counts(x, y),
    )

    def percent(counts: float | None) -> float | None:
        return None if counts is None else 100.0 * counts / full_scale_counts

    notes = [
        (hysteresis, "hysteresis not measured: take the loads off again one by one"),
        (repeatability, "repeatability not measured: go up a second time"),
        (zero_return, "zero return not measured: start and end without load"),
        (creep_percent, "creep not measured: leave the greatest load on for a minute"),
    ]
    return Certificate(
        sensor=sensor,
        utc=utc,
        unit=unit,
        loads=tuple(x.tolist()),
        readings=tuple(y.tolist()),
        degree=fit.degree,
        degree_p=degree_p,
        coefficients=fit.coefficients,
        standard_errors=fit.standard_errors,
        line=(line.coefficients[0], line.coefficients[1]),
        residual_sd=fit.residual_sd,
        lower_limit=lower_limit,
        deviation_percent=100.0 * float(np.max(np.abs(y - fit.value(x)))) / full_scale_counts,
        nonlinearity_percent=100.0 * _nonlinearity_counts(x, y, up) / full_scale_counts,
        hysteresis_percent=percent(hysteresis),
        repeatability_percent=percent(repeatability),
        zero_return_percent=percent(zero_return),
        creep_percent=creep_percent,
        lever_arm_m=lever_arm_m,
        notes=(*(note for value, note in notes if value is None), *_doubt_limit(fit)),
    )


def _doubt_limit(fit: PolynomialFit) -> tuple[str, ...]:
    """A lower limit factor from hardly more loads than the curve has coefficients is luck."""
    if fit.n_free >= N_GOOD_FREE:
        return ()
    n_loads = fit.n_free + fit.degree + 1
    return (
        f"the lower limit rests on {n_loads} loads only and may be too small: apply {N_GOOD_FREE - fit.n_free} more",
    )


def find_rising(loads: FloatArray) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which loads of a sequence were reached from below (or repeated a rising one); the first one counts as such."""
    rising = np.ones(len(loads), bool)
    for i in range(1, len(loads)):
        rising[i] = loads[i] > loads[i - 1] or (loads[i] == loads[i - 1] and rising[i - 1])
        if i + 1 < len(loads) and loads[i] == loads.min() and loads[i + 1] > loads[i]:
            rising[i] = True  # the zero between two runs begins the next one
    return rising


def _refuse_unusable(x: FloatArray, y: FloatArray, unit: str) -> None:
    if len(x) != len(y):
        raise ValueError(f"{len(x)} loads but {len(y)} readings")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise CalibrationError("a load or reading is not a number", "leave that line out or read the load again")
    if len(x) < N_LEAST_LOADS:
        raise CalibrationError(f"{len(x)} loads; {N_LEAST_LOADS} are needed", "add loads, best five up and five down")
    n_different = len(np.unique(x))
    if n_different == 1:
        raise CalibrationError(f"all loads are {x[0]:g} {unit}", "use loads from nothing to near the greatest effort")
    if n_different < N_LEAST_LOADS:
        raise CalibrationError(
            f"{n_different} different loads; {N_LEAST_LOADS} are needed", "add one in between: two cannot show a curve"
        )


def _refuse_flat(x: FloatArray, y: FloatArray, line: PolynomialFit) -> None:
    slope, error = line.coefficients[1], line.standard_errors[1] if line.standard_errors else 0.0
    rounding = np.finfo(float).eps * float(np.max(np.abs(y))) * len(y) / float(np.ptp(x))
    if abs(slope) <= max(4.0 * error, rounding):
        shown = slope if abs(slope) > rounding else 0.0
        raise CalibrationError(
            f"the reading does not follow the load: the slope is {shown:.3g} +- {error:.3g} counts per unit",
            "check the wiring, and that every load really hangs on the sensor",
        )


def _means_by_load(x: FloatArray, y: FloatArray) -> dict[float, float]:
    return {float(load): float(np.mean(y[x == load])) for load in np.unique(x)}


def _nonlinearity_counts(x: FloatArray, y: FloatArray, up: np.ndarray[Any, np.dtype[np.bool_]]) -> float:
    """R 60: rising averages against the straight line through their first and last point (not least squares)."""
    means = _means_by_load(x[up], y[up])
    means = means if len(means) >= N_LEAST_LOADS else _means_by_load(x, y)
    at, mean = np.array(list(means)), np.array(list(means.values()))
    terminal = mean[0] + (mean[-1] - mean[0]) * (at - at[0]) / (at[-1] - at[0])
    return float(np.max(np.abs(mean - terminal)))


def _hysteresis_counts(x: FloatArray, y: FloatArray, up: np.ndarray[Any, np.dtype[np.bool_]]) -> float | None:
    """R 60: the same load reached from above against reached from below; ends of the range belong to both."""
    rising, falling = _means_by_load(x[up], y[up]), _means_by_load(x[~up], y[~up])
    shared = [load for load in rising if load in falling and x.min() < load < x.max()]
    return max((abs(falling[load] - rising[load]) for load in shared), default=None)


def _repeatability_counts(x: FloatArray, y: FloatArray, up: np.ndarray[Any, np.dtype[np.bool_]]) -> float | None:
    """R 60: largest difference between consecutive rising runs at one load."""
    spans = [float(np.ptp(y[up & (x == load)])) for load in np.unique(x) if np.count_nonzero(up & (x == load)) > 1]
    return max(spans, default=None)


def _zero_return_counts(x: FloatArray, y: FloatArray) -> float | None:
    """R 60: output at the least load before and after the greatest; with its sign."""
    top, least = int(np.argmax(x)), x == x.min()
    before, after = np.flatnonzero(least[:top]), top + np.flatnonzero(least[top:])
    return float(y[after[0]] - y[before[-1]]) if len(before) and len(after) else None
