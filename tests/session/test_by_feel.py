"""A session without a sensor: the same plans by feel, effort as it is said, and nowhere a percentage."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from biofeedback.account.fold import fold
from biofeedback.acquisition.felt_source import RATE_HZ, RATING, FeltSource
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SessionError, SourceError
from biofeedback.model import Chunk, Gap
from biofeedback.session.engine import Engine
from biofeedback.session.plan import BUILT_IN, MOST_FELT, load_plan, offer_by_feel
from biofeedback.session.setup import GRADED, Setup
from biofeedback.session.view import describe_session


class Evening:
    """An engine without a sensor, and time that passes."""

    def __init__(self) -> None:
        plans = [load_plan(name) for name in BUILT_IN]
        self.engine = Engine([RATING], RATE_HZ, Setup(**GRADED), plans)
        self.frame = 0

    def do(self, **message: Any) -> None:
        self.engine.command(message, by="athlete")

    def wait(self, seconds: float) -> None:
        n = round(seconds * RATE_HZ)
        self.engine.push(Chunk(self.frame, np.full((n, 1), np.nan)))
        self.frame += n

    def begin(self, plan: str = "felt-check") -> None:
        self.do(do="accept_cautions")
        self.do(do="start_plan", plan=plan)


def test_after_the_cautions_comes_the_plan():
    evening = Evening()
    assert evening.engine.stage == "cautions"
    evening.do(do="accept_cautions")
    assert evening.engine.stage == "ready"


@pytest.mark.parametrize("message", [
    {"do": "zero"}, {"do": "attempt"}, {"do": "practice", "felt": 25},
    {"do": "typed_maximum", "value": 400.0, "unit": "N"},
])  # fmt: skip
def test_nothing_makes_a_zero_or_a_maximum(message):
    evening = Evening()
    evening.do(do="accept_cautions")
    with pytest.raises(SessionError, match="no sensor"):
        evening.do(**message)
    assert not evening.engine.maxima


def test_what_is_offered_asks_for_no_more_than_three_of_ten():
    offered = Evening().engine.plans
    assert "felt-check" in offered
    assert "light-hold" in offered
    assert "drawn-check" in offered
    for plan in offered.values():
        assert all(phase.band is None and phase.adapt is None for phase in plan.phases)
        assert all(phase.felt <= MOST_FELT for phase in plan.phases if phase.kind == "contract")


def test_plans_that_need_a_number_are_not_offered():
    offered = Evening().engine.plans
    assert not {"dose-check", "dose-search", "hard-hold", "response-check", "short-check"} & set(offered)


def test_equal_phases_are_offered_once_as_the_plan_made_for_it():
    plans = offer_by_feel([load_plan("half-check"), load_plan("felt-check")])
    assert [plan.name for plan in plans] == ["felt-check"]


def test_the_athlete_is_asked_how_hard_it_was_and_that_is_kept():
    evening = Evening()
    evening.begin()
    evening.wait(41)  # relax 20 s, contract 20 s
    hold = evening.engine.hold
    assert hold is not None
    assert hold.ask_effort == 1
    state = describe_session(evening.engine)
    assert state["ask_effort"] == {"phase_index": 1}
    assert state["ask_position"] is None  # one question at a time
    evening.do(do="effort", value=3.5)
    assert describe_session(evening.engine)["ask_effort"] is None
    events = evening.engine.take_events()
    account = fold(events, channels=[RATING], settings={})
    phase = account.find_phase(1)
    assert phase is not None
    assert (phase.felt, phase.said_effort) == (2.0, 3.5)
    assert account.by_feel


def test_an_answer_off_the_scale_is_refused_and_no_answer_is_one():
    evening = Evening()
    evening.begin()
    evening.wait(41)
    with pytest.raises(SessionError, match="out of range"):
        evening.do(do="effort", value=11.0)
    evening.do(do="effort", value=None)
    assert evening.engine.hold is not None
    assert evening.engine.hold.ask_effort is None


def test_no_contraction_no_answer():
    evening = Evening()
    evening.begin()
    with pytest.raises(SessionError, match="no contraction"):
        evening.do(do="effort", value=3.0, phase_index=0)


def test_no_percentage_reaches_the_page():
    evening = Evening()
    evening.begin()
    for _ in range(12):
        evening.wait(10)
        state = describe_session(evening.engine)
        assert state["by_feel"]
        assert all(np.isnan(evening.engine.strip.now))
        shown = json.dumps([state["plan"], state["phase"], state["next"], state["plans"], state["band"]])
        assert "%" not in shown


def test_the_source_keeps_the_pace_of_the_clock_and_says_when_it_stood_still():
    now = [100.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    source = FeltSource(clock=lambda: now[0], sleep=sleep)
    source.open()
    items = [item for _ in range(100) for item in source.read_items()]
    assert sum(item.n_frames for item in items) == int(100 * 0.033 * RATE_HZ)
    assert [item.first_frame for item in items[1:]] == [item.end_frame for item in items[:-1]]
    now[0] += 5.0
    assert any(isinstance(item, Gap) for item in source.read_items())


def test_the_source_takes_no_options():
    assert open_source("felt:").channels == (RATING,)
    with pytest.raises(SourceError, match="felt: alone"):
        open_source("felt:?rate=3")
