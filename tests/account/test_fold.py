"""The account that the engine holds live is the one that every reader folds afterwards, after every prefix."""

from __future__ import annotations

import contextlib
import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from biofeedback.account.account import Account
from biofeedback.account.fold import fold
from biofeedback.account.kinds import (
    Answered,
    CautionsRead,
    DeviceNoticed,
    MaximumSet,
    Paused,
    Payload,
    PhaseBegun,
    PhaseEndMoved,
    PlanBegun,
    PositionJudged,
    RatingAsked,
    RatingGiven,
    StopExplained,
    Stopped,
    TakenUp,
    ZeroTaken,
    make_event,
)
from biofeedback.account.values import Maximum, PositionResult, Zero
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel, Chunk, Event, Gap
from biofeedback.session.engine import Engine
from biofeedback.session.plan import parse_plan
from biofeedback.session.setup import Setup

RATE_HZ = 50.0
CHANNELS = [
    Channel(name="force", kind="force", unit="N"),
    Channel(name="emg", kind="emg", unit="uV", envelope=True),
    Channel(name="position", kind="position", unit="cm"),
]
PLAN = """
name = "short"
grace_s = 0.2
ask_before_end_s = 0.5
hysteresis_percent = 3
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 1
ask = true
[[block.phase]]
kind = "contract"
duration_s = 1
band = [20, 30]
adapt = [10, 60]
ask = true
[[block.phase]]
kind = "rest"
duration_s = 1
"""
commands = st.one_of(
    st.sampled_from(
        [
            {"do": "accept_cautions"},
            {"do": "zero"},
            {"do": "attempt"},
            {"do": "accept_maximum"},
            {"do": "reject_attempt", "number": 1},
            {"do": "typed_maximum", "channel": "force", "value": 400},
            {"do": "revise_maximum", "channel": "force", "value": 450},
            {"do": "guide", "channel": "emg"},
            {"do": "start_plan", "plan": "short"},
            {"do": "stop"},
            {"do": "resume"},
            {"do": "finish"},
            {"do": "end_phase"},
            {"do": "extend_phase", "seconds": 2},
            {"do": "choose_band", "low": 30, "high": 40},
            {"do": "position", "answer": "drifted", "phase_index": 1},
            {"do": "covariates", "text": "heat, massage"},
            {"do": "feedback", "shown": False},
            {"do": "note", "text": "x"},
            {"do": "device", "answer": "keep"},
            {"do": "device", "answer": "renew"},
            {"do": "what"},
        ]
    ),
    st.builds(lambda value: {"do": "rate", "value": value}, st.one_of(st.none(), st.integers(0, 10))),
    st.builds(lambda n, value: {"do": "correct", "rating": n, "value": value}, st.integers(0, 4), st.integers(0, 10)),
    st.builds(lambda value: {"do": "limit", "value": value}, st.integers(5, 10)),
)
waits = st.tuples(st.sampled_from([0.1, 0.7, 2.2]), st.sampled_from([10.0, 110.0, 400.0]), st.booleans())
devices = st.sampled_from(["one", "two"])
steps = st.lists(st.one_of(commands, waits, devices), max_size=40)
MAXIMUM = {"do": "typed_maximum", "value": 400}
START: list[Any] = [{"do": "accept_cautions"}, {"do": "zero"}, (2.2, 10.0, False), MAXIMUM]


