"""What a running session looks like from outside, without a thread or a clock of its own."""

from __future__ import annotations

import asyncio
import copy
from typing import Any

import numpy as np
import pytest

from biofeedback.account.values import Maximum
from biofeedback.errors import SessionError
from biofeedback.model import Channel, Chunk, Flag, Gap
from biofeedback.session.engine import Engine
from biofeedback.session.run import HOLE_S, LiveSession
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from tests.session.conftest import Bench, make_plan
from tests.session.test_each_command import make
from tests.session.test_run import HandFeed, KeptRecorder


class Live:
    """A bench's engine as pages see it, with a clock moved by hand."""

    def __init__(self, bench: Bench, **options: Any) -> None:
        self.bench, self.feed, self.recorder, self.now_s = bench, HandFeed(), KeptRecorder(), 100.0
        session = Session(bench.engine, self.recorder, utc=lambda: "2026-01-05T18:00:00", cue=lambda cue: None)
        self.live = LiveSession(session, self.feed, recording_name="x.hold", clock=lambda: self.now_s, **options)

    def read(self, seconds: float = 0.0, force: float = 10.0) -> None:
        """What the port brings; nothing: only that it was looked at."""
        n = round(100 * seconds)
        counts = force + 0.01 * (np.arange(n) % 2)
        self.live._receive([Chunk(self.bench.frame, counts[:, None])] if n else [])
        self.bench.frame += n


def at(stage: str, **options: Any) -> Live:
    return Live(copy.deepcopy(make(stage)), **options)


def run(script: Any) -> None:
    async def all_of_it() -> None:
        script()

    asyncio.run(all_of_it())


def test_the_numbers_of_an_update() -> None:
    def script() -> None:
        made = at("holding")
        made.read(0.5, 110.0)
        told = made.live.snapshot()
        engine = made.bench.engine
        assert (told.time_s, told.level) == (engine.level / 100.0, engine.level - 1)
        assert told.percent[0] == pytest.approx(25.0, abs=0.5)
        assert (told.band_state, told.beside_state) == (2, 0)
        assert told.remaining_s == engine.hold.remaining_s(engine.level)
        assert told.counted_s == pytest.approx(engine.level / 100 - engine.hold.since_s - 0.5, abs=0.011)
        assert 0 < told.in_band_s <= told.counted_s
        quiet = at("ready").live.snapshot()
        assert np.isnan(quiet.remaining_s)
        assert (quiet.band_state, quiet.in_band_s, quiet.counted_s) == (0, 0.0, 0.0)
        assert np.isnan(at("paused").live.snapshot().remaining_s)

    run(script)


def test_numbers_are_stale_half_a_second_after_the_last_reading_and_not_after_a_gap() -> None:
    def script() -> None:
        made = at("ready")
        assert made.live.snapshot().stale, "nothing has come yet"
        made.read(0.1)
        made.now_s += 0.5
        assert not made.live.snapshot().stale
        made.now_s += 0.01
        assert made.live.snapshot().stale
        made.live._receive([Gap(made.bench.frame, 10, "radio")])
        made.bench.frame += 10
        assert made.live.snapshot().stale
        made.read(0.1)
        assert not made.live.snapshot().stale

    run(script)


def test_the_strip_is_sent_as_short_numbers_from_the_level_asked_for() -> None:
    made = at("holding")
    first, numbers = made.live.strip_since(made.bench.engine.level - 5)
    assert first == made.bench.engine.level - 5
    assert (numbers.shape, numbers.dtype) == ((2, 5, 1), np.dtype("<f4"))


@pytest.mark.parametrize(
    ("stage", "trouble", "rate_hz", "text"),
    [
        ("ready", "", None, None),
        ("ready", "no port; plug it in", None, "no port; plug it in"),
        ("ready", "", 79.0, "The sensor sends 79 a second, not 100 (-21.0 %); times are off by as much"),
        ("holding", "", 79.0, None),  # not during a hold
        ("ready", "no port; plug it in", 79.0, "The sensor sends 79 a second, not 100 (-21.0 %)"),
    ],
)
def test_what_is_said_of_the_wire(stage: str, trouble: str, rate_hz: float | None, text: str | None) -> None:
    made = at(stage)
    made.feed.trouble, made.feed.deviating_rate_hz = trouble, rate_hz
    told = made.live.state()
    if text is None:
        assert told["message"] is None
    else:
        assert told["message"]["text"].startswith(text)
    assert (told["answer"], told["report_url"]) == (None, None)
    assert told["recording"] == {"file": "x.hold", "problem": None}
    assert told["phone"] is None


