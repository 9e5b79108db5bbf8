import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.analysis.trends import (
    AMONG,
    FIRM,
    count_kendall_s,
    find_kendall_variance,
    find_limit,
    fit_theil_sen,
    judge_together,
    judge_trend,
)


def test_kendall_1970_example(published):
    data = published("kendall_1970")
    order = np.argsort(data["x"], kind="stable")
    x, y = np.asarray(data["x"])[order], np.asarray(data["y"])[order]
    first, second = np.triu_indices(10, 1)
    s = int(np.sum(np.sign(x[second] - x[first]) * np.sign(y[second] - y[first])))
    assert s == data["s"]
    assert s / np.sqrt(np.prod(data["pairs_untied"])) == pytest.approx(data["tau_b"], abs=data["tau_b_tolerance"])
    # ties in x that rise in y count here: no order is given between them
    assert count_kendall_s(y) == 36


def test_slope_and_interval_equal_scipy():
    from scipy.stats import theilslopes

    rng = np.random.default_rng(2)
    for n in (6, 9, 20, 50):
        x = np.sort(rng.uniform(0, 100, n))
        y = np.round(8 - 0.03 * x + rng.normal(0, 1, n))
        ours, theirs = fit_theil_sen(x, y), theilslopes(y, x, 0.95)
        assert ours.slope == pytest.approx(theirs.slope, abs=1e-12)
        assert ours.intercept == pytest.approx(theirs.intercept, abs=1e-12)
        assert (ours.low, ours.high) == pytest.approx((theirs.low_slope, theirs.high_slope), abs=1e-12)


@given(st.lists(st.floats(-100, 100), min_size=5, max_size=20), st.floats(-5, 5))
def test_adding_a_line_adds_its_slope(values, slope):
    x = np.arange(len(values), dtype=float)
    flat, tilted = fit_theil_sen(x, values), fit_theil_sen(x, np.asarray(values) + slope * x)
    assert tilted.slope == pytest.approx(flat.slope + slope, abs=1e-9)


def test_one_wild_value_in_ten_does_not_move_the_slope():
    x = np.arange(10.0)
    y = 2 * x
    y[9] = -1000
    assert fit_theil_sen(x, y).slope == pytest.approx(2)


def test_too_little_is_none_with_a_reason():
    assert fit_theil_sen([0, 1], [1, 2]).reason == "2 values; 3 are needed for a trend"
    assert fit_theil_sen([1, 1, 1], [1, 2, 3]).slope is None
    short = fit_theil_sen([0, 1, 2], [3, 2, 1])
    assert short.slope == -1
    assert short.low is None
    assert short.at(10) == pytest.approx(-7)
    assert fit_theil_sen([0, 1, 2, np.nan], [3, 2, 1, 5]).n == 3


def test_kendall_s_is_the_sum_of_ranks_among_the_values_before():
    """What makes the limit hold at every look, whatever the distribution."""
    y = np.random.default_rng(5).standard_cauchy(15)
    ranks = [float(np.sum(y[:i] < y[i])) for i in range(15)]
    assert count_kendall_s(y) == sum(2 * rank - i for i, rank in enumerate(ranks))


def test_looked_at_after_every_session_chance_is_called_real_in_at_most_5_percent():
    """Ranks are independent and uniform without a trend; drawn so, looks after 3 to 20 seldom pass the limit."""
    rng = np.random.default_rng(8)
    n = np.arange(1, 21)
    steps = 2 * np.floor(rng.random((40_000, 20)) * n) - (n - 1)
    sd = np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    scores = np.abs(np.cumsum(steps, axis=1)[:, 6:] / sd[6:])
    strength = (scores / [find_limit(k) for k in range(7, 21)]).max(axis=1)
    assert 0.045 < np.mean(strength >= 1) < 0.051  # "not decided" or real
    for n_measures, limit in enumerate(AMONG, start=1):  # real among several judged side by side
        assert np.mean(strength >= limit) < 0.051 / n_measures
    assert np.mean((scores >= 1.96).any(axis=1)) > 0.2  # what one look's limit would do


def test_the_more_measures_side_by_side_the_more_each_must_show():
    assert list(AMONG) == sorted(set(AMONG))
    assert 1 < AMONG[0] < FIRM < AMONG[2]
    assert max(np.diff(AMONG)) <= AMONG[1] - AMONG[0], "less and less for each more"


@pytest.mark.parametrize(("correlation", "strength"), [(0.0, AMONG[0]), (0.3, AMONG[0]), (0.5, FIRM)])
def test_sessions_that_resemble_their_neighbours_are_not_called_a_trend(correlation, strength):
    """A stationary first-order autoregression, its definition; 250 people looked at after every session to the 20th."""
    rng = np.random.default_rng(12)
    x, n_called = np.arange(20.0), 0
    for _ in range(250):
        y = rng.normal(0, 1, 20)
        for i in range(1, 20):
            y[i] = correlation * y[i - 1] + np.sqrt(1 - correlation**2) * y[i]
        looks = [judge_trend(x[:k], y[:k]) for k in range(7, 21)]
        n_called += any(look.word in ("rising", "falling") and look.strength >= strength for look in looks)
    assert n_called / 250 < 0.05 + 2 * (0.05 * 0.95 / 250) ** 0.5


