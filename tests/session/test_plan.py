import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.errors import PlanError
from biofeedback.session.plan import BUILT_IN, load_plan, parse_plan

GOOD = """name = "mine"
title = "Mine"
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 10
[[block.phase]]
kind = "contract"
duration_s = 10
band = [20, 30]
ask = true
"""


@pytest.mark.parametrize("name", BUILT_IN)
def test_built_in_plans_are_valid_and_end_relaxed(name):
    plan = load_plan(name)
    assert plan.name == name
    assert plan.phases[-1].kind == "passive"
    assert plan.phases[-1].ask


def test_response_check_is_five_cycles_and_a_closing_passive_phase():
    plan = load_plan("response-check")
    assert [phase.kind for phase in plan.phases] == ["passive", "contract"] * 5 + ["passive"]
    assert {phase.duration_s for phase in plan.phases} == {20.0}
    assert plan.duration_s == 220.0
    assert all(phase.ask for phase in plan.phases)
    assert [phase.cycle for phase in plan.phases[:4]] == [1, 1, 2, 2]


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("band = [20, 30]", "band = [30, 20]", 11, "low below high"),
        ("band = [20, 30]", "band = [20]", 11, "two numbers"),
        ("band = [20, 30]\n", "", 8, "without a band"),
        ('kind = "passive"', 'kind = "passiv"', 6, "passive, contract or rest"),
        ("duration_s = 10\nband", "duration_s = 0\nband", 10, "from 1 to"),
        ("duration_s = 10\nband", 'duration_s = "ten"\nband', 10, "from 1 to"),
        ("duration_s = 10\nband", "durations = 10\nband", 10, "not known here"),
        ("repeat = 2", "repeat = 1.5", 4, "whole number"),
        ("ask = true", 'ask = "yes"', 12, "true or false"),
        ("repeat = 2", "repeat = = 2", 4, "not valid TOML"),
    ],
)
def test_a_mistake_names_its_line_and_its_cure(old, new, line, words):
    with pytest.raises(PlanError) as caught:
        parse_plan(GOOD.replace(old, new, 1), "mine.toml")
    assert f"line {line}" in str(caught.value)
    assert words in str(caught.value)


def test_a_plan_without_phases_is_refused():
    with pytest.raises(PlanError, match="without phases"):
        parse_plan('name = "empty"', "empty.toml")


def test_a_missing_file_names_the_built_in_plans():
    with pytest.raises(PlanError, match="response-check"):
        load_plan("nowhere.toml")


@given(st.text(max_size=200))
def test_any_text_is_a_plan_or_a_plan_error(text):
    with contextlib.suppress(PlanError):
        parse_plan(text, "any.toml")


def test_shortened_keeps_order_and_bands():
    plan = load_plan("response-check")
    short = plan.shortened(0.3)
    assert short.duration_s == pytest.approx(66.0)
    assert [p.band for p in short.phases] == [p.band for p in plan.phases]
