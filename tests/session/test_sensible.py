"""Numbers that no person gives, attempts without a push, ratings while settling, and a rating taken back."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.calibration.sense import check_sense
from biofeedback.errors import SessionError
from biofeedback.model import Channel
from biofeedback.session.engine import Engine
from biofeedback.session.setup import Setup
from biofeedback.session.view import describe_session

from .conftest import Bench, make_plan


@pytest.mark.parametrize(
    ("kind", "unit", "low", "high"),
    [
        ("force", "N", 20.0, 3000.0),
        ("force", "N·m", 2.0, 700.0),
        ("force", "kg", 2.04, 305.9),
        ("emg", "mV", 0.01, 10.0),
        ("emg", "uV", 10.0, 10000.0),
    ],
)
def test_what_a_person_can_give_is_not_asked_about_and_what_none_gives_is(
    kind: Any, unit: str, low: float, high: float
) -> None:
    channel = Channel(name="s", kind=kind, unit=unit)
    for value in (low * 1.01, (low * high) ** 0.5, high * 0.99):
        assert check_sense(channel, value, seen="it gave") is None
    for value in (low * 0.98, high * 1.01):
        sense = check_sense(channel, value, seen="it gave")
        assert sense
        assert "e+" not in sense.what
        assert "check" in sense.cure
    assert check_sense(channel, low * 0.01, seen="at rest", is_push=False) is None


def test_a_unit_without_a_range_is_not_asked_about() -> None:
    assert check_sense(Channel(name="s", kind="force", unit="count"), 1e6, seen="it gave") is None
    assert check_sense(Channel(name="s", kind="position", unit="deg"), 1e6, seen="it gave") is None


@pytest.mark.parametrize(("value", "guess"), [(85552.0, "grams"), (12.0, "kilograms")])
def test_the_likely_mistake_is_named(value: float, guess: str) -> None:
    """85 552 g pull with 839 N, 12 kg with 118 N: both a person's."""
    sense = check_sense(Channel(name="s", kind="force", unit="N"), value, seen="it gave")
    assert sense
    assert f"looks like {guess}:" in sense.cure


def test_numbers_that_no_person_gives_are_asked_about_before_the_first_attempt(bench: Bench) -> None:
    bench.zero(rest=84000.0)
    told = describe_session(bench.engine)["maximum"]["sense"]
    assert "it reads 84000 N" in told["what"]
    with pytest.raises(SessionError, match="a person's joint gives 20 to 3000 N"):
        bench.do(do="attempt")
    assert "attempt_begun" not in bench.kinds()
    bench.do(do="trust_numbers")
    assert bench.last("trust").data["what"].startswith("force")
    assert bench.engine.account.notes[-1][1].text.startswith("said to be right all the same: force")  # in the report
    assert describe_session(bench.engine)["maximum"]["sense"] is None
    bench.do(do="attempt")
    with pytest.raises(SessionError, match="no number is in doubt"):
        bench.do(do="trust_numbers")


@pytest.mark.parametrize(("value", "is_possible"), [(480.0, True), (2999.0, True), (3001.0, False), (19.0, False)])
def test_a_revised_maximum_is_asked_about_like_a_first_one(bench: Bench, value: float, is_possible: bool) -> None:
    bench.ready()
    if not is_possible:
        with pytest.raises(SessionError, match=f"a revised maximum of {value:.0f} N; a person's joint"):
            bench.do(do="revise_maximum", channel="force", value=value)
        assert bench.engine.maxima["force"].method == "attempts"
        bench.do(do="revise_maximum", channel="force", value=value, anyway=True)
        assert bench.last("trust").data["what"].startswith("force: a revised maximum")
    else:
        bench.do(do="revise_maximum", channel="force", value=value)
    assert (bench.engine.maxima["force"].method, bench.engine.maxima["force"].strength) == ("revised", value)


