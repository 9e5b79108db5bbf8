import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.account.target import Target
from biofeedback.analysis.phases import summarise_phase
from biofeedback.model import Band
from biofeedback.session.band import BandState, BandTracker
from biofeedback.session.plan import parse_plan
from tests.session.conftest import Bench


def make(grace_s=0.0, dwell_s=0.03):
    return BandTracker(Band(20, 30), 100.0, grace_s=grace_s, hysteresis_percent=1.0, dwell_s=dwell_s)


def push(tracker, *values):
    for value in values:
        tracker.push(value)
    return tracker.state


def test_first_level_decides_at_once():
    assert push(make(), 25.0) == BandState.IN
    assert push(make(), 10.0) == BandState.BELOW
    assert push(make(), 31.0) == BandState.ABOVE


def test_edges_belong_to_the_band():
    tracker = make()
    push(tracker, 20.0, 30.0, 19.999, 30.001)
    assert tracker.n_in_band == 2
    assert tracker.n_counted == 4


def test_leaving_takes_more_than_the_hysteresis_for_the_dwell():
    tracker = make()
    assert push(tracker, 25, *[19.2] * 10) == BandState.IN  # within one point of the edge
    assert push(tracker, 18.9, 18.9) == BandState.IN  # beyond, but not for three levels
    assert push(tracker, 18.9) == BandState.BELOW


def test_tremor_around_the_edge_does_not_flicker():
    tracker = make(dwell_s=0.2)
    push(tracker, 25.0)
    states = {push(tracker, 20 + 1.5 * math.sin(i * 2 * math.pi * 10 / 100)) for i in range(300)}
    assert states == {BandState.IN}


def test_grace_is_not_counted():
    tracker = make(grace_s=0.05)
    push(tracker, *[25.0] * 8)
    assert tracker.counted_s == pytest.approx(0.03)
    assert tracker.in_band_s == pytest.approx(0.03)


def test_unknown_levels_are_neither_shown_nor_counted():
    tracker = make()
    assert push(tracker, 25.0, math.nan) == BandState.NONE
    assert tracker.n_counted == 1
    assert push(tracker, 25.0) == BandState.IN


def test_above_one_hundred_is_an_ordinary_number():
    tracker = BandTracker(Band(80, 100), 100.0, grace_s=0, hysteresis_percent=1, dwell_s=0)
    assert push(tracker, 245.0) == BandState.ABOVE


def test_a_moving_band_is_counted_level_by_level_as_afterwards():
    target = Target(Band(10, 20), 10.0, ramp=(Band(40, 50),), blind=((4.0, 6.0),))
    tracker = BandTracker(target, 100.0, grace_s=0.0, hysteresis_percent=1.0, dwell_s=0.03)
    percent = np.linspace(12, 47, 1300)
    hidden = []
    for value in percent.tolist():
        tracker.push(value)
        hidden.append(tracker.is_blind)
    summary = summarise_phase(percent, np.zeros(1300, np.uint16), level_rate_hz=100.0, band=target, grace_s=0.0)
    assert tracker.in_band_s == pytest.approx(summary.time_in_band_s, abs=1e-9)
    assert tracker.band == Band(40, 50)  # beyond its end the last band stays
    assert hidden == target.blind_levels(1300, 100.0).tolist()


def test_a_simulated_athlete_is_led_along_a_moving_band():
    plan = """
name = "moving"
[[block]]
[[block.phase]]
kind = "passive"
duration_s = 3
[[block.phase]]
kind = "contract"
duration_s = 10
band = [20, 30]
ramp = [[60, 70]]
"""
    bench = Bench()
    bench.engine.plans["moving"] = parse_plan(plan, "moving.toml")
    bench.ready()
    bench.do(do="start_plan", plan="moving")
    bench.wait(3.0, 10.0)
    led = []
    for _ in range(9):
        bench.wait(1.0, 110.0)
        led.append(bench.engine.cue.target_percent)
    assert led == pytest.approx([25 + 4 * k for k in range(1, 10)], abs=4), "four percent a second"
    assert led == sorted(set(led))


def by_the_words(percent: list[float], *, hysteresis: float, n_dwell: int, n_grace: int) -> tuple[list[int], int, int]:
    """The rule said plainly, level by level: what is shown, how many levels count, and how many of these are in."""
    shown, counted, inside = [], 0, 0
    state, wanted_before, n_wanted = BandState.NONE, BandState.NONE, 0
    for k, value in enumerate(percent):
        if math.isnan(value):
            state = wanted_before = BandState.NONE
            n_wanted = 0
        else:
            if k >= n_grace:
                counted += 1
                inside += 20 <= value <= 30
            slack = hysteresis if state == BandState.IN else 0
            wanted = BandState.BELOW if value < 20 - slack else BandState.ABOVE if value > 30 + slack else BandState.IN
            n_wanted = n_wanted + 1 if wanted == wanted_before else 1
            wanted_before = wanted
            if state == BandState.NONE or (wanted != state and n_wanted >= n_dwell):
                state = wanted
        shown.append(int(state))
    return shown, counted, inside


@given(
    st.lists(st.sampled_from([15.0, 18.9, 19.0, 20.0, 25.0, 30.0, 31.0, 31.1, 40.0, float("nan")]), max_size=60),
    st.sampled_from([0.0, 1.0]),
    st.sampled_from([0.0, 0.2, 0.5]),
    st.sampled_from([0.0, 0.7]),
)
def test_state_and_count_are_those_of_the_rule_said_plainly(percent, hysteresis, dwell_s, grace_s):
    tracker = BandTracker(Band(20, 30), 10.0, grace_s=grace_s, hysteresis_percent=hysteresis, dwell_s=dwell_s)
    shown = [int(tracker.push(value)) for value in percent]
    expected, counted, inside = by_the_words(
        percent, hysteresis=hysteresis, n_dwell=max(1, round(10 * dwell_s)), n_grace=round(10 * grace_s)
    )
    assert shown == expected
    assert (tracker.counted_s, tracker.in_band_s) == (pytest.approx(counted / 10), pytest.approx(inside / 10))
