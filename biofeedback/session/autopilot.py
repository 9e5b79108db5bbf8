"""A coach who presses every button in time: leads a simulated athlete through the whole job without a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from biofeedback.session.asked import is_since_open
from biofeedback.session.care_actions import find_rest_left_s, is_early
from biofeedback.session.engine import Engine
from biofeedback.session.setup import PRACTICE_PERCENT

Message = Mapping[str, Any]


class Autopilot:
    """``next_command`` says what to press now, if anything. Carries out plans in order, then finishes."""

    def __init__(self, plans: Sequence[str]) -> None:
        self._plans = list(plans)
        self.is_finished = False

    def next_command(self, engine: Engine, said: float | None) -> Message | None:
        """``said`` is the athlete's answer to the open prompt."""
        if engine.hold and engine.hold.paused:
            return None if engine.problems[engine.guide] else {"do": "take_up"}
        if engine.hold:
            return {"do": "rate", "value": said} if engine.hold.ask and said is not None else None
        felt = _answer_questions(engine) or self._say_how_it_felt(engine, said)
        if felt or engine.activity or self.is_finished:
            return felt
        if engine.stage in ("ready", "done"):
            return self._start_next(engine)
        if engine.stage == "maximum":
            return self._find_maximum(engine)
        return {"do": {"cautions": "accept_cautions", "zero": "zero"}[engine.stage]}

    def count_quiet_levels(self, engine: Engine, said: float | None) -> int:
        """Levels from now in which the session changes nothing by itself and there is nothing to press; 0: not known.

        To ask after `next_command`: what it says has been done.
        """
        is_asked = engine.cue.kind == "rate" or (engine.hold is not None and engine.hold.ask is not None)
        if (is_asked and said is None) or (engine.hold and engine.hold.paused):
            return 0
        if engine.activity:
            return engine.activity.boundary - engine.level
        return max(0, int(find_rest_left_s(engine) * engine.level_rate_hz) - 1)

    def _find_maximum(self, engine: Engine) -> Message:
        n_practised = len(engine.account.practice)
        if engine.setup.graded and n_practised < len(PRACTICE_PERCENT):
            return {"do": "practice", "felt": PRACTICE_PERCENT[n_practised]}
        # a coach would rest and try again; the recording says that it is not settled
        return {"do": "accept_maximum" if engine.search.verdict().state == "unsettled" else "attempt"}

    def _say_how_it_felt(self, engine: Engine, said: float | None) -> Message | None:
        """After a graded attempt: what the athlete says of discomfort, effort as a maximum is."""
        attempts = engine.account.search
        if not engine.setup.graded or not attempts or said is None or engine.cue.kind != "rate" or engine.hold:
            return None
        if attempts[-1].felt_effort is not None:
            return None
        return {"do": "attempt_felt", "number": attempts[-1].number, "discomfort": said, "effort": 10}

    def _start_next(self, engine: Engine) -> Message | None:
        if self._plans and (find_rest_left_s(engine) > 0 or is_early(engine, self._plans[0])):
            return None  # nobody insists: the rest is rested
        if self._plans:
            return {"do": "start_plan", "plan": self._plans.pop(0)}
        self.is_finished = True
        return {"do": "finish"}


def _answer_questions(engine: Engine) -> Message | None:
    """A computed athlete is well, and nothing on the list holds."""
    if engine.stage not in ("maximum", "ready"):
        return None
    if is_since_open(engine):
        return {"do": "aftermath", "when": "next", "new_pain": False, "soreness": 0}
    if engine.setup.graded and engine.account.tests_no_maximum is None:
        return {"do": "screening", "applies": False}
    return None