def test_another_message_comes_before_the_rate() -> None:
    made = at("ready")
    made.feed.deviating_rate_hz = 79.0
    made.bench.engine.message = {"level": "info", "text": "t", "cure": ""}
    assert made.live.state()["message"]["text"] == "t"


@pytest.mark.parametrize(("hole_s", "is_paused"), [(HOLE_S, False), (HOLE_S + 0.01, True)])
def test_a_hold_is_paused_over_a_hole_of_more_than_two_seconds(hole_s: float, is_paused: bool) -> None:
    def script() -> None:
        made = at("holding")
        made.read()
        made.now_s += hole_s
        made.read(0.1, 110.0)
        assert bool(made.bench.engine.hold.paused) is is_paused
        kinds = [event.kind for event in made.recorder.events]
        assert kinds.count("pause") == int(is_paused)

    assert HOLE_S == 2.0
    run(script)


@pytest.mark.parametrize(("left_s", "is_entered"), [(1.6, False), (1.4, True)])
def test_what_a_simulated_athlete_says_is_entered_a_second_and_a_half_before_the_question_closes(
    left_s: float, is_entered: bool
) -> None:
    def script() -> None:
        made = at("asked")
        closes_s = made.bench.engine.hold.ask_remaining_s(made.bench.engine.level)
        made.feed.said = 6.0
        made.read(closes_s - left_s)
        ratings = made.bench.engine.account.ratings
        assert [one.value for one in ratings] == ([6.0] if is_entered else [])
        assert not is_entered or ratings[0].by == "simulated athlete"

    run(script)


def test_a_real_athlete_is_never_answered_for() -> None:
    def script() -> None:
        made = at("asked")
        made.read(1.9)
        assert made.bench.engine.account.ratings == []

    run(script)


@pytest.mark.parametrize(
    ("stage", "is_asked"), [("ready", False), ("holding", False), ("stopped", True), ("done", True)]
)
@pytest.mark.parametrize("has_analysis", [True, False])
def test_an_answer_is_looked_for_once_a_plan_is_over_where_somebody_can_find_one(
    stage: str, is_asked: bool, has_analysis: bool
) -> None:
    def script() -> None:
        made = at(stage, analyse=(lambda: {}) if has_analysis else None)
        for _ in range(2):
            made.read(0.1)
            assert len(asyncio.all_tasks()) - 1 == int(is_asked and has_analysis)
        for task in asyncio.all_tasks() - {asyncio.current_task()}:
            task.cancel()

    run(script)


def test_a_command_for_a_shelf_or_a_phone_goes_there() -> None:
    told = []

    class Shelf:
        def carry_out(self, message: Any) -> dict[str, Any]:
            told.append(message["do"])
            return {"fine": True}

    def script() -> None:
        made = at("ready", shelf=Shelf())
        assert made.live.command({"do": "check_plan", "draft": {}}, by="coach") == {"fine": True}
        assert told == ["check_plan"]
        assert made.live.command({"do": "note", "text": "x"}, by="coach") is None
        with pytest.raises(SessionError, match="no place for a phone"):
            made.live.command({"do": "phone_angle", "who": "A01", "on": True}, by="athlete")
        with pytest.raises(SessionError, match="not for the session"):
            at("ready").live.command({"do": "check_plan", "draft": {}}, by="coach")

    run(script)


# -- the state under it -------------------------------------------------------------------------------------------

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="mV", envelope=True)
OTHER = Channel(name="other", kind="force", unit="N")
POSITION = Channel(name="position", kind="position", unit="cm")


def engine_of(*channels: Channel, **setup: Any) -> Engine:
    return Engine(channels, 100.0, Setup(**setup), [make_plan()])


def give(engine: Engine, *names: str) -> None:
    for name in names:
        maximum = Maximum(channel=name, strength=100.0, baseline=0.0, unit="N")
        engine.set_maxima({name: maximum}, settled=True, by="coach")


def test_beside_the_guide_stands_the_other_side_before_another_kind() -> None:
    engine = engine_of(FORCE, POSITION, EMG, OTHER)
    assert engine.beside is None
    give(engine, "force", "position")
    assert engine.beside is None
    give(engine, "emg")
    assert engine.beside == 2
    give(engine, "other")
    assert engine.beside == 3
    engine = engine_of(EMG, FORCE, OTHER)
    assert engine.channels[engine.guide].name == "force"
    give(engine, "emg", "force", "other")
    assert engine.beside == 2


def test_a_session_without_anything_to_measure_is_refused() -> None:
    with pytest.raises(SessionError, match="no channel measures force or muscle activity"):
        engine_of(POSITION)


