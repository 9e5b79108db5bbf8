"""Two quiet seconds that say where zero is, for every channel at once."""

from __future__ import annotations

import numpy as np

from biofeedback.account.values import Zero
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.zero import measure_zero
from biofeedback.errors import CalibrationError
from biofeedback.model import Cue, Levels
from biofeedback.session.activity import Desk

ZERO_S = 2.0


class Zeroing:
    """Collects ``ZERO_S`` of levels; ``results`` by channel name or the ``error`` that refused them."""

    name = "zero"

    def __init__(self, desk: Desk, start: int) -> None:
        self.boundary = start + round(ZERO_S * desk.level_rate_hz)
        self.results: dict[str, Zero] = {}
        self.error: CalibrationError | None = None
        self._desk = desk
        self._taken: list[Levels] = []
        desk.give_cue(Cue("release"))  # a simulated athlete then hangs loose on the strap

    def take(self, levels: Levels, effort: Effort) -> None:
        """Collect."""
        self._taken.append(levels)

    def reach(self, level: int) -> bool:
        """Measure every channel; one moving channel refuses the zero of all, so that none is half done."""
        values = np.concatenate([part.values for part in self._taken])
        flags = np.concatenate([part.flags for part in self._taken])
        try:
            for column, channel in enumerate(self._desk.channels):
                self.results[channel.name] = measure_zero(
                    values[:, column], flags[:, column], self._desk.level_rate_hz, channel=channel
                )
        except CalibrationError as error:
            self.error = error
            return True
        self._desk.emit("zero", {"channels": {name: zero.to_dict() for name, zero in self.results.items()}})
        return True

    def remaining_s(self, level: int) -> float:
        """Until the zero is taken."""
        return (self.boundary - level) / self._desk.level_rate_hz

    def cancel(self, reason: str) -> None:
        """Nothing to undo: no zero was set."""
