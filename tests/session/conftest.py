"""A session without a clock: a force channel that does what the test says."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from biofeedback.model import Channel, Chunk, Event
from biofeedback.session.engine import Engine
from biofeedback.session.plan import Plan, parse_plan
from biofeedback.session.setup import Setup

RATE_HZ = 100.0
SHORT_PLAN = """
name = "short"
title = "Short"
description = "for tests"
grace_s = 0.5
ask_before_end_s = 1.0
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 3
ask = true
[[block.phase]]
kind = "contract"
duration_s = 3
band = [20, 30]
ask = true
[[block]]
[[block.phase]]
kind = "passive"
duration_s = 3
ask = true
"""


def make_plan() -> Plan:
    return parse_plan(SHORT_PLAN, "short.toml")


class Bench:
    """An engine, and a hand on the sensor."""

    def __init__(self, *more: Channel, **setup: Any) -> None:
        setup.setdefault("rest_s", 2.0)
        self.engine = Engine(
            [Channel(name="force", kind="force", unit="N"), *more], RATE_HZ, Setup(**setup), [make_plan()]
        )
        self.events: list[Event] = []
        self.frame = 0
        self.force = 10.0
        self.others = [0.0] * len(more)  # what the other channels read

    def do(self, **message: Any) -> None:
        self.engine.command(message)
        self._collect()

    def wait(self, seconds: float, force: float | Callable[[float], float] | None = None) -> None:
        """Let time pass, the force as given (constant or a function of the time waited), with a count of noise.

        In an attempt every channel moves by a trifle: nobody pushes like a dead weight.
        """
        n = round(seconds * RATE_HZ)
        if force is not None and not callable(force):
            self.force = force
        forces = [force(i / RATE_HZ) if callable(force) else self.force for i in range(n)]
        frame = np.arange(self.frame, self.frame + n)
        is_alive = self.engine.activity is not None and self.engine.activity.name == "maximum"
        alive = 0.02 * is_alive * np.sin(0.08 * frame)
        counts = np.array(forces) + alive + 0.01 * (frame % 2)
        for start in range(0, n, 50):
            part = counts[start : start + 50, None]
            others = np.broadcast_to(self.others, (len(part), len(self.others))) + alive[start : start + 50, None]
            self.engine.push(Chunk(self.frame + start, np.hstack([part, others])))
        self.frame += n
        self._collect()

    def zero(self, rest: float = 10.0) -> None:
        self.do(do="accept_cautions")
        self.do(do="zero")
        self.wait(2.0, rest)

    def attempt(self, height: float) -> None:
        """Countdown, a push of ``height`` above rest, and the rest that follows."""
        self.do(do="attempt")
        self.wait(3.0, 10.0)
        self.wait(4.0, lambda t: 10.0 + height * min(1.0, t / 0.3))
        if self.engine.activity:
            self.wait(self.engine.setup.rest_between_attempts_s, 10.0)

    def ready(self, height: float = 400.0) -> None:
        self.zero()
        for _ in range(3):
            self.attempt(height)

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    def last(self, kind: str) -> Event:
        return [event for event in self.events if event.kind == kind][-1]

    def _collect(self) -> None:
        self.events += self.engine.take_events()


@pytest.fixture
def bench() -> Bench:
    return Bench()
