"""The coach who presses every button in time, moment by moment; `test_run.py` leads a whole session by it."""

import pytest

from biofeedback.session.autopilot import Autopilot
from biofeedback.session.care_actions import find_rest_left_s
from biofeedback.session.setup import GRADED
from tests.session.conftest import Bench
from tests.session.test_pausing import lose

LAST = "2026-01-04T18:00:00+00:00"


def press(bench, pilot, said=None):
    """What is pressed now, and its press."""
    command = pilot.next_command(bench.engine, said)
    if command:
        bench.do(**command)
    return command


def push(bench, height):
    bench.wait(bench.engine.setup.countdown_s, 10.0)
    bench.wait(bench.engine.setup.push_s, lambda t: 10.0 + height * min(1.0, t / 0.5))


def test_a_plain_maximum_and_two_plans_button_by_button():
    bench, pilot = Bench(), Autopilot(["short", "short"])
    assert press(bench, pilot) == {"do": "accept_cautions"}
    assert press(bench, pilot) == {"do": "zero"}
    assert press(bench, pilot) is None  # under way
    bench.wait(2.0, 10.0)
    for _ in range(3):
        assert press(bench, pilot, said=4.0) == {"do": "attempt"}
        assert press(bench, pilot, said=4.0) is None  # a plain attempt asks for nothing
        push(bench, 400.0)
        if bench.engine.activity:
            bench.wait(2.0, 10.0)
    assert press(bench, pilot) == {"do": "start_plan", "plan": "short"}
    assert press(bench, pilot, said=4.0) is None  # nothing is asked yet
    bench.wait(2.5, 10.0)
    assert press(bench, pilot) is None  # asked, but nothing said
    assert press(bench, pilot, said=4.0) == {"do": "rate", "value": 4.0}
    bench.wait(1.0, 110.0)
    lose(bench, 1.0)
    bench.engine.hold.pause("no signal", by="program")
    assert press(bench, pilot) is None  # the sensor is still gone
    bench.wait(1.0, 10.0)
    assert press(bench, pilot) == {"do": "take_up"}
    bench.wait(40.0, 10.0)
    assert press(bench, pilot) == {"do": "start_plan", "plan": "short"}
    bench.wait(40.0, 10.0)
    assert not pilot.is_finished
    assert press(bench, pilot) == {"do": "finish"}
    assert pilot.is_finished
    assert press(bench, pilot) is None


def test_attempts_that_never_agree_are_taken_as_they_are():
    bench, pilot = Bench(), Autopilot([])
    bench.zero()
    pressed = []
    for height in (400, 300, 250, 200, 150):
        pressed.append(press(bench, pilot)["do"])
        push(bench, height)
        bench.wait(2.1, 10.0)
    assert pressed == ["attempt"] * 5
    assert bench.engine.search.verdict().state == "unsettled"
    assert press(bench, pilot) == {"do": "accept_maximum"}
    assert bench.engine.maxima["force"].strength == pytest.approx(400.0, rel=0.01)


def test_a_graded_maximum_button_by_button():
    bench, pilot = Bench(**{**GRADED, "rest_s": 8.0, "check_rest_s": 20.0, "last_utc": LAST}), Autopilot(["short"])
    bench.zero()
    assert press(bench, pilot) == {
        "do": "aftermath",
        "when": "next",
        "new_pain": False,
        "soreness": 0,
    }
    assert press(bench, pilot) == {"do": "screening", "applies": False}
    for felt in (25.0, 50.0, 75.0):
        assert press(bench, pilot) == {"do": "practice", "felt": felt}
        assert press(bench, pilot) is None
        push(bench, 4.0 * felt)
    for number in (1, 2, 3):
        assert press(bench, pilot) == {"do": "attempt"}
        push(bench, 400.0)
        assert press(bench, pilot, said=3.0) is None  # out of the stretch first
        bench.wait(1.5, 10.0)
        assert press(bench, pilot) is None  # asked, but nothing said
        felt = {"do": "attempt_felt", "number": number, "discomfort": 3.0, "effort": 10}
        assert press(bench, pilot, said=3.0) == felt
        assert press(bench, pilot, said=3.0) is None  # once
        bench.wait(8.0, 10.0)
    assert press(bench, pilot) is None  # 20 s of rest before a plan: nobody insists
    bench.wait(12.0, 10.0)
    assert press(bench, pilot) == {"do": "start_plan", "plan": "short"}


def test_until_when_it_may_look_away():
    """To the next boundary of what is under way, or until the rest is over; not while an answer is waited for."""
    bench, pilot = Bench(check_rest_s=20.0), Autopilot(["short"])
    bench.zero()
    assert pilot.count_quiet_levels(bench.engine, None) == 0
    for _ in range(3):
        bench.attempt(400.0)
    assert press(bench, pilot) is None  # rests
    quiet = pilot.count_quiet_levels(bench.engine, None)
    assert quiet == pytest.approx(100 * find_rest_left_s(bench.engine), abs=2)
    bench.wait(quiet / 100)
    assert press(bench, pilot) is None
    bench.wait(0.02)
    assert pilot.count_quiet_levels(bench.engine, None) == 0
    assert press(bench, pilot) == {"do": "start_plan", "plan": "short"}
    assert pilot.count_quiet_levels(bench.engine, None) == 200  # it asks after 2 of 3 s
    bench.wait(0.5)
    assert pilot.count_quiet_levels(bench.engine, None) == 150
    bench.wait(1.5)
    assert pilot.count_quiet_levels(bench.engine, None) == 0
    assert pilot.count_quiet_levels(bench.engine, 4.0) == 100
    assert press(bench, pilot, said=4.0)["do"] == "rate"
    assert pilot.count_quiet_levels(bench.engine, 4.0) == 100
    bench.engine.hold.pause("no signal", by="program")
    assert pilot.count_quiet_levels(bench.engine, 4.0) == 0
