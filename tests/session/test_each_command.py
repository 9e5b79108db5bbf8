"""What each command puts on record, and where it is refused: the whole table, stage by stage."""

from __future__ import annotations

import copy
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from biofeedback.account.commands import COMMANDS
from biofeedback.cautions import CAUTIONS
from biofeedback.errors import SessionError
from biofeedback.model import Channel
from biofeedback.session.actions import ACTIONS, carry_out
from tests.session.conftest import Bench

EMG = Channel(name="emg", kind="emg", unit="mV", envelope=True)
POSITION = Channel(name="position", kind="position", unit="cm")


def wait_relaxed(bench: Bench) -> None:
    bench.do(do="start_plan", plan="short")
    bench.wait(2.5, 10.0)


def contract(bench: Bench) -> None:
    bench.do(do="rate", value=4, ask=1)
    bench.wait(1.5, 110.0)


def attempt_twice(bench: Bench) -> None:
    bench.attempt(400.0)
    bench.attempt(400.0)


def pause(bench: Bench) -> None:
    bench.engine.hold.pause("x", by="coach")
    bench._collect()


def rest(bench: Bench) -> None:
    bench.do(do="attempt")
    bench.wait(3.0, 10.0)
    bench.wait(4.5, lambda t: 10.0 + 400.0 * min(1.0, t / 0.3) * (t < 4.0))


STAGES: dict[str, tuple[str, Callable[[Bench], None]]] = {  # the stage before each, and what leads on from it
    "read": ("new", lambda bench: bench.do(do="accept_cautions")),
    "zeroing": ("read", lambda bench: bench.do(do="zero")),
    "zeroed": ("zeroing", lambda bench: bench.wait(2.0, 10.0)),
    "tried": ("zeroed", lambda bench: bench.attempt(400.0)),
    "resting": ("zeroed", rest),
    "ready": ("zeroed", lambda bench: bench.do(do="typed_maximum", channel="force", value=400.0)),
    "asked": ("ready", wait_relaxed),
    "holding": ("asked", contract),
    "stopped": ("holding", lambda bench: bench.do(do="stop", reason="x")),
    "paused": ("holding", pause),
    "sharp": ("stopped", lambda bench: bench.do(do="explain_stop", why="sharp")),
    "sharp pause": ("paused", lambda bench: bench.do(do="explain_stop", why="sharp")),
    "tried out": ("tried", attempt_twice),
    "done": ("holding", lambda bench: bench.wait(20.0, 10.0)),
}


@cache
def make(stage: str) -> Bench:
    """A bench that has come as far as ``stage``; with two channels more where that ends in a plus."""
    name = stage.rstrip("+")
    if name == "new":
        bench = Bench(EMG, POSITION) if stage.endswith("+") else Bench()
        bench.others = [5.0, 30.0][: len(bench.others)]
        return bench
    before, lead_on = STAGES[name]
    bench = copy.deepcopy(make(before + "+" * stage.endswith("+")))
    lead_on(bench)
    return bench


def carry(stage: str, message: dict[str, Any]) -> tuple[Bench, list[Any]]:
    """The bench after the message, and the events that came of it at once."""
    bench = copy.deepcopy(make(stage))
    n_before = len(bench.events)
    bench.do(**message)
    return bench, bench.events[n_before:]


