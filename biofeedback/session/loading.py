"""Two still seconds of one known load on one force sensor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from biofeedback.calibration.effort import Effort
from biofeedback.calibration.loads import MassCheck, measure_creep_percent, measure_load
from biofeedback.calibration.scale import Certificate
from biofeedback.errors import CalibrationError
from biofeedback.model import Cue, Flag, Levels
from biofeedback.session.activity import SessionContext

LOAD_S = 2.0
CREEP_S = 60.0


@dataclass(frozen=True, slots=True)
class Load:
    """A load as it was typed, in newtons, and what the sensor made of it."""

    load: float
    unit: str
    newton: float
    reading_counts: float


@dataclass(slots=True)
class LoadTable:
    """The loads so far, in the order in which they hung; ``refused`` says why the last request came to nothing."""

    channel: str = ""
    loads: list[Load] = field(default_factory=list)
    refused: CalibrationError | None = None
    certificate: Certificate | None = None
    check: MassCheck | None = None
    creep_counts: float | None = None


class Loading:
    """Collects ``LOAD_S`` of levels of one channel, in counts again; reports their Reading, or a CalibrationError.

    With ``creeps`` it is ``CREEP_S``, and what is reported is by how many counts the reading changed.
    """

    name = "a load"
    step = ""

    def __init__(
        self,
        context: SessionContext,
        start: int,
        column: int,
        report: Callable[[Any], None],
        *,
        empty_counts: float = 0.0,
        creeps: bool = False,
    ) -> None:
        self.boundary = start + round((CREEP_S if creeps else LOAD_S) * context.level_rate_hz)
        self._creeps = creeps
        self._context, self._column, self._report, self._empty_counts = context, column, report, empty_counts
        self._taken: list[Levels] = []
        context.give_cue(Cue("release"))  # a simulated athlete then keeps off the strap

    def take(self, levels: Levels, effort: Effort) -> None:
        """Collect."""
        self._taken.append(levels)

    def reach(self, level: int) -> bool:
        """Measure."""
        channel = self._context.channels[self._column]
        values = np.concatenate([part.values[:, self._column] for part in self._taken])
        flags = np.concatenate([part.flags[:, self._column] for part in self._taken])
        counts = values / channel.factor + channel.offset_counts
        try:
            if np.any(flags & Flag.CLIPPED):
                raise CalibrationError("the reading lies on the converter's rail", "lower the gain or use less load")
            rate_hz = self._context.level_rate_hz
            if self._creeps:  # of a full scale of 100 counts the per cent are counts
                self._report(measure_creep_percent(counts, rate_hz, full_scale_counts=100.0))
                return True
            reading = measure_load(counts, rate_hz, empty_counts=self._empty_counts)
        except CalibrationError as error:
            self._report(error)
        else:
            self._report(reading)
        return True

    def remaining_s(self, level: int) -> float:
        """Until the load is read."""
        return (self.boundary - level) / self._context.level_rate_hz

    def cancel(self, reason: str) -> None:
        """Nothing to undo: the load was not taken."""
