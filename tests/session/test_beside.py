"""The channel that is shown beside the guide: which, and where it is against the band."""

from __future__ import annotations

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
        first, percent, _ = bench.engine.strip.since(max(start, checked))
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
