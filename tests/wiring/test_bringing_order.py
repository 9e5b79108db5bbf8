"""What the page's order of a brought file means, without a file: to the borders of what can be said."""

from __future__ import annotations

import argparse
from typing import Any

import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Channel
from biofeedback.wiring.bringing_order import (
    as_annotations,
    as_arguments,
    read_number,
    read_options,
    read_stretches,
)
from biofeedback.wiring.importing import ImportOptions

CHANNELS = (Channel(name="emg", kind="emg"), Channel(name="pull", kind="force"))


@pytest.mark.parametrize(
    ("order", "options"),
    [
        ({}, ImportOptions()),
        ({"rate_hz": None, "time": "", "time_unit": "", "decimal": "", "channels": []}, ImportOptions()),
        ({"rate_hz": ""}, ImportOptions()),
        ({"rate_hz": 0.5}, ImportOptions(rate_hz=0.5)),
        ({"rate_hz": 100}, ImportOptions(rate_hz=100.0)),
        ({"time": "t (s)", "time_unit": "days", "decimal": "comma"}, ImportOptions({}, "t (s)", None, "days", "comma")),
        *(({"time_unit": unit}, ImportOptions(time_unit=unit)) for unit in ("s", "ms", "us", "ns", "min", "h")),
        ({"time_unit": "weeks", "decimal": "dash"}, ImportOptions()),
        (
            {"decimal": "point", "channels": {"a": "force:N", 7: 8}},
            ImportOptions({"a": "force:N", "7": "8"}, decimal="point"),
        ),
    ],
)
def test_how_a_file_is_to_be_read(order: dict[str, Any], options: ImportOptions) -> None:
    assert read_options(order) == options


@pytest.mark.parametrize("rate", [0, 0.0, -1, float("inf"), float("nan"), "80", [80]])
def test_a_rate_is_a_number_above_nothing(rate: object) -> None:
    with pytest.raises(RecordingError, match="is not a number of rows per second; give one above 0"):
        read_options({"rate_hz": rate})


def test_stretches_begin_at_nothing_or_later_and_have_a_length() -> None:
    whole = [{"from_s": 0, "to_s": 0.1, "kind": "rest"}, {"from_s": "3", "to_s": 4}]
    assert read_stretches({"stretches": [whole[0], "none", None, whole[1]]}) == whole
    assert read_stretches({}) == read_stretches({"stretches": {"from_s": 1}}) == []
    for from_s, to_s in ((-0.1, 5), (5, 5), (6, 5)):
        with pytest.raises(RecordingError, match=f"{from_s:g} to {to_s:g} s is not a time span; let it end after"):
            read_stretches({"stretches": [whole[0], {"from_s": from_s, "to_s": to_s}]})


@pytest.mark.parametrize(
    ("stretch", "told"),
    [
        ({"kind": "rest"}, []),
        ({"kind": "maximum", "discomfort": 99}, []),
        ({"kind": "passive"}, [(10.0, 20.0, "phase passive")]),
        ({"kind": "passive", "low": 5, "high": 6}, [(10.0, 20.0, "phase passive")]),
        ({"kind": "contract", "low": "", "high": ""}, [(10.0, 20.0, "phase contract")]),
        ({"kind": "contract", "high": None}, [(10.0, 20.0, "phase contract")]),
        ({"kind": "contract", "low": "0", "high": 7.5}, [(10.0, 20.0, "phase contract 0-7.5 %")]),
        # the rating lies inside its phase: half a second before the end, in the middle of less than a second
        ({"kind": "passive", "discomfort": 0}, [(10.0, 20.0, "phase passive"), (29.5, None, "rating 0")]),
        (
            {"kind": "passive", "discomfort": "10", "to_s": 10.5},
            [(10.0, 0.5, "phase passive"), (10.25, None, "rating 10")],
        ),
        ({"kind": "passive", "discomfort": "", "to_s": 11}, [(10.0, 1.0, "phase passive")]),
        ({"kind": "passive", "discomfort": None}, [(10.0, 20.0, "phase passive")]),
    ],
)
def test_a_stretch_is_a_phase_with_its_rating(stretch: dict[str, Any], told: list[Any]) -> None:
    assert as_annotations({"from_s": 10, "to_s": 30, **stretch}) == told


@pytest.mark.parametrize(
    ("stretch", "words"),
    [
        ({"kind": "contract", "low": -1, "high": 5}, "-1 to 5 % is not a band; let its upper edge lie above"),
        ({"kind": "contract", "low": 5, "high": 5}, "5 to 5 % is not a band"),
        ({"kind": "contract", "low": None, "high": 5}, "low is not a number; give one"),
        ({"kind": "contract", "low": 4, "high": "inf"}, "high is not a number"),
        ({"kind": "passive", "discomfort": -0.5}, "a discomfort of -0.5; give 0 to 10"),
        ({"kind": "passive", "discomfort": 10.5}, "a discomfort of 10.5; give 0 to 10"),
        ({"kind": "passive", "to_s": "nan"}, "to is not a number"),
    ],
)
def test_a_stretch_that_cannot_be_says_what_is_wrong(stretch: dict[str, Any], words: str) -> None:
    with pytest.raises(RecordingError, match=words):
        as_annotations({"from_s": 10, "to_s": 30, **stretch})


def test_zero_and_maximum_are_told_as_the_command_line_would() -> None:
    rest, push = {"kind": "rest", "from_s": 1, "to_s": 4}, {"kind": "maximum", "from_s": 6.25, "to_s": 10}
    again = {"kind": "maximum", "from_s": 20, "to_s": 24.123456789}

    def expect(**said: Any) -> argparse.Namespace:
        return argparse.Namespace(**{"rest": "", "maximum": [], "maximum_from": [], "by": "page", "why": "", **said})

    assert as_arguments([], {}, CHANNELS) == expect()
    assert as_arguments([], {"maximum": ""}, CHANNELS) == expect()
    assert as_arguments([], {"maximum": None}, CHANNELS) == expect()
    assert as_arguments([rest], {"maximum": "412.5"}, CHANNELS) == expect(rest="1-4", maximum=["pull=412.5"])
    assert as_arguments([rest], {"maximum": 9}, CHANNELS[:1]) == expect(rest="1-4", maximum=["emg=9"])
    both = as_arguments([push, rest, {"kind": "passive", "from_s": 30, "to_s": 50}, again], {}, CHANNELS)
    assert both == expect(rest="1-4", maximum_from=["6.25-10", "20-24.12345679"])
    with pytest.raises(RecordingError, match="zero is set twice; keep one stretch in which nothing is done"):
        as_arguments([rest, rest], {}, CHANNELS)
    with pytest.raises(RecordingError, match="the maximum is given twice, as a push and as a number; keep one"):
        as_arguments([push], {"maximum": 1}, CHANNELS)


@pytest.mark.parametrize("value", [None, "", "x", [], {}, "nan", "-inf"])
def test_a_number_is_finite(value: object) -> None:
    assert read_number({"to_s": "-2.5"}, "to_s") == -2.5
    with pytest.raises(RecordingError, match="to is not a number; give one"):
        read_number({"to_s": value}, "to_s")
    with pytest.raises(RecordingError, match="maximum is not a number"):
        read_number({}, "maximum")
