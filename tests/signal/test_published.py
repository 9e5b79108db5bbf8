"""The filters and amplitude estimates against closed forms; each source stands in its file under tests/published."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from biofeedback.calibration.attempt_values import above_baseline
from biofeedback.model import Channel, Chunk, FloatArray
from biofeedback.signal.cascade import response
from biofeedback.signal.emg import band_pass, find_wandering_percent, mains_notch
from biofeedback.signal.force import low_pass
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.spectrum import find_median_frequency, track_median_frequency

PUBLISHED = Path(__file__).parents[1] / "published"
EMG = Channel(name="emg", kind="emg", unit="uV")


def read(name: str) -> dict:
    return json.loads((PUBLISHED / f"{name}.json").read_text("utf-8"))


def rms_levels(counts: FloatArray, rate_hz: float) -> FloatArray:
    return LevelStream([EMG], rate_hz, mains_hz=None).push(Chunk(0, counts[:, None])).values[:, 0]


def gain_db(sections: FloatArray, frequency_hz: float, rate_hz: float) -> float:
    return float(20 * np.log10(abs(response(sections, frequency_hz, rate_hz))))


def test_rms_of_a_sine():
    expected = read("emg_amplitude")["sine"]["rms_per_amplitude"]
    sine = np.sin(2 * np.pi * 100 * np.arange(4000) / 2000)
    np.testing.assert_allclose(rms_levels(sine, 2000)[100:], expected, rtol=2e-4)


def test_rms_of_gaussian_activity_and_its_ratio_to_the_rectified_mean():
    expected = read("emg_amplitude")["gaussian"]
    rng = np.random.default_rng(8)
    activity = np.asarray(signal.sosfilt(band_pass(2000), rng.normal(0, 1, 400_000)))
    rms = np.sqrt(np.mean(rms_levels(activity, 2000)[50:] ** 2))
    once_more = np.asarray(signal.sosfilt(band_pass(2000), activity))[1000:]  # what the level stream squares
    assert rms == pytest.approx(once_more.std(), rel=2e-3)
    assert np.abs(once_more).mean() / rms == pytest.approx(expected["arv_per_sigma"], rel=5e-3)
    assert rms / np.abs(once_more).mean() == pytest.approx(expected["rms_per_arv"], rel=5e-3)


def test_random_error_of_a_quarter_second_is_five_percent():
    case = read("emg_amplitude")["rms_random_error"][0]
    low_hz, high_hz = case["band_hz"]
    assert 1 / (2 * np.sqrt((high_hz - low_hz) * case["window_s"])) == pytest.approx(case["error"])
    assert find_wandering_percent(high_hz - low_hz) == pytest.approx(100 * case["error"])
    n, rate_hz = 2_000_000, 2000
    spectrum = np.fft.rfft(np.random.default_rng(9).normal(size=n))
    frequency_hz = np.fft.rfftfreq(n, 1 / rate_hz)
    spectrum[(frequency_hz < low_hz) | (frequency_hz > high_hz)] = 0
    levels = rms_levels(np.fft.irfft(spectrum, n), rate_hz)[100::25]
    assert levels.std() / levels.mean() == pytest.approx(case["error"], rel=0.08)


def test_resting_noise_leaves_in_quadrature():
    assert read("emg_amplitude")["noise_removal"] == "sqrt(max(0, rms^2 - noise^2))"
    assert [above_baseline(level, 5.0, EMG) for level in (5.0, 13.0, 3.0)] == [0, 12, 0]
    rng = np.random.default_rng(10)
    muscle, noise = rng.normal(0, 3, 400_000), rng.normal(0, 4, 400_000)
    whole, rest = (np.sqrt(np.mean(rms_levels(x, 2000)[50:] ** 2)) for x in (muscle + noise, noise))
    alone = np.sqrt(np.mean(rms_levels(muscle, 2000)[50:] ** 2))
    assert above_baseline(whole, rest, EMG) == pytest.approx(alone, rel=0.01)


@pytest.mark.parametrize("rate_hz", [80.0, 1000.0, 2048.0])
def test_force_filter_has_half_power_at_its_edge(rate_hz):
    assert gain_db(low_pass(12, rate_hz), 12, rate_hz) == pytest.approx(read("butterworth")["edge_db"], abs=1e-3)


def test_emg_filter_has_half_power_at_both_edges():
    expected = read("butterworth")["edge_db"]
    for rate_hz, top_hz in ((2000, 450), (500, 225)):
        assert gain_db(band_pass(rate_hz), 20, rate_hz) == pytest.approx(expected, abs=1e-3)
        assert gain_db(band_pass(rate_hz), top_hz, rate_hz) == pytest.approx(expected, abs=1e-3)


def test_mains_notch():
    case = read("butterworth")["notch"]
    (b, a), rate_hz = signal.iirnotch(case["mains_hz"], case["q"], fs=case["rate_hz"]), case["rate_hz"]
    for edge_hz in case["minus_3_db_hz"]:
        assert gain_db(np.concatenate((b, a))[None], edge_hz, rate_hz) == pytest.approx(-3.01, abs=0.1)
    comb = mains_notch(50, rate_hz)
    assert len(comb) == 9
    for harmonic in range(50, 451, 50):
        assert abs(response(comb, harmonic, rate_hz)) < 1e-5
        assert gain_db(comb, harmonic + 1, rate_hz) == pytest.approx(-3.01, abs=0.1), "2 Hz wide"
    assert gain_db(comb, 75, rate_hz) > -0.05


def test_median_frequency():
    published = read("emg_median_frequency")
    frequency_hz = np.linspace(20, 450, 431)
    assert find_median_frequency(frequency_hz, np.ones(431)) == pytest.approx(published["flat_20_450_hz"], abs=1e-9)
    f0_hz = 60.0
    fine_hz = np.linspace(0, 3000, 300_001)
    found_hz = find_median_frequency(fine_hz, fine_hz * np.exp(-fine_hz / f0_hz))
    assert found_hz == pytest.approx(published["f_exp_minus_f_over_f0"] * f0_hz, rel=1e-5)
    assert find_median_frequency(frequency_hz, np.zeros(431)) is None


def test_median_frequency_of_white_noise_epoch_by_epoch():
    white = np.random.default_rng(11).normal(size=120_500)
    track = track_median_frequency(white, 2000)
    assert track.time_s[[0, -1]].tolist() == [0.5, 59.5]
    assert track.median_hz.mean() == pytest.approx(read("emg_median_frequency")["flat_20_450_hz"], abs=4)
    white[3000] = np.nan
    assert np.flatnonzero(np.isnan(track_median_frequency(white, 2000).median_hz)).tolist() == [1]
