"""Range reached: repeats, the person's own repeatability, and no change below it."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.account.kinds import RangeRead
from biofeedback.analysis.ranges import LEAST_CHANGE, describe_range, judge_ranges


def read(before: list[float], after: list[float], **more: object) -> list[RangeRead]:
    known = {"at": "furthest tolerated", "unit": "deg", "method": "phone"} | more
    return [
        RangeRead(when=when, value=value, **known)  # type: ignore[arg-type]
        for when, values in (("before", before), ("after", after))
        for value in values
    ]


def test_the_error_is_that_of_the_repeats_by_hand():
    """SEM by hand: squares 2 + 2 over 4 degrees of freedom is 1; MDC95 = t(4, 0.975) sqrt(2), t = 2.776 (Student)."""
    (result,) = judge_ranges(read([70, 71, 72], [80, 81, 82]))
    assert result.error.sem == pytest.approx(1.0)
    assert result.error.mdc95 == pytest.approx(2.776 * 2**0.5, abs=0.01)
    assert result.change is not None
    assert (result.change.word, result.change.difference) == ("up", pytest.approx(10.0))


def test_a_change_below_the_persons_own_repeatability_is_not_called_one():
    (result,) = judge_ranges(read([70, 71, 72], [72, 73, 74]))
    assert result.change is not None
    assert result.change.word == "within measurement error"
    assert "is not called a change" in describe_range(result)


def test_equal_repeats_do_not_make_a_trifle_a_change():
    (result,) = judge_ranges(read([70, 70, 70], [70.5, 70.5, 70.5]))
    assert result.change is not None
    assert result.change.word == "within measurement error"
    assert LEAST_CHANGE == 1.0


def test_single_readings_say_that_they_have_no_repeatability():
    (result,) = judge_ranges(read([70], [85]))
    assert result.change is not None
    assert result.change.word == "unknown"
    assert "read it two or three times" in result.change.reason


def test_ways_of_reading_are_not_mixed():
    results = judge_ranges(
        read([70, 71], []) + read([], [90, 91], method="tape", unit="cm") + read([60, 61], [62, 62], contracting=True)
    )
    assert [(r.method, r.contracting, r.change is not None) for r in results] == [
        ("phone", False, False), ("tape", False, False), ("phone", True, True)]  # fmt: skip


def test_unchanged_people_are_rarely_told_of_a_change():
    """Three repeats each of an unchanged range with a scatter of 1.2 degrees (MDC95 3.3 by 1.96, as published)."""
    random = np.random.default_rng(7)
    n_called = 0
    for _ in range(400):
        before, after = (70 + random.normal(0, 1.2, 3)).tolist(), (70 + random.normal(0, 1.2, 3)).tolist()
        (result,) = judge_ranges(read(before, after))
        n_called += result.change is not None and result.change.word in ("up", "down")
    assert n_called <= 0.05 * 400
