"""A Stop that was kept by a page without a connection: what it stops, and what began only after it was pressed."""

import pytest

from tests.session.conftest import Bench


def begin_hold(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")


def begin_zero(bench):
    bench.do(do="accept_cautions")
    bench.do(do="zero")


def begin_attempt(bench):
    bench.zero()
    bench.do(do="attempt")


def begin_load(bench):
    bench.do(do="scale_load", channel="force", load=1.0)


@pytest.mark.parametrize(
    ("begin", "ran_s", "ago_s", "stops"),
    [
        (begin_hold, 1.5, 1.4, True),
        (begin_hold, 1.5, 1.5, True),
        (begin_hold, 1.5, 2.5, False),
        (begin_hold, 0.2, 0.9, True),  # hardly under way at all: no page kept it
        (begin_attempt, 1.5, 1.4, True),
        (begin_attempt, 1.5, 2.5, False),
        (begin_zero, 0.5, 60.0, True),
        (begin_load, 0.5, 60.0, True),
    ],
)
def test_a_late_stop_ends_what_ran_when_it_was_pressed_and_no_hold_or_attempt_begun_since(begin, ran_s, ago_s, stops):
    bench = Bench()
    begin(bench)
    bench.wait(ran_s)
    bench.do(do="stop", pressed_ago_s=ago_s)
    assert (bench.engine.activity is None) is stops
    assert ("stop" in bench.kinds()) is stops
    if not stops:
        assert bench.last("note").data["text"] == f"a Stop pressed {ago_s} s ago was for what ran before: " + (
            "Stop was pressed"
        )


def test_stop_without_anything_under_way_is_on_record_once(bench):
    bench.zero()
    bench.do(do="stop", pressed_ago_s=30.0)
    bench.do(do="stop")
    assert bench.kinds().count("stop") == 1
    assert bench.last("stop").data["pressed_ago_s"] == 30.0
    assert bench.last("stop").data["reason"] == "Stop was pressed"
