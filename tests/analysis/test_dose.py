"""Only what was held is advised, and only what was rated there decides."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from biofeedback.analysis import curve as module
from biofeedback.analysis.curve import (
    EFFORTS,
    KINDS,
    SCATTERS,
    SESSION_RATIOS,
    Kind,
    find_kernel,
    find_place,
    weigh_curves,
)
from biofeedback.analysis.dose import DosePoint, agree_with, choose_effort, compute_dose, gather
from biofeedback.model import Band

THREE_LEVELS = (25.0, 50.0, 75.0)
BANDS = {25.0: Band(20, 30), 50.0: Band(45, 55), 70.0: Band(60, 80), 75.0: Band(70, 80)}


def rate(changes, repeat=2):
    """Points at efforts, the change given for each; every effort ``repeat`` times in rounds."""
    return [DosePoint(e, c, 0, i, BANDS.get(e)) for i, (e, c) in enumerate([*changes.items()] * repeat)]


def simulate(truth, seed, efforts=THREE_LEVELS * 4, sd=0.8, sessions=1):
    rng = np.random.default_rng(seed)
    return [
        DosePoint(e, float(truth(e) + rng.normal(0, sd)), session, cycle, BANDS.get(e))
        for session in range(sessions)
        for cycle, e in enumerate(efforts)
    ]


def test_light_that_eased_is_advised_though_the_rest_did_nothing():
    """Light rated -3 both times, the rest 0: contraction is not left out, and no curve talks it away."""
    dose = compute_dose(rate({25.0: -3.0, 50.0: 0.0, 75.0: 0.0}))
    assert dose.advice != "neither"
    assert (dose.band == Band(20, 30)) or dose.next_percent == pytest.approx(25)
    sure = compute_dose(rate({25.0: -3.0, 50.0: 0.0, 75.0: 0.0}, repeat=4))
    assert (sure.advice, sure.band) == ("enough", Band(20, 30))
    worse = compute_dose(rate({25.0: -3.0, 50.0: 0.0, 75.0: 2.0}, repeat=4))
    assert (worse.advice, worse.band) == ("enough", Band(20, 30))


def test_what_was_held_and_is_enough_is_offered_as_it_is_and_the_next_lies_below():
    dose = compute_dose(rate({70.0: -3.0}, repeat=5))
    assert (dose.advice, dose.band, dose.least_percent) == ("enough", Band(60, 80), 70)
    assert dose.next_percent == 25
    assert "none was tried" in dose.next_reason
    assert max(level.effort_percent for level in dose.curve) <= 70  # nothing is said of efforts beyond


def test_the_lowest_sufficient_band_comes_first_and_gaps_below_it_are_worth_trying():
    dose = compute_dose(rate({25.0: -0.5, 50.0: -2.5, 75.0: -3.5}, repeat=4))
    assert dose.band == Band(45, 55)
    assert 25 < dose.next_percent < 50


def test_a_check_at_one_effort_leaves_nothing_out():
    dose = compute_dose(rate({70.0: 0.0}, repeat=5))
    assert dose.advice == "not decided"
    assert dose.next_percent == 25
    assert dose.next_reason == "light effort was not tried"
    harmful = compute_dose(rate({70.0: 3.0}, repeat=5))
    assert harmful.advice == "not decided"
    assert harmful.is_worse
    assert harmful.next_percent == 25


def test_contraction_is_left_out_when_light_and_hard_were_held_and_the_yardstick_is_excluded():
    dose = compute_dose(simulate(lambda x: 0.0, seed=3))
    assert dose.advice == "neither"
    assert dose.next_percent is None
    assert all(held.level.chance_percent <= 5 for held in dose.held)
    unsure = compute_dose(simulate(lambda x: -1.5, seed=3, sd=1.5))
    assert unsure.advice == "not decided"


def test_worse_is_said_as_readily():
    dose = compute_dose(simulate(lambda x: 1 + 2 * x / 100, seed=4))
    assert dose.advice == "neither"
    assert dose.is_worse
    assert "made it worse" in dose.reason


def test_both_yardsticks_and_the_room_on_the_scale():
    mild = rate({25.0: -1.7, 50.0: -1.7, 75.0: -1.7}, repeat=4)
    assert compute_dose(mild).advice != "enough"  # 2 points from a start at 7
    assert compute_dose(mild, wanted_points=1.2, relaxed_points=4.0).band == Band(20, 30)  # 30 % of 4
    gone = compute_dose(rate({25.0: -2.0}, repeat=5), wanted_points=0.6, relaxed_points=2.0)
    assert gone.advice == "enough"  # from 2 to 0: full relief
    hardly = compute_dose(rate({25.0: -2.0}, repeat=5), wanted_points=0.6, relaxed_points=1.4)
    assert (hardly.advice, hardly.band) == ("not decided", None)  # so sure an answer, where there is no room for it
    nothing = compute_dose(rate({25.0: -0.5, 50.0: 0.0, 75.0: 0.0}), wanted_points=0.2, relaxed_points=0.6)
    assert nothing.advice == "not decided"
    assert nothing.relaxed_too_low
    assert nothing.next_percent is None


def test_a_band_that_was_missed_is_named_by_what_was_held():
    dose = compute_dose([DosePoint(62.0, -3.0, 0, i, Band(80, 100)) for i in range(5)])
    assert dose.band == Band(55, 65)


def test_efforts_above_the_maximum_are_never_advised():
    dose = compute_dose([DosePoint(118.0, -3.0, 0, i, Band(80, 100)) for i in range(5)])
    assert dose.advice == "not decided"
    assert dose.band is None
    assert dose.next_percent == 25


@pytest.mark.parametrize("limit_percent", [40.0, 60.0, 75.0])
def test_nothing_above_the_limit_is_advised_or_to_be_tried(limit_percent):
    """Hard out of reach or not allowed, and the next line to try it: never."""
    for change in (-3.0, 0.0, 1.5):
        dose = compute_dose(rate({25.0: change, 50.0: change, 75.0: change}), limit_percent=limit_percent)
        assert dose.least_percent is None or dose.least_percent <= limit_percent
        assert dose.next_percent is None or dose.next_percent <= limit_percent


def test_misfit_comes_before_the_curve():
    """What the curve does not describe is said, and what was rated there keeps contraction from being left out."""
    points = [*rate({25.0: 0.0, 75.0: 0.0}, repeat=6), *rate({50.0: -3.0}, repeat=2)]
    dose = compute_dose(points)
    assert dose.advice != "neither"


def test_one_band_is_not_enough_before_the_session_itself_is_clear():
    dose = compute_dose(rate({70.0: -3.0}, repeat=5))
    assert agree_with(dose, "less") is dose
    unclear = agree_with(dose, "no clear difference")
    assert unclear.advice == "not decided"
    assert unclear.band is None


def test_worse_is_said_only_where_the_session_itself_says_more():
    one = compute_dose(rate({70.0: 1.0}, repeat=6))
    assert one.is_worse  # by the curve
    unclear = agree_with(one, "no clear difference")
    assert not unclear.is_worse
    assert "worse" not in unclear.reason
    assert "nothing that was held eased it" in unclear.reason
    assert agree_with(one, "more").is_worse
    mild = compute_dose(rate({70.0: 0.3}, repeat=3))
    assert agree_with(mild, "more").is_worse  # clear by the session, though not by the curve
    several = compute_dose(rate({25.0: 1.5, 50.0: 1.5, 75.0: 1.5}, repeat=4))
    assert (several.advice, several.is_worse) == ("neither", True)
    apart = agree_with(several, "no clear difference")
    assert apart.advice == "neither"
    assert "worse" not in apart.reason


def test_posterior_equals_the_definition():
    """Every weight against the evidence written out: y is normal with covariance of scatter, shifts and curve."""
    from scipy.stats import multivariate_normal

    points = simulate(lambda x: -2 * x / 100, seed=9, efforts=(30.0, 70.0, 90.0), sessions=2)
    contrasts = gather(points)
    posterior = weigh_curves(contrasts)
    expected = []
    for kind in KINDS:
        for ratio in SESSION_RATIOS:
            for scatter in SCATTERS:
                covariance = scatter**2 * contrasts.correlate(ratio)
                covariance = covariance + find_kernel(kind, contrasts.effort_percent, contrasts.effort_percent)
                log = multivariate_normal.logpdf(contrasts.change, np.zeros(6), covariance)
                expected.append(np.log(kind.share) + log)
    weights = np.exp(np.array(expected) - max(expected))
    assert posterior.weight == pytest.approx(weights / weights.sum(), rel=1e-6, abs=1e-12)


def test_curve_equals_the_gaussian_process_of_scikit_learn(reference, monkeypatch):
    """Mean and SD at every effort, of each kind and scatter by itself."""
    gp = reference("sklearn.gaussian_process")
    kernels = reference("sklearn.gaussian_process.kernels")
    rng = np.random.default_rng(6)
    x, y = np.repeat([20.0, 45.0, 80.0], 3), rng.normal(-1, 1.5, 9)
    for kind in (
        Kind(1.0, level=1.5, bend=2.0, length_percent=40.0),
        Kind(1.0, level=1.0, bend=2.5, length_percent=18.0),
    ):
        for scatter in (0.5, 1.2):
            monkeypatch.setattr(module, "KINDS", (kind,))
            monkeypatch.setattr(module, "SCATTERS", np.array([scatter]))
            points = [DosePoint(e, c, 0, 2 * i) for i, (e, c) in enumerate(zip(x, y, strict=True))]  # no neighbours
            ours = weigh_curves(gather(points))
            kernel = kernels.ConstantKernel(kind.level**2) + kernels.ConstantKernel(kind.bend**2) * kernels.RBF(
                kind.length_percent
            )
            theirs = gp.GaussianProcessRegressor(kernel, alpha=scatter**2, optimizer=None).fit(x[:, None], y)
            mean, sd = theirs.predict(EFFORTS[:, None], return_std=True)
            assert ours.mean[0] == pytest.approx(mean, abs=1e-6)
            assert ours.sd[0] == pytest.approx(sd, abs=1e-6)


def test_an_effort_far_from_any_that_was_held_may_be_anything():
    posterior = weigh_curves(gather(rate({25.0: -3.0, 30.0: -3.2}, repeat=4)))
    near = posterior.quantile(25, 0.975) - posterior.quantile(25, 0.025)
    far = posterior.quantile(95, 0.975) - posterior.quantile(95, 0.025)
    assert far > 2 * near
    assert find_place(27.4) == find_place(25)


def test_the_next_effort_can_be_made_again_and_stays_within_its_limits():
    points = rate({25.0: -0.5, 50.0: -1.0}, repeat=2)
    limits = {"low_percent": 15.0, "high_percent": 60.0, "top_percent": 75.0}
    effort, reason = choose_effort(points, **limits)
    assert (effort, reason) == choose_effort(points, **limits)
    assert 15 <= effort <= 60


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(-5, 150), st.floats(-10, 10), st.integers(0, 2), st.integers(0, 5)), max_size=8))
@example([(58.0, -8.0, 0, 0)])
def test_any_contrasts_get_an_answer_without_nan(rows):
    dose = compute_dose([DosePoint(*row) for row in rows])
    for level in [*dose.curve, *(held.level for held in dose.held)]:
        assert np.isfinite([level.change, level.low, level.high]).all()
        assert 0 <= level.chance_percent <= 100 + 1e-9
        assert level.low - 0.01 <= level.change <= level.high + 0.01
    assert dose.reason
    assert (dose.advice == "enough") == (dose.band is not None)
    if dose.band is not None:  # never anything that was not held, never against its own ratings
        assert any(held.band == dose.band and held.rated <= -dose.wanted_points for held in dose.held)


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="must be known"):
        DosePoint(50, float("nan"))
    with pytest.raises(ValueError, match="wanted"):
        compute_dose([], wanted_points=0)
    with pytest.raises(ValueError, match="limit"):
        compute_dose([], limit_percent=120)


def test_two_contractions_decide_nothing():
    dose = compute_dose([DosePoint(70.0, -6.0, cycle=1), DosePoint(70.0, -5.0, cycle=2)])
    assert dose.advice == "not decided"
    assert "too few" in dose.reason
