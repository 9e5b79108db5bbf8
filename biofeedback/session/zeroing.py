"""Two quiet seconds that say where zero is, for every channel at once."""

from __future__ import annotations

import numpy as np

from biofeedback.account.kinds import ZeroTaken
from biofeedback.account.values import Zero
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.zero import measure_zero
from biofeedback.errors import CalibrationError
from biofeedback.model import Cue, Levels, is_from_phone
from biofeedback.session.activity import SessionContext

ZERO_S = 2.0


class Zeroing:
    """Collects ``ZERO_S`` of levels; ``results`` by channel name or the ``error`` that refused them."""

    name = "zero"
    step = ""

    def __init__(self, context: SessionContext, start: int) -> None:
        self.boundary = start + round(ZERO_S * context.level_rate_hz)
        self.results: dict[str, Zero] = {}
        self.error: CalibrationError | None = None
        self._context = context
        self._taken: list[Levels] = []
        context.give_cue(Cue("release"))  # a simulated athlete then hangs loose on the strap

    def take(self, levels: Levels, effort: Effort) -> None:
        """Collect."""
        self._taken.append(levels)

    def reach(self, level: int) -> bool:
        """Measure every channel; one moving channel refuses the zero of all, so that none is half done."""
        values = np.concatenate([part.values for part in self._taken])
        flags = np.concatenate([part.flags for part in self._taken])
        try:
            for column, channel in enumerate(self._context.channels):
                if is_from_phone(channel):  # takes its zero in the stretch
                    continue
                self.results[channel.name] = measure_zero(
                    values[:, column], flags[:, column], self._context.level_rate_hz, channel=channel
                )
        except CalibrationError as error:
            self.error = error
            return True
        self._context.emit(ZeroTaken(channels=dict(self.results)))
        return True

    def remaining_s(self, level: int) -> float:
        """Until the zero is taken."""
        return (self.boundary - level) / self._context.level_rate_hz

    def cancel(self, reason: str) -> None:
        """Nothing to undo: no zero was set."""
