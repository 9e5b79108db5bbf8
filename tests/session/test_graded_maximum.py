"""Before a maximum: who does not test one, practice pushes, which way the number goes. After it: how it felt."""

import pytest

from biofeedback.account.fold import fold
from biofeedback.cautions import NO_MAXIMUM
from biofeedback.errors import PlanError, SessionError
from biofeedback.session.plan import load_plan, parse_plan
from biofeedback.session.setup import GRADED

from .conftest import Bench


@pytest.fixture
def graded():
    bench = Bench(**{**GRADED, "rest_s": 2.0, "check_rest_s": 20.0})
    bench.zero()
    return bench


def practise(bench, felt, height):
    bench.do(do="practice", felt=felt)
    bench.wait(bench.engine.setup.countdown_s, 10.0)
    bench.wait(bench.engine.setup.push_s, lambda t: 10.0 + height * min(1.0, t / 3.0))
    bench.wait(0.5, 10.0)


def prepare(bench, applies=False):
    bench.do(do="screening", applies=applies)
    for felt in (25, 50, 75):
        practise(bench, felt, 4.0 * felt)


def attempt(bench, height, **felt):
    setup = bench.engine.setup
    bench.do(do="attempt")
    number = bench.engine.activity.number
    bench.wait(setup.countdown_s, 10.0)
    bench.wait(setup.push_s, lambda t: 10.0 + height * min(1.0, t / 3.0))
    if felt:
        bench.do(do="attempt_felt", number=number, **felt)
    if bench.engine.activity:
        bench.wait(7.0, 10.0)  # out of the stretch, how it felt, rest


def test_nobody_is_tested_before_the_list_was_answered(graded):
    with pytest.raises(SessionError, match="who does not test"):
        graded.do(do="practice", felt=25)
    with pytest.raises(SessionError, match="who does not test"):
        graded.do(do="attempt")


def test_yes_or_none_is_stored_and_nothing_of_what_it_was(graded):
    graded.do(do="screening", applies=True)
    event = graded.last("screening")
    assert event.data == {"applies": True, "by": "coach", "texts": list(NO_MAXIMUM)}


def test_who_answers_yes_is_refused_with_the_reason_and_the_alternative(graded):
    graded.do(do="screening", applies=True)
    with pytest.raises(SessionError, match="no maximum") as refused:
        graded.do(do="attempt")
    assert "felt effort" in refused.value.cure


def test_attempts_wait_for_three_practice_pushes(graded):
    graded.do(do="screening", applies=False)
    practise(graded, 25, 100.0)
    with pytest.raises(SessionError, match=r"practice pushes at 50 and 75 %"):
        graded.do(do="attempt")
    practise(graded, 50, 200.0)
    practise(graded, 75, 300.0)
    assert [event.data["felt_percent"] for event in graded.events if event.kind == "practice"] == [25, 50, 75]
    assert graded.last("practice").data["channels"]["force"] == pytest.approx(300.0, abs=1.0)
    graded.do(do="attempt")


def test_a_number_that_falls_at_the_first_light_push_asks_for_the_rig_and_not_for_the_sign(graded):
    graded.do(do="screening", applies=False)
    practise(graded, 25, -8.0)
    assert graded.last("practice").data["fell"] is True
    assert "fell" in graded.engine.message["text"]
    assert "rig" in graded.engine.message["cure"]
    with pytest.raises(SessionError, match="fell") as refused:
        practise(graded, 50, 100.0)
    assert "rig" in refused.value.cure
    practise(graded, 25, 100.0)
    assert graded.engine.message is None
    practise(graded, 50, 200.0)


def test_only_the_last_push_tells_of_the_rig_and_one_that_fell_is_no_practice(graded):
    graded.do(do="screening", applies=False)
    practise(graded, 25, -8.0)
    practise(graded, 25, 100.0)
    practise(graded, 50, 200.0)
    with pytest.raises(SessionError, match=r"practice pushes at 75 %"):
        graded.do(do="attempt")
    practise(graded, 75, 300.0)
    practise(graded, 25, -8.0)  # moved meanwhile
    with pytest.raises(SessionError, match="the number fell while pushing"):
        graded.do(do="attempt")
    practise(graded, 25, 100.0)
    graded.do(do="attempt")
    assert graded.engine.activity.number == 1


