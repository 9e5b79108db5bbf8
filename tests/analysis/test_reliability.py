import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.analysis.reliability import (
    MDC_FACTOR,
    RepeatError,
    compare_sides,
    compute_reliability,
    estimate_repeat_error,
    estimate_session_error,
)


def test_shrout_fleiss_1979(published):
    data = published("shrout_fleiss_1979")
    result = compute_reliability(data["scores"])
    for name in ("ms_subjects", "ms_within", "ms_trials", "ms_error", "sem", "mdc95"):
        assert getattr(result, name) == pytest.approx(data[name], abs=5e-7), name
    for name, (value, low, high) in data["icc"].items():
        icc = result.icc(name)
        assert icc.value == pytest.approx(value, abs=5e-8)
        assert (round(icc.low, 2), round(icc.high, 2)) == (low, high)
    for name, (f, *df) in data["f"].items():
        assert result.icc(name).f == pytest.approx(f, abs=5e-7)
        assert result.icc(name).df == tuple(df)
    assert result.icc("ICC(3,1)").p == pytest.approx(data["p_icc_3"], abs=5e-6)


def test_weir_2005(published):
    data = published("weir_2005")
    scores = np.column_stack([data["first"], data["second"]])
    result = compute_reliability(scores)
    assert result.ms_error == pytest.approx(data["ms_error"], abs=5e-7)
    assert result.ms_trials == pytest.approx(data["ms_trials"])
    assert result.sem == pytest.approx(data["sem"], abs=5e-7)
    assert round(result.sem, 1) == data["sem_printed"]
    assert result.mdc95 == pytest.approx(data["mdc95"], abs=1e-5)
    for name, value in data["icc"].items():
        assert result.icc(name).value == pytest.approx(value, abs=5e-7)
    sd, icc = scores.std(ddof=1), result.icc("ICC(3,1)").value
    assert sd == pytest.approx(data["sd"], abs=5e-5)
    assert sd * np.sqrt(icc * (1 - icc)) == pytest.approx(data["see"], abs=5e-5)
    assert sd * np.sqrt(1 - icc**2) == pytest.approx(data["sep"], abs=5e-5)
    assert RepeatError(5.0, MDC_FACTOR * 5, 9).mdc95 == pytest.approx(data["mdc95_for_sem_5"], abs=5e-7)


@pytest.mark.filterwarnings("ignore")  # of the reference library's own making
def test_iccs_equal_pingouin(reference):
    pingouin, pandas = reference("pingouin"), reference("pandas")
    rng = np.random.default_rng(6)
    for n, k in ((5, 2), (12, 3)):
        scores = rng.normal(100, 10, (n, 1)) + rng.normal(0, 4, (n, k)) + np.arange(k)
        rows = [(i, j, scores[i, j]) for i in range(n) for j in range(k)]
        table = pandas.DataFrame(rows, columns=["subject", "trial", "score"])
        theirs = pingouin.intraclass_corr(table, targets="subject", raters="trial", ratings="score")
        ours = compute_reliability(scores).iccs
        by_type = {
            "ICC(1,1)": "ICC(1,1)",
            "ICC(2,1)": "ICC(A,1)",
            "ICC(3,1)": "ICC(C,1)",
            "ICC(1,k)": "ICC(1,k)",
            "ICC(2,k)": "ICC(A,k)",
            "ICC(3,k)": "ICC(C,k)",
        }
        for icc in ours:
            row = theirs[theirs["Type"] == by_type[icc.name]].iloc[0]
            assert icc.value == pytest.approx(row["ICC"], abs=1e-9)
            assert icc.p == pytest.approx(row["pval"], rel=1e-6)
            assert [icc.low, icc.high] == pytest.approx(list(row["CI95"]), abs=0.0051)


@given(st.floats(-50, 50), st.floats(0.1, 20))
def test_a_change_of_unit_leaves_iccs_and_scales_the_sem(shift, scale):
    scores = np.random.default_rng(3).normal(50, 10, (6, 1)) + np.random.default_rng(4).normal(0, 3, (6, 3))
    plain, moved = compute_reliability(scores), compute_reliability(shift + scale * scores)
    assert moved.icc("ICC(2,1)").value == pytest.approx(plain.icc("ICC(2,1)").value, abs=1e-9)
    assert moved.mdc95 == pytest.approx(scale * plain.mdc95, rel=1e-9)


def test_repeat_error_pools_days_of_unequal_size():
    error = estimate_repeat_error([[100, 104], [110, 112, 117], [95]])
    # squares 8 and 26, one and two degrees of freedom
    assert error.sem == pytest.approx(np.sqrt(34 / 3))
    assert error.df == 3
    assert estimate_repeat_error([[100, 104]]).sem is None
    assert "needed" in estimate_repeat_error([[100], [104]]).reason


def test_session_error_ignores_a_slow_trend_and_finds_the_scatter():
    rng = np.random.default_rng(8)
    values = 300 + 2.0 * np.arange(4000) + rng.normal(0, 15, 4000)
    assert estimate_session_error(values).sem == pytest.approx(15, rel=0.05)
    assert estimate_session_error([300, 310, 305]).mdc95 is None
    assert "resolution" in estimate_session_error([7, 7, 7, 7, 7]).reason


def test_minimal_detectable_change_is_exceeded_by_1_in_20_unchanged_pairs():
    rng = np.random.default_rng(9)
    pairs = rng.normal(100, 5, (20000, 2))
    error = RepeatError(5.0, MDC_FACTOR * 5, 100)
    real = [abs(b - a) > error.mdc95 for a, b in pairs]
    assert np.mean(real) == pytest.approx(0.05, abs=0.005)


def test_sides_compared_by_welch_equal_scipy():
    from scipy.stats import ttest_ind

    left, right = [310.0, 322, 305], [280.0, 296, 274]
    ours = compare_sides(left, right)
    interval = ttest_ind(np.log(left), np.log(right), equal_var=False).confidence_interval()
    assert ours.low == pytest.approx(100 * np.expm1(interval.low))
    assert ours.high == pytest.approx(100 * np.expm1(interval.high))
    assert ours.word == "left higher"
    assert compare_sides(right, left).word == "right higher"
    assert compare_sides([300, 310], [305, 300]).word == "no clear difference"


def test_sides_that_cannot_be_compared():
    assert compare_sides([300], [280, 290]).left_minus_right_percent is None
    assert compare_sides([0, 300], [280, 290]).word == "unknown"
    assert compare_sides([300, 300], [280, 280]).low is None


def test_tables_without_error_or_with_gaps_are_refused():
    with pytest.raises(ValueError, match="complete table"):
        compute_reliability([[1, 2], [np.nan, 3]])
    with pytest.raises(ValueError, match="agree exactly"):
        compute_reliability([[1, 1], [2, 2], [3, 3]])


@pytest.mark.parametrize("n_sessions", [5, 6, 8, 12])
def test_unchanged_sessions_seldom_look_changed_however_few_they_are(n_sessions):
    values = np.random.default_rng(n_sessions).normal(400, 20, (2000, n_sessions))
    beyond = [abs(row[-1] - row[0]) > estimate_session_error(row).mdc95 for row in values]
    assert 0.005 < np.mean(beyond) < 0.06  # derived: at most 1 in 20
