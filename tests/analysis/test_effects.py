import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.analysis.effects import (
    compute_corrected_tau,
    compute_nap,
    compute_nap_error,
    compute_tau,
    compute_tau_u,
)
from biofeedback.analysis.trends import count_kendall_s

ratings = st.lists(st.integers(0, 10), min_size=3, max_size=12)


def test_parker_vannest_davis_2011(published):
    data = published("parker_vannest_davis_2011")
    for example in data["examples"]:
        base, treat, goal = example["baseline"], example["treatment"], data["goal"]
        assert compute_nap(base, treat, goal=goal) == pytest.approx(np.divide(*example["nap"]), abs=1e-12)
        assert compute_tau(base, treat, goal=goal) == pytest.approx(np.divide(*example["tau"]), abs=1e-12)
        assert compute_tau_u(base, treat, goal=goal) == pytest.approx(np.divide(*example["tau_u"]), abs=1e-12)
        assert count_kendall_s(base) == example["baseline_s"]
        if example["nap_error_unbiased"]:
            error = compute_nap_error(base, treat, goal=goal)
            assert error == pytest.approx(example["nap_error_unbiased"], abs=5e-8)


def test_tarlow_2017_a_pure_trend_is_no_effect(published):
    data = published("tarlow_2017")
    base, treat, goal = data["baseline"], data["treatment"], data["goal"]
    times = np.arange(1, 11)
    assert compute_tau(base, treat, goal=goal) == data["tau"]
    assert compute_tau_u(base, treat, goal=goal) == pytest.approx(data["tau_u"])
    assert compute_corrected_tau(base, treat, times[:5], times[5:], goal=goal) == data["corrected_tau"]


@given(ratings, ratings)
def test_goals_mirror_each_other(base, treat):
    assert compute_nap(base, treat) == pytest.approx(1 - compute_nap(base, treat, goal="more"))
    assert compute_nap(base, treat) == pytest.approx(compute_nap(treat, base, goal="more"))
    assert 0 <= compute_nap(base, treat) <= 1


@given(ratings, st.floats(-2, 2), st.floats(0.1, 30))
def test_corrected_tau_ignores_any_straight_drift(base, slope, step):
    treat = [b - 1 for b in base]
    base_x = np.arange(len(base)) * 2 * step
    treat_x = base_x + step
    flat = compute_corrected_tau(base, treat, base_x, treat_x)
    drifting = compute_corrected_tau(base + slope * base_x, treat + slope * treat_x, base_x, treat_x)
    assert drifting == pytest.approx(flat, abs=1e-6)


def test_nap_is_the_area_under_the_roc_curve():
    """NAP = Mann-Whitney U / (m n); scipy counts U independently."""
    from scipy.stats import mannwhitneyu

    rng = np.random.default_rng(1)
    for _ in range(20):
        base, treat = rng.integers(0, 11, 6), rng.integers(0, 11, 5)
        u = mannwhitneyu(base, treat).statistic
        assert compute_nap(base, treat) == pytest.approx(u / 30)


def test_empty_groups_are_refused():
    with pytest.raises(ValueError, match="each group needs one"):
        compute_nap([], [1.0])
    with pytest.raises(ValueError, match="3 are needed"):
        compute_corrected_tau([1, 2], [1], [0, 1], [2])
