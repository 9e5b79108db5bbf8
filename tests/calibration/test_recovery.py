"""Readiness for the next set; with sets that were held, tests/session and tests/report have more."""

from __future__ import annotations

import dataclasses

import pytest

from biofeedback.calibration.recovery import HeldSet, find_readiness

HELD = HeldSet(start_s=0.0, end_s=40.0, effort_percent=90, asked_percent=90, low_percent=80, lost_s=30.0)


def ready(at_s: float, *sets: HeldSet):
    return find_readiness(sets, at_s=at_s, asked_percent=90, low_percent=80, joint_name="hip")


def test_a_muscle_recovers_from_the_very_moment_that_a_set_ends():
    tired = [ready(40.0 + rest_s, HELD).fatigued_percent for rest_s in (0.0, 0.5, 1.0, 30.0)]
    assert tired == sorted(tired, reverse=True)
    assert len(set(tired)) == 4
    assert ready(0.0).fatigued_percent == 0


@pytest.mark.parametrize(("wait_s", "is_wasted"), [(0.0, False), (0.5, True), (90.0, True)])
def test_a_set_that_should_wait_at_all_is_wasted_now(wait_s, is_wasted):
    assert dataclasses.replace(ready(45.0, HELD), wait_s=wait_s).is_wasted is is_wasted
