"""What is due and what slows an evening down, at the very borders, from entries of the library made by hand."""

from __future__ import annotations

import json
from typing import Any

import pytest

from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import Aftermath
from biofeedback.account.values import Maximum
from biofeedback.calibration.maxima import OLD_DAYS, REPEATS_PERCENT
from biofeedback.errors import PlanError
from biofeedback.model import Band
from biofeedback.session.plan import Plan, parse_plan
from biofeedback.storage.evening import Evening, KeptMaximum
from biofeedback.storage.library import Entry
from biofeedback.wiring.athletes import _describe_last
from biofeedback.wiring.due import NO_MAXIMUM, list_due, list_due_of_answer, list_due_of_trial
from biofeedback.wiring.lent import LOOK_BACK, Lent, Setup, describe_age, find_age_days, find_lent
from biofeedback.wiring.programmes import (
    MOST_EVENINGS,
    Programme,
    Tonight,
    find_reasons,
    find_tonight,
    is_hard,
    parse_programme,
)

NOW = "2026-11-28T18:00:00+00:00"
SETUP = Setup("Hurdle seat", "left", "floor")


def make_kept(strength: float = 400.0, doubt: str = "", **more: Any) -> KeptMaximum:
    values = {"exercise": "hurdle seat", "side": "left", "position": "floor", "utc": "2026-11-20T18:00:00+00:00"}
    maximum = Maximum(channel="pull", strength=strength, baseline=5.0, unit="N", n_attempts=3, **(values | more))
    return KeptMaximum(maximum=maximum, doubt=doubt)


def make_entry(name: str = "a.hold", *, day: int = 20, plans: str = "", **evening: Any) -> Entry:
    return Entry(
        name,
        "1",
        started_utc=f"2026-11-{day:02d}T18:00:00+00:00",
        athlete="A01",
        plans=plans,
        evening=json.dumps(write_payload(Evening(**evening))),
    )


def make_plan(name: str, low: int) -> Plan:
    text = f'name = "{name}"\n[[block]]\n[[block.phase]]\nkind = "contract"\nduration_s = 10\nband = [{low}, 100]\n'
    return parse_plan(text, f"{name}.toml")


@pytest.mark.parametrize(
    ("hard_then", "hard_now", "age_days", "slows"),
    [
        (True, True, 1.49, True),
        (True, True, 1.5, False),
        (True, True, 0.0, True),
        (True, True, -0.99, True),  # two computers' clocks
        (True, True, -1.0, False),
        (True, True, None, False),
        (True, False, 1.0, False),
        (False, True, 1.0, False),
    ],
)
def test_hard_work_waits_for_a_day_without_it(hard_then, hard_now, age_days, slows) -> None:
    reasons = find_reasons([make_entry(hard=hard_then)], is_hard=hard_now, age_days=age_days)
    assert reasons == (["hard work on consecutive days"] if slows else [])
    assert find_reasons([], is_hard=True, age_days=age_days) == []


@pytest.mark.parametrize(
    ("after", "reason"),
    [
        ({"new_pain": True}, "new pain or numbness after the last evening; "),
        ({"numbness": True}, "new pain or numbness after the last evening; "),
        ({"new_pain": True, "soreness": 9.0}, "new pain or numbness after the last evening; "),
        ({"new_pain": False, "numbness": False, "soreness": 3.0}, None),
        ({"soreness": 3.5}, "soreness 3.5 of 10 the day after"),
        ({"soreness": None}, None),
    ],
)
def test_pain_numbness_and_soreness_of_the_last_evening_slow_the_next_one(after, reason) -> None:
    then = Aftermath(when="next", **after)
    reasons = find_reasons([make_entry(aftermath=(then,)), make_entry()], is_hard=False, age_days=9.0)
    assert len(reasons) == (reason is not None)
    assert reason is None or reasons[0].startswith(reason)
    healed = (then, Aftermath(when="next", new_pain=False))
    assert find_reasons([make_entry(aftermath=healed)], is_hard=False, age_days=9.0) == []  # the newest answer counts
    assert find_reasons([make_entry(), make_entry(aftermath=(then,))], is_hard=False, age_days=9.0) == []


def test_a_maximum_that_fell_by_more_than_it_repeats_slows_the_evening() -> None:
    still = 400.0 * (1 - REPEATS_PERCENT / 100)

    def reasons(*strengths: float, **more: Any) -> list[str]:
        entries = [make_entry(maxima=(make_kept(one, **more),)) for one in strengths]
        return find_reasons(entries, is_hard=False, age_days=9.0)

    assert reasons(still - 1, 380.0, 400.0)[0].startswith(
        f"the maximum fell from 400 to {still - 1:.0f}, more than it repeats from day to day; "
    )
    assert reasons(still, 400.0) == reasons(400.0, 200.0) == reasons(100.0) == []
    assert reasons(100.0, 100.0, 100.0, 100.0, 400.0) == []  # four evenings are looked at
    assert reasons(100.0, 400.0, method="typed") == []  # only what was pushed is compared
    first = make_entry(maxima=(make_kept(100.0), make_kept(500.0)))
    assert len(find_reasons([first, make_entry(maxima=(make_kept(400.0),))], is_hard=False, age_days=9.0)) == 1


