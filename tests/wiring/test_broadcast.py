"""Effort, phases and ratings as streams, read by the layer's own library; discovery stays on this computer."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

os.environ["LSLAPICFG"] = str(Path(__file__).parents[1] / "acquisition" / "lsl_on_this_machine.cfg")

from biofeedback.model import Chunk
from biofeedback.session.session import Session
from biofeedback.wiring.broadcast import Broadcast, begin_broadcast

from ..requirements import need
from ..session.conftest import Bench

try:
    import pylsl
except (ImportError, RuntimeError):
    pylsl = None


class NoRecorder:
    problem = None

    def __init__(self) -> None:
        self.events: list[Any] = []

    def append(self, item: object) -> None: ...

    def event(self, event: object) -> None:
        self.events.append(event)


class Kept:
    """An outlet that keeps what it is given."""

    def __init__(self) -> None:
        self.percent: list[Any] = []
        self.words: list[str] = []

    def send(self, percent: Any) -> None:
        self.percent.append(percent.copy())

    def say(self, text: str) -> None:
        self.words.append(text)


def ready(**setup: Any) -> tuple[Bench, Session]:
    bench = Bench(**setup)
    bench.ready()
    session = Session(bench.engine, NoRecorder(), utc=lambda: "", cue=lambda cue: None)
    session._settle()
    return bench, session


def push(bench: Bench, session: Session, force: Any) -> None:
    session.take([Chunk(bench.frame, np.asarray(force, dtype=float)[:, None])])
    bench.frame += len(force)


def hold_and_rate(bench: Bench, session: Session) -> None:
    session.command({"do": "start_plan", "plan": "short"}, by="coach")
    push(bench, session, 10 + 0.01 * (np.arange(250) % 2))
    session.command({"do": "rate", "value": 6.5}, by="athlete")
    push(bench, session, 10 + 0.01 * (np.arange(60) % 2))
    session.command({"do": "stop", "reason": "cramp"}, by="coach")


WORDS = ["phase 1 passive", "rating 6.5, phase 1", "phase 2 contract 20-30 %", "stop: cramp", "phase end"]


def test_every_level_goes_out_once_and_words_are_those_of_the_exports() -> None:
    bench, session = ready()
    kept = Kept()
    session.broadcast = Broadcast(bench.engine, kept)
    first = bench.engine.level
    hold_and_rate(bench, session)
    sent = np.concatenate(kept.percent)
    assert len(sent) == bench.engine.level - first
    assert np.array_equal(sent, bench.engine.strip.since(first)[1][0], equal_nan=True)
    assert [text.partition(":")[0] if "phase " in text[:6] else text for text in kept.words] == WORDS


def test_a_stream_that_fails_costs_the_session_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    class Broken(Kept):
        def send(self, percent: Any) -> None:
            raise OSError("no buffer space")

    bench, session = ready()
    session.broadcast = Broadcast(bench.engine, Broken())
    hold_and_rate(bench, session)
    assert bench.engine.account.ratings[-1].value == 6.5
    assert capsys.readouterr().err.count("the stream has ended: no buffer space; the session goes on") == 1


def test_the_layers_own_library_reads_effort_and_words() -> None:
    need(pylsl, "not installed: pylsl")
    bench, session = ready(athlete="A07")
    outlet = begin_broadcast(session, f"effort{os.getpid()}")
    name = f"effort{os.getpid()}-A07"
    (effort,) = pylsl.resolve_byprop("name", name, 1, 10.0)
    (words,) = pylsl.resolve_byprop("name", f"{name}-events", 1, 10.0)
    assert (effort.nominal_srate(), effort.channel_count()) == (bench.engine.level_rate_hz, 1)
    inlets = [pylsl.StreamInlet(one) for one in (effort, words)]
    assert inlets[0].info(10.0).desc().child("channels").child("channel").child_value("unit") == "%"
    for inlet in inlets:
        inlet.open_stream(10.0)
    first = bench.engine.level
    hold_and_rate(bench, session)
    values, said = [], []
    until_s = time.monotonic() + 20
    while (len(values) < bench.engine.level - first or len(said) < 5) and time.monotonic() < until_s:
        values += inlets[0].pull_chunk(timeout=0.2)[0]
        said += [sample[0] for sample in inlets[1].pull_chunk(timeout=0.2)[0]]
    expected = bench.engine.strip.since(first)[1][0].astype(np.float32)
    assert np.array_equal(np.array(values, dtype=np.float32), expected, equal_nan=True)
    assert said[1] == "rating 6.5, phase 1"
    assert said[-2:] == ["stop: cramp", "phase end"]
    for inlet in inlets:
        inlet.close_stream()
    outlet.close()
