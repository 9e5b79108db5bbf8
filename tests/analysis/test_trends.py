import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.analysis.trends import count_kendall_s, fit_theil_sen


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
