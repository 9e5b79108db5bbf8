"""A session in real time, with a feed that the test holds in its hand. Waits are for events, never for time."""

from __future__ import annotations

import asyncio
import math
import queue
from dataclasses import replace

import numpy as np
import pytest

from biofeedback.account.fold import fold
from biofeedback.account.values import Maximum
from biofeedback.errors import AnalysisError, PlanError, SessionError
from biofeedback.model import Channel, Chunk, Gap
from biofeedback.session.autopilot import Autopilot
from biofeedback.session.engine import Engine
from biofeedback.session.run import LiveSession
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from biofeedback.session.view import describe_session
from tests.session.conftest import RATE_HZ, make_plan


class HandFeed:
    """Items put in by the test come out of ``read``; None ends it."""

    def __init__(self):
        self.items = queue.Queue()
        self.said = None
        self.trouble = ""
        self.device_id = ""
        self.deviating_rate_hz = None
        self.is_closed = False
        self.frame = 0

    def put(self, seconds, force=10.0):
        n = round(seconds * RATE_HZ)
        frame = np.arange(self.frame, self.frame + n)
        counts = force + 0.01 * (frame % 2) + (force > 100) * 0.02 * np.sin(0.08 * frame)  # nobody pushes dead still
        self.items.put([Chunk(self.frame, counts[:, None])])
        self.frame += n

    def lose(self, seconds):
        n = round(seconds * RATE_HZ)
        self.items.put([Gap(self.frame, n, "no data")])
        self.frame += n

    def read(self):
        try:
            return self.items.get(timeout=0.02)
        except queue.Empty:
            return []

    def close(self):
        self.is_closed = True


class KeptRecorder:
    def __init__(self):
        self.items, self.events, self.problem = [], [], None

    def append(self, item):
        self.items.append(item)

    def event(self, event):
        self.events.append(event)


class Rig:
    """A live session on a hand-held feed; ``run`` gives a test the running session."""

    def __init__(self, **options):
        self.feed, self.recorder, self.options = HandFeed(), KeptRecorder(), options
        self.now_s = 0.0

    def run(self, script):
        async def all_of_it():
            engine = Engine([Channel(name="force", kind="force", unit="N")], RATE_HZ, Setup(rest_s=0.5), [make_plan()])
            session = Session(engine, self.recorder, utc=lambda: "2026-01-05T18:00:00", cue=lambda cue: None)
            live = LiveSession(session, self.feed, recording_name="x.hold", clock=lambda: self.now_s, **self.options)
            running = asyncio.create_task(live.run())
            try:
                await asyncio.wait_for(script(live, self), 120)
            finally:
                live.stop()
                await running

        asyncio.run(all_of_it())


async def until(live, condition):
    seen = -1
    while not condition():
        seen = await live.wait_for_update(seen)


async def make_ready(live, rig):
    live.command({"do": "accept_cautions"}, by="coach")
    live.command({"do": "zero"}, by="coach")
    rig.feed.put(2.5)
    await until(live, lambda: live.engine.account.zeros)
    live.command({"do": "typed_maximum", "value": 400.0}, by="coach")


def test_items_are_recorded_before_they_are_understood_and_the_port_is_closed():
    rig = Rig()

    async def script(live, rig):
        rig.feed.put(1.0)
        await until(live, lambda: live.engine.level == 100)
        assert rig.recorder.items[0].n_frames == 100
        assert live.snapshot().level == 99
        assert math.isnan(live.snapshot().percent[0])

    rig.run(script)
    assert rig.feed.is_closed


def test_events_are_stamped_and_recorded():
    rig = Rig()

    async def script(live, rig):
        await make_ready(live, rig)
        assert live.engine.stage == "ready"

    rig.run(script)
    assert [event.kind for event in rig.recorder.events] == ["caution", "zero", "maximum"]
    assert {event.utc for event in rig.recorder.events} == {"2026-01-05T18:00:00"}


