import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from biofeedback.analysis.dose import DosePoint, compute_dose
from biofeedback.analysis.shapes import SESSION_RATIOS, SHAPES, Contrasts, weigh_shapes

THREE_LEVELS = (25.0, 50.0, 75.0)


def simulate(truth, seed, efforts=THREE_LEVELS * 4, sd=0.8, sessions=1):
    rng = np.random.default_rng(seed)
    return [
        DosePoint(e, float(truth(e) + rng.normal(0, sd)), session, cycle)
        for session in range(sessions)
        for cycle, e in enumerate(efforts)
    ]


def test_a_strong_light_effect_is_advised_light():
    dose = compute_dose(simulate(lambda x: -4.5 * x / (15 + x), seed=1))
    assert dose.advice == "light"
    assert dose.least_percent <= 25
    assert dose.saturating_percent > 50
    assert dose.saturation.effect_max < -2
    assert dose.saturation.half_x > 0
    assert dose.misfit == ""


def test_an_effect_that_grows_in_a_line_is_advised_hard():
    dose = compute_dose(simulate(lambda x: -3.5 * x / 100, seed=2, efforts=(25.0, 50.0, 75.0, 90.0) * 4))
    assert dose.advice == "hard"
    assert 45 <= dose.least_percent <= 75
    assert dose.at(100).change == pytest.approx(-3.5, abs=0.8)


def test_no_effect_is_neither_and_nothing_is_left_to_learn():
    dose = compute_dose(simulate(lambda x: 0.0, seed=3))
    assert dose.advice == "neither"
    assert dose.least_percent is None
    assert "not within the 75 %" in dose.least_reason
    assert dose.next_percent is None


def test_worse_is_said_as_readily():
    dose = compute_dose(simulate(lambda x: 3 * x / 100, seed=4))
    assert dose.advice == "neither"
    assert "worse" in dose.reason
    assert dose.at(75).low > 0


def test_light_that_eases_and_hard_that_worsens():
    dose = compute_dose(simulate(lambda x: -4 * 4 * (x / 65) * (1 - x / 65), seed=5, efforts=THREE_LEVELS * 6))
    assert dose.turning_percent == max(
        dose.none_percent, dose.line_percent, dose.saturating_percent, dose.turning_percent
    )
    assert dose.advice == "light"
    assert dose.at(75).change > 0
    assert dose.at(90).high - dose.at(90).low > dose.at(75).high - dose.at(75).low > 0.3  # also beyond the turn


def test_contractions_without_any_effort_are_no_dose():
    dose = compute_dose([DosePoint(e, 0.0, 0, i) for i, e in enumerate((0.0, 0.0, 0.0, -4.0))])
    assert dose.advice == "not known yet"
    assert dose.misfit == ""


def test_a_shape_none_of_them_has_is_named():
    dose = compute_dose(simulate(lambda x: 4.0 if x == 50 else -4.0, seed=6, sd=0.4))
    assert dose.misfit.startswith("no shape describes")


def test_few_ratings_give_no_advice_but_a_next_effort():
    for points in ([], simulate(lambda x: -2, seed=7, efforts=(60.0, 60.0))):
        dose = compute_dose(points)
        assert dose.advice == "not known yet"
        assert dose.least_percent is None
        assert dose.next_percent is not None
    assert compute_dose([]).next_percent <= 20


def test_limits_hold():
    points = simulate(lambda x: -3 * x / 100, seed=8, efforts=(30.0, 40.0, 50.0) * 3)
    assert compute_dose(points).next_percent <= 70  # no more than 20 points above what was tried
    dose = compute_dose(points, limit_percent=40)
    assert dose.next_percent <= 40
    assert dose.advice != "hard"
    worse = compute_dose(simulate(lambda x: 4 * x / 100, seed=9, efforts=(25.0, 50.0) * 2))
    assert worse.next_percent is None or worse.at(worse.next_percent).change < 1


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([20.0, 40.0, 60.0, 80.0]), st.integers(-6, 6)), max_size=10))
def test_easing_and_worsening_are_mirror_images(rows):
    points = [DosePoint(e, float(c), 0, i) for i, (e, c) in enumerate(rows)]
    mirrored = [DosePoint(p.effort_percent, -p.change, 0, p.cycle) for p in points]
    dose, mirror = compute_dose(points), compute_dose(mirrored)
    for ours, theirs in zip(dose.curve, mirror.curve, strict=True):
        assert ours.change == pytest.approx(-theirs.change, abs=1e-9)
        assert ours.low == pytest.approx(-theirs.high, abs=2e-3)
    assert dose.none_percent + dose.line_percent + dose.saturating_percent + dose.turning_percent == pytest.approx(100)


