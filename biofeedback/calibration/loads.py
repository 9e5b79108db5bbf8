"""Readings of one load: the mean of a still one, its creep, and whether a known mass still weighs what it should."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from biofeedback.calibration.scale import CHECK_PERCENT, MOVING_PERCENT
from biofeedback.errors import CalibrationError
from biofeedback.model import FloatArray

BLOCK_S = 0.25
END_S = 2.0


@dataclass(frozen=True, slots=True)
class Reading:
    """Mean and SD of a still load, in counts."""

    mean: float
    sd: float
    n: int


@dataclass(frozen=True, slots=True)
class MassCheck:
    """A known load weighed again, in the certificate's unit; ``warning`` is empty when it agrees."""

    load: float
    indicated: float
    limit: float
    warning: str

    @property
    def is_good(self) -> bool:
        """Whether the certificate still holds."""
        return not self.warning


def measure_load(counts: FloatArray, rate_hz: float, *, empty_counts: float = 0.0) -> Reading:
    """Mean reading of a load from frames ``(n,)``, refused while it swings.

    It moves when quarter-second means differ by more than four times the scatter inside them and by more than 0.5 % of
    what the load adds to ``empty_counts``. Raises CalibrationError when it moves, is missing, or lasts under a second.
    """
    if len(counts) < max(4, round(rate_hz)):
        raise CalibrationError(f"the load was read for {len(counts) / rate_hz:.2f} s; 1 s is needed", "read it longer")
    if not np.all(np.isfinite(counts)):
        raise CalibrationError("readings are missing", "check the cable or radio, then read the load again")
    n_block = max(1, round(BLOCK_S * rate_hz))
    blocks = counts[: len(counts) // n_block * n_block].reshape(-1, n_block)
    means = blocks.mean(axis=1)
    mean, moved = float(np.mean(counts)), float(np.ptp(means))
    scatter = float(np.median(blocks.std(axis=1)))
    limit = max(4.0 * scatter, MOVING_PERCENT / 100.0 * abs(mean - empty_counts), 2.0)
    if moved > limit:
        raise CalibrationError(
            f"the reading moves by {moved:.3g} counts; {limit:.3g} is allowed",
            "let the load hang still, then read again",
        )
    return Reading(mean, float(np.std(counts, ddof=1)), len(counts))


def measure_creep_percent(counts: FloatArray, rate_hz: float, *, full_scale_counts: float) -> float:
    """Change of the reading under a constant load, last two seconds against first two, in % of full scale.

    ``counts`` (n,) covers about a minute (OIML R 60 takes 30). Raises CalibrationError below ten seconds, and where a
    reading at either end is missing.
    """
    if len(counts) < 10 * rate_hz:
        raise CalibrationError(
            f"creep over {len(counts) / rate_hz:.0f} s; 10 s are the least", "leave the load on longer"
        )
    n = max(1, round(END_S * rate_hz))
    change = float(np.mean(counts[-n:]) - np.mean(counts[:n]))
    if not np.isfinite(change):
        raise CalibrationError("readings are missing", "check the cable or radio, then watch the load again")
    return 100.0 * change / abs(full_scale_counts)


class Scale(Protocol):
    """What a mass can be checked against: a certificate, or the scale that a channel uses."""

    @property
    def unit(self) -> str: ...  # noqa: D102
    @property
    def lower_limit(self) -> float | None: ...  # noqa: D102
    def load(self, readings: FloatArray | float) -> FloatArray | float:
        """Loads in ``unit`` that belong to ``readings`` in counts."""


def check_mass(scale: Scale, load: float, reading: float) -> MassCheck:
    """Weigh a known ``load`` (the scale's unit) again; ``reading`` in counts.

    It may differ by the lower limit factor plus 1 % of the load (common practice, no source).
    """
    indicated = float(scale.load(reading))
    limit = (scale.lower_limit or 0.0) + CHECK_PERCENT / 100.0 * abs(load)
    difference = indicated - load
    if abs(difference) <= limit:
        return MassCheck(load, indicated, limit, "")
    return MassCheck(
        load,
        indicated,
        limit,
        f"{load:.4g} {scale.unit} reads {indicated:.4g}, {difference:+.3g} off; {limit:.3g} is allowed; "
        "zero the sensor and check again, then calibrate it again",
    )
