"""What a phase tells beyond its numbers: position, relaxation, and evidence against the maximum."""

import numpy as np
import pytest

from biofeedback.account.values import Maximum
from biofeedback.errors import SessionError
from biofeedback.model import Channel, Chunk
from biofeedback.session.view import describe_session
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
    shown = describe_session(bench.engine)["position_offset"]
    assert (shown["phase_index"], shown["state"], shown["by"]) == (2, "lost", "sensor")


def test_by_how_much_an_end_was_moved_is_on_record(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0, 10.0)
    bench.do(do="extend_phase", seconds=2)
    assert bench.last("phase_end").data["seconds"] == 2
    bench.wait(1.0, 10.0)
    bench.do(do="end_phase")
    assert bench.last("phase_end").data["seconds"] == pytest.approx(-3.0)
    bench.wait(0.1, 10.0)
    assert bench.engine.hold.index == 1
    assert bench.engine.account.phases[0].planned_s == 5


def test_behind_the_plan_nobody_is_asked_to_relax_any_more(bench):
    """What is in the muscle then is not the position's own tension."""
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0, 10.0)
    assert bench.last("relaxed").data == {"on": True}
    bench.wait(3.0, 110.0)
    assert bench.last("relaxed").data == {"on": False}
    bench.wait(9.0, 10.0)
    assert bench.last("relaxed").data == {"on": True}
    bench.wait(12.0, 10.0)
    assert bench.engine.hold is None or bench.engine.hold.is_over
    assert bench.last("relaxed").data == {"on": False}


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
    (doubt,) = bench.engine.account.doubts
    assert doubt.kind == "above maximum"
    assert doubt.strength == pytest.approx(480, rel=0.02)
    assert "trying" not in doubt.advice
    bench.do(do="revise_maximum", channel="force", value=480)
    assert bench.engine.maxima["force"].method == "revised"
    assert bench.engine.account.doubts == []
    methods = [event.data["method"] for event in bench.events if event.kind == "maximum"]
    assert methods == ["attempts", "revised"]
    assert bench.engine.stage == "plan"


def test_four_per_cent_above_the_maximum_is_no_doubt(bench):
    bench.ready(height=400.0)
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0, 10.0)
    bench.wait(3.1, 10.0 + 416.0)
    assert bench.engine.account.doubts == []


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


EMG = Channel(name="emg", kind="emg", unit="mV", envelope=True)
EMG_2 = Channel(name="emg2", kind="emg", unit="mV", envelope=True)


def relaxed_phase(bench, force, emg, *, seconds=3.0):
    """A whole passive phase with these readings; what was judged at its end."""
    bench.others = [0.1] * len(bench.others)
    bench.zero()
    bench.do(do="typed_maximum", value=400)
    for channel in bench.engine.channels[1:]:
        muscle = Maximum(channel=channel.name, strength=1.0, baseline=0.1, unit="mV")
        bench.engine.set_maxima({channel.name: muscle}, settled=True, by="coach")
    bench.wait(2.0, force(0.0) if callable(force) else force)
    bench.do(do="start_plan", plan="short")
    if seconds > 3.0:
        bench.do(do="extend_phase", seconds=seconds - 3.0)
    bench.others = emg
    bench.wait(seconds, force)
    return bench.last("relaxation").data


def rising(t):
    return 10.0 + 10.0 * t  # 2.5 % of the maximum per second


def test_with_a_muscle_sensor_the_muscle_tells_whether_it_let_go():
    found = relaxed_phase(Bench(EMG), rising, [0.11])
    assert (found["is_relaxed"], found["by"]) == (True, "emg")
    found = relaxed_phase(Bench(EMG), 10.0, [0.3])
    assert (found["is_relaxed"], found["by"]) == (False, "emg")
    assert found["reason"].startswith("EMG shows 20 % of its maximum")