REFUSED = [
    ("new", {"do": "finish"}, "the cautions have not been read; read and accept them first"),
    ("new", {"do": "start_plan", "plan": "short"}, "cautions have not been read"),
    ("read", {"do": "attempt"}, "the sensors have no zero yet; zero them first"),
    ("read", {"do": "start_plan", "plan": "short"}, "no zero yet"),
    ("read", {"do": "practice", "felt": 25}, "no zero yet"),
    ("zeroing", {"do": "zero"}, "zero has to wait: zero is under way; stop it first, or wait"),
    ("zeroing", {"do": "attempt"}, "an attempt has to wait: zero is under way"),
    ("zeroing", {"do": "practice", "felt": 25}, "a practice push has to wait: zero is under way"),
    ("zeroing", {"do": "start_plan", "plan": "short"}, "a plan has to wait"),
    ("zeroing", {"do": "finish"}, "finishing has to wait"),
    ("zeroing", {"do": "guide", "channel": "force"}, "choosing the channel to go by has to wait"),
    ("zeroing", {"do": "accept_maximum"}, "the maximum has to wait"),
    ("zeroing", {"do": "zero_position"}, "the zero of the position has to wait: zero is under way; wait for it"),
    ("zeroed", {"do": "accept_maximum"}, "no attempt can be believed yet; make another attempt"),
    ("zeroed", {"do": "reject_attempt", "number": 1}, "there is no attempt to reject"),
    ("zeroed", {"do": "attempt_felt", "number": 1}, "there is no attempt to speak of"),
    ("zeroed", {"do": "start_plan", "plan": "short"}, "there is no maximum yet; find one first"),
    ("zeroed", {"do": "trust_numbers"}, "no number is in doubt"),
    ("zeroed", {"do": "typed_maximum", "value": 400, "channel": "knee"}, "there is no channel 'knee'"),
    ("zeroed", {"do": "typed_maximum", "value": 0}, "value 0 is out of range"),
    ("zeroed", {"do": "typed_maximum", "value": 40, "lever_arm_m": 0}, "lever_arm_m 0 is out of range"),
    ("zeroed", {"do": "typed_maximum", "value": 40, "lever_arm_m": 3.1}, "lever_arm_m 3.1 is out of range"),
    ("zeroed", {"do": "typed_maximum", "value": 5000}, "if it is right after all, use it a second time"),
    ("zeroed", {"do": "revise_maximum", "channel": "force", "value": 400}, "'force' has no maximum to revise"),
    ("zeroed", {"do": "practice", "felt": 9}, "felt 9 is out of range; give a number from 10 to 90"),
    ("zeroed", {"do": "practice", "felt": 91}, "felt 91 is out of range"),
    ("tried", {"do": "reject_attempt", "number": 2}, "number 2 is out of range; give a number from 1 to 1"),
    ("tried", {"do": "reject_attempt", "number": 0}, "number 0 is out of range"),
    ("tried", {"do": "attempt_felt", "number": 2}, "number 2 is out of range"),
    ("tried", {"do": "attempt_felt", "number": 1, "discomfort": 10.5}, "discomfort 10.5 is out of range"),
    ("tried", {"do": "attempt_felt", "number": 1, "effort": -1}, "effort -1 is out of range"),
    ("resting", {"do": "attempt"}, "s of rest are left; wait: a tired attempt is not a maximum"),
    ("ready", {"do": "start_plan", "plan": "long"}, "no plan 'long'; choose one of short"),
    ("ready", {"do": "guide", "channel": "knee"}, "'knee' cannot lead a hold; choose one of force"),
    ("ready+", {"do": "guide", "channel": "position"}, "'position' cannot lead a hold; choose one of force, emg"),
    ("ready+", {"do": "guide", "channel": "emg"}, "emg has no maximum yet"),
    ("ready", {"do": "rate", "value": 10.5}, "a rating of 10.5; the scale ends at 0 and 10"),
    ("ready", {"do": "rate", "value": 3.25}, "a rating of 3.25; give whole or half numbers"),
    ("ready", {"do": "limit", "value": 10.5}, "value 10.5 is out of range; give a number from 0 to 10"),
    ("ready", {"do": "correct", "rating": 1, "value": 3}, "there is no rating to correct"),
    ("ready", {"do": "take_back", "rating": 1}, "only the last rating can be taken back"),
    ("ready", {"do": "explain_stop", "why": "cramp"}, "nothing was stopped"),
    ("ready", {"do": "effort", "value": 3}, "no contraction to say it about"),
    ("ready", {"do": "position", "answer": "held"}, "no phase to say it about"),
    ("ready", {"do": "device", "answer": "keep"}, "no other device has answered"),
    ("ready", {"do": "device", "answer": "throw"}, "device 'throw'; answer keep or renew"),
    ("ready", {"do": "extend_phase", "seconds": 10}, "no phase is running"),
    ("ready", {"do": "end_phase"}, "no phase is running"),
    ("ready", {"do": "take_up"}, "nothing is paused"),
    ("ready", {"do": "choose_band", "low": 20, "high": 30}, "the next band is not open to choose"),
    ("ready", {"do": "keep_rate", "rate_hz": 24.9}, "rate_hz 24.9 is out of range; give a number from 25 to 400"),
    ("ready", {"do": "keep_rate", "rate_hz": 401}, "rate_hz 401 is out of range"),
    ("ready", {"do": "aftermath", "when": "soon"}, "when 'soon'; say end or next"),
    ("ready", {"do": "aftermath", "when": "end", "soreness": 10.5}, "soreness 10.5 is out of range"),
    ("ready", {"do": "expect", "expects": "much"}, "expectation 'much'; answer less, same or more"),
    ("ready", {"do": "way", "trial": "t", "evening": 0, "drawn": "a"}, "evening 0 is out of range"),
    *(
        ("ready", {"do": "range", "when": "before", "at": "first discomfort", "value": 80, "unit": "deg", **bad}, said)
        for bad, said in (
            ({"when": "now"}, "a range 'now' at 'first discomfort' in 'deg'"),
            ({"at": "the end"}, "first discomfort, agreed discomfort, furthest tolerated; deg or cm"),
            ({"unit": "m"}, "in 'm'"),
            ({"value": 1001}, "value 1001 is out of range"),
        )
    ),
    ("asked", {"do": "start_plan", "plan": "short"}, "a plan has to wait: plan is under way"),
    ("asked", {"do": "extend_phase", "seconds": 0.5}, "seconds 0.5 is out of range; give a number from 1 to 600"),
    ("asked", {"do": "extend_phase", "seconds": 601}, "seconds 601 is out of range"),
    ("asked", {"do": "extend_phase", "seconds": 10, "phase_index": 1}, "that phase is over already"),
    ("asked", {"do": "effort", "value": 3, "phase_index": 0}, "no contraction to say it about"),
    ("asked", {"do": "take_up"}, "nothing is paused"),
    ("holding", {"do": "rate", "value": 5, "ask": 1}, "this question was answered with 4; correct that rating"),
    ("holding", {"do": "correct", "rating": 2, "value": 3}, "rating 2 is out of range; give a number from 1 to 1"),
    ("holding", {"do": "take_back", "rating": 2}, "only the last rating can be taken back"),
    ("holding", {"do": "effort", "phase_index": 1, "value": 11}, "value 11 is out of range"),
    ("holding", {"do": "position", "phase_index": 1, "answer": "gone"}, "position 'gone'; answer held, drifted, lost"),
    ("holding", {"do": "zero"}, "zero has to wait: plan is under way"),
    ("holding+", {"do": "zero_position"}, "has to wait: plan is under way"),
    ("paused", {"do": "extend_phase", "seconds": 10}, "the plan is paused; take it up again first"),
    ("stopped", {"do": "explain_stop", "why": "boredom"}, "'boredom' is not a reason on the list"),
    *(
        ("sharp", message, "this session was stopped for a sharp or odd sensation; end it; what stays or comes back")
        for message in (
            {"do": "resume"},
            {"do": "start_plan", "plan": "short"},
            {"do": "start_plan", "plan": "short", "anyway": True},
            {"do": "attempt"},
            {"do": "practice", "felt": 25},
        )
    ),
    ("sharp pause", {"do": "take_up"}, "this session was stopped for a sharp or odd sensation"),
    ("done", {"do": "end_phase"}, "no phase is running"),
    ("done", {"do": "guide", "channel": "force"}, "a plan has run already"),
]


