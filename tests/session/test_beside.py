"""The channel that is shown beside the guide: which, and where it is against the band."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.errors import SessionError
from biofeedback.model import Channel
from biofeedback.session.band import BandTracker
from biofeedback.session.view import describe_session

from .conftest import Bench

RIGHT = Channel(name="force_right", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV", envelope=True)
POSITION = Channel(name="position", kind="position", unit="cm")


def type_maxima(bench: Bench, **values: float) -> None:
    for name, value in values.items():
        bench.do(do="typed_maximum", channel=name, value=value)


def test_it_is_calibrated_and_of_the_guides_kind_if_there_is_one() -> None:
    bench = Bench(POSITION, EMG, RIGHT)
    bench.others = [0.0, 5.0, 10.0]
    bench.zero()
    assert bench.engine.beside is None
    type_maxima(bench, force=400.0)
    assert bench.engine.beside is None
    type_maxima(bench, force_right=300.0)
    assert bench.engine.beside == 3
    assert [c["beside"] for c in describe_session(bench.engine)["channels"]] == [False, False, False, True]


def test_its_state_is_its_own_and_it_counts_for_nothing() -> None:
    bench = Bench(RIGHT)
    bench.others = [10.0]
    bench.zero()
    type_maxima(bench, force=400.0, force_right=200.0)
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0, 10.0)
    hold = bench.engine.hold
    assert hold
    assert hold.phase.band
    start = bench.engine.level
    reference = BandTracker(
        hold.phase.band, bench.engine.level_rate_hz, grace_s=0.5, hysteresis_percent=1.0, dwell_s=0.2
    )
    checked, states = 0, set()
    for step in range(28):
        bench.others = [10.0 + 200.0 * (0.1 + 0.4 * step / 27)]
        bench.wait(0.1, 110.0)  # the guide stays at 25 %
        first, (percent, _) = bench.engine.strip.since(max(start, checked))
        for value in percent[:, 1]:
            reference.push(float(value))
        checked = first + len(percent)
        assert hold.beside_state == reference.state
        states.add(hold.beside_state)
    assert len(states) == 3
    assert hold.tracker
    assert hold.tracker.in_band_s > 2.0  # the guide's time alone, whatever stands beside it


def test_a_maximum_found_during_a_hold_changes_nothing_on_the_screen() -> None:
    bench = Bench(RIGHT)
    bench.others = [10.0]
    bench.zero()
    type_maxima(bench, force=400.0)
    bench.do(do="start_plan", plan="short")
    type_maxima(bench, force_right=200.0)
    assert [c["beside"] for c in describe_session(bench.engine)["channels"]] == [False, False]


def test_the_coach_chooses_the_channel_to_go_by_before_the_first_plan() -> None:
    bench = Bench(RIGHT)
    bench.others = [10.0]
    bench.zero()
    with pytest.raises(SessionError, match="no maximum yet"):
        bench.do(do="guide", channel="force_right")
    type_maxima(bench, force=400.0, force_right=200.0)
    with pytest.raises(SessionError, match="cannot lead"):
        bench.do(do="guide", channel="elsewhere")
    bench.do(do="guide", channel="force_right")
    assert (bench.engine.guide, bench.engine.beside) == (1, 0)
    assert bench.last("guide").data == {"channel": "force_right", "by": "coach"}
    assert [c["guide"] for c in describe_session(bench.engine)["channels"]] == [False, True]
    bench.do(do="start_plan", plan="short")
    bench.others = [10.0 + 50.0]
    bench.wait(6.0, 10.0)
    hold = bench.engine.hold
    assert hold
    bench.do(do="stop")
    with pytest.raises(SessionError, match="one recording is judged by one channel"):
        bench.do(do="guide", channel="force")


def test_attempts_after_the_choice_are_judged_by_the_chosen_channel() -> None:
    bench = Bench(RIGHT)
    bench.others = [10.0]
    bench.zero()
    type_maxima(bench, force=400.0, force_right=200.0)
    bench.do(do="guide", channel="force_right")
    bench.do(do="attempt")
    bench.wait(3.0, 10.0)
    bench.others = [160.0]
    bench.wait(4.0, 10.0)
    [attempt] = describe_session(bench.engine)["maximum"]["attempts"]
    assert 140 < attempt["value"] < 160


def test_the_coach_is_told_which_calibration_is_in_use() -> None:
    certificate = {"file": "S1-force.json", "sensor": "S1", "utc": "2026-11-20T09:00:00+00:00"}
    counts = Channel(name="force_raw", kind="force")
    bench = Bench(counts, certificates={"force": certificate}, started_utc="2026-11-25T18:00:00+00:00")
    bench.others = [10.0]

    def in_use(index: int) -> dict[str, Any]:
        found: dict[str, Any] = describe_session(bench.engine)["channels"][index]["in_use"]
        return found

    assert in_use(0) == {"scale": certificate, "factor": 1.0, "zeroed_s": None, "maximum": None}
    assert in_use(1)["scale"] is in_use(1)["factor"] is None
    bench.wait(5.0, 10.0)
    bench.zero()
    bench.do(do="typed_maximum", channel="force", value=40.0, unit="kg")
    assert in_use(0)["zeroed_s"] == 7.0
    assert in_use(0)["maximum"] == {
        "strength": 40 * 9.80665,
        "unit": "N",
        "method": "typed",
        "utc": "2026-11-25T18:00:07+00:00",
        "n_attempts": 1,
    }
