"""Two people press at once, the athlete on a phone and the coach, or two coaches: the second finds another state."""

from __future__ import annotations

import pytest

from biofeedback.errors import SessionError


def asked(bench):
    """A hold whose first question is open: its number."""
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(2.5)
    return bench.engine.hold.ask.id


def ratings(bench):
    return [event.data for event in bench.events if event.kind == "rating"]


def test_one_question_is_answered_once(bench):
    ask = asked(bench)
    bench.do(do="rate", value=6, ask=ask)
    with pytest.raises(SessionError, match="answered with 6"):
        bench.do(do="rate", value=4, ask=ask)
    assert [(each["value"], each["ask_id"]) for each in ratings(bench)] == [(6, ask)]
    bench.do(do="rate", value=5)  # nobody asked: that is a rating of its own
    assert len(bench.engine.account.ratings) == 2


def test_an_answer_that_comes_just_too_late_counts_for_its_question(bench):
    ask = asked(bench)
    bench.wait(2.6)  # the place is the next question's by now
    assert ratings(bench)[-1]["value"] is None
    bench.do(do="rate", value=7, ask=ask)
    (rating,) = bench.engine.account.ratings
    assert (rating.value, rating.phase_index, rating.originals) == (7, 0, (None,))


def test_a_late_answer_at_the_limit_still_stops(bench):
    ask = asked(bench)
    bench.wait(2.6)  # the place is the next question's by now
    bench.do(do="rate", value=bench.engine.limit, ask=ask)
    assert bench.engine.stage == "done"
    assert "agreed limit" in bench.engine.account.stopped


def test_the_question_of_another_hold_is_not_taken_for_this_one(bench):
    ask = asked(bench)
    bench.do(do="rate", value=6, ask=ask)
    bench.do(do="stop")
    bench.do(do="resume")
    bench.do(do="start_plan", plan="short")
    bench.wait(2.5)
    assert bench.engine.hold.ask.id == ask
    bench.do(do="rate", value=3, ask=ask)
    assert [each.value for each in bench.engine.account.ratings] == [6, 3]


def test_a_phase_is_ended_once_and_the_next_goes_on(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    bench.do(do="end_phase", phase_index=0)
    bench.wait(0.5)
    assert bench.engine.hold.index == 1
    for late in ({"do": "end_phase"}, {"do": "extend_phase", "seconds": 10}):
        with pytest.raises(SessionError, match="over already"):
            bench.do(**late, phase_index=0)
    bench.wait(1.0)
    assert bench.engine.hold.index == 1
    bench.do(do="end_phase", phase_index=1)
    bench.wait(0.5)
    assert bench.engine.hold.index == 2


def test_accepting_the_maximum_once_more_leaves_the_running_hold_alone(bench):
    bench.ready()
    bench.do(do="accept_maximum")
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    with pytest.raises(SessionError, match="under way"):
        bench.do(do="accept_maximum")
    bench.wait(1.0)
    assert bench.engine.hold
    assert bench.engine.stage == "plan"


@pytest.mark.parametrize("command", ["zero", "attempt"])
def test_what_has_begun_is_not_begun_again(bench, command):
    bench.zero()
    bench.do(do=command)
    bench.wait(0.5)
    with pytest.raises(SessionError, match="under way"):
        bench.do(do=command)


def test_starting_the_plan_again_leaves_the_running_one_alone(bench):
    asked(bench)
    index = bench.engine.hold.index
    with pytest.raises(SessionError, match="under way"):
        bench.do(do="start_plan", plan="short")
    assert bench.engine.hold.index == index
    assert sum(kind == "plan" for kind in bench.kinds()) <= 1
