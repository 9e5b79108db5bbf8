"""What is asked beside the ratings, and that whoever answers nothing gets the careful way."""

import pytest

from biofeedback.errors import SessionError
from biofeedback.session.plan import load_plan
from biofeedback.session.setup import GRADED
from biofeedback.session.view import describe_session

from .conftest import Bench

LAST_UTC = "2026-01-05T18:00:00+00:00"


def make_bench(*plans, **setup):
    bench = Bench(**{**GRADED, "rest_s": 2.0, "check_rest_s": 0.0, **setup})
    for name in plans or ("half-check", "light-hold", "felt-check", "hard-hold", "contract-relax"):
        bench.engine.offer_plan(load_plan(name))
    bench.zero()
    return bench


def asked(bench):
    return describe_session(bench.engine)["asked"]


def start(bench, plan="half-check"):
    bench.do(do="start_plan", plan=plan)
    bench.do(do="stop")


def typed(**setup):
    bench = make_bench(**setup)
    bench.do(do="typed_maximum", value=400)
    return bench


def test_with_a_maximum_from_elsewhere_the_list_is_asked_before_anything_over_light():
    bench = typed()
    for plan in ("half-check", "hard-hold"):
        with pytest.raises(SessionError, match="list of who does not contract hard") as refused:
            bench.do(do="start_plan", plan=plan)
        assert "felt effort" in refused.value.cure
    assert set(asked(bench)["refused"]) == {"half-check", "hard-hold"}
    start(bench, "light-hold")
    start(bench, "felt-check")
    bench.do(do="screening", applies=False)
    start(bench, "hard-hold")
    assert asked(bench)["refused"] == {}


def test_how_it_was_after_the_last_time_is_asked_and_silence_is_the_careful_way():
    bench = typed(last_utc=LAST_UTC)
    bench.do(do="screening", applies=False)
    assert asked(bench)["since"] == {"utc": LAST_UTC, "open": True, "said": "", "caution": ""}
    with pytest.raises(SessionError, match="after the last time was not told"):
        bench.do(do="start_plan", plan="half-check")
    with pytest.raises(SessionError, match="after the last time was not told"):
        bench.do(do="practice", felt=25)
    start(bench, "light-hold")
    bench.do(do="aftermath", when="next", soreness=2)  # half an answer
    assert asked(bench)["since"]["open"]
    bench.do(do="aftermath", when="next", soreness=2, new_pain=False)
    assert asked(bench)["since"] == {
        "utc": LAST_UTC,
        "open": False,
        "said": "no new pain, soreness 2 of 10",
        "caution": "",
    }
    start(bench)


def test_a_first_session_is_asked_nothing_of_a_last_one():
    bench = typed()
    bench.do(do="screening", applies=False)
    assert not asked(bench)["since"]["open"]
    start(bench)


@pytest.mark.parametrize("answers", [{"soreness": 4, "new_pain": False}, {"soreness": 0, "new_pain": True}])
def test_after_a_sore_morning_neither_a_maximum_nor_anything_over_light_is_offered(answers):
    bench = typed(last_utc=LAST_UTC)
    bench.do(do="screening", applies=False)
    bench.do(do="aftermath", when="next", **answers)
    for message in ({"do": "practice", "felt": 25}, {"do": "attempt"}, {"do": "start_plan", "plan": "half-check"}):
        with pytest.raises(SessionError, match="soreness over 3") as refused:
            bench.do(**message)
        assert "no further than last time" in refused.value.cure
    assert "Nothing harder" in asked(bench)["since"]["caution"]
    start(bench, "light-hold")
    bench.do(do="aftermath", when="end", new_pain=False, numbness=False, walks_normally=True)
    with pytest.raises(SessionError, match="soreness over 3"):  # what was told of the end does not wipe it out
        bench.do(do="start_plan", plan="half-check")


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"numbness": True}, "numbness or tingling"),
        ({"new_pain": True}, "new pain"),
        ({"walks_normally": False}, "limp"),
    ],
)
def test_an_end_with_numbness_new_pain_or_a_limp_ends_the_evening(answers, words):
    bench = typed()
    bench.do(do="screening", applies=False)
    start(bench, "light-hold")
    bench.do(do="aftermath", when="end", **answers)
    for message in (
        {"do": "resume"},
        {"do": "start_plan", "plan": "felt-check"},
        {"do": "practice", "felt": 25},
        {"do": "attempt"},
    ):
        with pytest.raises(SessionError, match=words) as refused:
            bench.do(**message)
        assert "licensed" in refused.value.cure
    assert "End here" in asked(bench)["end"]["caution"]
    bench.do(do="aftermath", when="end", numbness=False, new_pain=False, walks_normally=True)  # it has passed
    start(bench, "felt-check")


def test_contract_relax_asks_for_the_range_before_and_after():
    bench = typed()
    told = asked(bench)["range"]
    assert (told["plans"], told["wanted"], told["readings"]) == (["contract-relax"], False, [])
    assert told["places"] == ["first discomfort", "agreed discomfort"]
    bench.do(do="range", when="before", at="agreed discomfort", value=62, unit="deg")
    start(bench, "contract-relax")
    told = asked(bench)["range"]
    assert told["wanted"]
    assert [one["value"] for one in told["readings"]] == [62]
    assert bench.last("plan").data["read_range"] is True


def test_what_is_expected_is_asked_with_three_answers():
    bench = typed()
    assert set(asked(bench)["expect"]["answers"]) == {"less", "same", "more"}
    assert asked(bench)["expect"]["said"] == ""
    bench.do(do="expect", expects="same")
    assert asked(bench)["expect"]["said"] == "same"


def test_a_push_in_which_the_number_fell_asks_for_the_rig_until_one_rises():
    bench = make_bench()
    bench.do(do="screening", applies=False)

    def push(height):
        bench.do(do="practice", felt=25)
        bench.wait(bench.engine.setup.countdown_s, 10.0)
        bench.wait(bench.engine.setup.push_s, lambda t: 10.0 + height * min(1.0, t / 3.0))
        bench.wait(0.5, 10.0)
        return describe_session(bench.engine)["maximum"]["care"]["fell"]

    fell = push(-8.0)
    assert "fell" in fell["what"]
    assert "rig" in fell["cure"]
    assert "sign" not in fell["cure"]
    assert push(100.0) is None