def test_a_session_with_a_shift_of_its_own_widens_the_interval():
    rng = np.random.default_rng(10)
    shift = rng.normal(0, 1.5, 4)
    together = simulate(lambda x: -2, seed=11, sessions=4)
    apart = [DosePoint(p.effort_percent, p.change + shift[p.session], p.session, p.cycle) for p in together]
    unknowing = [DosePoint(p.effort_percent, p.change, 0, 12 * p.session + p.cycle) for p in apart]

    def width(points):
        level = compute_dose(points).at(50)
        return level.high - level.low

    assert width(apart) > 1.3 * width(unknowing)


def test_evidence_of_every_part_equals_the_normal_density_of_scipy():
    """Integrating the height out leaves y ~ N(0, scatter^2 V + 9 s s'): scipy's density, up to one constant."""
    from scipy.stats import multivariate_normal

    points = simulate(lambda x: -2 * x / 100, seed=12, efforts=(20.0, 60.0, 90.0), sessions=2)
    y = np.array([p.change for p in points])
    efforts = np.array([p.effort_percent for p in points])
    contrasts = Contrasts(efforts, y, np.array([p.session for p in points]), np.array([p.cycle for p in points]))
    posterior = weigh_shapes(contrasts)
    shares = np.array([posterior.share(p.effort_percent) for p in points]).T
    priors = {(shape, parameter): prior for shape, parameter, prior in SHAPES}
    n_parts = posterior.weight.size
    expected = []
    for k in range(n_parts):
        ratio = SESSION_RATIOS[k // (n_parts // len(SESSION_RATIOS))]
        covariance = posterior.scatter[k] ** 2 * contrasts.correlate(ratio) + 9 * np.outer(shares[k], shares[k])
        prior = priors[int(posterior.shape[k]), posterior.parameter[k]]
        expected.append(np.log(prior) + multivariate_normal.logpdf(y, np.zeros(6), covariance))
    weights = np.exp(np.array(expected) - max(expected))
    assert posterior.weight == pytest.approx(weights / weights.sum(), rel=1e-9, abs=1e-12)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(-5, 150), st.floats(-10, 10), st.integers(0, 2), st.integers(0, 5)), max_size=8))
@example([(58.0, -8.0, 0, 0)])  # what it predicts lies far off the grid of changes
def test_any_contrasts_get_an_answer_without_nan(rows):
    dose = compute_dose([DosePoint(*row) for row in rows])
    for level in dose.curve:
        assert np.isfinite([level.change, level.low, level.high]).all()
        assert 0 <= level.chance_percent <= 100 + 1e-9
        assert level.low - 0.01 <= level.change <= level.high + 0.01
    assert dose.reason
    assert dose.next_reason


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="must be known"):
        DosePoint(50, float("nan"))
    with pytest.raises(ValueError, match="wanted"):
        compute_dose([], wanted_points=0)
    with pytest.raises(ValueError, match="limit"):
        compute_dose([], limit_percent=120)


def test_two_cycles_do_not_say_that_no_tried_effort_is_enough():
    dose = compute_dose([DosePoint(70.0, -6.0, cycle=1), DosePoint(70.0, -5.0, cycle=2)])
    assert dose.least_percent is None
    assert dose.least_reason.startswith("fewer than 3 complete cycles")


def test_a_shape_that_is_the_truth_is_seldom_called_a_misfit():
    def turn(x):
        return -16 * x / 80 * (1 - x / 80)

    # two contrasts a level; with 2.5 standard errors whatever the degrees of freedom 5 of these 40 were called so
    named = [bool(compute_dose(simulate(turn, seed, THREE_LEVELS * 2)).misfit) for seed in range(40)]
    assert np.mean(named) <= 0.05
