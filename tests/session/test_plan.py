import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.errors import PlanError
from biofeedback.session.plan import BUILT_IN, load_plan, parse_plan
from biofeedback.session.view import describe_plans

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
        ('kind = "passive"', 'kind = "passiv"', 6, "passive, contract, remote, rest"),
        ("duration_s = 10\nband", "duration_s = 0\nband", 10, "from 1 to"),
        ("duration_s = 10\nband", 'duration_s = "ten"\nband', 10, "from 1 to"),
        ("duration_s = 10\nband", "durations = 10\nband", 10, "not known here"),
        ("repeat = 2", "repeat = 1.5", 4, "whole number"),
        ("ask = true", 'ask = "yes"', 12, "true or false"),
        ("repeat = 2", "repeat = = 2", 4, "not valid TOML"),
        ('title = "Mine"', "grace = 2", 2, "'grace' is not known here"),
        ('title = "Mine"', "ask_before_end = 2", 2, "'ask_before_end' is not known here"),
        ("repeat = 2", "repeats = 2", 4, "'repeats' is not known here"),
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


def many(n, *, head="", bands=1):
    """A plan of ``n`` contractions after as many relaxed phases."""
    phases = "".join(
        f'[[block.phase]]\nkind = "{kind}"\nduration_s = 10\n' + ("band = [20, 30]\n" if kind == "contract" else "")
        for kind in ("passive", "contract")
    )
    blocks = [min(n - k, 100) for k in range(0, n, 100)]
    return head + "\n" + "".join(f"[[block]]\nrepeat = {repeat}\n{phases}" for repeat in blocks)


def test_as_many_contractions_as_can_be_drawn_and_no_more():
    assert sum(p.kind == "contract" for p in parse_plan(many(60, head='randomise = "pairs"'), "mine.toml").phases) == 60
    with pytest.raises(PlanError, match="too many contractions to randomise"):
        parse_plan(many(61, head='randomise = "pairs"'), "mine.toml")


def test_as_many_bands_and_rounds_as_can_be_drawn_and_no_more():
    two, eleven = "randomise_bands = [[20, 30], [70, 80]]", [[k, k + 2] for k in range(10, 32, 2)]
    assert len(parse_plan(many(120, head=two), "mine.toml").randomise_bands) == 2
    with pytest.raises(PlanError, match=r"bands for 121 contractions.*1 to 120"):
        parse_plan(many(121, head=two), "mine.toml")
    assert len(parse_plan(many(20, head=f"randomise_bands = {eleven[:10]}"), "mine.toml").randomise_bands) == 10
    for bands in (eleven, eleven[:1]):
        with pytest.raises(PlanError, match="two to ten bands"):
            parse_plan(many(20, head=f"randomise_bands = {bands}"), "mine.toml")
    with pytest.raises(PlanError, match="same middle"):
        parse_plan(many(20, head="randomise_bands = [[20, 30], [15, 35]]"), "mine.toml")


def test_as_many_phases_as_a_plan_may_have_and_no_more():
    assert len(parse_plan(many(250), "mine.toml").phases) == 500
    with pytest.raises(PlanError, match="502 phases"):
        parse_plan(many(251), "mine.toml")


PASSIVE_FIRST = '[[block.phase]]\nkind = "passive"\nduration_s = 10\n'


def test_a_plan_that_begins_contracting_says_so_when_it_is_chosen():
    plan = parse_plan(GOOD, "mine.toml")
    assert not plan.begins_contracting
    turned = parse_plan(GOOD.replace(PASSIVE_FIRST, "") + PASSIVE_FIRST, "turned.toml")
    assert turned.begins_contracting
    rested = GOOD.replace('"passive"', '"rest"')  # out of the position nothing is learnt of its tension
    assert parse_plan(rested, "rested.toml").begins_contracting
    felt = GOOD.replace(PASSIVE_FIRST, "").replace("band = [20, 30]", "felt = 2")  # goes by no number
    assert not parse_plan(felt, "felt.toml").begins_contracting
    assert not any(load_plan(name).begins_contracting for name in BUILT_IN)
    said = [" ".join(one["expects"]) for one in describe_plans([plan, turned], "knee")]
    assert ["includes the position's own tension" in text for text in said] == [False, True]


PASSIVE = '[[block.phase]]\nkind = "passive"\nduration_s = 10\nask = true\n'
CONTRACT = '[[block.phase]]\nkind = "contract"\nduration_s = 10\nband = [20, 30]\nask = true\n'
REST = '[[block.phase]]\nkind = "rest"\nduration_s = 10\n'


@pytest.mark.parametrize(
    ("phases", "words"),
    [
        (PASSIVE, "nothing to randomise"),
        (CONTRACT, "nothing to randomise"),
        (PASSIVE + CONTRACT + REST, "no place for rests"),
        (PASSIVE + CONTRACT + CONTRACT.replace("20, 30", "30, 40"), "phases to randomise that differ"),
        (PASSIVE + PASSIVE.replace("10", "12") + CONTRACT, "phases to randomise that differ"),
        (PASSIVE + PASSIVE.replace("true", "false") + CONTRACT, "phases to randomise that differ"),
    ],
)
def test_only_phases_that_are_alike_can_be_drawn(phases: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        parse_plan('randomise = "pairs"\n[[block]]\n' + phases, "mine.toml")
    assert parse_plan('randomise = "pairs"\n[[block]]\n' + 2 * (PASSIVE + CONTRACT), "mine.toml").randomise == "pairs"