@pytest.mark.parametrize(("stage", "message", "said"), REFUSED)
def test_a_command_out_of_place_is_refused_with_its_cure_and_leaves_no_trace(
    stage: str, message: dict[str, Any], said: str
) -> None:
    bench = copy.deepcopy(make(stage))
    activity = bench.engine.activity
    with pytest.raises(SessionError) as refused:
        bench.do(**message)
    assert said in f"{refused.value.what}; {refused.value.cure}"
    assert bench.engine.activity is activity
    assert bench.engine.take_events() == []


ON_RECORD: list[tuple[str, dict[str, Any], str, dict[str, Any]]] = [
    ("new", {"do": "accept_cautions"}, "caution", {"texts": list(CAUTIONS), "by": "coach", "acknowledged": True}),
    ("zeroed", {"do": "attempt"}, "attempt_begun", {"number": 1}),
    ("tried", {"do": "attempt"}, "attempt_begun", {"number": 2}),
    ("tried out", {"do": "attempt"}, "attempt_begun", {"number": 1}),  # another search
    ("zeroed", {"do": "typed_maximum", "value": 90, "unit": "N·m", "lever_arm_m": 3}, "maximum", {"strength": 30.0}),
    (
        "zeroed",
        {"do": "typed_maximum", "value": 1, "unit": "N·m", "lever_arm_m": 0.001},
        "maximum",
        {"strength": pytest.approx(1000.0)},
    ),
    ("sharp", {"do": "finish"}, "finish", {"by": "coach"}),
    ("sharp", {"do": "rate", "value": 5}, "rating", {"value": 5.0}),
    (
        "tried",
        {"do": "reject_attempt", "number": 1},
        "reject_attempt",
        {"number": 1, "reason": "rejected by the coach"},
    ),
    ("tried", {"do": "reject_attempt", "number": 1, "reason": "slipped"}, "reject_attempt", {"reason": "slipped"}),
    ("tried", {"do": "accept_maximum"}, "maximum", {"settled": False, "by": "coach", "method": "attempts"}),
    ("resting", {"do": "accept_maximum"}, "maximum", {"settled": False, "by": "coach"}),
    (
        "tried",
        {"do": "attempt_felt", "number": 1, "discomfort": 10, "effort": 0},
        "attempt_felt",
        {"number": 1, "discomfort": 10.0, "effort": 0.0, "sharp": None},
    ),
    ("tried", {"do": "attempt_felt", "number": 1, "sharp": True}, "attempt_felt", {"discomfort": None, "sharp": True}),
    (
        "zeroed",
        {"do": "typed_maximum", "value": 40, "unit": "kg", "utc": "2026-01-02"},
        "maximum",
        {"strength": pytest.approx(392.266), "unit": "N", "method": "typed", "utc": "2026-01-02"},
    ),
    ("ready+", {"do": "guide", "channel": "force"}, "guide", {"channel": "force", "by": "coach"}),
    (
        "ready",
        {"do": "revise_maximum", "channel": "force", "value": 450},
        "maximum",
        {"strength": 450.0, "by": "coach"},
    ),
    ("asked", {"do": "rate", "value": None}, "rating", {"value": None, "ask_id": 1, "phase_index": 0}),
    ("asked", {"do": "rate", "value": 3.5}, "rating", {"value": 3.5, "ask_id": 1, "phase_index": 0}),
    ("holding", {"do": "rate", "value": 0}, "rating", {"value": 0.0, "ask_id": None, "phase_index": 1}),
    ("done", {"do": "rate", "value": 10}, "rating", {"value": 10.0, "ask_id": None, "phase_index": None}),
    ("holding", {"do": "correct", "rating": 1, "value": 5}, "rating", {"value": 5.0, "corrects": 1, "phase_index": 0}),
    ("holding", {"do": "take_back", "rating": 1}, "rating", {"value": None, "corrects": 1}),
    ("ready", {"do": "limit", "value": 6.5}, "limit", {"value": 6.5, "by": "coach"}),
    ("holding", {"do": "stop"}, "stop", {"reason": "Stop was pressed", "by": "coach", "pressed_ago_s": None}),
    ("holding", {"do": "stop", "pressed_ago_s": 0.9}, "stop", {"pressed_ago_s": None}),
    ("holding", {"do": "stop", "pressed_ago_s": 1.0}, "stop", {"pressed_ago_s": 1.0}),
    ("stopped", {"do": "explain_stop", "why": "cramp"}, "stop_reason", {"why": "cramp"}),
    ("stopped", {"do": "resume"}, "resume", {"by": "coach"}),
    ("ready", {"do": "finish"}, "finish", {"by": "coach"}),
    ("resting", {"do": "finish"}, "finish", {"by": "coach"}),
    ("ready", {"do": "note", "text": "cold room"}, "note", {"text": "cold room", "by": "coach"}),
    ("ready", {"do": "covariates", "text": " jog, ,heat "}, "setup", {"covariates": ["jog", "heat"]}),
    ("ready", {"do": "feedback", "shown": False}, "feedback", {"shown": False}),
    ("holding", {"do": "effort", "phase_index": 1, "value": 7}, "effort", {"phase_index": 1, "value": 7.0}),
    ("holding", {"do": "effort", "phase_index": 1, "value": None}, "effort", {"phase_index": 1, "value": None}),
    (
        "holding",
        {"do": "position", "phase_index": 1, "answer": "lost"},
        "position",
        {"phase_index": 1, "state": "lost", "by": "coach", "by_whom": "coach"},
    ),
    ("ready", {"do": "keep_rate", "rate_hz": 25}, "rate", {"declared_hz": 100.0, "measured_hz": 25.0}),
    ("ready", {"do": "keep_rate", "rate_hz": 400}, "rate", {"measured_hz": 400.0}),
    ("ready", {"do": "screening", "applies": False}, "screening", {"applies": False}),
    ("ready", {"do": "expect", "expects": "more"}, "expectation", {"expects": "more"}),
    (
        "ready",
        {"do": "aftermath", "when": "end", "soreness": 10, "new_pain": False, "walks_normally": True},
        "aftermath",
        {"when": "end", "soreness": 10.0, "new_pain": False, "numbness": None, "walks_normally": True},
    ),
    (
        "ready",
        {"do": "range", "when": "after", "at": "furthest tolerated", "value": -1000, "unit": "cm", "contracting": True},
        "range",
        {"when": "after", "at": "furthest tolerated", "value": -1000.0, "unit": "cm", "contracting": True},
    ),
    (
        "ready",
        {"do": "way", "trial": "t", "evening": 3, "drawn": "warmth", "done": "nothing", "note": "no time"},
        "way",
        {"trial": "t", "evening": 3, "drawn": "warmth", "done": "nothing", "note": "no time", "by": "coach"},
    ),
    ("ready+", {"do": "zero_position"}, "zero", {"channels": {"position": {"level": 30.0, "n_levels": 50, "sd": 0.0}}}),
    ("asked", {"do": "extend_phase", "seconds": 1, "phase_index": 0}, "phase_end", {"phase_index": 0, "seconds": 1.0}),
    ("paused", {"do": "take_up"}, "take_up", {"phase_index": 1, "by": "coach"}),
]


