"""When several attempts make a maximum, to both sides of every limit: what is asked for, and in which words."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.account.values import Attempt
from biofeedback.calibration.maximum_rule import judge_maximum


def attempts(*values: float | None) -> list[Attempt]:
    """Those below 0 were refused."""
    return [
        Attempt("force", "N", None if v is None else abs(v), 1.0, 0.0, 0.1, 0.5, 4.0, v is None or v > 0, "")
        for v in values
    ]


GRADED = {"improving_percent": 2.0}


@pytest.mark.parametrize(
    ("values", "rule", "state", "n_more", "reason"),
    [
        ([], {}, "more", 3, "0 good attempts of 3; 3 more"),
        ([400.0], {}, "more", 2, "1 good attempt of 3; 2 more"),
        ([400.0, 400.0], {}, "more", 1, "2 good attempts of 3; 1 more"),
        ([400.0, -500.0, None, 400.0], {}, "more", 1, "2 good attempts of 3; 1 more"),
        ([400.0], {"n_needed": 1}, "more", 1, "1 good attempt of 1; 1 more"),  # one alone agrees with nothing
        ([400.0, 390.0], {"n_needed": 1}, "accepted", 0, "the two best differ by 2.5 %; 5 % is allowed"),
        ([400.0, 380.0, 100.0], {}, "accepted", 0, "the two best differ by 5.0 %; 5 % is allowed"),
        (
            [379.0, 300.0, 400.0],
            {},
            "more",
            1,
            "the two best differ by 5.2 %; 5 % is allowed; the last attempt was the",
        ),
        ([400.0, 379.0, 300.0], {}, "more", 2, "the two best differ by 5.2 %; 5 % is allowed; up to 2 more"),
        ([400.0, 300.0, 300.0, 379.0], {}, "more", 1, "the two best differ by 5.2 %; 5 % is allowed; up to 1 more"),
        (
            [400.0, 300.0, 300.0, 300.0, 379.0],
            {},
            "unsettled",
            0,
            "the two best differ by 5.2 %; 5 % is allowed; rest,",
        ),
        ([300.0, 300.0, 300.0, 300.0, 400.0], {}, "more", 1, "the two best differ by 25.0 %; 5 % is allowed; the last"),
        ([300.0] * 5 + [400.0], {}, "unsettled", 0, "the two best differ by 25.0 %; 5 % is allowed; rest, check"),
        ([400.0, 360.0, 300.0], {"tolerance_percent": 10.0}, "accepted", 0, "the two best differ by 10.0 %; 10 % is"),
        ([400.0, 379.0, 300.0], {"n_extra": 0}, "unsettled", 0, "the two best differ by 5.2 %; 5 % is allowed; rest"),
        # with a limit for who is still improving: only the last one, and only up to the extra ones
        ([380.0, 380.0, 388.0], GRADED, "more", 1, "the last attempt was the best by 2.1 %; one more"),
        ([380.0, 380.0, 387.6], GRADED, "accepted", 0, "the two best differ by 2.0 %; 5 % is allowed"),
        ([380.0, 400.0, 390.0], GRADED, "accepted", 0, "the two best differ by 2.5 %; 5 % is allowed"),
        ([400.0, 380.0, 390.0], GRADED, "accepted", 0, "the two best differ by 2.5 %; 5 % is allowed"),
        ([300.0, 380.0, 380.0, 390.0], GRADED, "more", 1, "the last attempt was the best by 2.6 %; one more"),
        ([300.0, 300.0, 380.0, 380.0, 390.0], GRADED, "accepted", 0, "the two best differ by 2.6 %; 5 % is allowed"),
        ([380.0, 380.0, 390.0, -500.0], GRADED, "more", 1, "the last attempt was the best by 2.6 %; one more"),
        ([300.0, 300.0, 400.0], GRADED, "more", 1, "the two best differ by 25.0 %; 5 % is allowed; the last attempt"),
    ],
)
def test_what_the_attempts_so_far_amount_to(
    values: list[float | None], rule: dict[str, Any], state: str, n_more: int, reason: str
) -> None:
    found = judge_maximum(attempts(*values), **rule)
    assert (found.state, found.n_more) == (state, n_more)
    assert found.reason.startswith(reason)
    good = [v for v in values if v is not None and v > 0]
    assert found.best == max(good, default=None)
    assert found.strength == (found.best if state == "accepted" else None)
    assert found.best_index == (values.index(found.best) if good else None)


def test_of_two_alike_the_first_is_the_best() -> None:
    found = judge_maximum(attempts(300.0, 400.0, 400.0))
    assert (found.best, found.best_index) == (400.0, 1)