def test_where_a_programme_stands_tonight() -> None:
    plans = {plan.name: plan for plan in (make_plan("light", 20), make_plan("strong", 60))}
    programme = Programme(("light", "Strong"), "2026-11-10", "2026-11-28")

    def find(*entries: Entry, today: str = "2026-11-28", age_days: float | None = 9.0) -> Tonight:
        return find_tonight(programme, entries, plans, age_days=age_days, today=today)

    assert find() == Tonight("light", 1, 2)
    assert find(make_entry(day=9, plans="light")) == Tonight("light", 1, 2)  # before it was begun
    assert find(make_entry(day=10, plans="check; Light")) == Tonight("Strong", 2, 2)
    late, early = make_entry("b", day=12, plans="light"), make_entry("a", day=11, plans="strong")
    assert find(late, early) == Tonight("Strong", 2, 2)  # the strong one was not its turn
    done = (make_entry("b", day=12, plans="strong"), make_entry("a", day=11, plans="light"))
    assert find(*done) == Tonight("", 2, 2, is_over=True)
    assert find(make_entry(day=13, plans="light"), *done) == Tonight("", 2, 2, is_over=True)
    assert find(today="2026-11-29") == Tonight("", 0, 2, is_over=True)
    slowed = find(make_entry(day=11, plans="light", hard=True), age_days=1.0)
    assert slowed == Tonight("", 2, 2, ("hard work on consecutive days",))  # a plan nobody knows counts as hard
    assert find_tonight(
        Programme(("strong",), "2026-11-10", ""), [make_entry(hard=True)], plans, age_days=1.0, today="2027-01-01"
    ) == Tonight("", 1, 1, ("hard work on consecutive days",))
    assert find_tonight(
        Programme(("gone",), "2026-11-10", ""), [make_entry(hard=True)], plans, age_days=1.0, today="2027-01-01"
    ).reasons == ("hard work on consecutive days",)


def test_hard_begins_at_60_percent() -> None:
    assert [is_hard(make_plan("a", low)) for low in (59, 60)] == [False, True]


def test_how_many_evenings_a_programme_may_have() -> None:
    def parse(text: str) -> Programme:
        return parse_programme(f'begun = "2026-11-01"\n{text}', "A01.toml", ["light"])

    def evening(repeat: int) -> str:
        return f'[[evening]]\nplan = "light"\nrepeat = {repeat}\n'

    assert len(parse(evening(MOST_EVENINGS)).plans) == MOST_EVENINGS == 200
    assert parse(evening(1) + '[[evening]]\nplan = "light"\n').plans == ("light", "light")
    for text, told in (
        (evening(201), "line 4: repeat 201; say how many evenings, from 1"),
        (evening(0), "line 4: repeat 0"),
        (evening(150) + evening(51), "201 evenings; plan at most 200"),
        ('[[evening]]\nplan = "light"\nrepeat = true\n', "repeat True"),
        ("evening = [1]\n", "an evening is a table; write"),
        ("evening = []\n", "no evening; add"),
        ('until = "2026-10-31"\n' + evening(1), "until 2026-10-31 is before 2026-11-01; give a later date"),
    ):
        with pytest.raises(PlanError, match=told):
            parse(text)
    assert parse('until = "2026-11-01"\n' + evening(1)).until == "2026-11-01"


def test_what_the_card_says_of_tonight_comes_first_first() -> None:
    assert Tonight("light", 2, 5).describe() == ["evening 2 of 5 of the programme: light"]
    assert Tonight("", 5, 5, is_over=True).describe() == ["the programme is over: make the next one"]
    assert Tonight("", 2, 5, ("a", "b")).describe() == [
        "slower tonight: a",
        "slower tonight: b",
        "evening 2 of 5 of the programme waits; rest, or a light plan",
    ]


def lend(age_days: float | None) -> Lent:
    lent = find_lent([make_entry(maxima=(make_kept(),))], SETUP, now_utc=NOW)
    assert lent is not None
    return Lent(lent.name, lent.carried, age_days, ())


def test_a_maximum_is_due_when_there_is_none_or_it_is_old() -> None:
    assert list(list_due(None, Evening())) == [NO_MAXIMUM]
    assert list(list_due(lend(OLD_DAYS), Evening())) == []
    old = [f"a new maximum: this one is more than {OLD_DAYS:.0f} days old"]
    assert list(list_due(lend(OLD_DAYS + 0.1), Evening())) == list(list_due(lend(None), Evening())) == old
    pain, numb, well = (
        Aftermath(when="next", new_pain=True),
        Aftermath(when="next", numbness=True),
        Aftermath(when="next", new_pain=False, numbness=False, soreness=9.0),
    )
    ask = ["ask first: the last evening ended with new pain or numbness"]
    for told, due in (((pain,), ask), ((well, numb), ask), ((pain, well), []), ((), [])):
        assert list(list_due(lend(1.0), Evening(aftermath=told))) == due


