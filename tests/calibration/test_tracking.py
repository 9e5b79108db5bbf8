"""Measures of force matching against their definitions, open data and what a published study found."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.account.target import Target
from biofeedback.calibration.tracking import Rest, Tracking, find_onset, find_release, find_steady, measure_tracking
from biofeedback.model import Band

from .. import opendata

RATE_HZ = 100.0


def aim(effort):
    return Target(Band(effort - 5, effort + 5), 30.0, blind=((15.0, 30.0),))


@pytest.mark.parametrize("effort", [20, 40, 60])
def test_without_the_number_the_distance_grows_and_the_cv_stays(effort, published):
    """As published for 20, 40 and 60 %: an athlete who drifts down unseen, with the same noise all the time."""
    table = published("force_matching_2015")
    assert effort in table["efforts_percent"]
    rng = np.random.default_rng(effort)
    time_s = np.arange(3000) / RATE_HZ
    offset = np.where(time_s < 15, 0.0, -0.12 * effort)  # slacking; the size is made up, the direction is published
    percent = (effort + offset) * (1 + 0.02 * rng.standard_normal(3000))
    seen, blind = (measure_tracking(percent, aim(effort), RATE_HZ, blind=hidden) for hidden in (False, True))
    assert table["without_feedback"]["distance_from_target"] == "grows"
    assert blind.rms_error > 2 * seen.rms_error
    assert abs(seen.constant_error) < 0.3
    assert blind.constant_error == pytest.approx(-0.12 * effort, rel=0.05)
    assert blind.cv_percent == pytest.approx(seen.cv_percent, rel=0.1)
    assert seen.seconds == blind.seconds == 15.0


def test_the_errors_are_those_of_their_definitions():
    target = Target(Band(10, 30), 4.0)
    percent = np.array([20.0, 22.0, 18.0, 25.0] * 100)
    found = measure_tracking(percent, target, RATE_HZ, blind=False)
    error = percent - 20
    assert found.constant_error == pytest.approx(error.mean())
    assert found.rms_error == pytest.approx(np.linalg.norm(error) / np.sqrt(error.size))
    assert found.cv_percent == pytest.approx(100 * np.std(error, ddof=1) / percent.mean())
    assert found.kept
    percent[7] = np.nan
    assert measure_tracking(percent, target, RATE_HZ, blind=False).seconds == pytest.approx(3.99)
    assert measure_tracking(percent, target, RATE_HZ, blind=True).rms_error is None


@pytest.mark.network
def test_a_recorded_ramp_hold_ramp_is_followed_as_an_independent_computation_says():
    """Ramp, hold and ramp of openhdemg 0.1.2's test recording (see tests/opendata) as a band of three pieces.

    The independent computation builds the trapezoid from its corners sample by sample with plain Python.
    """
    recording = opendata.load_ramp_hold()
    percent, rate_hz = recording.force_percent, recording.rate_hz
    peak = float(np.median(percent[(percent > 0.8 * percent.max())]))
    above = np.flatnonzero(percent > 0.1 * peak)
    part = percent[above[0] : above[-1]]
    duration_s = part.size / rate_hz
    low = Band(0.1 * peak - 2, 0.1 * peak + 2)
    top = Band(peak - 2, peak + 2)
    found = measure_tracking(part, Target(low, duration_s, ramp=(top, top, low)), rate_hz, blind=False)
    third = part.size / 3
    total = squares = 0.0
    for k, value in enumerate(part.tolist()):
        place = k + 0.5
        if place < third:
            wanted = 0.1 * peak + 0.9 * peak * place / third
        elif place < 2 * third:
            wanted = peak
        else:
            wanted = peak - 0.9 * peak * (place - 2 * third) / third
        total += value - wanted
        squares += (value - wanted) ** 2
    assert found.constant_error == pytest.approx(total / part.size, rel=1e-9)
    assert found.rms_error == pytest.approx((squares / part.size) ** 0.5, rel=1e-9)


def rest():
    return Rest.of(np.random.default_rng(3).normal(10.0, 0.5, 200))


@pytest.mark.parametrize("at_s", [0.15, 0.4, 1.2])
def test_onset_and_release_are_where_the_signal_was_made_to_change(at_s):
    rng = np.random.default_rng(8)
    time_s = np.arange(400) / RATE_HZ
    on = 10 + rng.normal(0, 0.5, 400) + 20 * (time_s >= at_s)
    assert find_onset(on, rest(), RATE_HZ) == pytest.approx(at_s, abs=0.011)
    off = 10 + rng.normal(0, 0.5, 400) + 20 * (time_s < at_s)
    assert find_release(off, rest(), RATE_HZ) == pytest.approx(at_s, abs=0.05)
    assert find_onset(np.full(400, 10.0), rest(), RATE_HZ) is None


def test_steady_is_three_seconds_above_rest_and_not_a_push_that_comes_and_goes():
    time_s = np.arange(800) / RATE_HZ
    assert find_steady(10 + 8.0 * (time_s > 2), rest(), RATE_HZ) == pytest.approx(2.0, abs=0.02)
    assert find_steady(10 + 8 * (1 + np.sin(5 * time_s)) / 2 + 2, rest(), RATE_HZ) is None
    assert find_steady(np.full(800, 10.4), rest(), RATE_HZ) is None
    gap = 10 + 8.0 * (time_s > 2)
    gap[400::150] = np.nan
    assert find_steady(gap, rest(), RATE_HZ) is None


LOW_REST = Rest(level=10.0, sd=1.0)  # a contraction is above 13


@pytest.mark.parametrize(
    ("values", "onset_s", "release_s"),
    [
        ([10.0] * 20, None, 0.0),
        ([13.0] * 20, None, 0.0),  # three SD above rest is rest
        ([13.1] * 20, 0.0, None),
        ([10.0] * 7 + [20.0] * 13, 0.07, 0.0),
        ([20.0] * 7 + [10.0] * 13, 0.0, 0.07),
        ([10.0] * 5 + [20.0] * 4 + [10.0] * 3 + [20.0] * 5, 0.12, 0.0),  # less than 0.05 s is a flicker
        ([20.0] * 5 + [10.0] * 4 + [20.0] * 3 + [10.0] * 5, 0.0, 0.12),
        ([np.nan] * 3 + [20.0] * 5, 0.03, None),
        ([20.0] * 4 + [np.nan] + [20.0] * 4, None, None),
        ([20.0] * 5, 0.0, None),
        ([20.0] * 4, None, None),
    ],
)
def test_a_stay_of_a_twentieth_of_a_second_above_three_sd_is_an_onset_and_below_them_a_release(
    values, onset_s, release_s
):
    assert find_onset(np.array(values), LOW_REST, 100.0) == onset_s
    assert find_release(np.array(values), LOW_REST, 100.0) == release_s


def test_a_tenth_of_a_contraction_counts_as_let_go():
    assert find_release(np.full(20, 15.0), LOW_REST, 100.0, height=50.0) == 0.0
    assert find_release(np.full(20, 15.1), LOW_REST, 100.0, height=50.0) is None
    assert find_release(np.full(20, 12.9), LOW_REST, 100.0, height=1.0) == 0.0  # never less than three SD


def test_what_rest_is_needs_ten_values():
    assert Rest.of(np.array([1.0] * 9 + [np.nan] * 5)) is None
    assert Rest.of(np.array([-2.0] * 10)) == Rest(-2.0, 2e-9)  # a rest that never moves has hardly any SD
    found = Rest.of(np.array([1.0, 3.0] * 5 + [np.nan]))
    assert (found.level, found.sd) == (2.0, pytest.approx(np.std([1.0, 3.0] * 5, ddof=1)))
    assert found.threshold == pytest.approx(2.0 + 3 * found.sd)


@pytest.mark.parametrize(
    ("above", "first_s"),
    [
        ([8.0] * 300, 0.0),
        ([8.0] * 299, None),
        ([0.0] * 50 + [8.0] * 300, 0.5),
        ([8.0] * 250 + [np.nan] + [8.0] * 300, 2.51),
        ([8.0] * 250 + [3.0] + [8.0] * 300, 2.51),  # three SD above rest is rest
        ([8.0, 8 * 1.48] * 150, 0.0),  # a CV of 0.24 / 1.24
        ([8.0, 8 * 1.7] * 150, None),  # of 0.35 / 1.35, over a quarter
    ],
)
def test_steady_begins_with_the_first_three_seconds_above_rest_whose_cv_is_a_quarter_at_most(above, first_s):
    assert find_steady(10.0 + np.array(above), LOW_REST, 100.0) == first_s
    assert find_steady(10.0 + np.repeat(above, 2), LOW_REST, 200.0) == first_s


@pytest.mark.parametrize(
    ("percent", "blind", "kept"),
    [
        ([20.0] * 40, False, True),  # on the lower edge: five off, half of ten
        ([19.9] * 40, False, False),
        ([30.0] * 40, False, True),
        ([30.1] * 40, False, False),
        ([90.0] * 10 + [25.0] * 10 + [90.0] * 20, False, True),  # after the grace and before the blind part
        ([90.0] * 20 + [25.0] * 20, True, True),
        ([90.0] * 20 + [31.0] * 20, True, False),
    ],
)
def test_a_band_is_kept_where_the_error_is_half_of_it_at_most(percent, blind, kept):
    target = Target(Band(20, 30), 4.0, blind=((2.0, 4.0),))
    found = measure_tracking(np.array(percent), target, 10.0, blind=blind, grace_s=1.0)
    assert found.kept is kept
    assert found.seconds == pytest.approx(2.0 if blind else 1.0)


def test_two_levels_are_no_tracking_and_next_to_nothing_has_no_cv():
    target = Target(Band(0, 2), 4.0)
    assert measure_tracking(np.array([1.0, 1.0, np.nan]), target, 10.0, blind=False) == Tracking(0.0)
    assert measure_tracking(np.array([1.0, 1.0, 1.0]), target, 10.0, blind=True) == Tracking(0.0)
    assert measure_tracking(np.array([1.0, 1.0, 1.0]), target, 10.0, blind=False).cv_percent == 0.0
    assert measure_tracking(np.array([0.9, 1.0, 1.0]), target, 10.0, blind=False).cv_percent is None