def test_what_is_said_of_a_maximum_from_another_day_stays_beside_it():
    engine = Engine([Channel(name="force", kind="force", unit="N")], RATE_HZ, Setup(rest_s=0.5), [make_plan()])
    session = Session(engine, KeptRecorder(), utc=lambda: "2026-01-05T18:00:00", cue=lambda cue: None)
    maximum = Maximum(channel="force", strength=410.0, baseline=12.0, unit="N", method="carried")
    said = ["found in another position", "maximum is 40 days old"]
    session.carry(maximum, said)
    assert describe_session(engine)["maximum"]["warnings"] == said
    engine.set_maxima({"force": replace(maximum, method="typed")}, settled=True, by="coach")
    assert describe_session(engine)["maximum"]["warnings"] == []


def test_a_snapshot_is_stale_half_a_second_after_the_last_data():
    rig = Rig()

    async def script(live, rig):
        rig.feed.put(1.0)
        await until(live, lambda: live.engine.level == 100)
        assert not live.snapshot().stale
        rig.now_s += 0.6
        assert live.snapshot().stale
        rig.feed.lose(1.0)  # a gap is no data
        await until(live, lambda: live.engine.level == 200)
        assert live.snapshot().stale
        rig.feed.put(0.1)
        await until(live, lambda: live.engine.level == 210)
        assert not live.snapshot().stale

    rig.run(script)


def test_the_revision_grows_with_every_change_a_page_must_know():
    rig = Rig()

    async def script(live, rig):
        seen = live.revision
        assert live.revision == seen
        for change in (
            lambda: setattr(rig.feed, "trouble", "no data; check the cable"),
            lambda: setattr(rig.recorder, "problem", "disk full; make room"),
            lambda: setattr(rig.feed, "said", 6.0),
            lambda: live.command({"do": "limit", "value": 7}, by="coach"),
        ):
            change()
            assert live.revision > seen
            seen = live.revision
        state = live.state()
        assert state["message"]["text"].startswith("no data")
        assert state["recording"]["problem"].startswith("disk full")

    rig.run(script)


def test_a_refused_command_leaves_the_session_running():
    rig = Rig()

    async def script(live, rig):
        with pytest.raises(SessionError):
            live.command({"do": "start_plan", "plan": "short"}, by="coach")
        rig.feed.put(0.5)
        await until(live, lambda: live.engine.level == 50)

    rig.run(script)


def test_the_end_of_a_replay_ends_the_session():
    rig = Rig()

    async def script(live, rig):
        rig.feed.put(0.5)
        rig.feed.items.put(None)
        await live.finished.wait()

    rig.run(script)
    assert rig.recorder.items


def test_what_the_simulated_athlete_says_is_entered_when_nobody_does():
    rig = Rig()

    async def script(live, rig):
        await make_ready(live, rig)
        live.command({"do": "start_plan", "plan": "short"}, by="coach")
        rig.feed.put(2.5)
        await until(live, lambda: live.engine.hold.ask)
        rig.feed.said = 6.5
        for _ in range(16):
            rig.feed.put(0.25)
        await until(live, lambda: live.engine.account.ratings)
        assert live.engine.account.ratings[0].value == 6.5

    rig.run(script)
    assert [e.data["by"] for e in rig.recorder.events if e.kind == "rating"] == ["simulated athlete"]


@pytest.mark.parametrize("failure", [None, AnalysisError("too few ratings", "hold longer"), ZeroDivisionError()])
def test_an_answer_comes_after_the_plan_and_its_failure_takes_nothing_with_it(failure, monkeypatch):
    monkeypatch.setattr("biofeedback.session.run.ANSWER_AFTER_S", 0.0)

    def analyse():
        if failure:
            raise failure
        return {"word": "less", "text": "Less.", "details": []}

    rig = Rig(analyse=analyse)

    async def script(live, rig):
        await make_ready(live, rig)
        live.command({"do": "start_plan", "plan": "short"}, by="coach")
        live.command({"do": "stop", "reason": "enough"}, by="athlete")
        rig.feed.put(0.1)
        await until(live, lambda: live.state()["answer"])
        answer = live.state()["answer"]
        assert answer["word"] == ("no answer" if failure else "less")
        assert ("answer" in [event.kind for event in rig.recorder.events]) == (failure is None)
        if isinstance(failure, AnalysisError):
            assert "hold longer" in answer["text"]
        rig.feed.put(0.1)
        level = live.engine.level
        await until(live, lambda: live.engine.level > level)

    rig.run(script)


