"""Known loads on a running session's force channel: what is read, refused, certified and checked."""

import json
import math

import pytest

from biofeedback.calibration.scale import Certificate
from biofeedback.errors import CalibrationError, SessionError
from biofeedback.model import Channel, Gap
from biofeedback.session.engine import Engine
from biofeedback.session.scaling import describe_certificate, judge_certificate
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from biofeedback.session.view import describe_session
from tests.session.conftest import RATE_HZ, Bench

GRAVITY = 9.80665  # CGPM 3 (1901)
UP_AND_DOWN = [0.0, 5.0, 10.0, 20.0, 10.0, 5.0, 0.0]


def hang(bench, load, unit="kg", force=None):
    """Hang ``load`` on a sensor of 1000 counts per kg that reads 400 empty, and have it read."""
    bench.wait(0.5, 400.0 + 1000.0 * load if force is None else force)
    bench.do(do="scale_load", channel="force", load=load, unit=unit)
    bench.wait(2.0)


def shown(bench):
    return describe_session(bench.engine)["scale"]


def certify(bench):
    for load in UP_AND_DOWN:
        hang(bench, load)
    bench.do(do="scale_finish", sensor="cell 1")


def test_loads_up_and_down_make_a_certificate_that_is_on_record(bench):
    certify(bench)
    event = bench.last("certificate")
    certificate = Certificate.from_json(json.dumps(dict(event.data)))
    assert certificate.factor == pytest.approx(GRAVITY / 1000.0, rel=1e-5)
    assert certificate.offset_counts == pytest.approx(400.0, abs=0.1)
    assert (certificate.sensor, certificate.unit, event.data["channel"]) == ("cell 1", "N", "force")
    state = shown(bench)
    assert [each["load"] for each in state["loads"]] == UP_AND_DOWN
    assert state["loads"][3]["reading"] == pytest.approx(20400.0, abs=0.1)
    assert state["certificate"]["slope"] == "0.009807 N per count"
    assert "light and hard" in state["certificate"]["verdict"]
    assert [each["rising"] for each in state["certificate"]["residuals"]] == [True] * 4 + [False] * 3


def test_the_running_recording_keeps_its_scale(bench):
    before = bench.engine.channels
    certify(bench)
    bench.wait(0.5, 5400.0)
    assert bench.engine.channels == before
    assert bench.engine.strip.since(bench.engine.level - 1)[1][1, 0, 0] == pytest.approx(5400.0, abs=0.1)


def test_levels_go_back_to_counts_through_the_scale_in_use():
    bench = Bench()
    bench.engine = Engine(
        [Channel(name="force", kind="force", unit="N", factor=-0.02, offset_counts=300.0)], RATE_HZ, Setup(), []
    )
    hang(bench, 5.0, force=7000.0)
    assert shown(bench)["loads"][0]["reading"] == pytest.approx(7000.0, abs=0.1)


def test_a_swinging_load_is_refused_with_the_cure_and_read_once_it_hangs_still(bench):
    hang(bench, 0.0)
    hang(bench, 5.0, force=lambda t: 5400.0 + 300.0 * math.sin(2 * math.pi * 0.7 * t))
    bench.do(do="scale_load", channel="force", load=5.0, unit="kg")
    bench.wait(2.0, lambda t: 5400.0 + 300.0 * math.sin(2 * math.pi * 0.7 * t))
    state = shown(bench)
    assert "moves" in state["refused"]["what"]
    assert "still" in state["refused"]["cure"]
    n_loads = len(state["loads"])
    hang(bench, 5.0)
    assert shown(bench)["refused"] is None
    assert len(shown(bench)["loads"]) == n_loads + 1


def test_missing_frames_and_rails_are_refused(bench):
    bench.do(do="scale_load", channel="force", load=0.0, unit="kg")
    bench.engine.push(Gap(bench.frame, 50, "radio"))
    bench.frame += 50
    bench.wait(1.6, 400.0)
    assert "missing" in shown(bench)["refused"]["what"]
    clipped = Bench()
    channel = Channel(name="force", kind="force", unit="N", rail_high_counts=8000.0)
    clipped.engine = Engine([channel], RATE_HZ, Setup(), [])
    hang(clipped, 8.0, force=8000.0)
    assert "rail" in shown(clipped)["refused"]["what"]