def test_of_several_measures_hardly_any_is_called_real_by_luck():
    """Four measures without a trend, neighbours correlating by 0.3, all looked at after every session to the 20th."""
    rng = np.random.default_rng(21)
    x, n_called, n_people = np.arange(20.0), 0, 60
    for _ in range(n_people):
        measures = rng.normal(0, 1, (4, 20))
        for i in range(1, 20):
            measures[:, i] = 0.3 * measures[:, i - 1] + np.sqrt(1 - 0.3**2) * measures[:, i]
        looks = [[judge_trend(x[:k], y[:k]).strength for y in measures] for k in range(7, 21)]
        n_called += any(any(judge_together(strengths)) for strengths in looks)
    assert n_called / n_people < 0.05 + 2 * (0.05 * 0.95 / n_people) ** 0.5


def test_measures_side_by_side_are_judged_as_holm_does(reference, monkeypatch):
    """Against statsmodels, each strength as the p that its limits stand for: 5 % at the first, a ninth at the last."""
    multipletests = reference("statsmodels.stats.multitest").multipletests
    monkeypatch.setattr("gc.collect", lambda: 0)  # which it does each time, and all that the tests hold is much
    rng = np.random.default_rng(2)
    limits = [0.0, *AMONG, 2.0]
    p_values = [1.0, *(0.05 / m for m in range(1, 10)), 1e-6]
    for _ in range(200):
        strengths = rng.uniform(0.9, 1.6, int(rng.integers(1, 10)))
        theirs = multipletests(np.interp(strengths, limits, p_values), 0.05, "holm")[0]
        assert judge_together(strengths.tolist()) == theirs.tolist()


def test_what_only_unrelated_sessions_would_prove_is_not_decided():
    """Twelve sessions, S is 38; its SD is 14.58 (Kendall 1970), the limit there 2.38."""
    y = np.array([2.0, 0, 5, 3, 1, 8, 4, 7, 11, 6, 10, 9])
    near = judge_trend(np.arange(12.0), y)
    assert near.correlation <= 0
    assert near.score == pytest.approx(count_kendall_s(y) / 14.58, rel=1e-3)
    assert 1 <= near.strength < AMONG[0]
    assert near.word == "no clear trend"
    assert near.is_open
    assert "cannot show how much" in near.reason
    assert not judge_trend(np.arange(12.0), np.arange(12.0)).is_open


def test_six_sessions_in_perfect_order_are_too_few_and_seven_are_enough():
    assert judge_trend(np.arange(6.0), np.arange(6.0)).word == "unknown"
    assert judge_trend(np.arange(7.0), np.arange(7.0)).word == "rising"


def test_what_was_real_once_stays_so_while_all_values_still_say_it():
    rise = [*np.arange(12.0), 7.5, 8.5, 6.5]
    assert judge_trend(np.arange(15.0), rise).word == "rising"
    fallen = [*np.arange(12.0), *np.arange(12.0)[::-1]]
    assert judge_trend(np.arange(24.0), fallen).word == "no clear trend"


def test_a_trend_is_judged_on_all_values_and_neighbours_that_hang_together_are_looked_at():
    weeks = np.arange(12.0)
    rng = np.random.default_rng(1)
    assert judge_trend(weeks, weeks + rng.normal(0, 1, 12)).word == "rising"
    assert judge_trend(weeks, -weeks + rng.normal(0, 1, 12)).word == "falling"
    assert judge_trend(weeks, np.ones(12)).word == "no clear trend"
    assert judge_trend(weeks[:5], weeks[:5]).word == "unknown"
    odd = np.array([3.0, 1, 2, 4, 1, 3, 2, 4, 3, 1, 2, 0])
    odd[-1] = 50.0
    assert judge_trend(weeks, odd).word == "no clear trend"
    walk = np.cumsum(np.random.default_rng(3).normal(0, 1, 30))
    tied = judge_trend(np.arange(30.0), walk)
    assert tied.correlation > 0.3
    assert abs(tied.score) < abs(count_kendall_s(walk)) / np.sqrt(30 * 29 * 65 / 18)


def test_score_without_ties_is_the_z_of_kendall_s_tau():
    """Against scipy's asymptotic p of Kendall's tau, of values whose neighbours do not hang together."""
    from scipy.stats import kendalltau, norm

    rng = np.random.default_rng(4)
    for _ in range(20):
        y = rng.normal(0, 1, 14)
        ours = judge_trend(np.arange(14.0), y)
        if ours.correlation <= 0:
            theirs = kendalltau(np.arange(14), y, method="asymptotic").pvalue
            assert 2 * norm.sf(abs(ours.score)) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(
    "values", [[3.0, 1.0, 2.0, 5.0], [1.0, 1.0, 2.0], [1.0, 2.0, 2.0, 3.0], [2.0, 2.0, 2.0, 1.0, 1.0], [4.0] * 5]
)
def test_the_variance_of_kendall_s_is_that_of_all_orders(values):
    """Over every order that the values could have come in, as Kendall (1970) derived it, ties and all."""
    from itertools import permutations

    scores = [count_kendall_s(order) for order in permutations(values)]
    assert find_kendall_variance(np.array(values)) == pytest.approx(np.mean(np.square(scores)))
