"""Effort in one phase, against closed forms and against what the page counts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.account.fold import fold
from biofeedback.analysis.phases import Phase, find_runs, find_stays, place_phases, summarise_phase
from biofeedback.model import Band, Event, Flag
from biofeedback.session.band import BandTracker

from ..opendata import load_ramp_hold

RATE_HZ = 100.0
BAND = Band(20, 30)


def good(values: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(values), np.uint16(Flag.MISSING), np.uint16(0))


def summarise(values: np.ndarray, **options: object):
    return summarise_phase(values, good(values), level_rate_hz=RATE_HZ, **({"grace_s": 0.0} | options))


def test_cv_of_a_sine_ripple_is_its_amplitude_over_root_two_means() -> None:
    # derived: SD of A sin is A / sqrt(2); steadiness as Taylor, Christou & Enoka, J Neurophysiol 90 (2003) 1350
    t = np.arange(100_000) / RATE_HZ
    summary = summarise(25 + 0.5 * np.sin(2 * math.pi * t), band=BAND)
    assert summary.mean_percent == pytest.approx(25, abs=1e-9)
    assert summary.cv_percent == pytest.approx(100 * 0.5 / (25 * math.sqrt(2)), rel=1e-4)
    assert summary.steadiness_cv_percent == pytest.approx(summary.cv_percent, rel=1e-3)


def test_steadiness_leaves_out_a_straight_drift_that_cv_counts() -> None:
    t = np.arange(2000) / RATE_HZ
    ripple = 0.5 * np.sin(2 * math.pi * t)
    summary = summarise(25 + ripple + 0.3 * t, band=BAND)
    assert summary.steadiness_cv_percent == pytest.approx(100 * 0.5 / math.sqrt(2) / summary.mean_percent, rel=0.02)
    # derived: a ramp of slope b over T has SD b T / sqrt(12)
    expected_sd = math.hypot(0.5 / math.sqrt(2), 0.3 * 20 / math.sqrt(12))
    assert summary.sd_percent == pytest.approx(expected_sd, rel=0.02)


def test_a_perfectly_straight_ramp_is_perfectly_steady() -> None:
    assert summarise(20 + np.arange(500) / 100).steadiness_cv_percent == pytest.approx(0.0, abs=1e-9)


@pytest.mark.network
def test_a_real_hold_has_the_numbers_of_its_own_library() -> None:
    """Force of openhdemg 0.1.2's test recording between 8 and 25 s; that library's own CV there is 1.3343 %."""
    recording = load_ramp_hold()
    plateau = recording.force_percent[round(8 * recording.rate_hz) : round(25 * recording.rate_hz)]
    summary = summarise_phase(
        plateau, good(plateau), level_rate_hz=recording.rate_hz, band=Band(23.75, 26.25), grace_s=0.0
    )
    assert summary.cv_percent == pytest.approx(1.3343, abs=5e-4)
    assert summary.mean_percent == pytest.approx(25.98, abs=0.005)
    assert summary.sd_percent == pytest.approx(0.347, abs=5e-4)
    assert summary.in_band_percent == pytest.approx(77.0, abs=0.1)
    assert summary.steadiness_cv_percent < summary.cv_percent


def test_grace_and_missing_levels_are_not_counted() -> None:
    values = np.concatenate([np.zeros(200), np.full(300, 25.0), np.full(50, np.nan), np.full(50, 40.0)])
    summary = summarise(values, band=BAND, grace_s=2.0)
    assert summary.counted_s == pytest.approx(3.5)
    assert summary.missing_s == pytest.approx(0.5)
    assert summary.time_in_band_s == pytest.approx(3.0)
    assert summary.in_band_percent == pytest.approx(100 * 3.0 / 3.5)
    assert summary.time_to_band_s == pytest.approx(2.0)
    assert summary.bad_percent == pytest.approx(100 * 50 / 600)


def test_missing_data_inside_a_stay_ends_it() -> None:
    values = np.full(600, 25.0)
    values[300:305] = np.nan
    summary = summarise(values, band=BAND)
    assert summary.longest_stay_s == pytest.approx(3.0)
    assert summary.n_excursions == 1


@pytest.mark.parametrize(
    ("dip_percent", "dip_levels", "n_excursions"),
    [
        (19.1, 200, 0),  # less than the hysteresis of 1 point below the edge
        (18.9, 20, 0),  # not longer than the dwell of 0.2 s
        (18.9, 21, 1),
        (31.1, 100, 1),
    ],
)
def test_an_excursion_needs_more_than_hysteresis_and_dwell(dip_percent, dip_levels, n_excursions) -> None:
    values = np.full(1000, 25.0)
    values[500 : 500 + dip_levels] = dip_percent
    summary = summarise(values, band=BAND)
    assert summary.n_excursions == n_excursions
    assert summary.time_in_band_s == pytest.approx((1000 - dip_levels) / RATE_HZ)  # seconds use the plain edges


def test_rms_outside_is_the_distance_to_the_nearer_edge() -> None:
    assert summarise(np.full(500, 35.0), band=BAND).rms_outside_percent == pytest.approx(5.0)
    assert summarise(np.full(500, 17.0), band=BAND).rms_outside_percent == pytest.approx(3.0)
    half_out = np.concatenate([np.full(250, 25.0), np.full(250, 34.0)])
    assert summarise(half_out, band=BAND).rms_outside_percent == pytest.approx(4 / math.sqrt(2))


def test_what_cannot_be_computed_is_none_with_a_reason() -> None:
    unknown = summarise(np.full(500, np.nan), band=BAND)
    assert unknown.mean_percent is None
    assert "unknown" in unknown.reason
    assert unknown.missing_s == pytest.approx(5.0)
    assert "grace" in summarise(np.full(100, 25.0), grace_s=2.0).reason
    quiet = summarise(np.full(500, 0.2))
    assert quiet.cv_percent is None
    assert "no CV" in quiet.reason
    below = summarise(np.full(500, 10.0), band=BAND)
    assert below.time_to_band_s is None
    assert "never reached" in below.reason
    assert below.time_in_band_s == 0.0


@given(
    st.lists(
        st.one_of(st.just(math.nan), st.floats(0, 60), st.sampled_from([20.0, 30.0, 19.0, 31.0])),
        min_size=5,
        max_size=300,
    ),
    st.sampled_from([0.0, 0.5]),
)
def test_seconds_in_band_are_those_the_page_counts(values: list[float], grace_s: float) -> None:
    tracker = BandTracker(BAND, RATE_HZ, grace_s=grace_s, hysteresis_percent=1.0, dwell_s=0.2)
    for value in values:
        tracker.push(value)
    summary = summarise(np.array(values), band=BAND, grace_s=grace_s)
    assert summary.counted_s == pytest.approx(tracker.counted_s)
    if summary.time_in_band_s is not None:
        assert summary.time_in_band_s == pytest.approx(tracker.in_band_s)
        assert 0 <= summary.longest_stay_s <= len(values) / RATE_HZ


@given(st.lists(st.floats(0, 60), min_size=1, max_size=200))
def test_stays_hold_every_level_inside_and_none_far_outside_for_long(values: list[float]) -> None:
    array = np.array(values)
    stays = find_stays(array, BAND, level_rate_hz=RATE_HZ, dwell_s=0.0)
    assert stays[(array >= 20) & (array <= 30)].all()
    assert not stays[(array < 19) | (array > 31)].any()


@given(st.lists(st.booleans(), max_size=50))
def test_runs_rebuild_the_mask(mask: list[bool]) -> None:
    rebuilt = np.zeros(len(mask), dtype=bool)
    for first, end in find_runs(np.array(mask, dtype=bool)):
        assert end > first
        rebuilt[first:end] = True
    assert rebuilt.tolist() == mask


def place(events: list[Event], *, hop: int, rate_hz: float, n_levels: int) -> tuple[Phase, ...]:
    phases = fold(events, channels=(), settings={}).phases
    return place_phases(phases, hop=hop, rate_hz=rate_hz, n_levels=n_levels)


def test_phases_run_until_the_next_event_or_a_stop_or_the_end() -> None:
    def phase(frame: int, kind: str, **more: object) -> Event:
        return Event(
            frame, "phase", {"kind": kind, "index": 0, "band": [20, 30] if kind == "contract" else None} | more
        )

    events = [
        phase(100, "passive", duration_s=1.0),
        phase(200, "contract", duration_s=5.0),
        Event(300, "stop", {}),
        phase(300, "end"),
    ]
    first, second = place(events, hop=10, rate_hz=1000.0, n_levels=1000)
    assert (first.first_level, first.end_level, first.closed_by) == (10, 20, "phase")
    assert (second.start_s, second.end_s, second.closed_by) == (0.2, 0.3, "stop")
    assert second.cut_short
    assert second.band == Band(20, 30)
    (open_end,) = place(events[:1], hop=10, rate_hz=1000.0, n_levels=50)
    assert (open_end.end_level, open_end.closed_by, open_end.grace_s) == (50, "recording", 2.0)


@pytest.mark.parametrize("band", [None, [80, 60], [20], "60-80", [-5, 10], ["a", "b"], [20, float("nan")]])
def test_a_band_that_makes_no_sense_is_no_band(band: object) -> None:
    event = Event(0, "phase", {"index": 0, "kind": "contract", "band": band})
    (phase,) = place([event], hop=1, rate_hz=100.0, n_levels=100)
    assert phase.band is None
