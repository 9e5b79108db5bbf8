import numpy as np
import pytest

from biofeedback.calibration.polynomial import choose_degree, fit_polynomial


def digits(value, certified):
    """Matching digits: the log relative error that NIST's reference sets are scored by."""
    return -np.log10(max(abs(value / certified - 1), 1e-16))


@pytest.mark.parametrize(("name", "degree"), [("nist_norris", 1), ("nist_pontius", 2)])
def test_nist_certified_values(published, name, degree):
    data = published(name)
    fit = fit_polynomial(np.array(data["x"]), np.array(data["y"]), degree=degree)
    assert fit.n_free == data["n_free"]
    pairs = [
        *zip(fit.coefficients, data["coefficients"], strict=True),
        *zip(fit.standard_errors, data["standard_errors"], strict=True),
        (fit.residual_sd, data["residual_sd"]),
        (fit.residual_square, data["residual_square"]),
    ]
    assert min(digits(value, certified) for value, certified in pairs) >= 11


@pytest.mark.parametrize(("name", "degree"), [("nist_norris", 1), ("nist_pontius", 2)])
def test_degree_by_f_test(published, name, degree):
    data = published(name)
    fit, p = choose_degree(np.array(data["x"]), np.array(data["y"]))
    assert fit.degree == degree
    assert (p < 0.05) == (degree == 2)


def test_f_test_agrees_with_its_definition(published):
    stats = pytest.importorskip("scipy.stats")
    data = published("nist_norris")
    x, y = np.array(data["x"]), np.array(data["y"])
    squares = [float(np.sum((y - np.polyval(np.polyfit(x, y, d), x)) ** 2)) for d in (1, 2)]
    n_free = len(x) - 3
    expected = stats.f.sf((squares[0] - squares[1]) / (squares[1] / n_free), 1, n_free)
    assert choose_degree(x, y)[1] == pytest.approx(expected, rel=1e-6)


def test_perfect_line_and_perfect_curve():
    x = np.arange(6.0)
    assert choose_degree(x, 3 + 2 * x)[0].degree == 1
    assert choose_degree(x, 3 + 2 * x + 0.1 * x**2)[0].degree == 2


def test_false_curves_are_as_rare_as_promised():
    rng = np.random.default_rng(1)
    x = np.repeat(np.arange(6.0), 2)
    n_curved = sum(choose_degree(x, 5 * x + rng.normal(0, 1, len(x)))[0].degree == 2 for _ in range(400))
    assert 0.02 < n_curved / 400 < 0.09  # 5 % by construction


def test_too_few_points_for_the_degree():
    with pytest.raises(ValueError, match="2 different x"):
        fit_polynomial(np.array([1.0, 1.0, 2.0]), np.array([1.0, 1.0, 2.0]), degree=2)
    assert fit_polynomial(np.array([1.0, 2.0]), np.array([1.0, 3.0]), degree=1).residual_sd is None


def test_two_loads_hung_again_and_again_make_a_line():
    """The commonest scaling at home: nothing and one known mass, a few times each. A curve cannot be asked for."""
    x = np.array([0.0, 20.0] * 3)
    y = np.array([1.0, 4001.0, 2.0, 4003.0, 0.0, 3999.0])
    fit, p = choose_degree(x, y)
    assert (fit.degree, p) == (1, 1.0)
    assert fit.coefficients == pytest.approx((1.0, 200.0))  # through the two means, by hand
    assert fit.residual_square == pytest.approx(1 + 1 + 4 + 4)
    assert fit.n_free == 4
    with pytest.raises(ValueError, match="2 different x"):
        fit_polynomial(x, y, degree=2)


def test_three_loads_once_each_leave_nothing_to_test_a_curve_with():
    fit, p = choose_degree(np.array([0.0, 10.0, 20.0]), np.array([0.0, 100.0, 260.0]))
    assert (fit.degree, p) == (1, 1.0)
