"""A session in real time: a thread waits for the port, the event loop does everything else in order."""

from __future__ import annotations

import asyncio
import logging
import math
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from biofeedback.account.commands import check_command
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Chunk, Item
from biofeedback.session.autopilot import Autopilot
from biofeedback.session.phone import PhoneFeed, carry_out_phone, describe_phone
from biofeedback.session.rate_offer import offer_rate
from biofeedback.session.session import Session
from biofeedback.session.updates import Updates
from biofeedback.session.view import describe_session

LOG = logging.getLogger("biofeedback.session")
UPDATES_PER_S = 75  # batches come 61 times a second: each goes out at once, none waits for a timer
STALE_S = 0.5
WATCH_S = 0.1
ANSWER_AFTER_S = 0.6  # the recorder commits four times a second; the answer is read from the file
HOLE_S = 2.0  # no hold goes on over a longer one in this program's own time: the computer slept, or it was suspended
SPOKEN_FOR_S = 1.5  # a simulated athlete's answer is entered this long before the prompt closes if nobody did


def read_clock() -> float:
    """Seconds that go on while the computer sleeps, where the system has such a clock."""
    return time.clock_gettime(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic()


class Feed(Protocol):
    """A sensor as a session sees it. ``read`` belongs to the port thread; the rest may be looked at by anybody."""

    @property
    def said(self) -> float | None:
        """A simulated athlete's answer to the open prompt; None from a real sensor."""

    @property
    def trouble(self) -> str:
        """One line for the page about the wire, with its cure; empty when all is well."""

    @property
    def deviating_rate_hz(self) -> float | None:
        """Readings a second that arrive, where they are over 1 % off what was declared; else None."""

    @property
    def device_id(self) -> str:
        """Who answers at the other end of the wire; "" if that cannot be told."""

    def read(self) -> list[Item] | None:
        """What has come, after at most ~50 ms; gaps when nothing comes; None at the end of a replay."""

    def close(self) -> None:
        """Let the port go; after ``read`` has returned for the last time."""


class Shelf(Protocol):
    """Where plans are kept: opens, checks and saves them for a page."""

    def carry_out(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """Carry out a command of the place "plans"; raises BiofeedbackError."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The numbers of one update. ``percent`` by channel, NaN where unknown; ``remaining_s`` NaN when nothing counts.

    ``band_state`` is the guide's, which the hold is judged by; ``beside_state`` that of the channel shown beside it.
    """

    time_s: float
    level: int
    percent: tuple[float, ...]
    band_state: int
    remaining_s: float
    stale: bool
    in_band_s: float
    counted_s: float
    beside_state: int = 0


class LiveSession:
    """Runs a ``Session`` on a feed, and is what pages look at. All methods belong to the event loop's thread."""

    def __init__(
        self,
        session: Session,
        feed: Feed,
        *,
        recording_name: str,
        analyse: Callable[[], Mapping[str, Any]] | None = None,
        autopilot: Autopilot | None = None,
        shelf: Shelf | None = None,
        phone: PhoneFeed | None = None,
        clock: Callable[[], float] = read_clock,
    ) -> None:
        self.session = session
        self.engine = session.engine
        self.finished = asyncio.Event()
        self._feed = feed
        self._recording_name = recording_name
        self._analyse = analyse
        self._autopilot = autopilot
        self._shelf = shelf
        self._phone = phone
        self._clock = clock
        self._last_data_s = -math.inf
        self._alive_s = math.inf  # when this program last did anything
        self._answer: Mapping[str, Any] | None = None
        self._answered_stage = ""
        self._revision = 0
        self._seen: tuple[Any, ...] = ()
        self._updates = Updates(UPDATES_PER_S)
        self._stopping = threading.Event()
        self._failure: Exception | None = None

    # -- what pages use ------------------------------------------------------------------------------------------

    @property
    def revision(self) -> int:
        """Grows whenever ``state`` has changed."""
        seen = (
            self.engine.revision,
            self.session.recorder.problem,
            self._feed.said,
            self._feed.trouble,
            self._feed.deviating_rate_hz,
            id(self._answer),
            self._phone and (self._phone.who, (describe_phone(self._phone) or {}).get("state")),
        )
        if seen != self._seen:
            self._seen = seen
            self._revision += 1
        return self._revision

    def state(self) -> dict[str, Any]:
        """Everything a page shows besides the numbers."""
        state = describe_session(self.engine, said=self._feed.said)
        if self._feed.trouble:
            state["message"] = {"level": "error", "text": self._feed.trouble, "cure": ""}
        measured_hz = self._feed.deviating_rate_hz
        if measured_hz and (self._feed.trouble or not (state["message"] or self.engine.activity)):
            state["message"] = offer_rate(self.engine, measured_hz) or state["message"]
        return {
            **state,
            "phone": describe_phone(self._phone),
            "answer": self._answer,
            "report_url": "/report" if self._answer else None,
            "recording": {"file": self._recording_name, "problem": self.session.recorder.problem},
        }

    def snapshot(self) -> Snapshot:
        """The numbers now."""
        engine, hold = self.engine, self.engine.hold
        remaining_s = engine.activity.remaining_s(engine.level) if engine.activity else None
        return Snapshot(
            time_s=engine.time_s,
            level=engine.level - 1,
            percent=engine.strip.now,
            band_state=int(hold.band_state) if hold else 0,
            remaining_s=math.nan if remaining_s is None else remaining_s,
            stale=self._clock() - self._last_data_s > STALE_S,
            in_band_s=hold.tracker.in_band_s if hold and hold.tracker else 0.0,
            counted_s=hold.tracker.counted_s if hold and hold.tracker else 0.0,
            beside_state=int(hold.beside_state) if hold else 0,
        )

    def strip_since(self, level: int) -> tuple[int, NDArray[np.float32]]:
        """From ``level`` on, at most 30 s: the first level; efforts and values ``(2, n_levels, n_channels)``."""
        first, numbers = self.engine.strip.since(level)
        return first, numbers.astype("<f4")

    def command(self, message: Mapping[str, Any], by: str) -> dict[str, Any] | None:
        """Carry out a command from a page. Raises BiofeedbackError (with cure) or ValueError (no such command)."""
        try:
            place = check_command(message).place
            if self._shelf and place == "plans":
                return self._shelf.carry_out(message)
            if place == "phone":
                carry_out_phone(self._phone, message)
                return None
            self.session.command(message, by=by)
            return None
        finally:
            if message.get("do") != "phone_data":  # it shows with the frames that it goes into: no page draws twice
                self._updates.publish()

    async def wait_for_update(self, seen: int) -> int:
        """Return the update counter as soon as it is no longer ``seen``: 4 to 75 times a second."""
        return await self._updates.wait(seen)

    # -- running -------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Read until ``stop`` or the end of a replay; the caller closes the recorder afterwards.

        Raises what the feed raised: a replayed file can be damaged half-way.
        """
        loop = asyncio.get_running_loop()
        thread = threading.Thread(target=self._read_port, args=(loop,), name="port", daemon=True)
        thread.start()
        watch = asyncio.create_task(self._watch())
        try:
            await self.finished.wait()
        finally:
            self._stopping.set()
            watch.cancel()
            await asyncio.gather(watch, return_exceptions=True)
            until_s = loop.time() + 5.0
            while thread.is_alive() and loop.time() < until_s:  # not in a thread: there may be none left to start
                await asyncio.sleep(0.01)
            self._feed.close()
            if self.engine.hold and not self.engine.hold.is_over:  # else it would look as if the plan had gone on
                self.session.command({"do": "stop", "reason": "the session ended during the hold"}, by="program")
        if self._failure:
            raise self._failure

    def stop(self) -> None:
        """End the run."""
        self.finished.set()

    def _read_port(self, loop: asyncio.AbstractEventLoop) -> None:
        """The port thread: reads and decodes, nothing else. A session that can read no more ends, and says why."""
        try:
            while not self._stopping.is_set():
                items = self._feed.read()
                if items is None:
                    self._call(loop, self.stop)
                    return
                if items:
                    self._call(loop, self._receive, items)
        except Exception as error:
            self._failure = error
            self._call(loop, self.stop)

    @staticmethod
    def _call(loop: asyncio.AbstractEventLoop, function: Callable[..., None], *args: object) -> None:
        try:
            loop.call_soon_threadsafe(function, *args)
        except RuntimeError:
            LOG.debug("the event loop has closed; the port thread ends")

    def _receive(self, items: list[Item]) -> None:
        if any(isinstance(item, Chunk) for item in items):
            self._last_data_s = self._clock()
        self._process(items)

    def _process(self, items: list[Item]) -> None:
        self._notice_hole()
        self.engine.notice_device(self._feed.device_id)
        self.session.take(items)
        self._pilot()
        self._updates.publish()
        stage = self.engine.stage
        if stage != self._answered_stage:
            self._answered_stage = stage
            if stage == "done" and self._analyse:
                asyncio.get_running_loop().create_task(self._find_answer())

    def _notice_hole(self) -> None:
        """Before anything that piled up meanwhile is taken: whoever was holding must not be led on unasked."""
        was_s, self._alive_s = self._alive_s, self._clock()
        if self._alive_s - was_s > HOLE_S and self.engine.hold:
            self.session.pause(f"the computer stood still for {self._alive_s - was_s:.0f} s")

    def _pilot(self) -> None:
        """Press what the autopilot would press; enter what a simulated athlete said and nobody else entered."""
        hold, said = self.engine.hold, self._feed.said
        if self._autopilot:
            message = self._autopilot.next_command(self.engine, said)
            if message:
                self.session.command(message, by="autopilot")
            if self._autopilot.is_finished and self._answer:
                self.stop()
        elif hold and hold.ask and said is not None and hold.ask_remaining_s(self.engine.level) < SPOKEN_FOR_S:
            self.session.command({"do": "rate", "value": said}, by="simulated athlete")

    async def _watch(self) -> None:
        """Ten times a second: notice a failing disk, a silent wire, a press that is due."""
        while True:
            await asyncio.sleep(WATCH_S)
            self._notice_hole()
            if self._clock() - self._last_data_s > WATCH_S:  # else what came has seen to all that
                self._process([])

    async def _find_answer(self) -> None:
        assert self._analyse is not None
        await asyncio.sleep(ANSWER_AFTER_S)
        try:
            self._answer = await asyncio.to_thread(self._analyse)
            self.session.keep_answer(self._answer)
        except BiofeedbackError as error:
            self._answer = {"word": "no answer", "text": str(error), "details": []}
        except Exception:  # the analysis must never take a running session with it
            LOG.exception("analysis failed")
            self._answer = {"word": "no answer", "text": "the analysis failed; the recording is safe", "details": []}
        self._updates.publish()
