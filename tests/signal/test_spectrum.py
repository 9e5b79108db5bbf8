"""Spectra only where the sample rate carries them."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.errors import AnalysisError
from biofeedback.signal.spectrum import track_median_frequency


def test_a_slow_board_has_no_spectrum():
    with pytest.raises(AnalysisError) as caught:
        track_median_frequency(np.zeros(5000), 500)
    assert str(caught.value).startswith("sampled at 500 Hz; a spectrum needs 1000 Hz; ")


def test_epochs_are_half_a_second_to_a_second():
    white = np.random.default_rng(1).normal(size=10_000)
    assert track_median_frequency(white, 1000, epoch_s=0.5).time_s.tolist() == list(np.arange(20) * 0.5 + 0.25)
    with pytest.raises(ValueError, match=r"0\.5 to 1"):
        track_median_frequency(white, 1000, epoch_s=2)


def test_a_silent_channel_has_no_median_frequency():
    assert np.isnan(track_median_frequency(np.full(3000, 512.0), 1000).median_hz).all()
    assert track_median_frequency(np.zeros(100), 1000).median_hz.size == 0


def test_the_spectrum_of_a_tiring_muscle_comes_down():
    rate_hz, epochs = 1000, []
    rng = np.random.default_rng(2)
    frequency_hz = np.fft.rfftfreq(rate_hz * 10, 1 / rate_hz)
    for f0_hz in (70, 55):
        white = np.fft.rfft(rng.normal(size=rate_hz * 10))
        epochs.append(np.fft.irfft(white * np.sqrt(frequency_hz * np.exp(-frequency_hz / f0_hz)), rate_hz * 10))
    median_hz = track_median_frequency(np.concatenate(epochs), rate_hz).median_hz
    assert median_hz[:10].mean() == pytest.approx(1.678 * 70, rel=0.05)
    assert median_hz[10:].mean() == pytest.approx(1.678 * 55, rel=0.05)


def test_hum_does_not_hide_a_spectrum_that_slows() -> None:
    """A muscle whose median falls from 113 Hz; hum of twice its power at 50.2 Hz held the median at 64 Hz once."""
    rate_hz, rng = 1000, np.random.default_rng(11)
    epochs = []
    for k in range(20):
        frequency_hz = np.fft.rfftfreq(rate_hz, 1 / rate_hz)
        middle_hz = 80.0 * (1 - 0.02 * k)
        shape = np.sqrt(frequency_hz * np.exp(-frequency_hz / middle_hz))
        epochs.append(np.fft.irfft(np.fft.rfft(rng.normal(size=rate_hz)) * shape, rate_hz))
    clean = np.concatenate(epochs)
    hum = 2 * clean.std() * np.sin(2 * np.pi * 50.2 * np.arange(clean.size) / rate_hz)
    before, after = track_median_frequency(clean, rate_hz), track_median_frequency(clean + hum, rate_hz)
    assert before.hum_share == 0.0
    assert after.mains_hz is not None
    assert abs(after.mains_hz - 50.2) < 0.1
    assert 0.6 < after.hum_share < 0.8, "2 parts of 3"
    np.testing.assert_allclose(after.median_hz, before.median_hz, rtol=0.06)
    assert abs(after.median_hz.mean() / before.median_hz.mean() - 1) < 0.02
