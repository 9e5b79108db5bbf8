import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.analysis.emax import fit_emax, saturate


def test_bates_watts_1988_puromycin(published):
    data = published("bates_watts_1988")
    fit = fit_emax(data["concentration"], data["rate"])
    assert fit.effect_max == pytest.approx(data["vm"], abs=5e-5)
    assert fit.half_x == pytest.approx(data["k"], abs=5e-9)
    assert fit.effect_max_error == pytest.approx(data["vm_error"], abs=5e-5)
    assert fit.half_x_error == pytest.approx(data["k_error"], abs=1e-7)
    assert fit.rss == pytest.approx(data["rss"], abs=5e-5)
    assert np.sqrt(fit.rss / fit.df) == pytest.approx(data["residual_sd"], abs=5e-6)
    assert fit.df == data["df"]


def test_fit_and_errors_equal_scipy():
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(5)
    x = np.tile([10.0, 25, 50, 75, 100], 4)
    y = -3 * saturate(x, 20) + rng.normal(0, 0.3, x.size)
    ours = fit_emax(x, y)
    theirs, covariance = curve_fit(lambda x, top, half: top * x / (half + x), x, y, p0=(-3, 20))
    assert (ours.effect_max, ours.half_x) == pytest.approx(tuple(theirs), rel=1e-5)
    assert (ours.effect_max_error, ours.half_x_error) == pytest.approx(tuple(np.sqrt(np.diag(covariance))), rel=1e-4)


@settings(deadline=None)
@given(st.floats(0.1, 100), st.floats(0.05, 0.95))
def test_identities_of_the_curve(half, share):
    """Half at EC50; EC_p = EC50 p / (1 - p); so EC20 = EC50 / 4 and EC80 = 4 EC50."""
    assert saturate(half, half) == pytest.approx(0.5)
    assert saturate(half * share / (1 - share), half) == pytest.approx(share)
    assert (saturate(half / 4, half), saturate(4 * half, half)) == pytest.approx((0.2, 0.8))


@given(st.floats(-5, 5).filter(lambda e: abs(e) > 0.1), st.floats(5, 80))
def test_exact_curves_are_found(effect, half):
    x = np.array([5.0, 20, 40, 60, 80, 100])
    fit = fit_emax(x, effect * saturate(x, half))
    assert (fit.effect_max, fit.half_x) == pytest.approx((effect, half), rel=1e-5)


def test_no_bend_no_fit():
    x = np.array([10.0, 20, 30, 40])
    assert "straight line" in fit_emax(x, 2 * x).reason
    assert "step" in fit_emax(x, [3.0, 2.9, 3.1, 2.9]).reason
    assert "needed" in fit_emax([1.0, 2.0], [1.0, 2.0]).reason


def test_values_at_one_place_show_no_bend():
    fit = fit_emax([1.0, 1.0, 1.0], [0.0, 0.0, 5.0])
    assert fit.effect_max is None
    assert fit.reason
