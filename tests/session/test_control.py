"""A check with a control: contractions of a remote muscle drawn by lot among those of the stretched one."""

from collections import Counter

import pytest

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
