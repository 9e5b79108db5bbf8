from collections import Counter

import numpy as np
import pytest

from biofeedback.analysis.randomisation import DrawnOrder, draw_levels, draw_order, list_orders, rank_order


def mean_difference(ratings):
    def statistic(order):
        contract = [r for kind, r in zip(order, ratings, strict=True) if kind == "contract"]
        passive = [r for kind, r in zip(order, ratings, strict=True) if kind == "passive"]
        return np.mean(contract) - np.mean(passive)

    return statistic


def test_edgington_onghena_2007_number_of_orders(published):
    data = published("edgington_onghena_2007")
    for row in data["sign_flips"]:
        drawn = draw_order(row["n_pairs"], seed=1)
        assert drawn.n_orders == row["n_orders"] == len(set(list_orders(drawn)))
        assert drawn.smallest_p == row["smallest_p"]
    for row in data["complete_randomisation"]:
        drawn = draw_order(row["n_each"], seed=1, design="shuffle")
        assert drawn.n_orders == row["n_orders"] == len(set(list_orders(drawn)))
        assert drawn.smallest_p == row["smallest_p"]


@pytest.mark.parametrize("design", ["pairs", "shuffle"])
def test_a_seed_draws_one_of_the_possible_orders_and_always_the_same(design):
    drawn = draw_order(5, seed=42, design=design)
    assert drawn == draw_order(5, seed=42, design=design) == DrawnOrder.from_dict(drawn.to_dict())
    assert drawn.order in set(list_orders(drawn))
    assert drawn.order[0] == drawn.order[-1] == "passive"
    assert Counter(drawn.order) == {"passive": 7, "contract": 5}


def test_all_orders_come_up_equally_often():
    seen = Counter(draw_order(3, seed=seed).order for seed in range(4000))
    assert len(seen) == 8
    assert all(430 < n < 570 for n in seen.values())  # 500 expected, SD 21


def test_the_most_extreme_order_reaches_the_smallest_p():
    drawn = draw_order(5, seed=7)
    ratings = [3.0 if kind == "contract" else 7.0 for kind in drawn.order]
    result = rank_order(mean_difference(ratings), drawn)
    assert result.exact
    assert result.p_less == result.smallest_p == 1 / 32
    assert result.p_more == 1


def test_equal_ratings_give_p_1_on_both_sides():
    drawn = draw_order(4, seed=7)
    result = rank_order(mean_difference([5.0] * 10), drawn)
    assert (result.p_less, result.p_more) == (1, 1)


def test_many_orders_are_sampled_and_p_is_never_zero(monkeypatch, published):
    example = published("edgington_onghena_2007")["sampled"]
    assert (1 + example["n_at_least_as_extreme"]) / (1 + example["n_sampled"]) == example["p"]
    monkeypatch.setattr("biofeedback.analysis.randomisation.N_SAMPLED", example["n_sampled"])
    drawn = draw_order(20, seed=3)
    ratings = [3.0 if kind == "contract" else 7.0 for kind in drawn.order]
    result = rank_order(mean_difference(ratings), drawn)
    assert not result.exact
    assert result.p_less == result.smallest_p == 1 / 1000


def test_p_is_below_0_05_in_at_most_5_percent_without_an_effect():
    rng = np.random.default_rng(5)
    p = []
    for seed in range(300):
        drawn = draw_order(5, seed=seed)
        p.append(rank_order(mean_difference(rng.normal(6, 1, 12) - 0.1 * np.arange(12)), drawn).p_less)
    assert np.mean(np.array(p) <= 0.05) < 0.05 + 2.6 * np.sqrt(0.05 * 0.95 / 300)


def test_levels_come_in_complete_rounds():
    levels = draw_levels((25.0, 50.0, 75.0), 3, seed=1)
    assert [sorted(levels[i : i + 3]) for i in (0, 3, 6)] == [[25, 50, 75]] * 3
    assert levels == draw_levels((25.0, 50.0, 75.0), 3, seed=1) != draw_levels((25.0, 50.0, 75.0), 3, seed=2)


def test_impossible_draws_are_refused():
    with pytest.raises(ValueError, match="cycles"):
        draw_order(0, seed=1)
    with pytest.raises(ValueError, match="design"):
        draw_order(3, seed=1, design="blocks")
