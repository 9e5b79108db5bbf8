"""A maximum that is set brings its filter along, from a level on that is still free to change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from biofeedback.account.values import Maximum, Whitener
from biofeedback.calibration.events import begin_whitener, to_filter
from biofeedback.model import Channel, Chunk
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.whiten import WhiteningFilter

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
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
