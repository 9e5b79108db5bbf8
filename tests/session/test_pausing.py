"""A contraction without its sensor, and a hold over a hole in time, are paused, and taken up again by hand."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.account.fold import fold
from biofeedback.errors import SessionError
from biofeedback.model import Channel, Chunk, Gap
from biofeedback.session.plan import parse_plan

from .conftest import Bench
from .test_run import Rig, make_ready, until

LONG = """
name = "long"
title = "Long"
description = "for tests"
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 10
[[block.phase]]
kind = "contract"
duration_s = 20
band = [20, 30]
ask = true
"""


def begin(bench, phase="contract"):
    bench.ready()
    bench.engine.offer_plan(parse_plan(LONG, "long.toml"))
    bench.do(do="start_plan", plan="long")
    bench.wait(12.0 if phase == "contract" else 2.0, 10.0 if phase == "passive" else 110.0)
    assert bench.engine.hold.phase.kind == phase


def lose(bench, seconds, piece=10):
    n = round(seconds * 100)
    for start in range(0, n, piece):
        bench.engine.push(Gap(bench.frame + start, min(piece, n - start), "lost"))
    bench.frame += n
    bench._collect()


def freeze(bench, seconds):
    n = round(seconds * 100)
    for start in range(0, n, 10):
        bench.engine.push(Chunk(bench.frame + start, np.full((10, 1), 110.0)))
    bench.frame += n
    bench._collect()


@pytest.mark.parametrize("piece", [1, 7, 10, 50, 400])
def test_three_seconds_without_a_signal_pause_a_contraction_at_the_same_level_however_they_come(bench, piece):
    begin(bench)
    bench.wait(1.0, 110.0)
    frame = bench.frame
    lose(bench, 4.0, piece)
    assert bench.engine.hold.paused == "force: no signal for 3 s"
    event = bench.last("pause")
    assert event.data == {"reason": "force: no signal for 3 s", "by": "program"}
    assert 295 <= event.frame - frame <= 320  # levels stand a little behind frames; short gaps are bridged at first
    assert bench.engine.account.phase is None
    assert bench.engine.stage == "plan"


def test_less_than_three_seconds_pause_nothing(bench):
    begin(bench)
    for _ in range(3):
        lose(bench, 2.5)
        bench.wait(1.0, 110.0)
    assert not bench.engine.hold.paused


def test_a_sensor_that_says_the_same_for_ever_is_a_lost_one(bench):
    begin(bench)
    freeze(bench, 5.5)
    assert bench.engine.hold.paused


def test_a_passive_phase_without_a_signal_goes_on(bench):
    begin(bench, "passive")
    lose(bench, 5.0)
    assert not bench.engine.hold.paused


def test_a_paused_plan_waits_and_is_taken_up_from_the_phase_that_was_cut_short(bench):
    begin(bench)
    bench.do(do="rate", value=4)
    lose(bench, 4.0)
    bench.wait(60.0, 10.0)
    assert bench.engine.hold.paused
    assert bench.engine.hold.index == 1
    with pytest.raises(SessionError, match="paused"):
        bench.do(do="extend_phase", seconds=10)
    bench.do(do="take_up")
    assert not bench.engine.hold.paused
    assert bench.engine.account.phase.index == 1
    assert bench.engine.account.phase.number == 3
    bench.wait(19.0, 110.0)
    assert bench.engine.hold.index == 1
    bench.wait(5.0, 110.0)
    bench.wait(40.0, 110.0)
    assert [rating.value for rating in bench.engine.account.ratings][:1] == [4]
    assert [stop.is_pause for stop in bench.engine.account.stops] == [True]
    assert [phase.closed_by for phase in bench.engine.account.phases][:3] == ["phase", "stop", "phase"]


def test_stop_ends_a_paused_plan_and_taking_up_is_refused_then(bench):
    begin(bench)
    lose(bench, 4.0)
    bench.do(do="stop", reason="stopped by hand")
    assert bench.engine.stage == "done"
    with pytest.raises(SessionError, match="nothing is paused"):
        bench.do(do="take_up")
    bench.wait(30.0, 10.0)
    assert bench.engine.hold is None
    assert [event.data["kind"] for event in bench.events if event.kind == "phase"][-1] == "end"


@pytest.mark.parametrize("was", ["paused", "over"])
def test_stop_judges_no_phase_again_that_a_pause_or_its_end_has_judged(was):
    bench = Bench(Channel(name="position", kind="position", unit="cm"))
    bench.ready()
    bench.do(do="start_plan", plan="short")
    if was == "paused":
        bench.wait(4.0, 10.0)
        bench.engine.hold.pause("held back", by="coach")
        bench._collect()
    else:
        bench.wait(15.5, 10.0)
        assert bench.engine.hold.is_over
    judged = [event for event in bench.events if event.kind in ("position", "relaxation")]
    bench.do(do="stop")
    assert [event for event in bench.events if event.kind in ("position", "relaxation")] == judged
    assert bench.engine.hold is None
    assert [e.data["index"] for e in bench.events if e.data.get("kind") == "end"] == [1 if was == "paused" else 4]


def test_of_stop_and_go_on_pressed_at_once_stop_wins_in_either_order(bench):
    begin(bench)
    lose(bench, 4.0)
    bench.do(do="take_up")
    bench.do(do="stop", reason="stopped by hand")
    assert bench.engine.hold is None
    bench.do(do="stop", reason="stopped by hand")  # the same hand on another page
    bench.wait(30.0, 10.0)
    assert bench.engine.stage == "done"
    assert bench.kinds().count("stop") == 1


@pytest.mark.parametrize("first", ["rate", "stop"])
def test_a_rating_and_a_stop_pressed_at_once_are_both_on_record_in_either_order(bench, first):
    begin(bench)
    both = [{"do": "rate", "value": 6}, {"do": "stop", "reason": "stopped by hand"}]
    for message in both if first == "rate" else both[::-1]:
        bench.do(**message)
    assert bench.engine.hold is None
    assert [rating.value for rating in bench.engine.account.ratings] == [6]
    assert bench.kinds().count("stop") == 1


def test_the_account_of_a_paused_plan_is_the_same_afterwards(bench):
    begin(bench)
    lose(bench, 4.0)
    bench.do(do="take_up")
    bench.wait(50.0, 110.0)
    again = fold(bench.events, channels=bench.engine.channels, settings=bench.engine.setup.to_settings())
    assert again == bench.engine.account


def test_why_it_was_stopped_is_on_record_and_a_sharp_sensation_offers_no_other_hold(bench):
    begin(bench)
    with pytest.raises(SessionError, match="nothing was stopped"):
        bench.do(do="explain_stop", why="sharp")
    bench.do(do="stop")
    with pytest.raises(SessionError, match="on the list"):
        bench.do(do="explain_stop", why="boredom")
    bench.do(do="explain_stop", why="sharp")
    assert bench.engine.account.stops[-1].why == "sharp"
    with pytest.raises(SessionError, match="sharp"):
        bench.do(do="resume")
    bench.do(do="explain_stop", why="enough")  # the wrong one was pressed
    bench.do(do="resume")
    assert bench.engine.stage == "ready"


def test_a_stop_heard_late_says_when_it_was_pressed(bench):
    begin(bench)
    bench.wait(12.0, 110.0)  # longer under way than the press is old: a press from before it is about what ran then
    bench.do(do="stop", pressed_ago_s=12.34)
    assert bench.last("stop").data["pressed_ago_s"] == 12.3
    assert bench.engine.hold is None


def test_a_hold_never_goes_on_over_a_hole_in_the_programs_own_time():
    rig = Rig()

    async def script(live, rig):
        await make_ready(live, rig)
        live.command({"do": "start_plan", "plan": "short"}, by="coach")
        rig.feed.put(1.0)
        await until(live, lambda: live.engine.hold is not None and live.engine.time_s > 1)
        index, level = live.engine.hold.index, live.engine.level
        rig.now_s += 20.0  # suspended; what comes first afterwards are the frames that were missed
        rig.feed.lose(20.0)
        await until(live, lambda: bool(live.engine.hold.paused))
        assert live.engine.hold.index == index
        assert "stood still for 20 s" in live.engine.hold.paused
        assert live.state()["paused"]["reason"] == live.engine.hold.paused
        assert live.state()["phase"]["kind"] == "rest"
        await until(live, lambda: live.engine.level > level + 1900)
        assert live.engine.hold.index == index

    rig.run(script)
