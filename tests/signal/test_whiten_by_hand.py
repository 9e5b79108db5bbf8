"""The whitening filter worked out anew: learnt with SciPy's own solvers and spectra, run frame by frame."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter, welch

from biofeedback.signal.whiten import (
    Whitening,
    WhiteningBank,
    WhiteningFilter,
    learn_whitening,
    measure_bandwidth,
    measure_independent,
    whiten,
)

RATE_HZ = 1000.0
FLOORS = (1e-4, 1e-3, 3e-3, 1e-2, 3e-2, 0.1, 0.3, 1.0)


def colour(seconds: float, seed: int, *, edge: float = 0.9) -> np.ndarray:
    """Noise that is mostly slow."""
    noise = np.random.default_rng(seed).normal(0, 1, round(seconds * RATE_HZ))
    return np.asarray(lfilter([1.0], [1.0, -edge], noise))


def spectrum(x: np.ndarray) -> np.ndarray:
    """Welch's mean of Hann-windowed quarters of a second that overlap by half; both sides of the spectrum count."""
    n = round(RATE_HZ / 4)
    _, power = welch(x, RATE_HZ, window="hann", nperseg=n, noverlap=n // 2, detrend=False, return_onesided=False)
    return np.asarray(power[: n // 2 + 1])


def learn(contraction: np.ndarray, rest: np.ndarray, maximum: float | None) -> tuple[np.ndarray, float, float]:
    """Of the models with more and more white noise the one with the least error at a quarter of the maximum, of those
    that are no worse than none at 12 %; scaled to the same RMS."""
    taught, judged = contraction[: 2 * len(contraction) // 3], contraction[2 * len(contraction) // 3 :]
    size = math.sqrt(np.mean(judged**2))
    muscle, noise = (maximum / size if maximum else 1.0) ** 2 * spectrum(judged), spectrum(rest)

    def error(coefficients: np.ndarray, effort: float) -> float:
        gain = np.abs(np.fft.rfft(coefficients, 2 * (len(muscle) - 1))) ** 2
        return math.sqrt((((effort**2 * muscle + noise) * gain) ** 2).sum()) / (effort**2 * muscle * gain).sum()

    tried = []
    for floor in FLOORS:
        lags = np.array([taught[: len(taught) - k] @ taught[k:] for k in range(7)])
        column = np.array([lags[0] * (1 + floor), *lags[1:6]])
        tried.append(np.array([1.0, *-solve_toeplitz(column, lags[1:])]))
    plain = np.array([1.0])
    able = [one for one in tried if error(one, 0.12) <= error(plain, 0.12)]
    best = min(able, key=lambda one: error(one, 0.25))
    after = np.convolve(judged, best, "valid")
    return (
        best * size / math.sqrt(np.mean(after**2)),
        measure_bandwidth(judged, RATE_HZ),
        measure_bandwidth(after, RATE_HZ),
    )


@pytest.mark.parametrize("noise", [0.01, 0.1])
@pytest.mark.parametrize("maximum", [None, 5.0])
def test_what_is_learnt_is_what_scipy_makes_of_it(noise: float, maximum: float | None) -> None:
    contraction = colour(4.0, 1)
    rest = noise * np.random.default_rng(2).normal(0, 1, 700)
    learnt = learn_whitening(contraction, rest, RATE_HZ, maximum=maximum)
    assert isinstance(learnt, Whitening)
    coefficients, before_hz, after_hz = learn(contraction, rest, maximum)
    np.testing.assert_allclose(learnt.coefficients, coefficients, rtol=1e-6)
    assert learnt.bandwidth_before_hz == pytest.approx(before_hz)
    assert learnt.bandwidth_after_hz == pytest.approx(after_hz, rel=1e-6)
    np.testing.assert_allclose(learnt.rest, np.convolve(rest, coefficients, "valid"), rtol=1e-5, atol=1e-9)


def test_the_bandwidth_is_that_of_welchs_spectrum() -> None:
    x = colour(3.0, 4)
    n = round(RATE_HZ / 4)
    power = spectrum(x)
    assert measure_bandwidth(x, RATE_HZ) == pytest.approx(power.sum() ** 2 / (power**2).sum() * RATE_HZ / n, rel=1e-6)


def test_the_filter_over_samples_is_a_convolution_without_its_beginning() -> None:
    x = np.arange(10.0) ** 2
    np.testing.assert_allclose(whiten(x, np.array([2.0, -1.0, 0.5])), np.convolve(x, [2.0, -1.0, 0.5], "valid"))


@pytest.mark.parametrize(("per_s", "n"), [(100.0, 12), (50.0, 6), (4.0, 1)])
def test_how_means_scatter_beside_their_neighbours(per_s: float, n: int) -> None:
    """Logarithms of means over 0.12 s against the mean of those before and after; what is not known is left out."""
    power = np.random.default_rng(7).gamma(5.0, 1.0, round(4 * per_s))
    power[round(2 * per_s)] = np.nan
    off = []
    for k in range(n, len(power) - 2 * n + 1):
        before, own, after = (np.log(np.mean(power[at : at + n])) for at in (k - n, k, k + n))
        value = own - (before + after) / 2
        if np.isfinite(value):
            off.append(value)
    expected = 1.5 / np.mean(np.square(off)) / (n / per_s)
    assert measure_independent(power, per_s) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("n_levels", "is_told"), [(35, False), (123, False), (124, True)])
def test_less_than_a_second_of_means_tells_nothing(n_levels: int, is_told: bool) -> None:
    """Of 12 levels each, with 12 before and after: 100 are left of 135, less two dozen and eleven."""
    power = np.random.default_rng(7).gamma(5.0, 1.0, n_levels + 11)
    assert (measure_independent(power, 100.0) > 0) is is_told


ONE = WhiteningFilter((1.3, -0.9, 0.3), rest_excess=4.0, plain_below=5.0, whole_above=20.0, release_s=0.16)


def run_by_hand(x: np.ndarray, one: WhiteningFilter) -> np.ndarray:
    """Frame by frame: how loud the last 0.2 s were says how far the filter acts, between the squares of both edges."""
    keep = math.exp(-1 / (0.2 * RATE_HZ))
    loud, found = 0.0, []
    for k in range(len(x)):
        y = sum(c * x[k - lag] for lag, c in enumerate(one.coefficients) if k >= lag)
        loud = keep * loud + (1 - keep) * x[k] ** 2
        share = (loud - one.plain_below**2) / (one.whole_above**2 - one.plain_below**2)
        share = min(1.0, max(0.0, share))
        found.append((1 - share) * x[k] ** 2 + share * (y**2 - one.rest_excess))
    return np.array(found)


@pytest.mark.parametrize("cut", [1, 7, 600])
def test_squares_are_those_worked_out_frame_by_frame(cut: int) -> None:
    x = np.random.default_rng(3).normal(0, 1, 600) * np.repeat([2.0, 12.0, 40.0], 200)
    bank = WhiteningBank(2, RATE_HZ, 10)
    bank.set_filter(1, ONE)
    bank.start()
    parts = [bank.run(np.vstack([x[at : at + cut]] * 2)) for at in range(0, 600, cut)]
    plain, filtered = np.concatenate(parts, axis=1)
    np.testing.assert_array_equal(plain, x * x)
    np.testing.assert_allclose(filtered, run_by_hand(x, ONE), rtol=1e-9, atol=1e-9)
    bank.start()
    np.testing.assert_allclose(bank.run(np.vstack([x[:50]] * 2))[1], run_by_hand(x[:50], ONE), rtol=1e-9, atol=1e-9)
    bank.set_filter(1, WhiteningFilter((1.0,), 0.0, 0.0, 0.0, 0.0))
    np.testing.assert_array_equal(bank.run(np.vstack([x[:50]] * 2))[1], x[:50] ** 2)


def test_rest_ends_a_contraction_where_the_newest_hops_are_at_rest_and_the_window_is_not() -> None:
    """Of 25 hops of 10 frames the newest 16 (0.16 s); at rest is below 5 squared, the window more than twice that."""
    newest = {"rest": 24.0, "edge": 25.0, "effort": 400.0}
    oldest = {
        "less": 25 / 9 * (1.98 * 24.0) - 16 / 9 * 24.0,
        "more": 25 / 9 * (2.02 * 24.0) - 16 / 9 * 24.0,
        "loud": 900.0,
    }
    rows = [("rest", "less", False), ("rest", "more", True), ("rest", "loud", True), ("edge", "loud", False)]
    rows.append(("effort", "loud", False))
    sums = np.array([[10 * oldest[old]] * 9 + [10 * newest[new]] * 16 for new, old, _ in rows])
    bank = WhiteningBank(2, RATE_HZ, 10)
    bank.set_filter(1, ONE)
    both = np.stack([sums, sums])
    power = both.sum(axis=-1) / 250
    expected = np.where([ends for _, _, ends in rows], sums[:, 9:].sum(axis=1) / 160, power[1])
    told = bank.cut_release(power.copy(), both, 250)
    np.testing.assert_allclose(told[0], power[0])
    np.testing.assert_allclose(told[1], expected)
    np.testing.assert_allclose(bank.cut_release(power.copy(), both, np.full(5, 249)), power)
    for release_s in (0.0, 0.25):  # never, and over the whole window
        bank.set_filter(1, WhiteningFilter((1.3, -0.9), 4.0, 5.0, 20.0, release_s))
        np.testing.assert_allclose(bank.cut_release(power.copy(), both, 250), power)
    bank.set_filter(1, WhiteningFilter((1.3, -0.9), 4.0, 5.0, 20.0, 0.001))  # one hop at least
    assert bank.cut_release(power.copy(), both, 250)[1, 2] == pytest.approx(24.0)