def test_an_impossible_maximum_is_not_taken_before_somebody_says_so(bench: Bench) -> None:
    bench.zero()
    bench.attempt(8000.0)
    assert bench.engine.account.search[-1].channels["force"].accepted
    with pytest.raises(SessionError, match="an attempt gave 8001 N"):
        bench.do(do="attempt")
    with pytest.raises(SessionError, match="an attempt gave"):
        bench.do(do="accept_maximum")
    bench.do(do="trust_numbers")
    for _ in range(2):
        bench.attempt(8000.0)
    assert bench.engine.stage == "ready"


def test_a_maximum_that_only_waited_for_its_numbers_to_be_trusted_is_taken_with_that(bench: Bench) -> None:
    bench.zero()
    for height in (2950.0, 2980.0):
        bench.attempt(height)
    bench.attempt(3020.0)
    assert bench.engine.search.verdict().state == "accepted"
    assert bench.engine.stage == "maximum"
    bench.do(do="trust_numbers")
    assert bench.engine.stage == "ready"
    told = bench.last("maximum").data
    assert (told["strength"], told["by"], told["settled"]) == (pytest.approx(3020.0, rel=0.001), "rule", True)


def test_trusting_numbers_takes_no_maximum_before_the_attempts_agree(bench: Bench) -> None:
    bench.zero()
    bench.attempt(3020.0)
    bench.do(do="trust_numbers")
    assert "maximum" not in bench.kinds()


@pytest.mark.parametrize(
    ("unit", "value", "typed_unit", "arm_m"),
    [
        ("N", 19.0, "N", None),
        ("N", 3010.0, "N", None),
        ("N", 85552.0, "N", None),
        ("N", 400.0, "kg", None),
        ("N", 1.9, "kg", None),
        ("N·m", 1.9, "N·m", None),
        ("N·m", 710.0, "N·m", None),
        ("N·m", 900.0, "N", 0.9),
    ],
)
def test_a_typed_maximum_that_no_person_gives_is_asked_about_before_it_counts(
    unit: str, value: float, typed_unit: str, arm_m: float | None
) -> None:
    bench = Bench()
    bench.engine = Engine([Channel(name="force", kind="force", unit=unit)], 100.0, Setup(), [make_plan()])
    bench.zero()
    typed = {"do": "typed_maximum", "value": value, "unit": typed_unit, "lever_arm_m": arm_m}
    with pytest.raises(SessionError, match="a person's joint gives") as refused:
        bench.do(**typed)
    assert "display" in refused.value.cure
    assert bench.engine.stage == "maximum"
    assert "maximum" not in bench.kinds()
    bench.do(**typed, anyway=True)
    assert bench.engine.stage == "ready"
    assert "a typed maximum of" in bench.last("trust").data["what"]  # on record, and in the report


@pytest.mark.parametrize(
    ("unit", "value", "typed_unit", "arm_m"),
    [
        ("N", 21, "N", None),
        ("N", 2990, "N", None),
        ("N", 35, "kg", None),
        ("N·m", 2.1, "N·m", None),
        ("N·m", 690, "N·m", None),
        ("N·m", 400, "N", 0.4),
    ],
)
def test_a_typed_maximum_that_a_person_gives_is_taken_at_once(
    unit: str, value: float, typed_unit: str, arm_m: float | None
) -> None:
    bench = Bench()
    bench.engine = Engine([Channel(name="force", kind="force", unit=unit)], 100.0, Setup(), [make_plan()])
    bench.zero()
    bench.do(do="typed_maximum", value=value, unit=typed_unit, lever_arm_m=arm_m)
    assert bench.engine.stage == "ready"
    assert "trust" not in bench.kinds()


@pytest.mark.parametrize(("unit", "low", "high"), [("mV", 0.01, 10.0), ("uV", 10.0, 10000.0)])
def test_an_emg_maximum_is_asked_about_by_its_attempt(unit: str, low: float, high: float) -> None:
    """A display shows no EMG: its maximum cannot be typed, and the range holds where it is measured."""
    channel = Channel(name="emg", kind="emg", unit=unit)
    assert check_sense(channel, low * 0.9, seen="an attempt gave")
    assert check_sense(channel, high * 1.1, seen="an attempt gave")
    assert check_sense(channel, low * 1.1, seen="an attempt gave") is None


