"""Effort, phases and ratings of a running session for other programs: ``live --lsl NAME``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from biofeedback.account.kinds import try_read
from biofeedback.model import Event, FloatArray
from biofeedback.session.engine import Engine
from biofeedback.session.session import Session
from biofeedback.storage.annotations import describe_payload

if TYPE_CHECKING:
    from biofeedback.acquisition.lsl_outlet import LslOutlet


class Outlet(Protocol):
    """Where it goes."""

    def send(self, percent: FloatArray) -> None:
        """Levels, the last of them of now."""

    def say(self, text: str) -> None:
        """Something that happened just now."""


class Broadcast:
    """Called by a session whenever it has taken data or an order; what fails here costs the session nothing."""

    def __init__(self, engine: Engine, outlet: Outlet) -> None:
        self._engine, self._outlet = engine, outlet
        self._level = engine.level
        self._units = {channel.name: channel.unit for channel in engine.channels}
        self._has_failed = False

    def __call__(self, events: Sequence[Event]) -> None:
        """What is new: levels since the last call, and the words of ``events``."""
        if self._has_failed:
            return
        try:
            self._send(events)
        except Exception as error:  # another program's library: whatever it raises, recording and page go on
            self._has_failed = True
            print(f"the stream has ended: {error}; the session goes on", file=sys.stderr, flush=True)

    def _send(self, events: Sequence[Event]) -> None:
        level, self._level = self._level, self._engine.level
        first, numbers = self._engine.strip.since(level)
        if first + numbers.shape[1] > level:
            self._outlet.send(numbers[0])
        for event in events:
            payload = try_read(event)
            if payload is not None and (text := describe_payload(payload, self._engine.account, self._units)):
                self._outlet.say(text)


def begin_broadcast(session: Session, name: str) -> LslOutlet:
    """Streams of this session from now on, under ``name`` and its athlete's code. SourceError without pylsl."""
    from biofeedback.acquisition.lsl_outlet import LslOutlet

    engine = session.engine
    stream = f"{name}-{engine.setup.athlete}"
    labels = [channel.name for channel in engine.channels]
    outlet = LslOutlet(stream, labels, engine.level_rate_hz, source_id=f"biofeedback {stream}")
    session.broadcast = Broadcast(engine, outlet)
    return outlet