@pytest.mark.parametrize(
    ("loads", "forces", "what"),
    [([0.0, 5.0], None, "2 loads"), ([5.0, 5.0, 5.0], None, "all loads are"), ([0.0, 5.0, 10.0], 400.0, "follow")],
)
def test_loads_that_say_nothing_make_no_certificate(bench, loads, forces, what):
    for load in loads:
        hang(bench, load, force=forces)
    bench.do(do="scale_finish", sensor="S1")
    assert what in shown(bench)["refused"]["what"]
    assert shown(bench)["refused"]["cure"]
    assert "certificate" not in bench.kinds()


def test_units_mix_and_the_last_load_can_be_taken_back(bench):
    hang(bench, 0.0, force=400.0)
    hang(bench, 5000.0, "g", force=5400.0)
    hang(bench, 999.0, "kg", force=10400.0)
    bench.do(do="scale_undo")
    hang(bench, 10 * GRAVITY, "N", force=10400.0)
    hang(bench, 20 / 0.45359237, "lb", force=20400.0)
    bench.do(do="scale_finish")
    assert bench.last("certificate").data["loads"] == pytest.approx([0.0, 5 * GRAVITY, 10 * GRAVITY, 20 * GRAVITY])


def test_two_hands_take_back_one_load(bench):
    hang(bench, 0.0, force=400.0)
    hang(bench, 5.0, "kg", force=5400.0)
    bench.do(do="scale_undo", n_loads=2)
    with pytest.raises(SessionError, match="have changed meanwhile; check which"):
        bench.do(do="scale_undo", n_loads=2)
    assert [load["load"] for load in shown(bench)["loads"]] == [0.0]


def test_the_next_load_after_a_certificate_begins_a_new_table(bench):
    certify(bench)
    with pytest.raises(SessionError, match="no load to take back"):
        bench.do(do="scale_undo")
    hang(bench, 0.0)
    assert len(shown(bench)["loads"]) == 1
    assert shown(bench)["certificate"] is None


def test_a_check_mass_is_weighed_above_the_zero_with_the_scale_in_use(bench):
    bench.zero(rest=10.0)
    for force, is_good in ((10.0 + 5.0 * GRAVITY * 1.009, True), (10.0 + 5.0 * GRAVITY * 1.011, False)):
        bench.wait(0.5, force)
        bench.do(do="scale_check", channel="force", load=5.0, unit="kg")
        bench.wait(2.0)
        assert shown(bench)["check"]["good"] is is_good
        assert bool(bench.last("scale_check").data["warning"]) is not is_good
    assert "calibrate it again" in shown(bench)["check"]["text"]
    assert shown(bench)["loads"] == []


@pytest.mark.parametrize(("load", "unit"), [(5.0, "kg"), (5000.0, "g"), (5.0 * GRAVITY, "N"), (11.0231131, "lb")])
def test_a_check_mass_is_weighed_in_the_channels_unit_whatever_the_factor(load, unit):
    """5 kg pull 49.03 N, 2451.7 counts of 0.02 N down from the 250 at the zero of 1 N; a pound is 0.45359237 kg."""
    bench = Bench()
    bench.engine = Engine(
        [Channel(name="force", kind="force", unit="N", factor=-0.02, offset_counts=300.0)], RATE_HZ, Setup(), []
    )
    bench.do(do="accept_cautions")
    bench.do(do="zero")
    bench.wait(2.0, 250.0)
    bench.wait(0.5, 250.0 - 5.0 * GRAVITY / 0.02)
    bench.do(do="scale_check", channel="force", load=load, unit=unit)
    bench.wait(2.0)
    check = bench.last("scale_check").data
    assert check["load"] == pytest.approx(5.0 * GRAVITY, rel=1e-6)
    assert check["indicated"] == pytest.approx(5.0 * GRAVITY, abs=0.001)
    assert (check["unit"], check["warning"], shown(bench)["check"]["good"]) == ("N", "", True)


