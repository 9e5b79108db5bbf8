"""What the rules of sets say of given numbers: rests, waste, lighter bands, pain, and what refuses hard sets."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.account.account import Account
from biofeedback.account.records import FOREVER, MaximumOnRecord, PhaseOnRecord, RatingOnRecord, StopOnRecord
from biofeedback.account.values import Maximum
from biofeedback.calibration.recovery import HeldSet, Readiness, find_readiness
from biofeedback.model import Band, Channel
from biofeedback.session.adapting import Choice, HeldPhase, Range, choose_nothing, find_range, place_band
from biofeedback.session.plan import Plan, parse_plan
from biofeedback.session.training import (
    SetDone,
    asks_for_sets,
    describe_early,
    describe_pain,
    describe_waste,
    expect_set,
    find_begun_wasted,
    find_last_set,
    find_lighter,
    find_next_set,
    find_pain,
    find_refusal,
    is_rest_by_model,
    is_wasted_for_good,
    list_sets,
    plan_rest,
    say_insisted,
)

SETS = """
name = "sets"
[[block]]
repeat = 2
[[block.phase]]
kind = "passive"
duration_s = 7
[[block.phase]]
kind = "contract"
duration_s = 30
band = [80, 100]
until = "band lost"
[[block.phase]]
kind = "rest"
duration_s = 200
until = "recovered"
"""


def make_plan(text: str = SETS) -> Plan:
    return parse_plan(text, "sets.toml")


def ready(rest_s: float = 90.0, wait_s: float = 45.4, **more: Any) -> Readiness:
    return Readiness(40.0, 12.4, 29.6, rest_s, wait_s, 0, "the model", **more)


@pytest.mark.parametrize(
    ("rest_s", "planned_s"), [(0.0, 30.0), (29.4, 30.0), (90.4, 90.0), (199.6, 200.0), (900.0, 200.0)]
)
def test_a_rest_until_recovered_is_half_a_minute_at_least_and_the_plans_longest_at_most(
    rest_s: float, planned_s: float
) -> None:
    phase = make_plan().phases[2]
    assert plan_rest(phase, ready(rest_s)) == (
        planned_s,
        f"{planned_s:.0f} s of rest: 95 % is ready again after {rest_s:.0f} s, the model",
    )


def test_what_holds_a_set_back_is_said() -> None:
    assert describe_waste(ready()) == "not yet: a set now would last about 12 s of 30 s (the model); 45 s more of rest"
    assert say_insisted(ready()) == f"begun all the same; {describe_waste(ready())}"
    assert describe_early(None, 100.0, "") is None
    assert describe_early(ready(), 100.01, "it hurt") == {
        "what": "a set now would last about 12 s of 30 s (the model)",
        "over_s": 145.4,
        "why_not": "it hurt",
    }
    assert [is_wasted_for_good(ready(wait_s=wait_s)) for wait_s in (599.9, 600.0, 600.1)] == [False, False, True]


def test_where_the_sets_of_a_plan_are() -> None:
    plan = make_plan()
    assert [find_next_set(plan, index) for index in range(-1, 6)] == [1, 1, 4, 4, 4, None, None]
    assert [find_last_set(plan, index) for index in range(6)] == [None, None, 1, 1, 1, 4]
    assert [is_rest_by_model(phase) for phase in plan.phases] == [False, False, True] * 2
    assert asks_for_sets(plan)
    assert not asks_for_sets(make_plan(SETS.replace('until = "band lost"', "")))


def done(low: float, best: float | None, number: int = 1) -> SetDone:
    return SetDone(number, low, best, True, 20.0)


@pytest.mark.parametrize(
    ("band", "rating", "sets", "low", "reason"),
    [
        (Band(80, 100), 6.5, [done(80, 100)], None, ""),
        (Band(80, 100), 7.0, [done(80, 100)], 60.0, "discomfort 7 was near the agreed limit of 8"),
        (Band(30, 50), 9.0, [done(80, 100)], 20.0, "discomfort 9 was near the agreed limit of 8"),  # never below light
        (Band(20, 30), 9.0, [done(80, 100)], None, ""),
        (Band(10, 20), 9.0, [done(80, 100)], None, ""),
        (Band(80, 100), None, [done(80, 100), done(80, 85)], None, ""),  # 85 % of the first is as a maximum repeats
        (Band(80, 100), None, [done(80, 100), done(80, 84)], 60.0, "the best push fell from 100 to 84 %"),
        (Band(80, 100), 7.5, [done(80, 100), done(80, 84)], 60.0, "discomfort 7.5 was near the agreed limit of 8"),
        (Band(80, 100), None, [done(80, 100), done(60, 70)], None, ""),  # a lighter band asks for no best push
        (Band(80, 100), None, [done(80, 100), done(60, 70), done(80, 84)], 60.0, "the best push fell from 100 to 84 %"),
        (Band(80, 100), None, [done(80, None), done(80, 84)], None, ""),
        (Band(80, 100), None, [done(80, 84)], None, ""),
    ],
)
def test_the_next_set_is_lighter_by_twenty_after_pain_or_a_fallen_push(
    band: Band, rating: float | None, sets: list[SetDone], low: float | None, reason: str
) -> None:
    found = find_lighter(band, rating=rating, limit=8.0, done=sets)
    width = band.high_percent - band.low_percent
    assert found == (None if low is None else (Band(low, low + width), f"lighter: {reason}"))


def rated(number: int, value: float | None) -> RatingOnRecord:
    return RatingOnRecord(number=1, frame=0, value=value, phase_index=0, phase_number=number, ask_id=None, by="athlete")


def test_pain_is_that_of_the_last_set_by_its_last_rating() -> None:
    account = Account((Channel(name="force", kind="force", unit="N"),), {})
    assert find_pain(account, {}, 8.0) == ""
    sets = {2: done(80, 100, 2), 5: done(80, 100, 5)}
    assert find_pain(account, sets, 8.0) == ""
    account.ratings = [rated(2, 9.0)]
    assert find_pain(account, sets, 8.0) == ""
    account.ratings = [rated(5, 9.0), rated(2, 1.0)]
    assert find_pain(account, sets, 8.0) == "discomfort 9 was near the agreed limit of 8"
    account.ratings = [rated(5, 9.0), rated(5, 2.0)]
    assert find_pain(account, sets, 8.0) == ""
    assert describe_pain(None, 8.0) == ""


def maximum(strength: float, channel: str = "force", void: str = "") -> MaximumOnRecord:
    found = Maximum(channel=channel, strength=strength, baseline=0.0, unit="N")
    return MaximumOnRecord(found, 0, void=void, until_frame=FOREVER)


@pytest.mark.parametrize(
    ("stops", "maxima", "said"),
    [
        ([], [maximum(400.0)], ""),
        ([StopOnRecord(0, "Stop was pressed", "coach", why="enough")], [], ""),
        ([StopOnRecord(0, "Stop was pressed", "coach", why="sensor")], [], ""),
        *(
            ([StopOnRecord(0, "Stop was pressed", "coach", why=why)], [], f"a set was stopped today ({why})")
            for why in ("too much", "sharp", "cramp", "dizzy")
        ),
        ([StopOnRecord(0, "x", "coach", is_pause=True, why="cramp")], [], ""),
        (
            [StopOnRecord(0, "discomfort 8 has reached the agreed limit of 8", "a")],
            [],
            "a set was stopped today: discomfort 8 has reached the agreed limit of 8",
        ),
        ([], [maximum(400.0), maximum(340.0)], ""),
        ([], [maximum(400.0), maximum(339.0)], "the maximum fell today to 85 % of what it was"),
        ([], [maximum(300.0), maximum(400.0), maximum(300.0)], "the maximum fell today to 75 % of what it was"),
        ([], [maximum(400.0), maximum(200.0), maximum(390.0)], ""),
        ([], [maximum(400.0, void="another sensor"), maximum(200.0)], ""),
        ([], [maximum(400.0, "emg"), maximum(200.0)], ""),
    ],
)
def test_after_pain_or_a_fallen_maximum_no_hard_set_is_offered_that_day(
    stops: list[StopOnRecord], maxima: list[MaximumOnRecord], said: str
) -> None:
    account = Account((Channel(name="force", kind="force", unit="N"),), {})
    account.stops, account.maximum_history = stops, maxima
    assert find_refusal(account, "force") == said


def phase(number: int, first: int, end: int | None, band: Band | None, kind: str = "contract") -> PhaseOnRecord:
    return PhaseOnRecord(
        number=number,
        index=0,
        kind=kind,
        title="",
        first_frame=first,
        end_frame=end,
        band=band,
        ask=False,
        plan_number=1,
    )


def test_what_the_model_is_told_of_is_every_contraction_in_a_band_that_is_over() -> None:
    phases = [
        phase(1, 0, 500, None, "passive"),
        phase(2, 500, 1500, Band(80, 100)),
        phase(3, 1500, 2000, None),  # by feel
        phase(4, 2000, 3000, Band(60, 80)),
        phase(5, 3000, None, Band(20, 30)),
    ]
    efforts: dict[int, float | None] = {2: 91.0, 4: None}
    found = list_sets(phases, rate_hz=100.0, until_frame=4000, efforts=efforts, done={2: done(80, 95, 2)})
    first = HeldSet(start_s=5.0, end_s=15.0, effort_percent=91.0, asked_percent=90.0, low_percent=80.0, lost_s=20.0)
    second = HeldSet(start_s=20.0, end_s=30.0, effort_percent=70.0, asked_percent=70.0, low_percent=60.0)
    assert found == [first, second]
    found = list_sets(phases, rate_hz=100.0, until_frame=4000, efforts={**efforts, 5: 24.0}, done={})
    assert found[2] == HeldSet(start_s=30.0, end_s=40.0, effort_percent=24.0, asked_percent=25.0, low_percent=20.0)


def test_a_plan_is_early_by_what_is_expected_of_its_first_set_when_that_begins() -> None:
    held = [HeldSet(start_s=0.0, end_s=60.0, effort_percent=90.0, asked_percent=90.0, low_percent=80.0)]
    expected = find_readiness(held, at_s=67.0, asked_percent=90.0, low_percent=80.0, joint_name="knee")
    assert expect_set(held, Band(80, 100), 67.0, "knee") == expected
    assert expected.is_wasted
    assert find_begun_wasted(make_plan(), held, 60.0, "knee") == expected  # 7 s relaxed come first
    assert find_begun_wasted(make_plan(), held, 6000.0, "knee") is None
    assert find_begun_wasted(make_plan(), [], 60.0, "knee") is None
    assert find_begun_wasted(make_plan(SETS.replace('until = "band lost"', "")), held, 60.0, "knee") is None


def held(effort: float | None, rating: float | None = None, kind: str = "contract") -> HeldPhase:
    return HeldPhase(kind, 0, effort, rating)


NEAR = "no harder than the last one: discomfort is near the agreed limit"
LIGHT = "light only: the agreed limit was reached"
STEP = "at most 25 % above what was held so far"


@pytest.mark.parametrize(
    ("phases", "high", "caution"),
    [
        ([], 25.0, STEP),
        ([held(None)], 25.0, STEP),
        ([held(90.0, kind="passive")], 25.0, STEP),
        ([held(30.4)], 55.0, STEP),
        ([held(30.6)], 56.0, STEP),
        ([held(60.0), held(20.0)], 85.0, ""),
        ([held(59.0), held(20.0)], 84.0, STEP),
        ([held(50.0, 6.5)], 75.0, STEP),
        ([held(50.0, 7.0)], 50.0, NEAR),
        ([held(50.0, 7.0), held(40.0)], 40.0, NEAR),
        ([held(50.0, 7.5), held(40.0, 3.0)], 75.0, STEP),
        ([held(50.0), held(None, 7.0, "passive")], 50.0, NEAR),
        ([held(None, 7.5, "passive")], 25.0, STEP),
        ([held(50.0, 8.0), held(40.0, 3.0)], 25.0, LIGHT),  # its upper edge where light ends
        ([held(18.0, 8.0)], 18.0, NEAR),
        ([held(5.0, 8.0)], 15.0, NEAR),  # never below what the plan allows
    ],
)
def test_how_high_a_band_may_go_after_what_was_held_and_rated(
    phases: list[HeldPhase], high: float, caution: str
) -> None:
    """A band ten wide in a plan that allows 10 to 90 %: its middle from 15 to 85 %."""
    found = find_range(Band(40, 50), Band(10, 90), phases, agreed_limit=8.0)
    assert found == Range(15.0, high, 85.0, caution)


@pytest.mark.parametrize(("middle", "low"), [(50.0, 45.0), (15.0, 10.0), (14.0, 10.0), (85.0, 80.0), (99.0, 80.0)])
def test_a_band_stays_as_wide_and_within_what_is_allowed(middle: float, low: float) -> None:
    assert place_band(middle, Band(40, 50), Band(10, 90)) == Band(low, low + 10.0)


def test_who_has_no_opinion_chooses_nothing() -> None:
    assert choose_nothing([], low_percent=10.0, high_percent=90.0, top_percent=90.0) is None
    assert Choice(30.0, "r").basis == {}
