import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.clock import DeviceClock, RateMeter, TimeUnwrapper, is_measured

PATTERNS = {  # seconds between readings, as seen on real boards
    "even, 1 kHz": [0.001],
    "even, 80 Hz": [0.0125],
    "10 and 15 ms in turn": [0.010, 0.015],
    "10 Hz": [0.1],
}


def carry_at(moments):
    """Everything taken waits for the next of ``moments``."""
    return lambda taken: moments[np.searchsorted(moments, taken)]


def make_delays(rng, seconds):
    start = 1000.0
    return {
        "USB frames of 1 ms": carry_at(start + np.arange(0, seconds + 1, 0.001) * (1 + 37e-6)),
        "bursts of 5 ms": carry_at(start + np.cumsum(rng.uniform(0.003, 0.007, int((seconds + 1) / 0.004)))),
        "a stall of half a second": lambda taken: (
            taken
            + np.where((taken % 7 > 3) & (taken % 7 < 3.5), 3.5 - taken % 7, 0)
            + rng.exponential(0.0005, len(taken))
        ),
        "radio events of 30 ms": carry_at(start + np.arange(0, seconds + 1, 0.030) * (1 + 37e-6)),
    }


DELAYS = {  # RMS in ms that is asked for; a beat between sampling and radio events hides some of the delay
    "USB frames of 1 ms": 1.0,
    "bursts of 5 ms": 1.0,
    "a stall of half a second": 1.0,
    "radio events of 30 ms": 10.0,
}


def simulate(steps, delay, drift_ppm, *, seconds=40.0, seed=1):
    """Device microseconds as sent, moment of taking, moment of arrival; the computer's clock is the truth."""
    rng = np.random.default_rng(seed)
    device_s = np.cumsum(np.resize(steps, int(seconds / np.mean(steps))))
    taken = 1000.0 + device_s / (1 + drift_ppm * 1e-6)
    device_us = np.floor(device_s * 1e6 + 2**32 - 5e6) % 2**32  # wraps after 5 s
    arrival = np.maximum.accumulate(make_delays(rng, 2 * seconds)[delay](taken))
    return device_us, taken, arrival


def follow(device_us, arrival):
    """Map every batch as it arrives, with what is known by then."""
    unwrapper, clock = TimeUnwrapper(), DeviceClock()
    mapped = []
    edges = np.flatnonzero(np.diff(arrival) > 1e-9) + 1
    for batch, moment in zip(np.split(device_us, edges), arrival[np.r_[0, edges]], strict=True):
        device_s = unwrapper.unwrap(batch)
        clock.add(device_s[-1], moment)
        mapped.append(clock.to_session(device_s))
    return np.concatenate(mapped), clock


@pytest.mark.parametrize("steps", PATTERNS.values(), ids=PATTERNS)
@pytest.mark.parametrize(("delay", "within_ms"), DELAYS.items(), ids=DELAYS)
@pytest.mark.parametrize("drift_ppm", [-100, 0, 100])
def test_mapped_time_is_within_a_millisecond_of_the_truth_after_ten_seconds(steps, delay, within_ms, drift_ppm):
    device_us, taken, arrival = simulate(steps, delay, drift_ppm, seconds=20 if np.mean(steps) < 0.002 else 40)
    mapped, _ = follow(device_us, arrival)
    later = taken > taken[0] + 10
    assert np.sqrt(np.mean((mapped - taken)[later] ** 2)) < within_ms / 1000


@pytest.mark.parametrize("drift_ppm", [-5000, -100, 0, 30, 100, 5000])
def test_drift_is_found(drift_ppm):
    device_us, _, arrival = simulate([0.0125], "bursts of 5 ms", drift_ppm, seconds=60)
    _, clock = follow(device_us, arrival)
    assert clock.drift_ppm == pytest.approx(drift_ppm, abs=20)


def test_drift_is_not_claimed_early():
    device_us, _, arrival = simulate([0.0125], "bursts of 5 ms", 100, seconds=3)
    assert follow(device_us, arrival)[1].drift_ppm is None


@given(st.lists(st.integers(0, 2**31 - 1), min_size=1, max_size=30), st.integers(0, 2**32 - 1), st.integers(1, 7))
def test_wrapping_microseconds_are_unwrapped_in_any_batching(steps, start, batch):
    true_us = start + np.cumsum(np.array(steps, dtype=float))
    unwrapper = TimeUnwrapper()
    sent = true_us % 2**32
    parts = [unwrapper.unwrap(sent[i : i + batch]) for i in range(0, len(sent), batch)]
    seconds = np.concatenate(parts)
    assert np.diff(seconds) == pytest.approx(np.diff(true_us) * 1e-6, abs=1e-6)


def test_nothing_is_mapped_before_anything_was_added():
    with pytest.raises(ValueError, match="no reading"):
        DeviceClock().to_session(np.zeros(1))


def test_restart_begins_anew():
    clock = DeviceClock()
    for k in range(100):
        clock.add(k * 0.1, 50 + k * 0.1)
    clock.reset()
    clock.add(0.0, 70.0)
    assert clock.to_session(np.array([0.5])).tolist() == [70.5]
    assert clock.drift_ppm is None


@pytest.mark.parametrize(("rate_hz", "measured_s"), [(80.0, 2.0), (80.8, 2.0), (1000.0, 2.0), (73.0, 4.0)])
def test_a_rate_that_nobody_uses_is_measured_twice_as_long(rate_hz, measured_s):
    meter = RateMeter()
    for k in range(1, 400):
        meter.add(round(rate_hz * 0.02 * k) - round(rate_hz * 0.02 * (k - 1)), 0.02 * k)
        if is_measured(meter, 2.0):
            break
    assert meter.span_s == pytest.approx(measured_s, abs=0.03)
