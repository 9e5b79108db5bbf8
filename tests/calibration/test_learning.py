"""Who passes a lesson: not who does not learn, and who does; and when the number goes away."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest

from biofeedback.account.kinds import RepeatMade
from biofeedback.analysis.learning import fit_learning
from biofeedback.calibration.learning import (
    EVIDENCE,
    KEPT_AT_MOST,
    Repeat,
    find_falling,
    find_hidden_share,
    find_keeping,
    judge_repeats,
    list_repeats,
)

N_REPEATS = 20
ROW = 14  # so many kept from the first on pass


def simulate(seed, *, rate=0.0, start=16.0, floor=4.0, scatter=0.3, half_band=None, keeps=0.5, n=N_REPEATS):
    """Errors that fall from ``start`` to ``floor`` by ``rate`` a repeat, with log-normal scatter; half the band given,
    or such that a repeat at the start is kept with chance ``keeps``."""
    rng = np.random.default_rng([seed, round(1000 * rate), round(100 * keeps)])
    true = floor + (start - floor) * np.exp(-rate * np.arange(n))
    errors = true * np.exp(scatter * rng.standard_normal(n))
    limit = np.quantile(start * np.exp(scatter * rng.standard_normal(20000)), keeps) if half_band is None else half_band
    return [Repeat(float(error), bool(error <= limit)) for error in errors]


@pytest.mark.parametrize("n", [20, 60])
@pytest.mark.parametrize("keeps", [0.1, 0.3, 0.5, 0.7])
def test_at_most_five_percent_of_those_who_do_not_learn_pass(keeps, n):
    """500 computed people who keep a constant share, looked at after each repeat of four and of twelve runs."""
    passed = sum(judge_repeats(simulate(seed, keeps=keeps, n=n)).passed for seed in range(500))
    assert passed <= 25


def test_who_does_not_find_it_most_times_and_quickly_else_does_not_pass():
    """Errors that are cut off: what is not found within 8 s counts as 8 s, so that many are alike."""
    passed = 0
    for seed in range(500):
        seconds = np.random.default_rng(seed).exponential(6.6, N_REPEATS)  # 70 % within 8 s
        passed += judge_repeats([Repeat(float(min(s, 8.0)), bool(s < 8.0)) for s in seconds]).passed
    assert passed <= 25


@pytest.mark.parametrize("rate", [0.15, 0.3])
def test_those_who_learn_pass(rate):
    passed = [judge_repeats(simulate(seed, rate=rate, half_band=8.0)).passed for seed in range(200)]
    assert np.mean(passed) >= 0.9


def test_who_can_do_it_already_passes_within_four_runs():
    passed = [judge_repeats(simulate(seed, start=4.0, half_band=8.0)).passed for seed in range(200)]
    assert np.mean(passed) >= 0.9


def test_a_bet_on_who_keeps_seven_in_ten_is_fair():
    """Every series of twelve with its chance: what is expected of the evidence is what was laid on it, and no more."""
    expected = 0.0
    for kept in product((True, False), repeat=12):
        n = sum(kept)
        chance = KEPT_AT_MOST**n * (1 - KEPT_AT_MOST) ** (12 - n)
        expected += chance * find_keeping([Repeat(None, one) for one in kept])[-1]
    assert expected == pytest.approx(1 - 1 / 13)


def test_a_bet_on_errors_that_do_not_fall_is_fair():
    """Every order of six errors is as likely as any other: the bet is worth on average what it began with."""
    worth = [find_falling(order)[-1] for order in permutations([1.0, 2.0, 3.0, 5.0, 8.0, 13.0])]
    assert np.mean(worth) == pytest.approx(1.0)
    assert max(worth) == find_falling([13.0, 8.0, 5.0, 3.0, 2.0, 1.0])[-1]
    assert find_falling([4.0, None, 4.0, None]) == [1.0, 1.0, 1.0, 1.0]  # alike, and not known: nothing is won


def test_who_keeps_it_from_the_start_passes_by_keeping_it():
    progress = judge_repeats([Repeat(2.0, True)] * ROW)
    assert progress.passed
    assert progress.reason == "kept, clearly more often than seven times in ten"
    assert not judge_repeats([Repeat(2.0, True)] * (ROW - 1)).passed
    assert judge_repeats([]).reason == "not tried yet"


@pytest.mark.parametrize("begun", [[True] * 6, [False, True, False, False], [False] * 8, [True] * 13])
def test_how_many_more_kept_in_a_row_would_pass_is_said_and_true(begun):
    repeats = [Repeat(2.0, kept) for kept in begun]
    said = judge_repeats(repeats).reason
    assert said.startswith(f"{sum(begun)} of {len(begun)} kept; ")
    more = int(said.split(", or ")[1].split()[0])
    assert find_keeping([*repeats, *[Repeat(2.0, True)] * more])[-1] >= EVIDENCE
    assert judge_repeats([*repeats, *[Repeat(2.0, True)] * more]).passed
    assert not judge_repeats([*repeats, *[Repeat(2.0, True)] * (more - 1)]).passed


def test_what_was_passed_stays_passed():
    assert judge_repeats([Repeat(2.0, True)] * ROW + [Repeat(9.0, False)] * 5).passed


def test_the_number_goes_away_as_the_error_falls_and_comes_back_with_it():
    start = [Repeat(9.0, False)] * 3
    assert find_hidden_share(start) == 0
    assert find_hidden_share([*start, *[Repeat(9.0, False)] * 3]) == 0
    assert find_hidden_share([*start, *[Repeat(6.5, True)] * 3]) == pytest.approx(1 / 3)
    assert find_hidden_share([*start, *[Repeat(6.5, True)] * 4]) == 0  # every other repeat is shown whole
    assert find_hidden_share([*start, *[Repeat(4.0, True)] * 3]) == pytest.approx(2 / 3)
    assert find_hidden_share([*start, *[Repeat(4.0, True)] * 3, *[Repeat(9.0, False)] * 3]) == 0


@pytest.mark.parametrize(
    ("first", "between", "last", "kept", "share"),
    [
        (10.0, 0, 6.0, True, 2 / 3),  # 0.6 of the first three: all but the beginning is hidden
        (10.0, 1, 6.0, True, 2 / 3),
        (10.0, 0, 6.1, True, 1 / 3),
        (10.0, 1, 6.1, True, 0.0),  # a third of it only every other time
        (10.0, 0, 8.0, False, 1 / 3),
        (10.0, 0, 8.1, True, 1 / 3),  # hardly less of an error, but kept
        (10.0, 0, 8.1, False, 0.0),
        (10.0, 1, 8.1, True, 0.0),
        (0.0, 0, 0.0, True, 2 / 3),  # no error to begin with
    ],
)
def test_how_much_of_the_next_repeat_goes_without_the_number(first, between, last, kept, share):
    repeats = [Repeat(first, True)] * 3 + [Repeat(5.0, True)] * between + [Repeat(last, kept)] * 3
    assert find_hidden_share(repeats) == pytest.approx(share)
    assert find_hidden_share([*repeats[:3], Repeat(None, True), Repeat(None, True), *repeats[3:]]) == pytest.approx(
        share
    )
    assert find_hidden_share(repeats[:5]) == 0.0


def test_the_repeats_of_a_lesson_are_its_own_oldest_first():
    made = [
        RepeatMade(lesson=lesson, phase_index=1, error=error, kept=error < 3)
        for lesson, error in (("light", 4.0), ("steady", 1.0), ("light", 2.0))
    ]
    assert list_repeats(made, "light") == [Repeat(4.0, False), Repeat(2.0, True)]
    assert list_repeats(made, "ramp") == []


def test_a_falling_error_passes_once_its_last_three_were_kept():
    falling = [20.0, 17.0, 14.0, 11.0, 9.0, 7.0, 5.0, 3.0]
    repeats = [Repeat(error, error < 9) for error in falling]
    assert find_falling(falling)[-1] >= EVIDENCE
    progress = judge_repeats(repeats)
    assert (progress.passed, progress.n) == (True, 8)
    assert progress.reason == "the error fell over 8 repeats, beyond chance, and the last 3 were kept"
    assert not judge_repeats([*repeats[:-1], Repeat(3.0, False)]).passed
    assert not judge_repeats([*repeats[:-3], Repeat(7.0, False), *repeats[-2:]]).passed


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
