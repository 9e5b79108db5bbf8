import itertools

from biofeedback.commands.drawing import draw_plan
from biofeedback.session.plan import load_plan


def test_a_fixed_plan_stays_as_it_is():
    plan = load_plan("response-check")
    assert draw_plan(plan) is plan


def test_each_start_draws_afresh_and_says_from_what():
    seeds = itertools.count(1)
    plan = load_plan("drawn-check")
    drawn = [draw_plan(plan, make_seed=lambda: next(seeds)) for _ in range(20)]
    orders = {tuple(phase.kind for phase in one.phases) for one in drawn}
    assert len(orders) > 5
    for one in drawn:
        kinds = [phase.kind for phase in one.phases]
        assert kinds[0] == kinds[-1] == "passive"
        assert kinds.count("contract") == 5
        assert list(one.drawn["order"]["order"]) == kinds
    assert [one.drawn["order"]["seed"] for one in drawn] == list(range(1, 21))


def test_every_band_comes_once_in_every_round():
    plan = draw_plan(load_plan("dose-check"), make_seed=lambda: 7)
    lows = [phase.band.low_percent for phase in plan.phases if phase.kind == "contract"]
    assert sorted(lows[:3]) == sorted(lows[3:]) == [20, 45, 70]
    assert plan.drawn["levels"]["order"] == tuple({20: 25.0, 45: 50.0, 70: 75.0}[low] for low in lows)
