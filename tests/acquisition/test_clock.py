import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.clock import (
    DeviceClock,
    IntervalMeter,
    RateMeter,
    TimeNumbering,
    TimeUnwrapper,
    find_common_rate,
    is_measured,
)

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


def feed(meter, moments, n_frames=1):
    for moment_s in moments:
        meter.add(n_frames, float(moment_s))
    return meter


def test_a_rate_is_frames_after_the_first_arrival_over_the_time_since_then():
    meter = RateMeter()
    assert (meter.span_s, meter.rate_hz, meter.is_settled, meter.has_stalled) == (0.0, None, False, False)
    feed(meter, [5.0, 5.5], 40)
    assert (meter.span_s, meter.rate_hz) == (0.5, None)
    feed(meter, [6.0], 50)
    assert (meter.span_s, meter.rate_hz) == (1.0, 90.0)  # those of the first arrival were taken before it
    meter.reset()
    assert (meter.span_s, meter.rate_hz, meter.count_ahead(9.0, 80.0)) == (0.0, None, None)
    assert feed(meter, [7.0, 8.0], 80).rate_hz == 80.0


def test_only_the_last_ten_seconds_count_from_the_arrival_just_before_them():
    meter = feed(RateMeter(), np.arange(0.0, 20.01, 0.5), 40)
    assert (meter.span_s, meter.rate_hz) == (10.0, 80.0)
    feed(meter, [20.25], 0)
    assert meter.span_s == pytest.approx(10.25)  # one stays before
    assert RateMeter(window_s=30.0)._window_s == 30.0
    quick = feed(RateMeter(), np.arange(0.0, 5.0, 0.01), 1)
    assert len(quick._points) < 60  # of arrivals closer than a fiftieth of the window the last is kept
    assert quick.rate_hz == pytest.approx(100.0)
    assert quick.span_s == pytest.approx(4.99)


@pytest.mark.parametrize(
    ("moments", "is_settled"),
    [
        (np.linspace(0.0, 9.0, 20), True),
        (np.linspace(0.0, 8.99, 20), False),
        (np.linspace(0.0, 9.0, 19), False),
    ],
)
def test_a_rate_is_settled_after_nine_seconds_and_twenty_arrivals(moments, is_settled):
    assert feed(RateMeter(), moments).is_settled is is_settled


@pytest.mark.parametrize(("pause_s", "has_stalled"), [(0.99, False), (1.0, True)])
def test_a_second_without_anything_is_a_stall(pause_s, has_stalled):
    assert feed(RateMeter(), [0.0, 0.5, 0.5 + pause_s, 0.75 + pause_s]).has_stalled is has_stalled


def test_what_should_have_come_by_now_and_what_came_too_much():
    meter = feed(RateMeter(), [100.0, 101.0], 80)
    assert meter.count_ahead(101.0, 80.0) == 0.0
    assert meter.count_ahead(102.0, 80.0) == -80.0
    assert meter.count_ahead(100.5, 80.0) == 40.0
    assert meter.count_lacking(102.0, 80.0) == 80
    assert meter.count_lacking(100.5, 80.0) == 0
    assert RateMeter().count_lacking(5.0, 80.0) == 0


def test_how_evenly_a_board_takes_its_readings_in_words():
    meter = IntervalMeter(100.0)
    assert meter.describe() == ""
    meter.add(np.array([3.0]))
    assert meter.describe() == ""
    meter.add(np.array([3.008, 3.02, 3.028, 3.04]))
    assert meter.describe() == "by the board's clock 100 readings/s, 10.00 ms apart (SD 2.00 ms)"
    meter.add(np.array([3.0651, 3.0651, 3.06, 3.0848]))  # lost ones, one twice, one back: left out; 24.8 ms is a step
    assert meter.describe() == "by the board's clock 77.16 readings/s, 12.96 ms apart (SD 6.18 ms)"


@pytest.mark.parametrize(
    ("measured_hz", "rate_hz"),
    [(80.0, 80.0), (81.19, 80.0), (81.21, 81.21), (78.81, 80.0), (78.79, 78.79), (1014.0, 1000.0), (10.14, 10.0)],
)
def test_a_rate_within_one_and_a_half_percent_of_a_common_one_is_that_one(measured_hz, rate_hz):
    assert find_common_rate(measured_hz) == rate_hz