@given(st.one_of(steps, steps.map(lambda more: [*START, {"do": "start_plan", "plan": "short"}, *more])))
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_any_evening_folds_to_the_account_that_was_held_live(evening: list[Any]) -> None:
    engine = Engine(CHANNELS, RATE_HZ, Setup(rest_s=1.0, push_s=1.0, countdown_s=1.0), [parse_plan(PLAN, "short")])
    events: list[Event] = []
    frame = 0
    for step in evening:
        if isinstance(step, str):
            engine.notice_device(step)
        elif isinstance(step, dict):
            with contextlib.suppress(BiofeedbackError):
                engine.command(step)
        else:
            seconds, force, is_lost = step
            n = round(seconds * RATE_HZ)
            noise = 0.01 * (np.arange(frame, frame + n) % 2)
            counts = np.column_stack([force + noise, force / 10 + noise, noise])
            engine.push(Gap(frame, n, "nothing came") if is_lost else Chunk(frame, counts))
            frame += n
        events += engine.take_events()
        afterwards = fold(events, channels=CHANNELS, settings=engine.setup.to_settings())
        for field in dataclasses.fields(Account):
            assert getattr(afterwards, field.name) == getattr(engine.account, field.name), field.name
        assert not afterwards.problems
        if engine.stage == "ready":
            assert engine.account.zeros
            assert engine.account.guide in engine.maxima


def make(*said: tuple[int, Payload]) -> Account:
    return fold([make_event(payload, frame) for frame, payload in said], channels=CHANNELS, settings={"limit": 9})


def phase(kind: str, index: int, **more: Any) -> PhaseBegun:
    return PhaseBegun(phase_kind=kind, index=index, **more)


def force(strength: float, **more: Any) -> MaximumSet:
    return MaximumSet(maximum=Maximum(channel="force", strength=strength, baseline=0.0, unit="N"), **more)


def zero(level: float, **more: Any) -> ZeroTaken:
    return ZeroTaken(channels={"force": Zero(level, 0.1)}, **more)


def test_a_late_answer_belongs_to_the_phase_that_asked() -> None:
    account = make(
        (0, phase("passive", 0)), (100, phase("contract", 1)), (120, RatingGiven(value=6.0, phase_index=0)),
        (150, RatingGiven(value=4.0)),
    )  # fmt: skip
    assert [(r.value, r.phase_number) for r in account.ratings] == [(6.0, 1), (4.0, 2)]


def test_a_second_run_of_a_plan_has_phases_of_its_own() -> None:
    account = make(
        (0, phase("passive", 0)), (9, RatingGiven(value=6.0, phase_index=0)), (10, Stopped()),
        (20, phase("passive", 0)), (29, RatingGiven(value=3.0, phase_index=0)),
    )  # fmt: skip
    assert [r.phase_number for r in account.ratings] == [1, 2]
    assert [(p.end_frame, p.closed_by) for p in account.phases] == [(10, "stop"), (None, "recording")]


def test_a_stop_ends_a_plan_at_once_though_a_question_is_open() -> None:
    begun = ((0, CautionsRead()), (1, zero(1.0)), (2, PlanBegun()), (2, phase("passive", 0)))
    assert make(*begun).stage == "plan"
    asked = make(*begun, (8, RatingAsked(id=1)), (9, Stopped()))
    assert (asked.stage, asked.open_ask, asked.is_plan_over) == ("done", None, True)


def test_a_pause_ends_the_phase_and_not_the_plan() -> None:
    begun = ((0, CautionsRead()), (1, zero(1.0)), (2, PlanBegun()), (2, phase("passive", 0)), (5, RatingAsked(id=1)))
    paused = make(*begun, (9, Paused(reason="the hand slipped")))
    assert (paused.paused, paused.open_ask, paused.stage) == ("the hand slipped", None, "plan")
    assert [(stop.frame, stop.is_pause) for stop in paused.stops] == [(9, True)]
    assert [(p.end_frame, p.closed_by) for p in paused.phases] == [(9, "stop")]
    assert make(*begun, (9, Paused(reason="x")), (12, TakenUp(phase_index=0))).paused is None
    over = make(*begun, (9, Stopped()), (12, Paused(reason="late")))
    assert ([stop.is_pause for stop in over.stops], over.paused) == ([False], None)


