"""A coach who presses every button in time: leads a simulated athlete through the whole job without a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from biofeedback.session.engine import Engine

Message = Mapping[str, Any]


class Autopilot:
    """``next_command`` says what to press now, if anything. Carries out plans in order, then finishes."""

    def __init__(self, plans: Sequence[str]) -> None:
        self._plans = list(plans)
        self.is_finished = False

    def next_command(self, engine: Engine, said: float | None) -> Message | None:
        """``said`` is the athlete's answer to the open prompt."""
        if engine.hold:
            return {"do": "rate", "value": said} if engine.hold.ask and said is not None else None
        if engine.activity or self.is_finished:
            return None
        if engine.stage in ("ready", "done"):
            return self._start_next()
        step = {"cautions": "accept_cautions", "zero": "zero", "maximum": "attempt"}[engine.stage]
        if step == "attempt" and engine.search.verdict().state == "unsettled":
            step = "accept_maximum"  # a coach would rest and try again; the recording says that it is not settled
        return {"do": step}

    def _start_next(self) -> Message:
        if self._plans:
            return {"do": "start_plan", "plan": self._plans.pop(0)}
        self.is_finished = True
        return {"do": "finish"}
