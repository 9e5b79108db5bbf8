import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.analysis.fatigue import find_band_exit, fit_force_slope, measure_emg_fatigue

RATE_HZ = 2000.0


def make_emg(rng, f0_hz, n, rate_hz=RATE_HZ):
    """Gaussian noise whose power spectrum is f exp(-f / f0); ``f0_hz`` may change along the n samples."""
    f0_hz = np.broadcast_to(f0_hz, n)
    frequency = np.fft.rfftfreq(n, 1 / rate_hz)
    white = np.fft.rfft(rng.normal(size=n))
    grid = np.linspace(f0_hz.min(), f0_hz.max() + 1e-9, 12)
    shaped = np.array(
        [np.fft.irfft(white * np.sqrt(frequency * np.exp(-frequency / f)) / f, n) for f in grid]
    )  # / f: equal amplitude
    position = np.interp(f0_hz, grid, np.arange(12))
    low = np.minimum(position.astype(int), 10)
    share = position - low
    index = np.arange(n)
    return (1 - share) * shaped[low, index] + share * shaped[low + 1, index]


def test_a_steady_contraction_shows_no_fatigue():
    """The median of f exp(-f/f0) within 20-450 Hz is the integral's half, computed here on a fine grid."""
    f0 = 40.0
    result = measure_emg_fatigue(make_emg(np.random.default_rng(1), f0, 60 * 2000), rate_hz=RATE_HZ)
    grid = np.linspace(20, 450, 43001)
    cumulative = np.cumsum(grid * np.exp(-grid / f0))
    assert result.n_epochs == 60
    assert result.median_start_hz == pytest.approx(np.interp(cumulative[-1] / 2, cumulative, grid), rel=0.06)
    assert result.median_slope.low < 0 < result.median_slope.high
    assert result.rms_slope.low < 0 < result.rms_slope.high


def test_a_slowing_spectrum_and_growing_amplitude_are_recovered():
    """0.4 % per second slower (within the band a little less), one per second larger: on average over 8 people."""
    n = 60 * 2000
    time_s = np.arange(n) / RATE_HZ
    results = [
        measure_emg_fatigue(
            make_emg(np.random.default_rng(seed), 60 * (1 - 0.004 * time_s), n) * (1 + 0.01 * time_s), rate_hz=RATE_HZ
        )
        for seed in range(8)
    ]
    grid = np.linspace(20, 450, 43001)
    start, end = (
        np.interp(0.5, np.cumsum(p) / p.sum(), grid) for p in (grid * np.exp(-grid / f0) for f0 in (60, 60 * 0.76))
    )
    true_slope = 100 * (end / start - 1) / 60
    slopes = [r.median_slope for r in results]
    assert np.mean([s.slope for s in slopes]) == pytest.approx(true_slope, abs=0.06)
    assert sum(s.low <= true_slope <= s.high for s in slopes) >= 6
    assert np.mean([r.rms_slope.slope for r in results]) == pytest.approx(1.0, abs=0.06)


def test_spectra_are_refused_where_they_mean_nothing():
    rng = np.random.default_rng(3)
    assert "1000 Hz" in measure_emg_fatigue(rng.normal(size=10000), rate_hz=500).reason
    assert "5 are needed" in measure_emg_fatigue(rng.normal(size=4000), rate_hz=1000).reason
    assert measure_emg_fatigue(np.zeros(10000), rate_hz=1000).median_slope is None
    gappy = rng.normal(size=8000)
    gappy[[500, 2500, 4500]] = np.nan
    assert measure_emg_fatigue(gappy, rate_hz=1000).n_epochs == 5


def test_leaving_the_band_for_two_seconds():
    effort = np.concatenate([np.full(100, 5.0), np.full(1000, 25.0), np.full(150, 15.0), np.full(500, 25.0)])
    effort = np.concatenate([effort, np.full(200, 10.0), np.full(100, 25.0)])
    result = find_band_exit(effort, level_rate_hz=100, low_percent=20)
    assert result.entered_s == 1.0
    assert result.left_s == 17.5  # the dip of 1.5 s at 11 s does not count
    assert result.held_s == 16.5


def test_never_reached_and_never_left():
    assert find_band_exit(np.full(500, 5.0), level_rate_hz=100, low_percent=20).entered_s is None
    held = find_band_exit(np.full(500, 25.0), level_rate_hz=100, low_percent=20)
    assert (held.entered_s, held.left_s, held.held_s) == (0.0, None, None)
    gap = np.concatenate([np.full(100, 25.0), np.full(300, np.nan), np.full(100, 25.0)])
    assert find_band_exit(gap, level_rate_hz=100, low_percent=20).left_s is None


@given(st.integers(0, 400), st.integers(200, 500), st.floats(10, 90))
def test_the_exit_is_where_it_was_made(n_inside, n_below, low):
    effort = np.concatenate([np.full(n_inside + 1, low + 5), np.full(n_below, low - 5)])
    result = find_band_exit(effort, level_rate_hz=100, low_percent=low)
    assert result.left_s == pytest.approx((n_inside + 1) / 100)


def test_force_slope_per_minute_in_tremor():
    rng = np.random.default_rng(4)
    time_s = np.arange(6000) / 100
    effort = 80 - 12 * time_s / 60 + rng.normal(0, 2, 6000)
    trend = fit_force_slope(effort, level_rate_hz=100)
    assert trend.low < -12 < trend.high
    assert trend.slope == pytest.approx(-12, abs=0.5)
    assert fit_force_slope(effort[:400], level_rate_hz=100).slope is None


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="one row"):
        find_band_exit(np.zeros((3, 2)), level_rate_hz=100, low_percent=20)


def test_a_phase_of_hours_has_a_slope_from_longer_blocks():
    minutes = np.arange(3 * 3600 * 100) / 6000
    trend = fit_force_slope(60 - 0.1 * minutes, level_rate_hz=100.0)
    assert 600 <= trend.n < 1200
    assert trend.slope == pytest.approx(-0.1)