def test_an_attempt_without_a_push_costs_no_rest_and_says_so_plainly(bench: Bench) -> None:
    bench.zero()
    bench.do(do="attempt")
    bench.wait(7.05, 10.0)
    assert bench.engine.activity is None
    attempt = bench.engine.account.search[-1].channels["force"]
    assert not attempt.accepted
    assert "never rose" in attempt.reason
    bench.do(do="attempt")  # at once
    bench.wait(3.0, 10.0)
    bench.wait(4.05, lambda t: 10.0 + 400.0 * min(1.0, t / 0.3))
    assert bench.engine.activity, "a real push is rested from"


def test_the_rest_after_an_attempt_offers_the_next(bench: Bench) -> None:
    bench.zero()
    bench.attempt(400.0)
    bench.do(do="attempt")
    assert describe_session(bench.engine)["maximum"]["number"] == 2
    bench.wait(3.0, 10.0)
    bench.wait(4.05, lambda t: 10.0 + 400.0 * min(1.0, t / 0.3))
    told = describe_session(bench.engine)["maximum"]
    assert (told["step"], told["number"]) == ("rest", 3)


def test_a_rating_while_settling_is_on_record_and_belongs_to_no_phase(bench: Bench) -> None:
    bench.ready()
    bench.do(do="rate", value=5)
    rating = bench.engine.account.ratings[-1]
    assert (rating.value, rating.phase_index, rating.phase_number) == (5.0, None, None)
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    assert bench.engine.hold
    assert describe_session(bench.engine)["ratings"][0]["phase_kind"] == ""


def test_a_rating_taken_back_counts_no_more_stays_on_record_and_can_be_given_again(bench: Bench) -> None:
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(2.5, 10.0)
    ask = bench.engine.hold.ask.id  # type: ignore[union-attr]
    bench.do(do="rate", value=6, ask=ask)
    bench.do(do="take_back", rating=1)
    (rating,) = bench.engine.account.ratings
    assert (rating.value, rating.originals) == (None, (6.0,))
    with pytest.raises(SessionError, match="does not count any more"):
        bench.do(do="take_back", rating=1)  # two hands at once
    bench.do(do="rate", value=4, ask=ask)
    (rating,) = bench.engine.account.ratings
    assert (rating.value, rating.originals) == (4.0, (6.0, None))


def test_only_the_last_rating_is_taken_back(bench: Bench) -> None:
    bench.ready()
    with pytest.raises(SessionError, match="only the last"):
        bench.do(do="take_back", rating=1)
    for value in (5, 6):
        bench.do(do="rate", value=value)
    with pytest.raises(SessionError, match="only the last"):
        bench.do(do="take_back", rating=1)
    bench.do(do="take_back", rating=2)
    assert [rating.value for rating in bench.engine.account.ratings] == [5.0, None]


@pytest.mark.parametrize(("clipped_s", "is_reason"), [(0.02, False), (0.15, False), (0.3, True)])
def test_a_clipped_spike_is_told_and_no_reason_to_let_go(clipped_s: float, is_reason: bool) -> None:
    channel = Channel(name="force", kind="force", unit="N", rail_high_counts=2000.0)
    bench = Bench()
    bench.engine = Engine([channel], 100.0, Setup(), [make_plan()])
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(3.5, 110.0)
    bench.wait(clipped_s, 2000.0)
    problem = describe_session(bench.engine)["channels"][0]["problem"]
    assert "clip" in problem["what"] or "end" in problem["what"]
    assert problem.get("doubt", False) is not is_reason
    bench.wait(0.6, 110.0)
    assert describe_session(bench.engine)["channels"][0]["problem"] is None


def test_a_stop_that_was_kept_ends_only_what_ran_when_it_was_pressed(bench: Bench) -> None:
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(2.0, 10.0)
    bench.do(do="stop", pressed_ago_s=5.0)  # pressed 3 s before this hold began
    assert bench.engine.hold
    assert "was for what ran before" in bench.last("note").data["text"]
    bench.do(do="stop", pressed_ago_s=1.5)
    assert bench.engine.hold is None
    assert bench.last("stop").data["pressed_ago_s"] == 1.5
