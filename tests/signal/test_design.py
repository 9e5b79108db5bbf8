"""Filters worked out here against scipy.signal's designs of the same: the responses and what comes out of them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from biofeedback.signal.design import butterworth, notch, steady_state


@given(st.sampled_from([2, 4, 6]), st.floats(50, 20_000), st.floats(0.001, 0.45))
def test_a_low_pass_is_scipys(order, rate_hz, share):
    ours = butterworth(order, share * rate_hz, rate_hz)
    _same(ours, signal.butter(order, share * rate_hz, fs=rate_hz, output="sos"), rate_hz)


@given(st.sampled_from([2, 4]), st.floats(400, 20_000), st.floats(0.005, 0.4), st.floats(0.02, 0.4))
def test_a_band_pass_is_scipys(order, rate_hz, low, width):
    edges = (low * rate_hz, min(low + width, 0.49) * rate_hz)
    ours = butterworth(order, edges, rate_hz)
    assert ours.shape == (order, 6)
    _same(ours, signal.butter(order, edges, "bandpass", fs=rate_hz, output="sos"), rate_hz)


@given(st.floats(200, 20_000), st.floats(0.02, 0.45), st.floats(0.001, 0.02))
def test_a_notch_is_scipys(rate_hz, share, width):
    frequency_hz, width_hz = share * rate_hz, width * rate_hz
    expected = np.concatenate(signal.iirnotch(frequency_hz, frequency_hz / width_hz, fs=rate_hz))
    assert notch(frequency_hz, width_hz, rate_hz) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@given(st.sampled_from([2, 4]), st.floats(0.01, 0.3))
def test_what_had_been_there_for_ever_makes_no_step(order, share):
    sections = np.concatenate((signal.butter(order, share, output="sos"), [notch(0.2, 0.01, 1.0)]))
    states = steady_state(sections)
    assert states == pytest.approx(signal.sosfilt_zi(sections), rel=1e-6, abs=1e-9)
    y, _ = signal.sosfilt(sections, np.ones(50), zi=states)
    assert np.ptp(y) < 1e-7


def _same(ours, expected, rate_hz):
    """The same complex gain all over the band, and the same sections per order."""
    assert ours.shape == expected.shape
    frequencies = np.linspace(0, 0.5 * rate_hz, 200)
    gains = [signal.sosfreqz(which, frequencies, fs=rate_hz)[1] for which in (ours, expected)]
    assert np.abs(gains[0] - gains[1]).max() < 1e-7


def test_the_edges_of_the_muscle_band_lie_where_they_were_asked_for():
    sections = butterworth(4, (20.0, 450.0), 1000.0)
    gain = np.abs(signal.sosfreqz(sections, [20.0, 450.0], fs=1000.0)[1])
    assert gain == pytest.approx([np.sqrt(0.5)] * 2, rel=1e-9)
