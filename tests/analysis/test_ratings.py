"""The model of the ratings against generalised least squares and mixed models that nobody here wrote."""

import warnings

import numpy as np
import pytest

from biofeedback.analysis import ratings as module
from biofeedback.analysis.ratings import Ratings, Scatter, bend_freely, correlate, estimate, find_alias, list_drift


def make_ratings(seed, n=17, bend=2.0):
    """A session of whole numbers with ties, and with gaps where phases got no answer."""
    rng = np.random.default_rng(seed)
    contracting = np.arange(n) % 2 == 1
    time_s = 20.0 * np.arange(n) + rng.uniform(0, 5, n)
    felt = 7 - 0.005 * time_s + bend / (1 + time_s / 40) - 1.5 * contracting + rng.normal(0, 0.9, n)
    given = rng.random(n) > 0.2
    run = np.zeros(n, dtype=int)
    return Ratings(np.clip(np.round(felt), 0, 10)[given], contracting[given], time_s[given], run[given])


def fix_bend(monkeypatch, ratio):
    for name in ("FIRST_RATIO", "LEAST_RATIO", "LARGEST_RATIO"):
        monkeypatch.setattr(module, name, ratio)


@pytest.mark.parametrize("seed", range(8))
def test_estimate_and_error_equal_generalised_least_squares(reference, seed):
    sm = reference("statsmodels.api")
    own = make_ratings(seed)
    straight, bend = list_drift(own)
    column = own.contracting.astype(float)
    fit = estimate(own, column, rounding=0.1)
    theirs = sm.GLS(own.rating, np.column_stack([straight, column]), sigma=correlate(bend, fit.bend_ratio)).fit()
    assert fit.value == pytest.approx(theirs.params[-1], abs=1e-8)
    # their scale is the weighted sum of squares over n - p, ours over its expectation for independent ratings, which
    # the bend makes smaller
    assert theirs.scale <= fit.scatter.variance <= theirs.scale * 1.2
    assert fit.scatter.df <= theirs.df_resid
    assert theirs.bse[-1] ** 2 / theirs.scale >= fit.weights @ fit.weights
    assert fit.error == pytest.approx(np.sqrt(fit.scatter.variance * (fit.weights @ fit.weights)))


def test_without_a_bend_it_is_ordinary_least_squares_to_the_last_figure(reference, monkeypatch):
    sm = reference("statsmodels.api")
    fix_bend(monkeypatch, 0.0)
    for seed in range(5):
        own = make_ratings(seed)
        column = own.contracting.astype(float)
        theirs = sm.OLS(own.rating, np.column_stack([list_drift(own)[0], column])).fit()
        fit = estimate(own, column, rounding=0.1)
        low, high = theirs.conf_int()[-1]
        assert (fit.value, fit.error, fit.df) == pytest.approx((theirs.params[-1], theirs.bse[-1], theirs.df_resid))
        assert fit.reach - fit.alias == pytest.approx((high - low) / 2)


def test_with_the_bend_of_a_mixed_model_it_finds_the_same_effect(reference, monkeypatch):
    """The bend as a random effect, its variance by restricted maximum likelihood; ours at the ratio they found."""
    sm = reference("statsmodels.api")
    n_bent = 0
    for seed in range(6):
        own = make_ratings(seed, n=25, bend=9.0)
        straight, bend = list_drift(own)
        column = own.contracting.astype(float)
        columns = np.column_stack([straight, column])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a variance at zero is said by a warning, and is as good a case
            theirs = sm.MixedLM(own.rating, columns, groups=np.zeros(own.n), exog_re=bend).fit(reml=True)
        ratio = float(np.sqrt(np.asarray(theirs.cov_re)[0, 0] / theirs.scale))
        fix_bend(monkeypatch, ratio)
        assert estimate(own, column, rounding=0.1).value == pytest.approx(theirs.fe_params[-1], abs=1e-6)
        n_bent += ratio > 0.5
    assert n_bent >= 2


def test_the_bend_is_a_matter_of_points_and_takes_less_from_ratings_that_scatter_widely():
    """So a fifth of a point, beside the scatter that was found; no ratings hang on it beyond their own scatter."""
    quiet, loud = make_ratings(3), make_ratings(3)
    loud = Ratings(5 + 2 * (loud.rating - loud.rating.mean()), loud.contracting, loud.time_s, loud.run)
    column = quiet.contracting.astype(float)
    one, other = (estimate(own, column, rounding=0.1) for own in (quiet, loud))
    assert one.bend_ratio == pytest.approx(0.2 / one.scatter.variance**0.5, rel=0.05)
    assert other.bend_ratio == pytest.approx(one.bend_ratio / 2, rel=0.1)
    assert other.df > one.df
    borrowed = estimate(quiet, column, rounding=0.1, earlier=Scatter(9.0, 400.0))
    assert borrowed.borrowed
    assert borrowed.value == one.value  # a session's change is one number, whatever is learnt from others