def test_a_practice_push_gives_its_best_half_second_and_not_a_jerk(graded):
    """100 N with a jerk of 50 N for a tenth of a second: a fifth of half a second."""
    graded.do(do="screening", applies=False)
    graded.do(do="practice", felt=25)
    graded.wait(graded.engine.setup.countdown_s, 10.0)
    graded.wait(graded.engine.setup.push_s, lambda t: 10.0 + 100.0 * min(1.0, t) + 50.0 * (3.0 <= t < 3.1))
    graded.wait(0.5, 10.0)
    assert graded.last("practice").data["channels"]["force"] == pytest.approx(110.0, abs=2.0)


@pytest.mark.parametrize(("down", "fell"), [(0.02, None), (40.0, True)])
def test_a_number_that_falls_by_less_than_its_noise_did_not_fall(graded, down, fell):
    graded.do(do="screening", applies=False)
    practise(graded, 25, -down)
    assert graded.last("practice").data.get("fell") is fell


def test_a_push_that_rises_first_and_dips_by_less_than_twice_that_did_not_fall(graded):
    graded.do(do="screening", applies=False)
    for dip, fell in ((-190.0, None), (-210.0, True)):
        graded.do(do="practice", felt=25)
        graded.wait(graded.engine.setup.countdown_s, 10.0)
        graded.wait(graded.engine.setup.push_s, lambda t, dip=dip: 10.0 + (100.0 if t < 3.0 else dip if t < 5 else 0.0))
        graded.wait(0.5, 10.0)
        assert graded.last("practice").data.get("fell") is fell


def test_an_attempt_without_a_push_needs_no_rest_but_asks_how_it_felt(graded):
    prepare(graded)
    graded.do(do="attempt")
    graded.wait(graded.engine.setup.countdown_s + graded.engine.setup.push_s, 10.0)
    graded.wait(1.2, 10.0)
    assert graded.engine.activity.step == "rest"
    assert graded.engine.cue.kind == "rate"
    graded.wait(4.7, 10.0)
    assert graded.engine.activity.step == "rest"
    graded.wait(0.3, 10.0)
    assert graded.engine.activity is None


def test_a_rest_that_is_longer_than_the_answer_is_rested(graded):
    prepare(graded)
    bench = graded
    bench.do(do="attempt")
    attempting = bench.engine.activity
    bench.wait(bench.engine.setup.countdown_s, 10.0)
    bench.wait(bench.engine.setup.push_s, lambda t: 10.0 + 400.0 * min(1.0, t / 3.0))
    end = attempting.boundary - 100  # asks a second after the push
    bench.wait(1.1, 10.0)
    assert attempting.boundary == end + 100 + 500  # five seconds to answer, longer than the two of rest here
    bench.wait(5.0, 10.0)
    assert bench.engine.activity is None


def test_a_push_is_three_seconds_of_ramp_and_three_of_hold_in_and_out_of_the_stretch(graded, published):
    setup = graded.engine.setup
    assert (setup.push_s, GRADED["rest_s"]) == (6.0, 60.0)
    assert setup.push_s >= published("end_range_contraction")["peak_after_s"] + 3
    prepare(graded)
    cues = []
    graded.engine.give_cue = lambda cue: cues.append(cue.kind)
    attempt(graded, 400.0)
    assert "release" in cues  # out of the stretch between attempts
    assert cues.index("release") < cues.index("rate")


def test_a_last_attempt_that_is_best_by_over_2_percent_asks_for_one_more_and_at_most_five(graded):
    prepare(graded)
    for height in (380.0, 390.0, 400.0):
        attempt(graded, height, discomfort=3, effort=9)
    assert graded.engine.search.verdict().state == "more"
    attempt(graded, 409.0, discomfort=3, effort=9)  # 2.25 % more
    assert graded.engine.search.verdict().n_more == 1
    attempt(graded, 420.0, discomfort=3, effort=9)
    assert graded.engine.stage == "ready"
    assert graded.engine.maxima["force"].n_attempts == 5


def test_an_attempt_that_is_best_by_2_percent_is_enough(graded):
    prepare(graded)
    for height in (380.0, 393.0, 400.0):
        attempt(graded, height, discomfort=3, effort=9)
    assert graded.engine.stage == "ready"


