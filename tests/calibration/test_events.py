"""A maximum that is set brings its filter along, from a level on that is still free to change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from biofeedback.account.kinds import DeviceNoticed, MaximumSet, Relaxed, ZeroTaken, make_event
from biofeedback.account.values import Maximum, Whitener, Zero
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.events import apply_event, begin_whitener, tell_levels, to_filter
from biofeedback.model import Channel, Chunk, Flag, Levels
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.whiten import WhiteningFilter

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
ENVELOPE = Channel(name="envelope", kind="emg", unit="mV", envelope=True)
SLOW = Channel(name="slow", kind="emg", unit="uV", rate_hz=500.0)
WHITENER = Whitener((2.0, -1.0), 1000.0, rest_excess=3.0, plain_below=0.5, whole_above=1.2, release_s=0.16)


def listen(*channels: Channel) -> LevelStream:
    """Two and a half seconds of silence have passed."""
    levels = LevelStream(channels, 1000.0)
    levels.push(Chunk(0, np.zeros((2500, len(channels)))))
    return levels


def maximum(channel: str = "emg", whitener: Whitener | None = WHITENER) -> Maximum:
    return Maximum(channel=channel, strength=400.0, baseline=1.0, unit="uV", whitener=whitener)


def begin(levels: LevelStream, one: Maximum) -> Maximum:
    begun = begin_whitener(one, levels)
    if begun.whitener is not None:
        levels.whiten(0, to_filter(begun.whitener), begun.whitener.from_level)
    return begun


def test_the_filter_acts_from_the_next_level_that_is_free_to_change() -> None:
    levels = listen(EMG)
    begun = begin_whitener(maximum(), levels)
    assert begun == replace(maximum(), whitener=replace(WHITENER, from_level=levels.find_turn(0)))
    assert levels.find_turn(0) >= 250
    assert to_filter(WHITENER) == WhiteningFilter((2.0, -1.0), 3.0, 0.5, 1.2, 0.16)


def test_the_same_filter_goes_on() -> None:
    levels = listen(EMG)
    begin(levels, maximum())
    assert begin_whitener(maximum(), levels) == maximum()


def test_a_maximum_without_a_filter_takes_an_earlier_one_off() -> None:
    levels = listen(EMG)
    assert begin_whitener(maximum(whitener=None), levels) == maximum(whitener=None), "there is none"
    begin(levels, maximum())
    off = begin(levels, maximum(whitener=None)).whitener
    assert off is not None
    assert (off.coefficients, off.rate_hz) == ((1.0,), 1000.0)
    assert begin_whitener(maximum(whitener=None), levels) == maximum(whitener=None), "it is off already"


@pytest.mark.parametrize(("rate_hz", "acts"), [(1000.0, True), (1000.0005, True), (1000.01, False), (500.0, False)])
def test_a_filter_for_another_rate_is_none(rate_hz: float, acts: bool) -> None:
    begun = begin_whitener(maximum(whitener=replace(WHITENER, rate_hz=rate_hz)), listen(EMG))
    assert (begun.whitener is not None) == acts


def test_a_channels_own_rate_counts() -> None:
    levels = listen(FORCE, SLOW)
    assert begin_whitener(maximum("slow"), levels).whitener is None
    assert begin_whitener(maximum("slow", replace(WHITENER, rate_hz=500.0)), levels).whitener is not None


def test_a_force_and_a_channel_that_is_not_there_have_no_filter() -> None:
    levels = listen(FORCE, EMG)
    assert begin_whitener(maximum("force"), levels) == maximum("force")
    assert begin_whitener(maximum("other"), levels) == maximum("other")


def test_a_maximum_on_record_puts_its_filter_into_the_levels_from_the_level_that_it_names() -> None:
    levels = listen(FORCE, EMG)
    from_level = levels.find_turn(1)
    named = maximum(whitener=replace(WHITENER, from_level=from_level))
    for event in (
        make_event(Relaxed(on=True), 0),
        make_event(MaximumSet(maximum=maximum(whitener=None)), 0),
        make_event(MaximumSet(maximum=maximum("force")), 0),
        make_event(MaximumSet(maximum=maximum("other")), 0),
    ):
        tell_levels(levels, event)
    assert [levels.find_whitener(column) for column in (0, 1)] == [None, None]
    tell_levels(levels, make_event(MaximumSet(maximum=named), 0))
    assert levels.find_whitener(0) is None
    assert levels.find_whitener(1) == to_filter(WHITENER)
    other = listen(FORCE, EMG)
    noise = np.random.default_rng(5).normal(0, 30, (2500, 2))
    plain, filtered = (one.push(Chunk(2500, noise)).values[:, 1] for one in (other, levels))
    first = from_level - 250
    np.testing.assert_array_equal(plain[: first - 30], filtered[: first - 30])
    assert not np.allclose(plain[first + 30 :], filtered[first + 30 :])


def test_an_event_acts_on_the_effort_that_it_is_about() -> None:
    """Zeros and maxima of channels that are there; what relaxes is force; another device's numbers are marked."""
    effort = EffortStream([FORCE, ENVELOPE], 100.0)

    def push(first: int) -> tuple[list[float], list[int]]:
        levels = effort.push(Levels(first, np.array([[110.0, 5.0]]), np.zeros((1, 2), np.uint16)))
        return levels.percent[0].tolist(), levels.flags[0].tolist()

    zeros = {"force": Zero(10.0, 0.1), "envelope": Zero(1.0, 0.1), "other": Zero(99.0, 0.1)}
    apply_event(effort, make_event(ZeroTaken(channels=zeros), 0))
    for channel in ("force", "envelope", "other"):
        typed = Maximum(channel=channel, strength=200.0, baseline=0.0, unit="N", method="typed")
        apply_event(effort, make_event(MaximumSet(maximum=typed), 0))
    assert push(0) == ([50.0, 2.0], [0, 0])
    apply_event(effort, make_event(Relaxed(on=False), 0))
    assert push(1)[1] == [int(Flag.TENSION), 0]
    apply_event(effort, make_event(Relaxed(on=True), 0))
    assert push(2)[1] == [0, 0]
    apply_event(effort, make_event(DeviceNoticed(state="asked", id="two"), 0))
    assert push(3) == ([50.0, 2.0], [int(Flag.STRANGER)] * 2)
    for state in ("kept", "back"):
        apply_event(effort, make_event(DeviceNoticed(state=state, id="two"), 0))  # type: ignore[arg-type]
        assert push(4) == ([50.0, 2.0], [0, 0])
    apply_event(effort, make_event(DeviceNoticed(state="renewed", id="two"), 0))
    assert np.isnan(push(5)[0]).all()