@pytest.mark.parametrize(("stage", "message", "kind", "data"), ON_RECORD)
def test_a_command_in_its_place_is_on_record(
    stage: str, message: dict[str, Any], kind: str, data: dict[str, Any]
) -> None:
    _, events = carry(stage, message)
    told = next(event.data for event in events if event.kind == kind)
    assert {name: told.get(name) for name in data} == data


def test_a_number_that_no_person_gives_counts_when_it_is_handed_in_again() -> None:
    bench, events = carry("zeroed", {"do": "typed_maximum", "value": 5000, "anyway": True})
    assert [event.kind for event in events] == ["trust", "maximum"]
    assert bench.engine.maxima["force"].strength == 5000.0
    with pytest.raises(SessionError, match="5000"):
        carry("ready", {"do": "revise_maximum", "channel": "force", "value": 5000})
    bench, events = carry("ready", {"do": "revise_maximum", "channel": "force", "value": 5000, "anyway": True})
    assert [event.kind for event in events] == ["trust", "maximum"]


def test_another_stop_after_a_sharp_pause_takes_nothing_back() -> None:
    bench, _ = carry("sharp pause", {"do": "stop"})
    assert bench.engine.account.why_stopped == "sharp"  # what the page and the report say
    with pytest.raises(SessionError, match="this session was stopped for a sharp or odd sensation"):
        bench.do(do="start_plan", plan="short")