@pytest.mark.parametrize(
    ("felt", "words"),
    [([3, 3, 7], "discomfort 7"), ([3, 3, 5], "rose by 2"), ([6, 6, 6], ""), ([None, None, None], "")],
)
def test_a_maximum_that_discomfort_limited_says_so_live_and_afterwards(graded, felt, words):
    prepare(graded)
    for height, discomfort in zip((395.0, 398.0, 400.0), felt, strict=True):
        attempt(graded, height, discomfort=discomfort, effort=9)
    account = graded.engine.account
    assert words in account.last_maximum("force").limited
    assert bool(account.last_maximum("force").limited) == bool(words)
    again = fold(graded.events, channels=account.channels, settings=account.settings)
    assert again.last_maximum("force").limited == account.last_maximum("force").limited
    assert [(one.discomfort, one.felt_effort) for one in again.search] == [(value, 9) for value in felt]


def test_sharp_pain_ends_testing(graded):
    prepare(graded)
    attempt(graded, 300.0, discomfort=8, effort=9, sharp=True)
    with pytest.raises(SessionError, match="sharp pain") as refused:
        graded.do(do="attempt")
    assert "felt effort" in refused.value.cure
    assert "force" not in graded.engine.maxima


def test_a_plan_waits_three_minutes_after_the_last_attempt_unless_told_otherwise(graded):
    assert GRADED["check_rest_s"] == 180.0
    prepare(graded)
    for _ in range(3):
        attempt(graded, 400.0, discomfort=3, effort=9)
    with pytest.raises(SessionError, match="s of rest are left"):
        graded.do(do="start_plan", plan="short")
    graded.do(do="start_plan", plan="short", anyway=True)
    assert graded.engine.hold


def test_a_plan_may_begin_when_the_rest_is_over(graded):
    prepare(graded)
    for _ in range(3):
        attempt(graded, 400.0, discomfort=3, effort=9)
    graded.wait(20.0, 10.0)
    graded.do(do="start_plan", plan="short")


def test_a_hard_hold_is_refused_to_who_tests_no_maximum_also_with_a_typed_one(graded):
    graded.do(do="screening", applies=True)
    graded.do(do="typed_maximum", value=400, channel="force", unit="N")
    graded.engine.offer_plan(hard_plan())
    with pytest.raises(SessionError, match="80 %") as refused:
        graded.do(do="start_plan", plan="hard")
    assert "felt" in refused.value.cure


def test_the_old_way_is_still_read_and_named():
    plain, graded = Bench().engine.setup, Bench(**GRADED).engine.setup
    assert "protocol" not in plain.to_settings()
    assert graded.to_settings()["protocol"] == "graded"


def hard_plan():
    text = '[[block]]\n[[block.phase]]\nkind = "contract"\nduration_s = 10\nband = [80, 100]'
    return parse_plan(f'name = "hard"\n{text}', "hard.toml")


def test_who_tests_no_maximum_goes_by_felt_effort_without_any_percentage(graded):
    graded.do(do="screening", applies=True)
    graded.engine.offer_plan(load_plan("felt-check"))
    graded.do(do="start_plan", plan="felt-check")
    graded.wait(25.0, 10.0)
    phase = graded.engine.account.phase
    assert (phase.kind, phase.band, phase.title) == ("contract", None, "Contract gently, 2 of 10")
    assert graded.last("phase").data["felt"] == 2
    assert graded.engine.maxima == {}


@pytest.mark.parametrize("felt", [4, -1])
def test_felt_effort_over_three_is_refused(felt):
    with pytest.raises(PlanError, match="felt"):
        parse_plan(f'[[block]]\n[[block.phase]]\nkind = "contract"\nduration_s = 10\nfelt = {felt}', "own.toml")


def test_after_a_sore_morning_nothing_harder_is_offered(bench):
    bench.ready()
    bench.engine.offer_plan(hard_plan())
    bench.do(do="aftermath", when="next", soreness=2, new_pain=False)
    bench.do(do="start_plan", plan="hard")
    bench.do(do="stop")
    for answers in ({"soreness": 4}, {"new_pain": True}):
        bench.do(do="aftermath", when="next", **answers)
        with pytest.raises(SessionError, match="soreness over 3") as refused:
            bench.do(do="start_plan", plan="hard")
        assert "no further" in refused.value.cure


def test_what_is_expected_and_how_far_it_went_are_on_record(bench):
    bench.ready()
    bench.do(do="expect", expects="less")
    bench.do(do="range", when="before", at="first discomfort", value=71, unit="deg", method="phone")
    assert bench.engine.account.expects == "less"
    assert bench.engine.account.ranges[0].value == 71
    with pytest.raises(SessionError, match="expectation"):
        bench.do(do="expect", expects="miracles")
    with pytest.raises(SessionError, match="range"):
        bench.do(do="range", when="before", at="somewhere", value=71, unit="deg")