@pytest.mark.parametrize(
    ("message", "what"),
    [
        ({"do": "scale_load", "channel": "emg", "load": 1.0}, "not a force channel"),
        ({"do": "scale_load", "channel": "force", "load": -1.0}, "out of range"),
        ({"do": "scale_load", "channel": "force", "load": 1.0, "unit": "stone"}, "not known"),
        ({"do": "scale_undo"}, "no load"),
    ],
)
def test_commands_that_make_no_sense_are_refused(bench, message, what):
    with pytest.raises(SessionError, match=what):
        bench.engine.command(message)


def test_a_channel_without_a_unit_of_force_cannot_be_checked():
    engine = Engine([Channel(name="force", kind="force")], RATE_HZ, Setup(), [])
    with pytest.raises(SessionError, match="not a unit of force"):
        engine.command({"do": "scale_check", "channel": "force", "load": 1.0})


def test_scaling_waits_for_whatever_is_under_way_and_stop_ends_it(bench):
    bench.do(do="accept_cautions")
    bench.do(do="zero")
    with pytest.raises(SessionError, match="has to wait"):
        bench.do(do="scale_load", channel="force", load=1.0)
    bench.wait(2.0, 10.0)
    bench.do(do="scale_load", channel="force", load=1.0)
    assert shown(bench)["running"]
    with pytest.raises(SessionError, match="a load is under way"):
        bench.do(do="attempt")
    bench.do(do="stop")
    bench.wait(3.0)
    assert not shown(bench)["running"]
    assert shown(bench)["loads"] == []


class KeptEvents:
    problem = None

    def __init__(self):
        self.events = []

    def append(self, item):
        pass

    def event(self, event):
        self.events.append(event)


def finish_with(save):
    bench = Bench()
    for load in UP_AND_DOWN:
        hang(bench, load)
    recorder = KeptEvents()
    session = Session(bench.engine, recorder, utc=lambda: "2026-01-05T18:00:00+00:00", cue=lambda cue: None)
    session.save_certificate = save
    session.command({"do": "scale_finish", "sensor": "cell 1"}, by="coach")
    return bench.engine, recorder.events


def test_a_certificate_is_handed_over_to_be_saved():
    saved = []
    _, events = finish_with(saved.append)
    assert [data["sensor"] for data in saved] == ["cell 1"]
    assert [event.kind for event in events] == ["certificate"]


def test_a_certificate_that_cannot_be_saved_is_told_and_stays_on_record():
    def fail(data):
        raise CalibrationError("the certificate was not saved: disk full", "free some space")

    engine, events = finish_with(fail)
    assert engine.message == {
        "level": "error",
        "text": "the certificate was not saved: disk full",
        "cure": "free some space",
    }
    assert [event.kind for event in events] == ["certificate"]


def test_a_load_that_is_watched_for_a_minute_tells_its_creep(bench):
    with pytest.raises(SessionError, match="no load to watch"):
        bench.do(do="scale_creep")
    for load in UP_AND_DOWN[:4]:
        hang(bench, load)
    bench.do(do="scale_creep")
    assert shown(bench)["running"]
    bench.wait(60.0, lambda t: 20400.0 + 60.0 * t / 60.0)  # 1 count a second
    bench.force = 20400.0
    assert shown(bench)["creep_counts"] == pytest.approx(58.0, abs=0.5)  # between the means of 2 s at either end
    for load in UP_AND_DOWN[4:]:
        hang(bench, load)
    bench.do(do="scale_finish", sensor="cell 1")
    certificate = shown(bench)["certificate"]
    assert certificate["creep_percent"] == pytest.approx(100 * 58.0 / 20000.0, abs=0.01)


def test_with_a_lever_arm_the_certificate_is_of_torque(bench):
    for load in UP_AND_DOWN:
        hang(bench, load)
    with pytest.raises(SessionError, match="lever_arm_m"):
        bench.do(do="scale_finish", lever_arm_m=0)
    bench.do(do="scale_finish", sensor="cell 1", lever_arm_m=0.4)
    data = bench.last("certificate").data
    certificate = Certificate.from_json(json.dumps(dict(data)))
    assert (certificate.unit, certificate.lever_arm_m) == ("N·m", 0.4)
    assert certificate.factor == pytest.approx(0.4 * GRAVITY / 1000.0, rel=1e-5)