def test_the_autopilot_leads_through_everything_and_ends(monkeypatch):
    monkeypatch.setattr("biofeedback.session.run.ANSWER_AFTER_S", 0.0)
    rig = Rig(autopilot=Autopilot(["short"]), analyse=lambda: {"word": "less", "text": "", "details": []})

    async def script(live, rig):
        seen = -1
        while not live.finished.is_set() and live.engine.time_s < 3600:
            engine = live.engine
            pushing = engine.activity is not None and getattr(engine.activity, "step", "") == "push"
            rig.feed.put(0.25, 400.0 if pushing else 10.0)
            seen = await live.wait_for_update(seen)

    rig.run(script)
    kinds = [event.kind for event in rig.recorder.events]
    assert kinds.count("attempt") >= 3
    assert kinds.count("phase") == 6


@pytest.mark.parametrize("is_over", [False, True])
def test_a_session_that_ends_in_a_hold_says_so_on_record(is_over):
    rig = Rig()

    async def script(live, rig):
        await make_ready(live, rig)
        live.command({"do": "start_plan", "plan": "short"}, by="coach")
        rig.feed.put(2.5)
        await until(live, lambda: live.engine.hold.ask)
        while is_over and live.engine.stage != "done" and live.engine.time_s < 600:
            rig.feed.put(0.25)
            await asyncio.sleep(0.01)

    rig.run(script)
    stops = [event.data["reason"] for event in rig.recorder.events if event.kind == "stop"]
    assert stops == ([] if is_over else ["the session ended during the hold"])
    ends = [event.data["kind"] for event in rig.recorder.events if event.kind == "phase"]
    assert ends[-1] == "end"


def test_a_sensor_that_is_not_as_fast_as_declared_is_offered_for_the_next_start_at_one_press():
    """The press goes on record and changes nothing that was recorded: levels before and after it are on one grid."""
    rig, kept = Rig(), []

    async def script(live, rig):
        live.session.keep_rate = kept.append
        await make_ready(live, rig)
        rig.feed.trouble, rig.feed.deviating_rate_hz = "the sensor sends 97.5 readings a second", 97.5
        message = live.state()["message"]
        assert "97.5 a second, not 100 (-2.5 %)" in message["text"]
        (press,) = message["actions"]
        assert press["title"] == "Use 97.5 next time"
        rig.feed.trouble = ""  # it is told for a minute; the press stays as long as nothing else is said
        assert live.state()["message"] == message
        level = live.engine.level
        live.command(press["command"], by="coach")
        assert kept == [97.5]
        event = rig.recorder.events[-1]
        assert (event.kind, event.data) == ("rate", {"declared_hz": 100.0, "measured_hz": 97.5, "by": "coach"})
        assert "actions" not in live.state()["message"]
        assert "97.5 readings a second are used from the next start on" in live.state()["message"]["text"]
        rig.feed.put(1.0)
        await until(live, lambda: live.engine.level == level + 100)  # a second at the declared rate, as before
        with pytest.raises(SessionError, match="out of range"):
            live.command({"do": "keep_rate", "rate_hz": 5000.0}, by="coach")

    rig.run(script)
    channels = [Channel(name="force", kind="force", unit="N")]
    assert fold(rig.recorder.events, channels=channels, settings={}).next_rate_hz == 97.5


def test_a_rate_that_cannot_be_kept_is_told_and_stays_on_record():
    rig = Rig()

    async def script(live, rig):
        def refuse(rate_hz):
            raise PlanError("rates.json was not saved", "free some disk space")

        live.session.keep_rate = refuse
        live.command({"do": "accept_cautions"}, by="coach")
        live.command({"do": "keep_rate", "rate_hz": 97.5}, by="coach")
        assert live.state()["message"]["text"] == "rates.json was not saved"
        assert rig.recorder.events[-1].kind == "rate"

    rig.run(script)