def test_sample_time_as_a_date() -> None:
    engine = engine_of(FORCE, started_utc="2026-01-05T23:59:58+00:00")
    engine.push(Chunk(0, np.zeros((400, 1))))
    assert engine.time_s == 4.0
    assert engine.utc == "2026-01-06T00:00:02+00:00"
    assert engine_of(FORCE).utc == ""


def test_the_position_is_zeroed_by_its_last_half_second() -> None:
    engine = engine_of(FORCE, POSITION)
    position = np.concatenate([np.full(200, 99.0), np.tile([39.0, 41.0], 50)])
    engine.push(Chunk(0, np.column_stack([np.zeros(300), position])))
    engine.take_events()
    engine.zero_position()
    (event,) = engine.take_events()
    zero = event.data["channels"]["position"]
    assert (zero["level"], zero["n_levels"]) == (pytest.approx(40.0, abs=0.1), 50)
    assert set(event.data["channels"]) == {"position"}
    bare = engine_of(FORCE)
    bare.push(Chunk(0, np.zeros((100, 1))))
    bare.zero_position()
    assert bare.take_events() == []


@pytest.mark.parametrize(("n_clipped", "is_brief"), [(0, False), (10, True), (19, True), (20, False), (50, False)])
def test_an_end_of_the_range_for_less_than_two_fifths_of_half_a_second_is_a_spike(
    n_clipped: int, is_brief: bool
) -> None:
    engine = engine_of(Channel(name="force", kind="force", unit="N", rail_high_counts=1000.0))
    seen = engine.revision
    flags = np.zeros((50, 1), np.uint16)
    flags[50 - n_clipped :] = np.uint16(Flag.CLIPPED)
    engine.strip.push(np.zeros((50, 1)), np.zeros((50, 1)), flags)
    engine._watch_signals()
    assert engine.clips_briefly == (is_brief,)
    assert engine.problems == (int(Flag.CLIPPED) * bool(n_clipped),)
    assert (engine.revision > seen) is bool(n_clipped)
    seen = engine.revision
    engine._watch_signals()
    assert engine.revision == seen


def test_what_passes_by_itself_is_no_trouble() -> None:
    engine = engine_of(FORCE)
    flags = np.full((50, 1), np.uint16(Flag.SETTLING | Flag.BRIDGED | Flag.HUM))
    engine.strip.push(np.zeros((50, 1)), np.zeros((50, 1)), flags)
    engine._watch_signals()
    assert engine.problems == (int(Flag.HUM),)


def test_a_plan_is_offered_as_it_fits_the_session() -> None:
    engine = engine_of(FORCE, fast=True)
    assert engine.plans["short"].duration_s == pytest.approx(0.3 * 15)
    revision = engine.revision
    engine.offer_plan(make_plan())
    assert (engine.plans["short"].duration_s, engine.revision) == (pytest.approx(0.3 * 15), revision + 1)
    slow = engine_of(FORCE)
    slow.offer_plan(make_plan())
    assert slow.plans["short"].duration_s == 15


def test_hard_seconds_of_today_are_those_of_earlier_sessions_and_of_this_one() -> None:
    bench = Bench()
    bench.engine.earlier_hard_s = 12.5
    assert bench.engine.hard_s == 12.5
    bench.ready()
    assert bench.engine.hard_s == 12.5


def test_who_answers_is_asked_about_once_and_only_where_something_was_calibrated() -> None:
    bench = Bench()
    engine = bench.engine
    for device in ("", "one", "two", "two"):
        engine.notice_device(device)
    assert engine.take_events() == []  # nothing is calibrated yet: the last one is the sensor
    bench.zero()
    engine.notice_device("two")
    engine.notice_device("three")
    engine.notice_device("three")
    assert [(e.data["state"], e.data["id"]) for e in engine.take_events()] == [("asked", "three")]
    engine.notice_device("two")
    engine.notice_device("two")
    assert [(e.data["state"], e.data["id"]) for e in engine.take_events()] == [("back", "two")]
    engine.notice_device("three")
    engine.settle_device(keeps=True, by="coach")
    for device in ("two", "three"):
        engine.notice_device(device)
    assert [e.data["state"] for e in engine.take_events()] == ["asked", "kept"]
    engine.notice_device("four")
    engine.settle_device(keeps=False, by="coach")
    engine.notice_device("four")
    assert [e.data["state"] for e in engine.take_events()] == ["asked", "renewed"]
    assert (engine.account.zeros, engine.maxima) == ({}, {})