def test_where_the_position_went_belongs_to_its_phase() -> None:
    held = PositionResult(state="held")
    account = make(
        (0, phase("passive", 0)), (9, phase("contract", 1)), (12, PositionJudged(phase_index=0, position=held))
    )
    assert [p.position for p in account.phases] == [held, None]


def test_why_stop_was_pressed_belongs_to_the_last_stop() -> None:
    account = make((5, Stopped()), (9, Stopped()), (12, StopExplained(why="cramp")))
    assert [stop.why for stop in account.stops] == ["", "cramp"]
    assert make((5, StopExplained(why="cramp"))).stops == []


def test_a_correction_is_no_rating_of_its_own() -> None:
    account = make((0, RatingGiven(value=6.0)), (1, RatingGiven(value=4.0, corrects=1)))
    assert [(r.value, r.originals) for r in account.ratings] == [(4.0, (6.0,))]


def test_phases_are_counted_by_the_rules_of_their_plan() -> None:
    plan = PlanBegun(hysteresis_percent=5.0, dwell_s=0.7, grace_s=1.5)
    account = make((0, phase("contract", 0)), (5, plan), (5, phase("contract", 0)))
    rules = [(p.grace_s, p.hysteresis_percent, p.dwell_s) for p in account.phases]
    assert rules == [(2.0, 1.0, 0.2), (1.5, 5.0, 0.7)]


def test_another_sensor_voids_what_was_found_with_the_one_before() -> None:
    account = make((0, zero(1.0)), (5, force(400.0)), (9, DeviceNoticed(state="renewed", id="two")))
    assert (account.maxima, account.zeros) == ({}, {})
    assert account.maximum_at(8, "force") is not None
    assert account.maximum_at(9, "force") is None
    last = account.last_maximum("force")
    assert last is not None
    assert last.void == "another sensor was put in its place"


def test_what_is_said_afterwards_supersedes_what_was_recorded() -> None:
    account = make((100, zero(1.0)), (200, force(400.0)), (0, zero(2.0, supersedes=True)))
    assert account.zeros["force"].level == 2.0
    assert [(one.frame, one.zero.level) for one in account.zero_history] == [(0, 2.0)]
    later = make((100, force(400.0)), (300, force(410.0)), (200, force(500.0, supersedes=True)))
    assert [one.maximum.strength for one in later.maximum_history] == [400.0, 500.0]
    twice = make((0, zero(2.0, supersedes=True)), (100, zero(1.0)), (0, zero(3.0, supersedes=True)))
    assert twice.zeros["force"].level == 3.0


def test_an_answer_counts_until_something_that_it_was_made_from_is_said_after_it() -> None:
    assert make((0, RatingGiven(value=4.0)), (90, Answered(word="less"))).answer == Answered(word="less")
    assert make((90, Answered(word="less")), (0, RatingGiven(value=4.0))).answer is None


def test_a_phase_made_longer_is_planned_longer() -> None:
    account = make((0, phase("passive", 0, duration_s=5.0)), (9, PhaseEndMoved(phase_index=0, seconds=10.0)))
    assert account.phases[0].planned_s == 15.0


@pytest.mark.parametrize("kind", ["phase", "stop"])
def test_what_cannot_be_read_is_told_and_ends_what_it_would_have_ended(kind: str) -> None:
    events = [Event(0, "phase", {"kind": "passive", "index": 0}), Event(50, kind, {"kind": 5, "reason": 7})]
    account = fold(events, channels=CHANNELS, settings={})
    assert (account.phases[0].end_frame, account.phases[0].closed_by) == (50, kind)
    assert "frame 50 cannot be read" in account.problems[0]


def test_what_cannot_be_read_ends_nothing_that_it_would_not_have_ended() -> None:
    events = [Event(0, "phase", {"kind": "passive", "index": 0}), Event(50, "rating", {"value": "much", "by": 7})]
    account = fold(events, channels=CHANNELS, settings={})
    assert account.phase is not None
    assert "frame 50 cannot be read" in account.problems[0]