def certificate(limit, *, degree=1, loads=(0.0, 50.0, 100.0)):
    """A scale of 10 counts a newton up to 100 N with this lower limit factor; readings by a line, but the middle."""
    readings = tuple(5 + 10 * load + (10.0 if load == 50 else 0.0) for load in loads)
    return Certificate(
        sensor="S1",
        utc="2026-01-05",
        unit="N",
        loads=loads,
        readings=readings,
        degree=degree,
        degree_p=0.5,
        coefficients=(5.0, 10.0) if degree == 1 else (5.0, 10.0, 0.0),
        standard_errors=None,
        line=(5.0, 10.0),
        residual_sd=None if limit is None else 4.0,
        lower_limit=limit,
        deviation_percent=0.0,
        nonlinearity_percent=0.1,
        hysteresis_percent=None,
        repeatability_percent=None,
        zero_return_percent=-0.2,
        creep_percent=0.3,
        notes=("a note",),
    )


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        (None, "Its scatter is not known: more loads than terms of the fit are needed."),
        (1.0, "Good for light and hard holds: forces from 20 N on are worth reading."),  # a fifth of the greatest
        (1.01, "Good for hard holds only: below 20.2 N the scatter is more than 5 % of the force."),
        (5.0, "Good for hard holds only: below 100 N the scatter is more than 5 % of the force."),
        (5.01, "Too rough: only above 100 N, beyond every load here, are forces worth reading."),
    ],
)
def test_what_a_scale_is_good_for(limit, said):
    assert judge_certificate(certificate(limit)) == said
    bent = judge_certificate(certificate(limit, degree=2))
    assert bent == f"{said[:-1]}. The readings bend; a straight line, as used here, is off by up to 1 % of full scale."


def test_what_a_page_shows_of_a_certificate():
    told = describe_certificate(certificate(1.0))
    assert (told["slope"], told["residual_sd"], told["lower_limit"]) == ("0.1 N per count", 0.4, 1.0)
    assert (told["smallest_load"], told["nonlinearity_percent"], told["hysteresis_percent"]) == (20.0, 0.1, None)
    assert (told["zero_return_percent"], told["creep_percent"], told["notes"]) == (-0.2, 0.3, ["a note"])
    assert told["residuals"] == [
        {"load": 0.0, "residual": 0.0, "rising": True},
        {"load": 50.0, "residual": 1.0, "rising": True},
        {"load": 100.0, "residual": 0.0, "rising": True},
    ]
    assert describe_certificate(certificate(None))["residual_sd"] is None


@pytest.mark.parametrize("command", ["scale_creep", "scale_finish", "scale_undo"])
def test_nothing_of_a_certificate_that_is_made_can_be_changed(bench, command):
    certify(bench)
    with pytest.raises(SessionError, match=r"the certificate is made|there is no load"):
        bench.do(do=command)


def test_a_lever_of_a_millimetre_to_three_metres_and_no_other(bench):
    for load in UP_AND_DOWN:
        hang(bench, load)
    for arm_m in (0.0009, 3.1):
        with pytest.raises(SessionError, match="lever_arm_m"):
            bench.do(do="scale_finish", lever_arm_m=arm_m)
    bench.do(do="scale_finish", lever_arm_m=3)
    assert bench.last("certificate").data["lever_arm_m"] == 3.0
    assert bench.last("certificate").data["sensor"] == "S1"


def test_a_creep_that_cannot_be_read_is_refused_and_the_load_stays(bench):
    hang(bench, 0.0)
    with pytest.raises(SessionError, match="there is no load to watch"):  # nothing hangs
        bench.do(do="scale_creep")
    hang(bench, 20.0)
    bench.do(do="scale_creep")
    bench.engine.push(Gap(bench.frame, 6000, "radio"))
    bench.frame += 6000
    bench._collect()
    assert len(shown(bench)["loads"]) == 2
    assert shown(bench)["creep_counts"] is None
    assert shown(bench)["refused"]["what"] == "readings are missing"