def test_device_time_numbers_the_frames():
    numbering = TimeNumbering(80.0)
    assert numbering.number(np.array([5.0, 5.0125, 5.025])).tolist() == [0, 1, 2]
    assert numbering.number(np.array([5.025 + 1.7 * 0.0125])).tolist() == [3]  # late, by less than 3/4 of a period
    assert numbering.number(np.array([5.025 + 2.0 * 0.0125])).tolist() == [4]  # and back in step
    assert numbering.number(np.array([5.025 + 5.0 * 0.0125])).tolist() == [7]  # two are lost
    assert numbering.number(np.array([5.0])).tolist() == [8]  # a little back is no restart
    assert numbering.number(np.array([3.9, 3.9125])).tolist() == [0, 1]  # more than a second is one


@pytest.mark.parametrize(("late", "number"), [(0.74, 1), (0.76, 2), (1.4, 2), (1.6, 3)])
def test_three_quarters_of_a_period_too_late_is_a_lost_frame(late, number):
    assert TimeNumbering(10.0).number(np.array([0.0, 0.1 * (1 + late)])).tolist() == [0, number]


def test_boards_that_take_turns_lose_nothing_and_a_rate_a_little_off_does_not_pile_up():
    turns = np.cumsum(np.tile([0.010, 0.015], 2000))
    assert TimeNumbering(80.0).number(turns).tolist() == list(range(4000))
    slow = np.arange(4000) / 79.0  # 1.25 % slower than declared
    assert TimeNumbering(80.0).number(slow).tolist() == list(range(4000))


def test_the_line_lies_under_what_arrived_and_yields_at_once_to_what_lies_below():
    clock = DeviceClock()
    clock.add(10.0, 500.3)
    assert clock.to_session(np.array([10.0, 11.0])).tolist() == [500.3, 501.3]
    clock.add(10.1, 500.2)  # of the same quarter second, 0.2 s more prompt
    assert clock.to_session(np.array([10.1])) == pytest.approx([500.2])
    clock.add(10.2, 500.9)  # late: nothing moves
    assert clock.to_session(np.array([10.1])) == pytest.approx([500.2])
    clock.add(10.3, 500.5)
    assert clock.to_session(np.array([10.1])) == pytest.approx([500.2])


@pytest.mark.parametrize(("seconds", "is_known"), [(3.9, False), (4.0, True)])
def test_the_slope_is_trusted_after_four_seconds(seconds, is_known):
    clock = DeviceClock()
    for k in (0.0, seconds / 2, seconds):
        clock.add(k, k * 1.001)
    assert (clock.drift_ppm is not None) is is_known
    if is_known:
        assert clock.drift_ppm == pytest.approx((1 / 1.001 - 1) * 1e6)


@pytest.mark.parametrize(("slope", "taken"), [(1.009, 1.009), (1.02, 1.01), (0.98, 0.99), (0.992, 0.992)])
def test_no_crystal_drifts_by_more_than_a_hundredth(slope, taken):
    clock = DeviceClock()
    for k in range(40):
        clock.add(0.5 * k, 0.5 * k * slope)
    assert clock.drift_ppm == pytest.approx((1 / taken - 1) * 1e6)
    assert min(0.5 * k * slope - clock.to_session(np.array([0.5 * k]))[0] for k in range(40)) > -1e-9


def test_what_is_older_than_the_window_is_forgotten():
    clock = DeviceClock(window_s=10.0)
    clock.add(0.0, -5.0)  # far more prompt than anything since
    for k in range(1, 60):
        clock.add(0.5 * k, 0.5 * k)
        if 0.5 * k <= 10.0:
            assert clock.to_session(np.array([0.0]))[0] == pytest.approx(-5.0, abs=0.2)
    assert clock.to_session(np.array([29.5]))[0] == pytest.approx(29.5)
    assert clock.drift_ppm == pytest.approx(0.0, abs=1e-6)


def test_microseconds_that_come_a_little_too_early_are_no_turn():
    unwrapper = TimeUnwrapper(wrap_us=1000.0)
    assert unwrapper.unwrap(np.array([900.0, 100.0, 990.0, 10.0])) == pytest.approx([9e-4, 1.1e-3, 9.9e-4, 1.01e-3])
    assert unwrapper.unwrap(np.empty(0)).size == 0
    assert unwrapper.unwrap(np.array([980.0, 20.0])) == pytest.approx([9.8e-4, 1.02e-3])
    assert unwrapper.unwrap(np.array([520.0, 20.0])) == pytest.approx([1.52e-3, 1.02e-3])  # half a turn is none
    assert unwrapper.unwrap(np.array([521.0])) == pytest.approx([5.21e-4])


@pytest.mark.parametrize(
    "rate_hz", [10, 20, 25, 40, 50, 80, 100, 125, 200, 250, 320, 400, 500, 1000, 2000]
)  # of the converters and sketches that are sold: common practice, no source
def test_the_common_rates(rate_hz):
    assert find_common_rate(1.01 * rate_hz) == find_common_rate(0.99 * rate_hz) == rate_hz
