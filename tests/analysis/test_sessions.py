import numpy as np
import pytest
from scipy.special import stdtrit

from biofeedback.analysis.response import RatedPhase, compute_response
from biofeedback.analysis.sessions import (
    combine_responses,
    combine_sessions,
    estimate_between_variance,
    estimate_random_mean,
)


def make_session(rng, change, n_cycles=5, sd=0.8):
    return compute_response(
        [
            RatedPhase("contract" if i % 2 else "passive", float(np.clip(6 + change * (i % 2) + e, 0, 10)), 20.0 * i)
            for i, e in enumerate(np.round(rng.normal(0, sd, 2 * n_cycles + 1), 1))
        ]
    )


def read_bcg(data):
    a, b, c, d = (
        np.array(data[k], dtype=float) for k in ("treated_cases", "treated_healthy", "control_cases", "control_healthy")
    )
    return np.log(a / (a + b) / (c / (c + d))), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def test_bcg_trials_reml_and_knapp_hartung(published):
    data = published("viechtbauer_2010_bcg")
    y, v = read_bcg(data)
    answer = combine_sessions(y, np.sqrt(v))
    assert round(answer.between_sd**2, 4) == data["tau2"]
    assert round(answer.mean_change, 4) == data["mean"]
    assert round(answer.q, 3) == data["q"]
    assert round(answer.error, 4) == data["knapp_hartung_error"]


def test_mean_and_error_equal_statsmodels_at_its_between_variance(reference, published):
    combine_effects = reference("statsmodels.stats.meta_analysis").combine_effects
    y, v = read_bcg(published("viechtbauer_2010_bcg"))
    theirs = combine_effects(y, v, method_re="iterated")
    mean, error = estimate_random_mean(y, v, theirs.tau2)
    assert mean == pytest.approx(theirs.mean_effect_re, rel=1e-12)
    assert error == pytest.approx(theirs.sd_eff_w_re_hksj, rel=1e-12)


def test_reml_maximises_the_restricted_likelihood():
    from scipy.optimize import minimize_scalar

    rng = np.random.default_rng(3)
    for _ in range(10):
        v = rng.uniform(0.05, 0.5, 8)
        y = rng.normal(-1, np.sqrt(v + 0.6))

        def minus_log_likelihood(tau2, y=y, v=v):
            w = 1 / (v + tau2)
            mean = np.sum(w * y) / w.sum()
            return 0.5 * (np.sum(np.log(v + tau2)) + np.log(w.sum()) + np.sum(w * (y - mean) ** 2))

        best = minimize_scalar(minus_log_likelihood, bounds=(0, 10), method="bounded", options={"xatol": 1e-9})
        assert estimate_between_variance(y, v) == pytest.approx(best.x, abs=1e-4)


def test_equal_errors_give_the_t_interval_of_the_means():
    changes = [-1.0, -2.0, 0.5, -1.5]
    answer = combine_sessions(changes, [0.01] * 4)
    sem = np.std(changes, ddof=1) / 2
    assert answer.mean_change == pytest.approx(-1)
    assert answer.low == pytest.approx(-1 - stdtrit(3, 0.975) * sem, rel=1e-6)


@pytest.mark.parametrize("between", [0.0, 0.7])
def test_intervals_hold_the_truth(between):
    """300 people of 6 sessions: mean and next session's measured change inside their 95 % intervals."""
    rng = np.random.default_rng(11)
    held, next_held = [], []
    for _ in range(300):
        truths = rng.normal(-1, between, 7)
        *sessions, ahead = (make_session(rng, t) for t in truths)
        answer = combine_responses(sessions)
        held.append(answer.low <= -1 <= answer.high)
        next_held.append(answer.next_low <= ahead.mean_change <= answer.next_high)
    assert 0.91 < np.mean(held) < 0.985  # 0.95 +- 3 standard errors
    assert np.mean(next_held) > 0.91


def test_every_session_counts_with_the_scatter_that_all_of_them_have_together():
    rng = np.random.default_rng(4)
    used = [make_session(rng, -1.0, sd=sd, n_cycles=n) for sd, n in ((0.3, 4), (0.8, 6), (1.5, 8))]
    df = np.array([one.scatter.df for one in used])
    sds = np.array([one.rating_sd for one in used])
    errors = np.array([one.error for one in used])
    together = np.sqrt(df @ sds**2 / df.sum())  # the mean of the variances, each weighted by its freedom
    expected = combine_sessions([one.mean_change for one in used], errors / sds * together)
    answer = combine_responses(used)
    assert (answer.mean_change, answer.between_sd) == pytest.approx((expected.mean_change, expected.between_sd))


def test_sessions_that_agree_exactly_are_not_certainty():
    answer = combine_sessions([-1.0, -1.0, -1.0], [0.5, 0.5, 0.5])
    assert answer.low < -1 < answer.high
    assert answer.between_sd == 0


def test_words_and_sentences():
    rng = np.random.default_rng(2)
    for change, word in ((-2, "less"), (2, "more"), (0, "no clear difference")):
        answer = combine_responses([make_session(rng, change) for _ in range(6)])
        assert answer.word == word
        assert word in answer.sentences()[0]
        assert answer.sentences()[1].startswith("The next session may bring")


def test_a_drift_that_all_sessions_share_is_told_and_part_of_the_interval():
    time_s = 2 + 20.0 * np.arange(11)
    fallen = 7 - 3 * (1 - np.exp(-time_s / 20))
    rng = np.random.default_rng(5)
    bent = [
        compute_response(
            [
                RatedPhase("contract" if i % 2 else "passive", float(np.round(r + rng.normal(0, 0.2), 1)), float(t))
                for i, (r, t) in enumerate(zip(fallen, time_s, strict=True))
            ]
        )
        for _ in range(8)
    ]
    answer = combine_responses(bent)
    assert answer.carried_points > 0.1
    assert answer.high - answer.mean_change > answer.carried_points
    assert "does not average out over sessions" in answer.sentences()[1]
    straight = combine_responses([make_session(np.random.default_rng(k), -2, sd=0.2) for k in range(8)])
    assert "average out" not in " ".join(straight.sentences())


def test_the_next_session_scatters_by_itself_between_sessions_and_around_a_mean_that_is_not_known_well():
    answer = combine_sessions([-2.0, -1.0, -3.0, -0.5], [0.4, 0.5, 0.6, 0.5])
    alone = np.mean(np.square([0.4, 0.5, 0.6, 0.5]))
    wide = 3.182446 * np.sqrt(answer.between_sd**2 + alone + answer.error**2)  # t(3), 97.5 %
    assert answer.next_high - answer.mean_change == pytest.approx(wide, rel=1e-5)
    assert answer.mean_change - answer.next_low == pytest.approx(wide, rel=1e-5)


def test_too_few_and_short_sessions_are_said():
    rng = np.random.default_rng(2)
    sessions = [make_session(rng, -2), make_session(rng, -2), make_session(rng, -2, n_cycles=2)]
    answer = combine_responses(sessions)
    assert answer.word == "too few ratings to say"
    assert answer.reason == "2 sessions, 3 are needed"
    assert answer.notes == ("1 session with fewer than 3 rated contractions left out",)
    assert combine_responses([]).mean_change is None
    assert combine_responses([]).carried_points == combine_responses(sessions[:1]).carried_points == 0
    assert combine_responses(sessions[:1]).mean_change == pytest.approx(sessions[0].mean_change)
    with pytest.raises(ValueError, match="standard error"):
        combine_sessions([1.0], [0.0])