def test_sharp_pain_after_an_attempt_ends_testing_and_what_was_under_way() -> None:
    bench, _ = carry("resting", {"do": "attempt_felt", "number": 1, "sharp": True})
    assert bench.engine.activity is None
    assert bench.engine.message["text"] == "Sharp pain ends testing for today"
    with pytest.raises(SessionError, match="sharp pain at attempt 1 ended testing for today"):
        bench.do(do="attempt")
    bench, _ = carry("resting", {"do": "attempt_felt", "number": 1, "discomfort": 3})
    assert bench.engine.activity is not None
    assert bench.engine.message is None


def test_a_rating_at_the_limit_stops_a_hold_and_nothing_else() -> None:
    for message in ({"do": "rate", "value": 8}, {"do": "correct", "rating": 1, "value": 8}):
        bench, events = carry("holding", message)
        assert bench.engine.hold is None
        assert [event.data["reason"] for event in events if event.kind == "stop"] == [
            "discomfort 8 has reached the agreed limit of 8"
        ]
        bench, events = carry("holding", {**message, "value": 7.5})
        assert bench.engine.hold is not None
    bench, events = carry("done", {"do": "rate", "value": 9})
    assert [event.kind for event in events] == ["rating"]


def test_a_question_that_got_no_answer_may_still_get_one_and_is_corrected_then() -> None:
    bench = copy.deepcopy(make("asked"))
    bench.wait(5.0, 10.0)
    assert bench.last("rating").data["value"] is None
    bench.do(do="rate", value=3, ask=1)
    assert bench.last("rating").data == {"corrects": 1, "value": 3.0, "phase_index": 0, "by": "coach"}
    with pytest.raises(SessionError, match="answered with 3"):
        bench.do(do="rate", value=4, ask=1)
    bench.do(do="take_back", rating=1)
    with pytest.raises(SessionError, match="does not count any more; rate again"):
        bench.do(do="take_back", rating=1)
    assert [(one.value, one.originals) for one in bench.engine.account.ratings] == [(None, (None, 3.0))]


