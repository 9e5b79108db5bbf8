import itertools

import numpy as np
import pytest

from biofeedback.errors import PlanError
from biofeedback.session.plan import load_plan, parse_plan
from biofeedback.wiring.randomise import randomise_plan


def test_a_fixed_plan_stays_as_it_is():
    plan = load_plan("response-check")
    assert randomise_plan(plan) is plan


def test_each_start_draws_afresh_and_says_from_what():
    seeds = itertools.count(1)
    plan = load_plan("drawn-check")
    drawn = [randomise_plan(plan, make_seed=lambda: next(seeds)) for _ in range(20)]
    orders = {tuple(phase.kind for phase in one.phases) for one in drawn}
    assert len(orders) > 5
    for one in drawn:
        kinds = [phase.kind for phase in one.phases]
        assert kinds[0] == kinds[-1] == "passive"
        assert kinds.count("contract") == 5
        assert list(one.drawn["order"]["order"]) == kinds
    assert [one.drawn["order"]["seed"] for one in drawn] == list(range(1, 21))


def test_every_band_comes_once_in_every_round():
    plan = randomise_plan(load_plan("dose-check"), make_seed=lambda: 7)
    lows = [phase.band.low_percent for phase in plan.phases if phase.kind == "contract"]
    assert sorted(lows[:3]) == sorted(lows[3:]) == [20, 40, 60]
    assert plan.drawn["levels"]["order"] == tuple({20: 25.0, 40: 45.0, 60: 65.0}[low] for low in lows)


PHASE = '[[block.phase]]\nkind = "{}"\nduration_s = {}\n'
PAIR = PHASE.format("passive", 20) + PHASE.format("contract", 20) + "band = [60, 80]\n"


@pytest.mark.parametrize(
    ("head", "repeat", "phases", "words"),
    [
        ('randomise = "pairs"', 3, PAIR + PHASE.format("rest", 90), "no place for rests"),
        ('randomise = "pairs"', 3, PAIR + PHASE.format("contract", 20) + "band = [20, 30]\n", "differ"),
        ('randomise = "shuffle"', 61, PAIR, "too many"),
        ("randomise_bands = [[20, 30], [40, 50]]", 1, PHASE.format("passive", 20), "bands for 0 contractions"),
        ("randomise_bands = [[20, 30], [15, 35]]", 2, PAIR, "same middle"),
    ],
)
def test_what_a_draw_would_drop_or_cannot_hold_is_refused_when_the_plan_is_read(head, repeat, phases, words):
    with pytest.raises(PlanError, match=words):
        randomise_plan(parse_plan(f"{head}\n[[block]]\nrepeat = {repeat}\n{phases}", "p.toml"))


def test_two_phases_are_a_cycle_whatever_the_lot_says():
    drawn = randomise_plan(load_plan("drawn-check"), make_seed=lambda: 3)
    assert [phase.cycle for phase in drawn.phases] == [1 + k // 2 for k in range(len(drawn.phases))]


@pytest.mark.parametrize("seed", range(8))
def test_in_a_check_against_a_remote_contraction_the_lot_changes_pairs_alone(seed):
    plan = load_plan("control-check")
    assert plan.randomise == "control"
    drawn = randomise_plan(plan, make_seed=lambda: seed)
    places = [k for k, phase in enumerate(plan.phases) if phase.kind in ("contract", "remote")]
    swaps = np.random.default_rng(seed).integers(0, 2, len(places) // 2)
    expected = list(plan.phases)
    for swap, first, second in zip(swaps, places[::2], places[1::2], strict=True):
        if swap:
            expected[first], expected[second] = expected[second], expected[first]
    assert list(drawn.phases) == expected
    assert drawn.drawn == {"control": {"seed": seed, "order": [expected[place].kind for place in places]}}
    assert sorted(drawn.drawn["control"]["order"][:2]) == ["contract", "remote"]
