"""What must hold whatever a page sends, and in whatever order: cautions first, the agreed limit, an honest record."""

from __future__ import annotations

import pytest

from biofeedback.errors import SessionError


def zero_unread(bench):
    bench.do(do="zero")
    bench.wait(2.0, 10.0)


@pytest.mark.parametrize("message", [{"do": "attempt"}, {"do": "finish"}, {"do": "start_plan", "plan": "short"}])
def test_nothing_gets_round_the_cautions(bench, message):
    zero_unread(bench)
    bench.do(do="typed_maximum", channel="force", value=300)
    with pytest.raises(SessionError, match="cautions"):
        bench.do(**message)
    assert bench.engine.stage == "cautions"
    assert bench.engine.activity is None


def test_a_rating_put_right_to_the_limit_stops_as_one_given_at_once(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    bench.do(do="rate", value=6)
    bench.do(do="correct", rating=1, value=7.5)
    assert bench.engine.hold
    bench.do(do="correct", rating=1, value=bench.engine.limit)
    assert bench.engine.hold is None
    assert "agreed limit" in bench.last("stop").data["reason"]
    assert bench.engine.account.ratings[0].value == bench.engine.limit


def test_stop_in_the_rest_after_an_attempt_does_not_call_it_abandoned(bench):
    bench.zero()
    bench.do(do="attempt")
    bench.wait(3.0, 10.0)
    bench.wait(4.0, lambda t: 10.0 + 400 * min(1.0, t / 0.3))
    assert bench.engine.activity.step == "rest"
    bench.do(do="stop")
    assert bench.last("attempt").data["accepted"]
    assert not [e for e in bench.events if e.kind == "note" and "abandoned" in e.data["text"]]
    bench.do(do="attempt")
    bench.do(do="stop")
    assert "attempt 2 abandoned" in bench.last("note").data["text"]


@pytest.mark.parametrize("message", [{"do": "extend_phase", "seconds": 60}, {"do": "end_phase"}])
def test_a_plan_that_is_over_has_no_phase_to_change(bench, message):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(15.5, 10.0)
    assert bench.engine.hold.ask  # only the last answer is still waited for
    with pytest.raises(SessionError, match="no phase"):
        bench.do(**message)
    bench.wait(4.0)
    assert bench.engine.stage == "done"


def test_a_maximum_says_whether_its_own_attempt_saw_the_display(bench):
    bench.zero()
    bench.do(do="feedback", shown=False)
    for height in (400.0, 395.0):
        bench.attempt(height)
    bench.do(do="feedback", shown=True)
    bench.attempt(390.0)
    assert [e.data["feedback_shown"] for e in bench.events if e.kind == "attempt"] == [False, False, True]
    assert bench.last("maximum").data["feedback_shown"] is False


def test_another_device_begins_another_table_of_loads(bench):
    bench.zero()
    bench.engine.notice_device("one")
    bench.do(do="scale_load", channel="force", load=0)
    bench.wait(2.0, 10.0)
    assert len(bench.engine.scale.loads) == 1
    bench.engine.notice_device("two")
    bench.do(do="device", answer="renew")
    assert bench.engine.scale.loads == []


def test_a_typed_maximum_of_a_channel_that_is_not_there_goes_nowhere(bench):
    bench.zero()
    with pytest.raises(SessionError, match="no channel 'emg'"):
        bench.do(do="typed_maximum", channel="emg", value=300)
    assert bench.engine.maxima == {}