def test_what_was_asked_about_a_contraction_is_asked_until_it_is_said() -> None:
    bench = copy.deepcopy(make("holding"))
    bench.wait(2.5, 110.0)
    assert bench.engine.hold.ask_position == 1
    bench.do(do="position", phase_index=0, answer="held")
    assert bench.engine.hold.ask_position == 1
    bench.do(do="position", answer="held")
    assert bench.engine.hold.ask_position is None
    assert bench.last("position").data["phase_index"] == 1


def test_what_is_under_way_says_how_long_and_can_be_stopped() -> None:
    bench = copy.deepcopy(make("zeroing"))
    assert bench.engine.activity.remaining_s(bench.engine.level) == 2.0
    bench.wait(0.5, 10.0)
    assert bench.engine.activity.remaining_s(bench.engine.level) == pytest.approx(1.5, abs=0.05)
    bench = copy.deepcopy(make("ready"))
    bench.do(do="scale_load", channel="force", load=1.0)
    assert bench.engine.activity.remaining_s(bench.engine.level) == 2.0
    bench.do(do="stop")
    bench.do(do="resume")
    bench.do(do="practice", felt=50)
    assert bench.engine.activity.remaining_s(bench.engine.level) == 3.0
    bench.do(do="stop", reason="too cold")
    assert bench.last("note").data["text"] == "practice push at 50 % abandoned: too cold"
    bench.do(do="resume")
    bench.do(do="attempt")
    bench.do(do="stop", reason="slipped")
    assert bench.last("note").data["text"] == "attempt 1 abandoned: slipped"


def test_every_command_of_a_session_has_its_action_and_no_other() -> None:
    theirs = {name for name, command in COMMANDS.items() if command.place == "session"}
    assert theirs == set(ACTIONS)
    with pytest.raises(SessionError, match="'check_plan' is not for the session; reload the page"):
        carry_out(make("new").engine, {"do": "check_plan", "draft": {}}, "coach")
