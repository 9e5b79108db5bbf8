from collections import Counter

import numpy as np
import pytest

from biofeedback.analysis.randomisation import DrawnLevels, DrawnOrder, draw_levels, draw_order, rank_levels, rank_order
from biofeedback.analysis.response import RatedPhase, compute_response


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
        assert drawn.n_orders == row["n_orders"] == len(set(drawn.list_orders()))
        assert drawn.smallest_p == row["smallest_p"]
    for row in data["complete_randomisation"]:
        drawn = draw_order(row["n_each"], seed=1, design="shuffle")
        assert drawn.n_orders == row["n_orders"] == len(set(drawn.list_orders()))
        assert drawn.smallest_p == row["smallest_p"]
    for row in data["start_points"]:
        drawn = draw_order(row["n"], seed=1, design="onset", n_min=row["n_min_per_phase"])
        assert drawn.n_orders == row["n_orders"] == len(set(drawn.list_orders()))
        assert drawn.smallest_p == row["smallest_p"]
        assert drawn.n_orders < data["n_orders_needed_for_p_0_05"]


@pytest.mark.parametrize("design", ["pairs", "shuffle"])
def test_a_seed_draws_one_of_the_possible_orders_and_always_the_same(design):
    drawn = draw_order(5, seed=42, design=design)
    assert drawn == draw_order(5, seed=42, design=design) == DrawnOrder.from_dict(drawn.to_dict())
    assert drawn.order in set(drawn.list_orders())
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


def test_a_drawn_onset_gives_a_p_although_there_is_no_closing_phase():
    drawn = draw_order(20, seed=2, design="onset", n_min=4)
    phases = [RatedPhase(kind, 4 if kind == "contract" else 7, 20.0 * i) for i, kind in enumerate(drawn.order)]
    response = compute_response(phases, drawn=drawn)
    assert response.word == "too few ratings to say"
    assert response.test.p_less == pytest.approx(1 / 13)


def test_levels_come_in_complete_rounds():
    drawn = draw_levels((25, 50, 75), 3, seed=1)
    assert [sorted(drawn.order[i : i + 3]) for i in (0, 3, 6)] == [[25, 50, 75]] * 3
    assert drawn == draw_levels((25, 50, 75), 3, seed=1) == DrawnLevels.from_dict(drawn.to_dict())
    assert drawn.order != draw_levels((25, 50, 75), 3, seed=2).order
    assert drawn.n_orders == 6**3 == len(set(drawn.list_orders()))


def test_more_effort_less_discomfort_reaches_the_smallest_p():
    drawn = draw_levels((25, 50, 75), 2, seed=4)
    changes = [-level / 25 for level in drawn.order]
    assert rank_levels(changes, drawn).p_less == 1 / 36
    assert rank_levels([-c for c in changes], drawn).p_more == 1 / 36
    assert rank_levels([-2.0] * 6, drawn).p_less == 1
    with pytest.raises(ValueError, match="5 changes for 6"):
        rank_levels(changes[:5], drawn)


def test_impossible_draws_are_refused():
    with pytest.raises(ValueError, match="cycles"):
        draw_order(0, seed=1)
    with pytest.raises(ValueError, match="design"):
        draw_order(3, seed=1, design="blocks")
    with pytest.raises(ValueError, match="do not fit"):
        draw_order(7, seed=1, design="onset", n_min=4)
    with pytest.raises(ValueError, match="different levels"):
        draw_levels((25, 25), 2, seed=1)
