"""Which plans are offered to whom: hard is over 30 % at any edge, and each reason stands by itself."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.errors import SessionError
from biofeedback.session.care_actions import find_refused
from biofeedback.session.plan import parse_plan
from biofeedback.session.setup import GRADED
from biofeedback.session.view import describe_plans
from tests.session.conftest import Bench

LAST = "2026-01-04T18:00:00+00:00"
PLANS = {
    "light": "band = [20, 30]",
    "over": "band = [20, 30.5]",
    "rising": "band = [20, 30]\nramp = [[40, 50]]",
    "felt": "felt = 3",
    "hard": "band = [80, 100]",
    "sets": 'band = [80, 100]\nuntil = "band lost"',
    "light-sets": 'band = [20, 30]\nuntil = "band lost"',
}
HARD = {"over", "rising", "hard", "sets"}


def make(**setup: Any) -> Bench:
    bench = Bench(**setup)
    bench.engine.plans.clear()
    for name, band in PLANS.items():
        text = (
            f'name = "{name}"\n[[block]]\n[[block.phase]]\nkind = "passive"\nduration_s = 5\n'
            f'[[block.phase]]\nkind = "contract"\nduration_s = 5\n{band}\n'
        )
        bench.engine.offer_plan(parse_plan(text, f"{name}.toml"))
    bench.zero()
    bench.do(do="typed_maximum", channel="force", value=400.0)
    return bench


def refused(bench: Bench) -> dict[str, str]:
    return {name: error.what for name, error in find_refused(bench.engine).items()}


def test_in_a_plain_session_everything_is_offered() -> None:
    assert refused(make()) == {}


def test_who_tests_no_maximum_does_nothing_hard() -> None:
    bench = make()
    bench.do(do="screening", applies=True)
    found = refused(bench)
    assert set(found) == HARD
    assert found["over"].startswith("over.toml asks for up to 30.5 %, and no hard contraction is made at the end of")
    assert found["rising"].startswith("rising.toml asks for up to 50 %")
    bench.do(do="screening", applies=False)
    assert refused(bench) == {}


def test_before_the_list_was_answered_a_graded_session_offers_nothing_hard() -> None:
    bench = make(**GRADED)
    found = refused(bench)
    assert set(found) == HARD
    assert found["hard"].endswith("the list of who does not contract hard at the end of the range was not answered")
    bench.do(do="screening", applies=False)
    assert refused(bench) == {}


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({}, "how it was after the last time was not told"),
        ({"new_pain": False}, "how it was after the last time was not told"),
        ({"soreness": 0}, "how it was after the last time was not told"),
        ({"new_pain": False, "soreness": 3}, ""),
        ({"new_pain": False, "soreness": 3.5}, "after the last time there is new pain or soreness over 3"),
        ({"new_pain": True, "soreness": 0}, "after the last time there is new pain or soreness over 3"),
    ],
)
def test_until_last_time_was_told_in_full_and_after_soreness_nothing_hard(told: dict[str, Any], said: str) -> None:
    bench = make(last_utc=LAST)
    if told:
        bench.do(do="aftermath", when="next", **told)
    found = refused(bench)
    assert set(found) == (HARD if said else set())
    assert all(said in what for what in found.values())
    bench.do(do="aftermath", when="end", new_pain=False)  # about the end of this one, not about the last time
    assert set(refused(bench)) == set(found)


@pytest.mark.parametrize(
    ("why", "are_refused"), [("cramp", {"sets"}), ("too much", {"sets"}), ("enough", set()), ("sensor", set())]
)
def test_after_pain_no_more_hard_sets_and_lighter_ones_may_be(why: str, are_refused: set[str]) -> None:
    bench = make()
    bench.do(do="start_plan", plan="light")
    bench.do(do="stop")
    bench.do(do="explain_stop", why=why)
    found = refused(bench)
    assert set(found) == are_refused
    assert not are_refused or found["sets"] == f"sets.toml asks for hard sets, and a set was stopped today ({why})"


@pytest.mark.parametrize("told", [{"numbness": True}, {"new_pain": True}, {"walks_normally": False}])
def test_after_a_bad_end_nothing_at_all(told: dict[str, Any]) -> None:
    bench = make()
    bench.do(do="aftermath", when="end", **told)
    assert set(refused(bench)) == set(PLANS)
    with pytest.raises(SessionError, match="at the end of the last hold there was"):
        bench.do(do="start_plan", plan="felt")


def test_a_plan_says_what_is_expected_of_it() -> None:
    told = {one["name"]: one for one in describe_plans(make().engine.plans.values(), "knee")}
    assert told["light"]["expects"] == []
    assert told["light"]["duration_s"] == 10.0
    assert list(told["light"]) == ["name", "title", "description", "duration_s", "expects"]