def test_on_open_ratings_of_people_under_both_conditions_it_is_least_squares_and_the_paired_t(reference):
    """Ryan, Wilde & Crist, J Ethnobiol 33 (2013): ratings 0-10 of each person under low and high, some missing.

    The data set "rm_anova" that pingouin carries; each person is a stay with a level of its own, time does not count.
    """
    data = reference("pingouin").read_dataset("rm_anova").dropna(subset=["DesireToKill"])
    smf, pingouin = reference("statsmodels.formula.api"), reference("pingouin")
    data["high"] = (data["Disgustingness"] == "High").astype(float)
    n = len(data)
    own = Ratings(
        data["DesireToKill"].to_numpy(float), data["high"].to_numpy() > 0, np.zeros(n), data["Subject"].to_numpy(int)
    )
    fit = estimate(own, data["high"].to_numpy(), rounding=0.1)
    theirs = smf.ols("DesireToKill ~ C(Subject) + high", data).fit()
    assert (fit.value, fit.error) == pytest.approx((theirs.params["high"], theirs.bse["high"]))
    assert fit.df == pytest.approx(theirs.df_resid)
    assert (fit.value - fit.reach, fit.value + fit.reach) == pytest.approx(
        tuple(theirs.conf_int().loc["high"]), abs=1e-6
    )
    whole = data[data.groupby("Subject")["high"].transform("count") == 4]
    sides = whole.groupby(["Subject", "high"])["DesireToKill"].mean().unstack()
    paired = pingouin.ttest(sides[1.0], sides[0.0], paired=True)
    ours = estimate(
        Ratings(
            sides.to_numpy().ravel(), np.tile([False, True], len(sides)), np.zeros(2 * len(sides)),
            np.repeat(np.arange(len(sides)), 2),
        ),
        np.tile([0.0, 1.0], len(sides)), rounding=0.1,
    )  # fmt: skip
    assert ours.value / ours.error == pytest.approx(float(paired["T"].iloc[0]))
    assert ours.df == pytest.approx(float(paired["dof"].iloc[0]))


def test_a_straight_line_and_a_level_of_each_stay_change_nothing():
    own = make_ratings(3)
    column = own.contracting.astype(float)
    before = estimate(own, column, rounding=0.1)
    tilted = Ratings(own.rating + 3 - 0.01 * own.time_s, own.contracting, own.time_s, own.run)
    assert estimate(tilted, column, rounding=0.1).value == pytest.approx(before.value, abs=1e-8)


def test_a_free_bend_takes_out_what_relaxation_carries():
    """An exponential fall with no effect: nothing is left beside a bend that is free, to a fiftieth of a point."""
    time_s = 2 + 20.0 * np.arange(11)
    contracting = np.arange(11) % 2 == 1
    fallen = Ratings(7 - 2.3 * (1 - np.exp(-time_s / 20)), contracting, time_s, np.zeros(11, dtype=int))
    column = contracting.astype(float)
    carried = estimate(fallen, column, rounding=0.1).value
    free = estimate(fallen, column, rounding=0.1, beside=bend_freely(fallen)).value
    assert carried < -0.05
    assert abs(free) < 0.02


def test_what_rounding_may_imitate_is_the_first_harmonic_of_its_error():
    """Against the exact mean of rounding a normal value, at its worst place between two steps."""
    from scipy.stats import norm

    for sd in (0.3, 0.4, 0.5):
        steps = np.arange(-8, 9)
        worst = 0.0
        for x in np.linspace(0, 1, 201):
            share = norm.cdf((steps + 0.5 - x) / sd) - norm.cdf((steps - 0.5 - x) / sd)
            worst = max(worst, abs(float(share @ steps) - x))
        assert find_alias(Scatter(sd**2 + 1 / 12, 10), 1.0) == pytest.approx(worst, rel=0.01)


def test_what_cannot_be_told_apart_is_not_answered():
    time_s = 20.0 * np.arange(6)
    half = time_s > 50
    assert estimate(Ratings(5 + half, half, time_s, np.where(half, 1, 0)), half.astype(float), rounding=1.0) is None
    assert (
        estimate(Ratings(np.ones(2), half[2:4], time_s[:2], np.zeros(2, dtype=int)), half[2:4] + 0.0, rounding=1.0)
        is None
    )
