"""A check with a control: contractions of a remote muscle drawn by lot among those of the stretched one."""

from collections import Counter

import numpy as np
import pytest

from biofeedback.analysis.control import compare_with_remote
from biofeedback.errors import PlanError
from biofeedback.session.plan import load_plan, parse_plan
from biofeedback.wiring.randomise import randomise_plan

PLAN = load_plan("control-check")


def kinds_of(plan):
    return [phase.kind for phase in plan.phases if phase.kind in ("contract", "remote")]


def test_every_pair_has_one_of_each_in_an_order_drawn_by_lot():
    orders = Counter()
    for seed in range(400):
        drawn = randomise_plan(PLAN, make_seed=lambda seed=seed: seed)
        kinds = kinds_of(drawn)
        pairs = [tuple(kinds[k : k + 2]) for k in range(0, len(kinds), 2)]
        assert all(set(pair) == {"contract", "remote"} for pair in pairs)
        assert drawn.drawn["control"] == {"seed": seed, "order": kinds}
        assert [phase.kind for phase in drawn.phases if phase.kind in ("passive", "rest")] == [
            phase.kind for phase in PLAN.phases if phase.kind in ("passive", "rest")
        ]
        assert all((phase.band is not None) == (phase.kind == "contract") for phase in drawn.phases)
        orders[tuple(kinds)] += 1
    assert len(orders) == 2 ** len(pairs)  # every order can come
    first = sum(n for order, n in orders.items() if order[0] == "contract") / 400
    assert first == pytest.approx(0.5, abs=0.1)


def test_the_same_seed_draws_the_same_order():
    one, two = (randomise_plan(PLAN, make_seed=lambda: 5) for _ in range(2))
    assert one.phases == two.phases


def test_nobody_contracts_the_stretched_muscle_longer_than_two_minutes_unbroken():
    unbroken, longest = 0.0, 0.0
    for phase in PLAN.phases:
        unbroken = 0.0 if phase.kind == "rest" else unbroken + phase.duration_s
        longest = max(longest, unbroken)
    assert longest <= 120


def test_a_control_needs_as_many_of_each():
    text = 'randomise = "control"\n[[block]]\n[[block.phase]]\nkind = "contract"\nduration_s = 10\nband = [20, 30]'
    with pytest.raises(PlanError, match="remote"):
        parse_plan(text, "own.toml")


def rate(order, *, stretched, remote, drift=0.0):
    """(kind, rating) of blocks of passive, x, passive, y, passive at 6, with known effects."""
    effect = {"contract": stretched, "remote": remote, "passive": 0.0}
    kinds = []
    for k in range(0, len(order), 2):
        kinds += ["passive", order[k], "passive", order[k + 1], "passive"]
    return [(kind, 6 + effect[kind] + drift * number) for number, kind in enumerate(kinds)]


ORDER = ["contract", "remote", "remote", "contract", "contract", "remote", "remote", "contract", "contract", "remote"]


@pytest.mark.parametrize("drift", [0.0, -0.05])
def test_the_whole_effect_and_its_local_part_are_recovered(drift):
    found = compare_with_remote(rate(ORDER, stretched=-2.0, remote=-0.5, drift=drift), drawn=True)
    assert found.whole == pytest.approx(-2.0)
    assert found.remote == pytest.approx(-0.5)
    assert found.local == pytest.approx(-1.5)
    assert found.n_pairs == 5
    assert found.p_less == 1 / 32  # all five pairs lean the same way: exact sign flips, one-sided


def test_without_a_draw_there_is_no_p_value():
    assert compare_with_remote(rate(ORDER, stretched=-2.0, remote=0.0), drawn=False).p_less is None


def test_the_interval_holds_the_truth_about_as_often_as_it_says():
    rng, held, n = np.random.default_rng(3), 0, 300
    for _ in range(n):
        rated = [(kind, value + rng.normal(0, 0.5)) for kind, value in rate(ORDER, stretched=-1.0, remote=-1.0)]
        found = compare_with_remote(rated, drawn=True)
        held += found.low <= 0.0 <= found.high
    assert 0.90 <= held / n <= 0.99


def test_too_few_pairs_are_said():
    assert compare_with_remote([("passive", 5.0), ("contract", 3.0), ("passive", 5.0)], drawn=True) is None
    two = compare_with_remote(rate(ORDER[:2], stretched=-2.0, remote=0.0), drawn=True)
    assert two is not None
    assert (two.low, two.high) == (None, None)
