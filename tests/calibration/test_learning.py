"""Who passes a lesson: not who does not learn, and who does; and when the number goes away."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kendalltau

from biofeedback.analysis.learning import fit_learning
from biofeedback.calibration.learning import ROW, Repeat, find_fall, find_hidden_share, judge_repeats

N_REPEATS = 20


def simulate(seed, *, rate=0.0, start=16.0, floor=4.0, scatter=0.3, half_band=None, keeps=0.5):
    """Errors that fall from ``start`` to ``floor`` by ``rate`` a repeat, with log-normal scatter; half the band given,
    or such that a repeat at the start is kept with chance ``keeps``."""
    rng = np.random.default_rng([seed, round(1000 * rate), round(100 * keeps)])
    true = floor + (start - floor) * np.exp(-rate * np.arange(N_REPEATS))
    errors = true * np.exp(scatter * rng.standard_normal(N_REPEATS))
    limit = np.quantile(start * np.exp(scatter * rng.standard_normal(20000)), keeps) if half_band is None else half_band
    return [Repeat(float(error), bool(error <= limit)) for error in errors]


@pytest.mark.parametrize("keeps", [0.1, 0.3, 0.5])
def test_at_most_five_percent_of_those_who_do_not_learn_pass(keeps):
    """500 computed people, looked at after each of 20 repeats."""
    passed = sum(judge_repeats(simulate(seed, keeps=keeps)).passed for seed in range(500))
    assert passed <= 25


@pytest.mark.parametrize("rate", [0.15, 0.3])
def test_those_who_learn_pass(rate):
    passed = [judge_repeats(simulate(seed, rate=rate, half_band=8.0)).passed for seed in range(200)]
    assert np.mean(passed) >= 0.9


def test_who_keeps_it_from_the_start_passes_by_a_row():
    progress = judge_repeats([Repeat(2.0, True)] * ROW)
    assert progress.passed
    assert progress.reason == "8 in a row were kept"
    assert not judge_repeats([Repeat(2.0, True)] * (ROW - 1)).passed
    assert judge_repeats([]).reason == "not tried yet"


def test_what_was_passed_stays_passed():
    assert judge_repeats([Repeat(2.0, True)] * ROW + [Repeat(9.0, False)] * 5).passed


def test_the_fall_is_kendalls_score():
    errors = [9.0, 7.5, 8.0, 5.0, 6.0, 4.0, 4.5]
    tau = kendalltau(range(7), errors).statistic  # S = tau n (n - 1) / 2
    assert find_fall(errors) == pytest.approx(-tau * 21 / np.sqrt(7 * 6 * 19 / 18))


def test_the_number_goes_away_as_the_error_falls_and_comes_back_with_it():
    start = [Repeat(9.0, False)] * 3
    assert find_hidden_share(start) == 0
    assert find_hidden_share([*start, *[Repeat(9.0, False)] * 3]) == 0
    assert find_hidden_share([*start, *[Repeat(6.5, True)] * 3]) == pytest.approx(1 / 3)
    assert find_hidden_share([*start, *[Repeat(6.5, True)] * 4]) == 0  # every other repeat is shown whole
    assert find_hidden_share([*start, *[Repeat(4.0, True)] * 3]) == pytest.approx(2 / 3)
    assert find_hidden_share([*start, *[Repeat(4.0, True)] * 3, *[Repeat(9.0, False)] * 3]) == 0


@pytest.mark.parametrize("rate", [0.1, 0.2, 0.4])
def test_the_learning_rate_is_found_back_with_an_honest_interval(rate):
    fits = [fit_learning([r.error for r in simulate(seed, rate=rate, scatter=0.15)]) for seed in range(40)]
    assert np.median([fit.rate for fit in fits]) == pytest.approx(rate, rel=0.2)
    held = [fit.low <= rate <= fit.high for fit in fits]
    assert np.mean(held) >= 0.88  # 95 % within the noise of 40


def test_who_does_not_learn_has_no_rate_that_is_clearly_above_zero():
    fits = [fit_learning([r.error for r in simulate(seed)]) for seed in range(40)]
    assert np.mean([fit.improves for fit in fits]) <= 0.1
    assert fit_learning([3.0, 2.0]).reason == "2 repeats; 6 are needed for a curve"
