"""What is settled beforehand: how it stands in a recording, and the rests that the athlete gets today."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.calibration.position import PositionLimits
from biofeedback.session.setup import GRADED, Setup

PLAIN = {
    "athlete": "A01",
    "exercise": "",
    "covariates": [],
    "side": "",
    "position": "",
    "joint": "general",
    "limit": 8.0,
    "fast": False,
    "simulated": False,
}


@pytest.mark.parametrize(
    ("said", "more"),
    [
        ({}, {}),
        (
            {"athlete": "A02", "exercise": "x", "covariates": ("heat",), "side": "left", "position": "seated"},
            {"athlete": "A02", "exercise": "x", "covariates": ["heat"], "side": "left", "position": "seated"},
        ),
        ({"joint": "knee", "limit": 6.5, "fast": True, "simulated": True},) * 2,
        ({"graded": True}, {"protocol": "graded", "rating_scale": "0 none, 10 the worst I would put up with here"}),
        ({"familiarisation": True}, {"familiarisation": True}),
        ({"lever_m": 0.4}, {"lever_m": 0.4}),
        ({"drift": PositionLimits(3.0, 6.0, "deg")}, {"drift": {"warn": 3.0, "fail": 6.0, "unit": "deg"}}),
    ],
)
def test_only_what_is_special_stands_in_a_recording(said: dict[str, Any], more: dict[str, Any]) -> None:
    assert Setup(**said).to_settings() == {**PLAIN, **more}


@pytest.mark.parametrize(
    ("said", "between_s", "before_s"),
    [
        ({}, 60.0, 0.0),
        ({"fast": True}, 6.0, 0.0),
        (dict(GRADED), 60.0, 180.0),
        ({**GRADED, "fast": True}, 6.0, 6.0),
        ({"check_rest_s": 3.0, "fast": True}, 6.0, 3.0),
    ],
)
def test_rests_are_short_where_the_tool_is_tried_out(said: dict[str, Any], between_s: float, before_s: float) -> None:
    setup = Setup(**said)
    assert (setup.rest_between_attempts_s, setup.rest_before_check_s) == (between_s, before_s)


def test_a_graded_maximum_is_the_one_of_its_sources() -> None:
    """Into the stretch in 5 s; 3 s of ramp and 3 s of hold; 60 s between attempts, 3 min before a check; 2 %."""
    setup = Setup(**GRADED)
    assert (setup.countdown_s, setup.push_s, setup.rest_s, setup.check_rest_s) == (5.0, 6.0, 60.0, 180.0)
    assert (setup.graded, setup.improving_percent, setup.tolerance_percent) == (True, 2.0, 5.0)
    plain = Setup()
    assert (plain.countdown_s, plain.push_s, plain.rest_s, plain.improving_percent) == (3.0, 4.0, 60.0, None)
    assert (plain.limit, plain.fast_factor, plain.fast_rest_s) == (8.0, 0.3, 6.0)