@pytest.mark.parametrize(
    ("low", "hard", "age_days", "is_due"),
    [(40.0, True, 1.0, True), (60.0, True, 1.0, False), (60.0, True, 2.0, True), (60.0, False, 1.0, True)],
)
def test_the_effort_worth_trying_waits_like_a_plan(low: float, hard: bool, age_days: float, is_due: bool) -> None:
    own = [make_entry(next_band=Band(low, 80.0), hard=hard)]
    due = [f"effort worth trying: {low:.0f}–80 %, from the last answer"]
    assert list(list_due_of_answer(lend(1.0), own, age_days)) == (due if is_due else [])
    assert list(list_due_of_answer(None, own, age_days)) == []
    assert list(list_due_of_answer(lend(1.0), [make_entry()], age_days)) == []


@pytest.mark.parametrize(
    ("drawn", "hard", "age_days", "waits"),
    [
        ("hard contraction", True, 0.0, True),
        ("hard contraction", True, 1.49, True),
        ("hard contraction", True, 1.5, False),
        ("hard contraction", True, -0.1, False),
        ("hard contraction", True, None, False),
        ("hard contraction", False, 1.0, False),
        ("light contraction", True, 1.0, False),
    ],
)
def test_a_trials_hard_evening_waits_a_day(drawn: str, hard: bool, age_days: float | None, waits: bool) -> None:
    tonight = {"evening": 2, "n_evenings": 8, "drawn": drawn, "how": "so"}
    told = [f"evening 2 of 8 of the trial: {drawn}, so"]
    told += ["hard work on consecutive days: wait a day, the draw waits too"] if waits else []
    assert list(list_due_of_trial(tonight, Evening(hard=hard), age_days)) == told
    assert list(list_due_of_trial(None, Evening(hard=True), 1.0)) == []


@pytest.mark.parametrize(
    ("age_days", "words"),
    [
        (None, "without a date"),
        (-0.05, "dated later than now: check the computer's clock"),
        (-1 / 24, "earlier today"),
        (0.49, "earlier today"),
        (0.5, "1 day old"),
        (1.4, "1 day old"),
        (1.6, "2 days old"),
        (30.4, "30 days old"),
    ],
)
def test_an_age_in_words(age_days: float | None, words: str) -> None:
    assert describe_age(age_days) == words


def test_days_between_two_moments_however_they_are_written() -> None:
    assert find_age_days("2026-11-27T18:00:00+00:00", NOW) == 1.0
    assert find_age_days("2026-11-28T18:00:00", NOW) == 0.0  # without a zone: UTC
    assert find_age_days("2026-11-28T19:00:00+01:00", "2026-11-28T18:00:00") == 0.0
    assert find_age_days("", NOW) is find_age_days(NOW, "soon") is None


def test_the_newest_force_maximum_of_this_stretch_and_side_is_lent() -> None:
    other = (make_kept(exercise="bridge"), make_kept(side="right"))
    own = make_entry("own.hold", maxima=(*other, make_kept(300.0, doubt="swinging", position="bench")))
    learning = make_entry("learning.hold", maxima=(make_kept(900.0),), learning=True)
    older = make_entry("older.hold", maxima=(make_kept(200.0),))
    lent = find_lent([learning, own, older], SETUP, now_utc=NOW)
    assert lent is not None
    assert (lent.name, lent.carried.maximum.strength, lent.age_days) == ("own.hold", 300.0, 8.0)
    assert lent.text == "300 N, 8 days old"
    assert lent.doubts[-1] == "swinging"
    assert len(lent.doubts) > 1  # another position is one, too
    assert all(lent.doubts)
    assert find_lent([make_entry(maxima=other)], SETUP, now_utc=NOW) is None
    empty = [make_entry() for _ in range(LOOK_BACK)]
    assert find_lent([*empty[1:], older], SETUP, now_utc=NOW) is not None
    assert find_lent([*empty, older], SETUP, now_utc=NOW) is None


@pytest.mark.parametrize(
    ("changed", "is_same"),
    [({}, True), ({"exercise": "HURDLE  seat"}, True), ({"side": "right"}, False), ({"position": "bench"}, False)],
)
def test_the_same_stretch_however_it_is_written(changed: dict[str, str], is_same: bool) -> None:
    entry = Entry("a", "1", **{"exercise": "Hurdle seat", "side": "left", "position": "floor", **changed})
    assert SETUP.is_same(entry) is is_same
    assert Setup.of(entry).is_same(entry)


@pytest.mark.parametrize(
    ("age_days", "words"),
    [
        (None, "without a date"),
        (-1 / 24 - 0.001, "2026-11-20, later than now: check the computer's clock"),
        (-1 / 24 + 0.001, "today"),
        (0.49, "today"),
        (0.5, "yesterday, 2026-11-20"),
        (1.4, "yesterday, 2026-11-20"),
        (1.6, "2 days ago, 2026-11-20"),
    ],
)
def test_when_an_athlete_was_here(age_days: float | None, words: str) -> None:
    assert _describe_last("2026-11-20T18:00:00+00:00", age_days) == words
