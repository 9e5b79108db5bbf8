"""When a band is lost, level by level; tests/session hold it against the rule said plainly, over random efforts."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.account.target import Target
from biofeedback.calibration.band_loss import BandLoss
from biofeedback.model import Band, Flag

IN, OUT = 85.0, 70.0
NAN = float("nan")


@pytest.mark.parametrize(
    ("percent", "entered", "left", "found"),
    [
        ([OUT] * 30, None, None, None),  # never reached, so never lost
        ([IN] * 5 + [OUT] * 20, 0, 5, 25),
        ([IN] * 5 + [OUT] * 19, 0, None, None),
        ([OUT] * 3 + [80.0] + [OUT] * 20, 3, 4, 24),  # the edge itself belongs to the band
        ([IN] * 5 + [OUT] * 19 + [80.0] + [OUT] * 20, 0, 25, 45),
        ([IN] * 5 + [OUT] * 10 + [NAN] + [OUT] * 20, 0, 16, 36),  # nobody knows: neither in nor below
        ([NAN] * 5 + [OUT] * 30, None, None, None),
        ([150.0] * 2 + [OUT] * 25, 0, 2, 22),
    ],
)
@pytest.mark.parametrize("piece", [1, 4, 100])
def test_two_seconds_below_a_band_that_was_reached_lose_it(
    percent: list[float], entered: int | None, left: int | None, found: int | None, piece: int
) -> None:
    rule = BandLoss(Target(Band(80, 100), 10.0), 10.0)
    for at in range(0, len(percent), piece):
        part = np.array(percent[at : at + piece])
        rule.take(part, np.zeros(len(part), np.uint16))
    assert (rule.left, rule.found) == (left, found)
    assert rule.entered == entered


def test_with_a_grace_it_can_be_lost_without_having_been_reached() -> None:
    rule = BandLoss(Target(Band(80, 100), 10.0), 10.0, grace_s=1.0)
    rule.take(np.full(29, OUT), np.zeros(29, np.uint16))
    assert (rule.found, rule.n_to_go) == (None, 1)
    rule.take(np.full(1, OUT), np.zeros(1, np.uint16))
    assert (rule.entered, rule.left, rule.found) == (None, 10, 30)
    rule.take(np.full(5, IN), np.zeros(5, np.uint16))
    assert (rule.entered, rule.found) == (None, 30)  # lost is lost


@pytest.mark.parametrize("flag", [Flag.MISSING, Flag.CLIPPED, Flag.FLAT, Flag.STRANGER])
def test_what_is_no_signal_to_go_by_counts_neither_way(flag: Flag) -> None:
    flags = np.zeros(40, np.uint16)
    flags[15] = np.uint16(flag)
    rule = BandLoss(Target(Band(80, 100), 10.0), 10.0)
    rule.take(np.array([IN] * 5 + [OUT] * 35), flags)
    assert (rule.left, rule.found) == (16, 36)
    flags = np.full(5, np.uint16(flag))
    rule = BandLoss(Target(Band(80, 100), 10.0), 10.0)
    rule.take(np.full(5, IN), flags)
    assert rule.entered is None


def test_how_long_it_takes_is_rounded_up_to_whole_levels() -> None:
    target = Target(Band(80, 100), 10.0)
    assert BandLoss(target, 10.0).n_needed == 20
    assert BandLoss(target, 10.0, lost_s=0.25).n_needed == 3
    assert BandLoss(target, 10.0, lost_s=0.3).n_needed == 3
    assert BandLoss(target, 10.0, lost_s=0.01).n_needed == 1
    rule = BandLoss(target, 10.0)
    rule.take(np.array([IN] + [OUT] * 7), np.zeros(8, np.uint16))
    assert rule.n_to_go == 13
