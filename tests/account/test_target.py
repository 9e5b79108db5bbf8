"""Where a band is when, and when it is out of sight: by hand."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.account.target import Target
from biofeedback.model import Band

LOW, MIDDLE, HIGH = Band(20, 30), Band(40, 60), Band(60, 70)


def test_a_band_that_stays_is_the_same_at_any_time() -> None:
    still = Target(LOW, 10.0)
    assert not still.moves
    assert [still.at(time_s) for time_s in (-1, 0, 5, 99)] == [LOW] * 4
    assert still.edges(np.array([0.0, 9.0, 99.0])).tolist() == [[20] * 3, [30] * 3]


def test_a_ramp_goes_in_straight_lines_through_its_bands_and_stays_at_the_last() -> None:
    ramp = Target(LOW, 10.0, ramp=(MIDDLE, HIGH))
    assert ramp.moves
    assert ramp.bands == (LOW, MIDDLE, HIGH)
    assert [ramp.at(time_s) for time_s in (0, 2.5, 5, 7.5, 10, 12)] == [
        *(LOW, Band(30, 45), MIDDLE, Band(50, 65), HIGH, HIGH),
    ]


def test_steps_share_the_time_and_the_last_one_stays() -> None:
    steps = Target(LOW, 9.0, steps=(MIDDLE, HIGH))
    assert steps.moves
    at = (-1, 0, 2.99, 3, 5.99, 6, 9, 12)
    assert [steps.at(time_s) for time_s in at] == [LOW, LOW, LOW, MIDDLE, MIDDLE, HIGH, HIGH, HIGH]


def test_levels_are_judged_at_their_middle() -> None:
    steps = Target(LOW, 2.0, steps=(HIGH,), blind=((0.5, 1.0), (1.5, 1.75)))
    assert steps.level_edges(4, 2.0).tolist() == [[20, 20, 60, 60], [30, 30, 70, 70]]
    assert steps.level_edges(2, 2.0, first=1).tolist() == [[20, 60], [30, 70]]
    assert steps.blind_levels(4, 2.0).tolist() == [False, True, False, False], "1.75 s is not blind any more"
    assert steps.blind_levels(2, 2.0, first=1).tolist() == [True, False]
    assert [steps.is_blind(time_s) for time_s in (0.49, 0.5, 0.99, 1.0, 1.5, 1.75)] == [
        *(False, True, True, False, True, False),
    ]


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"duration_s": 0.0}, "a band over 0.0 s"),
        ({"duration_s": float("inf")}, "a band over inf s"),
        ({"duration_s": 9.0, "ramp": (LOW,), "steps": (LOW,)}, "in a line and by steps at once"),
        ({"duration_s": 9.0, "blind": ((2.0, 2.0),)}, "a blind stretch"),
        ({"duration_s": 9.0, "blind": ((-1.0, 2.0),)}, "a blind stretch"),
        ({"duration_s": 9.0, "blind": ((1.0, 2.0, 3.0),)}, "a blind stretch"),
    ],
)
def test_what_cannot_be_is_refused(told: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Target(LOW, **told)  # type: ignore[arg-type]
    assert Target(LOW, 9.0, blind=((0.0, 2.0),))
