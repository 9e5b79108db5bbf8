import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.analysis.trends import AMONG, count_kendall_s, find_limit, fit_theil_sen, judge_trend


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
    """Ranks are independent and uniform without a trend; drawn so, looks after 3 to 20 pass the limit in 4.9 %."""
    rng = np.random.default_rng(8)
    n = np.arange(1, 21)
    steps = 2 * np.floor(rng.random((40_000, 20)) * n) - (n - 1)
    sd = np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    scores = np.abs(np.cumsum(steps, axis=1)[:, 5:] / sd[5:])
    strength = (scores / [find_limit(k) for k in range(6, 21)]).max(axis=1)
    assert 0.045 < np.mean(strength >= 1) < 0.051
    for n_measures, limit in enumerate(AMONG, start=1):  # real among several judged side by side
        assert np.mean(strength >= limit) < 0.051 / n_measures
    assert np.mean((scores >= 1.96).any(axis=1)) > 0.2  # what one look's limit would do


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