def test_of_two_muscle_sensors_the_busier_one_tells():
    for emg in ([0.1, 0.4], [0.4, 0.1]):
        found = relaxed_phase(Bench(EMG, EMG_2), 10.0, emg)
        assert (found["is_relaxed"], found["by"]) == (False, "emg")
        assert found["reason"].startswith("EMG shows 30 % of its maximum")


def test_a_tension_that_the_baseline_follows_is_still_not_let_go():
    """3.5 % of maximum per second for as long as the phase lasts: after the baseline is taken out it looks calm."""
    found = relaxed_phase(Bench(), lambda t: 300.0 - 14.0 * t, [], seconds=12.0)
    assert (found["is_relaxed"], found["by"]) == (False, "force")
    assert found["reason"].startswith("force still falls by 3.5 %")


def test_a_phase_counts_down_in_seconds_and_its_question_too(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    hold = bench.engine.hold
    assert hold.remaining_s(bench.engine.level) == pytest.approx(3.0)
    bench.wait(1.2)
    assert hold.remaining_s(bench.engine.level) == pytest.approx(1.8)
    bench.wait(0.9)
    assert hold.remaining_s(bench.engine.level) == pytest.approx(0.9)
    assert hold.ask_remaining_s(bench.engine.level) == pytest.approx(0.9 + 2.0)  # two of the next phase
    bench.wait(0.95)
    assert hold.remaining_s(bench.engine.level) == pytest.approx(2.95)  # the next phase's own


def opened_s(bench, seconds):
    """When the next question opens, in s from now, to a hundredth."""
    had, start_s = bench.engine.hold.ask, bench.engine.time_s
    while bench.engine.hold.ask == had:
        bench.wait(0.01)
        assert bench.engine.time_s - start_s < seconds
    return round(bench.engine.time_s - start_s, 2)


def test_a_question_moves_with_the_end_of_its_phase(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")  # phases of 3 s, asked 1 s before the end
    bench.wait(1.0)
    bench.do(do="extend_phase", seconds=5)
    assert bench.engine.hold.remaining_s(bench.engine.level) == pytest.approx(7.0)
    assert "'seconds': 5.0" in str([(e.kind, e.data) for e in bench.events[-2:]])  # on record, that it was asked for
    assert opened_s(bench, 8) == pytest.approx(6.0, abs=0.011)
    bench.do(do="extend_phase", seconds=2)  # an open question stays open for longer
    assert bench.engine.hold.remaining_s(bench.engine.level) == pytest.approx(3.0, abs=0.011)
    assert bench.engine.hold.ask_remaining_s(bench.engine.level) == pytest.approx(3.0 + 2.0, abs=0.011)


def test_a_phase_that_ends_at_once_asks_nothing_more(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(0.5)
    bench.do(do="end_phase")
    bench.wait(0.02)
    assert bench.engine.hold.index == 1
    assert bench.engine.hold.ask is None
    assert "ask" not in bench.kinds()


@pytest.mark.parametrize("n_frames", [1, 7, 10, 30, 100, 300])
def test_a_phase_begins_at_its_very_level_however_the_readings_are_cut(n_frames):
    bench = Bench()
    bench.ready()
    bench.do(do="start_plan", plan="short")
    first, latest = bench.engine.level, bench.frame + 60 * 100  # RATE_HZ is 100
    while bench.engine.hold:
        assert bench.frame < latest, f"15 s of phases are not over after 60 s; paused: {bench.engine.hold.paused!r}"
        frames = np.arange(bench.frame, bench.frame + n_frames)
        bench.engine.push(Chunk(bench.frame, 10.0 + 0.01 * (frames % 2)[:, None]))  # alive, however it is cut
        bench.frame += n_frames
        bench._collect()
        if bench.engine.hold and bench.engine.hold.ask:
            bench.do(do="rate", value=3)
    frames = [e.frame for e in bench.events if e.kind == "phase"]
    hop = bench.engine.levels.hop
    assert frames == [first * hop + 300 * k for k in range(6)]  # each phase lasts 3 s
