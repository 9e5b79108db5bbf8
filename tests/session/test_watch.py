"""What a phase tells beyond its numbers: position, relaxation, and evidence against the maximum."""

import pytest

from biofeedback.errors import SessionError
from biofeedback.model import Channel
from tests.session.conftest import Bench

POSITION = Channel(name="position", kind="position", unit="cm")


def test_position_is_zeroed_in_the_stretch_and_watched_through_every_phase():
    bench = Bench(POSITION)
    bench.ready()
    bench.others = [40.0]  # moved into the stretch after the zero
    bench.wait(2.0)
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0, 10.0)
    bench.others = [42.6]
    bench.wait(3.0, 110.0)
    bench.others = [45.1]
    bench.wait(3.0, 10.0)
    judged = [event.data for event in bench.events if event.kind == "position"]
    assert [j["state"] for j in judged] == ["held", "drifted", "lost"]
    assert [j["phase_index"] for j in judged] == [0, 1, 2]
    assert judged[1]["largest"] == pytest.approx(2.6, abs=0.01)


def test_without_a_position_sensor_the_coach_is_asked_after_each_contraction(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(4.0, 10.0)
    assert bench.engine.hold.ask_position is None
    bench.wait(2.1, 110.0)
    assert bench.engine.hold.ask_position == 1
    bench.do(do="position", answer="drifted")
    assert bench.last("position").data["state"] == "drifted"
    assert bench.last("position").data["by"] == "coach"
    assert bench.engine.hold.ask_position is None
    with pytest.raises(SessionError, match="held, drifted, lost or unknown"):
        bench.do(do="position", phase_index=1, answer="perhaps")


def test_an_effort_far_above_the_maximum_is_told_without_accusing(bench):
    bench.ready(height=400.0)
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0, 10.0)
    bench.wait(3.1, 10.0 + 480.0)
    (doubt,) = bench.engine.doubts
    assert doubt["kind"] == "above maximum"
    assert doubt["strength"] == pytest.approx(480, rel=0.02)
    assert "trying" not in doubt["advice"]
    bench.do(do="revise_maximum", channel="force", value=480)
    assert bench.engine.maxima["force"].method == "revised"
    assert bench.engine.doubts == []
    methods = [event.data["method"] for event in bench.events if event.kind == "maximum"]
    assert methods == ["attempts", "revised"]
    assert bench.engine.stage == "plan"


def test_four_per_cent_above_the_maximum_is_no_doubt(bench):
    bench.ready(height=400.0)
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0, 10.0)
    bench.wait(3.1, 10.0 + 416.0)
    assert bench.engine.doubts == []


def test_a_passive_phase_in_which_force_rises_is_not_relaxed(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0, lambda t: 10 + 10 * t)
    relaxation = bench.last("relaxation").data
    assert relaxation["is_relaxed"] is False
    assert "let go" in relaxation["reason"]


def test_the_coach_can_extend_and_end_a_phase(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    bench.do(do="extend_phase", seconds=5)
    bench.wait(6.9)
    assert bench.engine.hold.index == 0
    assert bench.engine.hold.ask
    bench.wait(0.2)
    assert bench.engine.hold.index == 1
    bench.do(do="end_phase")
    bench.wait(0.1)
    assert bench.engine.hold.index == 2


def test_a_typed_maximum_takes_its_unit_and_lever_arm(bench):
    bench.zero()
    bench.do(do="typed_maximum", channel="force", value=30, unit="kg")
    assert bench.engine.maxima["force"].strength == pytest.approx(30 * 9.80665)
    bench.do(do="typed_maximum", channel="force", value=100, unit="N·m", lever_arm_m=0.4)
    assert bench.engine.maxima["force"].strength == pytest.approx(250)
