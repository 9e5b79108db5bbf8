"""Zero, maximum and ratings said afterwards, on levels made by hand: what is taken, what is refused, and the words."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.account.kinds import MaximumSet, read_event
from biofeedback.errors import BiofeedbackError, CalibrationError
from biofeedback.model import Channel, Event
from biofeedback.wiring.afterwards import (
    add_arguments,
    compute_levels,
    list_names,
    make_calibration,
    parse_rating,
    parse_span,
    place_told,
)

CHANNELS = (Channel(name="calf", kind="emg", unit="uV"), Channel(name="pull", kind="force", unit="N"))
SETTINGS = {"position": "floor", "side": "left", "exercise": "seat", "athlete": "A01"}
LEVEL_RATE_HZ, RATE_HZ = 100.0, 1000.0


def make_levels(n_seconds: int = 30) -> tuple[Any, Any, float]:
    """Both at rest at 10; pushes of 400, 420 and 410 above it from 6, 14 and 22 s on, each for 4 s."""
    values = np.full((n_seconds * 100, 2), 10.0)
    for from_s, height in ((6, 400.0), (14, 420.0), (22, 410.0)):
        values[from_s * 100 : (from_s + 4) * 100] += height
    return values, np.zeros(values.shape, dtype=np.uint16), LEVEL_RATE_HZ


def parse(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return parser.parse_args(words)


def read_maximum(event: Event) -> MaximumSet:
    said = read_event(event)
    assert isinstance(said, MaximumSet)
    return said


def calibrate(*words: str, known: tuple[Event, ...] = (), told: list[str] | None = None) -> list[Event]:
    return make_calibration(
        parse(*words), CHANNELS, make_levels, rate_hz=RATE_HZ, settings=SETTINGS, known=known, told=told
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("0=0", (0.0, None, "rating 0")),
        ("31.2=6.5", (31.2, None, "rating 6.5")),
        ("5=10", (5.0, None, "rating 10")),
        *((text, None) for text in ("-0.1=5", "inf=5", "nan=5", "5=-0.5", "5=10.5", "5=nan", "5", "=5", "a=5", "5=a")),
    ],
)
def test_a_rating_is_a_moment_and_a_number_from_0_to_10(text: str, told: object) -> None:
    if told:
        assert parse_rating(text) == told
        return
    with pytest.raises(BiofeedbackError) as refused:
        parse_rating(text)
    assert str(refused.value) == (
        f"--rating {text} is not understood; write --rating 31.2=6.5, discomfort from 0 to 10"
    )


def test_a_span_begins_at_0_or_later_and_ends_after_that() -> None:
    assert parse_span("0-0.5") == (0.0, 0.5)
    assert parse_span("2-5", "--maximum-from", "25-29") == (2.0, 5.0)
    for text in ("5-5", "6-5", "-1-5", "5-inf", "nan-5", "5", "a-b", ""):
        with pytest.raises(BiofeedbackError) as refused:
            parse_span(text)
        assert str(refused.value) == f"--rest {text} is not a time span; write --rest 0-2"
    with pytest.raises(BiofeedbackError, match="--maximum-from 3 is not a time span; write --maximum-from 25-29"):
        parse_span("3", "--maximum-from", "25-29")


@pytest.mark.parametrize(
    ("path", "settings", "names"),
    [
        ("A07_left.csv", {}, ["A07_left.csv", "A07"]),
        ("A07 left.csv", {"athlete": ""}, ["A07 left.csv", "A07"]),
        ("A07.2.csv", {"athlete": "B01"}, ["A07.2.csv", "B01"]),
        ("left_A07.csv", {"athlete": None}, ["left_A07.csv"]),
        ("A07x.csv", {"source": None}, ["A07x.csv"]),
        ("a.hold", {"source": "import:pull.csv", "athlete": "A01"}, ["a.hold", "pull.csv", "A01"]),
        ("a.hold", {"source": "import:a.hold"}, ["a.hold"]),
        ("a.hold", {"source": "serial:COM3"}, ["a.hold"]),
    ],
)
def test_by_what_a_table_may_call_a_recording(path: str, settings: dict[str, object], names: list[str]) -> None:
    assert list_names(Path("folder") / path, settings) == names


def test_of_nothing_there_are_no_levels() -> None:
    values, flags, rate_hz = compute_levels(CHANNELS, RATE_HZ, [], SETTINGS)
    assert (values.shape, flags.shape, rate_hz) == ((0, 2), (0, 2), 100.0)


def test_nothing_said_is_nothing_added_and_nothing_measured() -> None:
    def refuse() -> Any:
        raise AssertionError

    assert make_calibration(parse(), CHANNELS, refuse, rate_hz=RATE_HZ, settings=SETTINGS) == []
    made = make_calibration(parse("--maximum", "pull=9"), CHANNELS, refuse, rate_hz=RATE_HZ, settings={})
    assert [event.kind for event in made] == ["zero", "maximum", "note"]


def test_a_typed_maximum_counts_from_its_time_on_above_a_zero_of_nothing() -> None:
    told: list[str] = []
    zero, maximum, note = calibrate("--maximum", "pull=412@2.5", "--by", "C1", "--why", "misread", told=told)
    assert (zero.kind, zero.frame, zero.data["by"], zero.data["supersedes"]) == ("zero", 0, "C1", True)
    assert {name: one["level"] for name, one in zero.data["channels"].items()} == {"calf": 0.0, "pull": 0.0}
    assert {(one["sd"], one.get("n_levels", 0)) for one in zero.data["channels"].values()} == {(0.0, 0)}
    said = read_maximum(maximum)
    assert (maximum.frame, said.by, said.why, said.supersedes, said.settled) == (2500, "C1", "misread", True, False)
    assert (said.maximum.channel, said.maximum.strength, said.maximum.baseline) == ("pull", 412.0, 0.0)
    assert (said.maximum.unit, said.maximum.method) == ("N", "typed")
    assert (said.maximum.position, said.maximum.side, said.maximum.exercise) == ("floor", "left", "seat")
    assert told == ["maximum of pull from 2.5 s on: 412 N, typed by C1; misread"]
    assert (note.kind, note.frame, note.data["text"], note.data["by"]) == ("note", 2500, told[0], "C1")


def test_what_stands_instead_of_an_older_maximum_says_of_which() -> None:
    before = calibrate("--maximum", "pull=400")
    assert before[2].data["text"] == "maximum of pull: 400 N, typed by command line"
    told: list[str] = []
    after = calibrate("--maximum", "Pull [N]=412.3456789", "--maximum", "calf=90", known=tuple(before), told=told)
    assert [event.kind for event in after] == ["maximum", "note", "maximum", "note"]  # the zero is there already
    assert told == [
        "maximum of pull: 412.346 N instead of 400 N (typed), typed by command line",
        "maximum of calf: 90 uV, typed by command line",
    ]


def test_the_zero_is_measured_between_the_seconds_said() -> None:
    values, flags, _ = make_levels()
    values[:, 1] += np.repeat(np.arange(30.0), 100)  # 1 N more every second
    made = make_calibration(
        parse("--rest", "2-5", "--maximum", "pull=400"),
        CHANNELS,
        lambda: (values, flags, LEVEL_RATE_HZ),
        rate_hz=RATE_HZ,
        settings=SETTINGS,
    )
    assert (made[0].frame, made[0].data["supersedes"]) == (0, True)
    assert made[0].data["channels"]["pull"]["level"] == pytest.approx(13.0)
    assert made[0].data["channels"]["pull"]["n_levels"] == 300
    assert read_maximum(made[1]).maximum.baseline == pytest.approx(13.0)
    assert calibrate("--rest", "26-30")[0].data["channels"]["calf"]["level"] == 10.0
    with pytest.raises(CalibrationError, match=r"--rest 26-30.5 s is after the end; check the times"):
        calibrate("--rest", "26-30.5")


def test_a_channel_that_does_not_rest_is_left_without_a_zero_unless_it_is_needed() -> None:
    values, flags, _ = make_levels()
    values[:, 1] += np.repeat(np.arange(30.0), 100) * 100  # the force moves all the time

    def measure(*words: str, told: list[str] | None = None) -> list[Event]:
        return make_calibration(
            parse(*words),
            CHANNELS,
            lambda: (values, flags, LEVEL_RATE_HZ),
            rate_hz=RATE_HZ,
            settings=SETTINGS,
            told=told,
        )

    told: list[str] = []
    (zero,) = measure("--rest", "1-4", told=told)
    assert list(zero.data["channels"]) == ["calf"]
    assert [line.partition(" moves")[0] for line in told] == ["no zero: pull"]
    assert [event.kind for event in measure("--rest", "1-4", "--maximum", "calf=50")] == ["zero", "maximum", "note"]
    for needed in (("--maximum", "pull=50"), ("--maximum-from", "6-10")):
        with pytest.raises(CalibrationError, match="pull moves by"):
            measure("--rest", "1-4", *needed)
    values[:, 0] = np.repeat(4.0 ** np.arange(30.0), 100)
    with pytest.raises(CalibrationError, match="calf moves by"):  # nothing rests: the first says why
        measure("--rest", "1-4")


def test_the_best_push_counts_above_the_second_before_it() -> None:
    told: list[str] = []
    zero, maximum, _ = calibrate("--maximum-from", "6-10", "--maximum-from", "pull=14-18", told=told)
    assert zero.data["channels"]["pull"]["level"] == 0.0
    said = read_maximum(maximum)
    assert maximum.frame == 0
    assert (said.maximum.channel, said.maximum.unit, said.maximum.n_attempts) == ("pull", "N", 2)
    assert said.maximum.strength == pytest.approx(420.0)
    assert said.maximum.baseline == pytest.approx(10.0)
    assert told == ["maximum of pull: 420 N, the best half second of 14-18 s, 2 pushes"]
    told.clear()
    calibrate("--maximum-from", "22-26", "--why", "late", told=told)
    assert told == ["maximum of pull: 410 N, the best half second of 22-26 s; late"]


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("0.9-4", "--maximum-from 0.9-4 s: the second before the push is needed; begin at 1 s or later"),
        ("27-30.1", "--maximum-from 27-30.1 s is after the end; check the times"),
        ("27-30", "--maximum-from 27-30 s: pull cannot be taken, "),
        ("1-4", "--maximum-from 1-4 s: pull cannot be taken, "),
    ],
)
def test_a_push_that_cannot_be_judged_says_why(said: str, words: str) -> None:
    with pytest.raises(CalibrationError, match=words):
        calibrate("--maximum-from", said)


@pytest.mark.parametrize("late", ["-1", "x", "inf", "nan", ""])
def test_a_maximum_begins_to_count_at_a_moment(late: str) -> None:
    with pytest.raises(CalibrationError) as refused:
        calibrate("--maximum", f"pull=412@{late}")
    assert str(refused.value) == f"--maximum pull=412@{late}: {late!r} is not a time; write --maximum pull=412@60"


def test_without_force_or_muscle_the_first_channel_leads() -> None:
    knee = (Channel(name="knee", kind="position", unit="deg"), Channel(name="hip", kind="position", unit="deg"))
    made = make_calibration(parse("--maximum-from", "6-10"), knee, make_levels, rate_hz=RATE_HZ, settings={})
    assert read_maximum(made[1]).maximum.channel == "knee"
    by_name = make_calibration(parse("--maximum-from", "hip=6-10"), knee, make_levels, rate_hz=RATE_HZ, settings={})
    assert read_maximum(by_name[1]).maximum.channel == "hip"


def test_ratings_said_afterwards_lie_in_the_phase_of_their_moment() -> None:
    phases = place_told([(10.0, 20.0, "phase passive"), (40.0, 20.0, "phase contract 40-60 %")], RATE_HZ)
    events = place_told([(25.0, None, "rating 3"), (55.0, None, "rating 4"), (5.0, None, "rating 5")], RATE_HZ, phases)
    placed = {event.data["value"]: (event.frame, event.data.get("phase_index")) for event in events}
    assert placed == {3.0: (25_000, 0), 4.0: (55_000, 1), 5.0: (5_000, None)}
