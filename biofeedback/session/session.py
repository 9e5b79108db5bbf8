"""One athlete's session with its recording: what comes off the wire is recorded first and understood second."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Protocol

from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import Answered, CertificateMade, Noted, RateKept, try_read
from biofeedback.account.values import Maximum
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Band, Cue, Event, Item, Note
from biofeedback.session.engine import Engine


class RecorderLike(Protocol):
    """What a session needs of a recorder."""

    @property
    def problem(self) -> str | None:
        """One line for the page when the disk fails, else None."""

    def append(self, item: Item) -> None:
        """Queue raw material."""

    def event(self, event: Event) -> None:
        """Queue an event."""


class Session:
    """``take`` items in order, ``command`` in between; every item and event goes to the recorder.

    ``utc`` gives the time that events are stamped with, ``cue`` is told what the athlete is asked to do.
    ``save_certificate``, when set, is handed every scale certificate, to keep it beside the recordings, ``keep_rate``
    the rate in Hz to open this sensor with next time;
    ``broadcast`` is called with the new events after whatever the session has taken.
    """

    def __init__(
        self, engine: Engine, recorder: RecorderLike, *, utc: Callable[[], str], cue: Callable[[Cue], None]
    ) -> None:
        self.engine = engine
        self.recorder = recorder
        self.save_certificate: Callable[[Mapping[str, Any]], object] | None = None
        self.keep_rate: Callable[[float], object] | None = None
        self.broadcast: Callable[[Sequence[Event]], object] | None = None
        self._utc = utc
        self._give_cue = cue
        self._cue = engine.cue

    def take(self, items: Iterable[Item]) -> None:
        """Record and understand what came off the wire."""
        for item in items:
            self.recorder.append(item)
            if not isinstance(item, Note):
                self.engine.push(item)
        self._settle()

    def pause(self, reason: str) -> None:
        """Pause the running plan for a reason of the program's own, on record."""
        if self.engine.hold:
            self.engine.hold.pause(reason, by="program")
            self.engine.revision += 1
        self._settle()

    def command(self, message: Mapping[str, Any], *, by: str) -> None:
        """Carry out a command; raises as ``Engine.command`` does, with whatever it did before on record."""
        try:
            self.engine.command(message, by=by)
        finally:
            self._settle()

    def carry(self, maximum: Maximum, warnings: Sequence[str]) -> None:
        """Take over a maximum from an earlier session, with what has to be said about it."""
        told = tuple(warnings)
        self.engine.set_maxima({maximum.channel: maximum}, settled=True, by="carried over", warnings=told)
        for warning in warnings:
            self.engine.emit(Noted(text=f"{maximum.channel}: {warning}"))
        if warnings:
            self.engine.message = {"level": "warn", "text": f"{maximum.channel}: {'; '.join(warnings)}", "cure": ""}
        self._settle()

    def keep_answer(self, answer: Mapping[str, Any]) -> None:
        """Put what the analysis found on record, so that it can be searched for."""
        band = Band(*answer["next_band"]) if answer.get("next_band") else None
        self.engine.emit(Answered(word=str(answer["word"]), text=str(answer["text"]), next_band=band))
        self._settle()

    def _settle(self) -> None:
        events = self.engine.take_events()
        for event in events:
            self.recorder.event(replace(event, utc=self._utc()))
            payload = try_read(event)
            if isinstance(payload, CertificateMade) and self.save_certificate:
                self._keep(partial(self.save_certificate, write_payload(payload)))
            if isinstance(payload, RateKept) and self.keep_rate:
                self._keep(partial(self.keep_rate, payload.measured_hz))
        if self.engine.cue is not self._cue:
            self._cue = self.engine.cue
            self._give_cue(self._cue)
        if self.broadcast:
            self.broadcast(events)

    def _keep(self, save: Callable[[], object]) -> None:
        try:
            save()
        except BiofeedbackError as error:  # the recording has it too; the session goes on
            self.engine.message = {"level": "error", "text": error.what, "cure": error.cure}
