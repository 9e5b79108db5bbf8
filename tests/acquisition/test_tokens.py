"""A line's pieces: what a comma parts, what a space groups, what a number is called and seems to be."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.acquisition import line_columns
from biofeedback.acquisition.text_tokens import (
    ENOUGH,
    groups_by_space,
    judge_comma,
    read_number,
    to_text,
    tokenise,
)


@pytest.mark.parametrize(
    ("lines", "meaning"),
    [
        (["12 34", "x"], "column"),
        (['{"a": 1,"b": 2}', '{"a": 1,"b": 3}'], "column"),
        (["[1,2]", "[3,4]"], "column"),
        (['{"a": "1,5"}', '{"a": "2,5"}'], "decimal"),
        (['"1,5"', '"2,5"'], "decimal"),
        (["1,5;2,5", "1,6;2,6"], "decimal"),
        (["1,5 N|2", "1,6 N|3"], "decimal"),
        (["1,5\t2", "1,6\t3"], "decimal"),
        (["F: 1,5 N", "F: 2,5 N"], "decimal"),
        (["F: 1,5 parrots", "F: 2,5 parrots"], "unknown"),
        (["1,5 2,5", "3,5 4,5"], "unknown"),
        (["12,-3", "12,4"], "column"),
        (["12,+3", "12,+4"], "column"),
        (["12, 3,4", "12, 5,6"], "column"),
        (["12,5, 3,7", "12,6, 3,8"], "unknown"),  # parted by comma and space: decimals, or four columns
        (["1,05", "1,15"], "decimal"),  # one length and a leading zero
        (["1,05", "1,5"], "unknown"),
        (["1,5", "1,7"], "unknown"),
        (["1,5", "1,75"], "unknown"),
        ([f"{k},{k}" for k in range(1, 30)], "column"),  # of many lengths, never with a leading zero
        (["1,2,3", "4,5,6"], "column"),
        (["1,05,2,15", "1,15,2,05"], "decimal"),
        (["1,05,2,5", "1,15,2,05"], "column"),
        (["01,05,2,15", "1,15,2,05"], "column"),
        (["1,234.5", "12.5"], "thousands"),
        (["1,234.5", "1,235.5"], "unknown"),  # nothing below a thousand was seen
        (["1.234,5", "12,5"], "decimal"),
        (["1.234,5", "1.235,5"], "unknown"),
        (["1.234,5", "1234,5"], "unknown"),
        (["1.5,2.5", "1.6,2.6"], "column"),
        (["12:30:05,123 5", "12:30:06,123 6"], "column"),  # of a clock
    ],
)
def test_what_a_comma_between_digits_is(lines: list[str], meaning: str) -> None:
    assert judge_comma(lines) == meaning


def test_columns_are_known_by_twelve_different_endings() -> None:
    endings = [str(k) for k in [*range(1, 10), *range(11, 40)] if str(k)[0] != "0"]
    for n, meaning in ((ENOUGH - 1, "unknown"), (ENOUGH, "column")):
        lines = [f"5,{ending}" for ending in endings[:n]]
        assert len({len(line) for line in lines}) == 2
        assert judge_comma(lines * 2) == meaning


@pytest.mark.parametrize(
    ("lines", "is_one"),
    [
        (["18'621", "18'622", "18'623"], True),
        (["18'621", "18'622", "18 623", "18 624"], False),  # half of them are no habit
        (["18 021", "18 622", "18 623"], True),  # no column begins with a zero
        (["18 621", "18 622"], False),
        (["18 621", "18 622", "18 623"], False),
        (["18 900", "19 100", "19 500", "19 900", "20 200"], True),  # each fall is carried over
        (["18 900", "19 100", "25 700", "20 300"], False),
        (["18 900", "18 300", "18 900", "18 300"], False),
        (["18 021", "18 622", "5", "18 623"], False),  # three of four are too few
        (["18 021", "18 622", "5", "18 623", "18 624"], True),
        (["0 021", "0 622", "0 623"], False),
        (["1234 021", "1234 622", "1234 623"], False),
        (["18 0211", "18 6221", "18 6231"], False),
        ([], False),
    ],
)
def test_what_a_space_between_digits_is(lines: list[str], is_one: bool) -> None:
    assert groups_by_space(lines) is is_one


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("- 1.5e3", ".", -1500.0),
        ("1.234,5", ",", 1234.5),
        ("1234", ",", 1234.0),
        ("1.5", ",", 1.5),
        ("1,234.5", ",.", 1234.5),
        (",5", ",", 0.5),
    ],
)
def test_the_number_that_a_piece_holds(text: str, decimal: str, value: float) -> None:
    assert read_number(text, decimal) == value


@pytest.mark.parametrize(
    ("line", "pieces"),
    [
        ("F=-1.5 N", [("word", "F"), ("mark", "="), ("number", "-1.5"), ("space", " "), ("word", "N")]),
        ("emg_1 2", [("word", "emg_1"), ("space", " "), ("number", "2")]),
        ("1: 5", [("word", "1"), ("mark", ":"), ("space", " "), ("number", "5")]),
        ("12=5", [("word", "12"), ("mark", "="), ("number", "5")]),
        ("123: 5", [("number", "123"), ("mark", ":"), ("space", " "), ("number", "5")]),
        ("1; 5", [("number", "1"), ("mark", ";"), ("space", " "), ("number", "5")]),
        ("-1: 5", [("number", "-1"), ("mark", ":"), ("space", " "), ("number", "5")]),
        ("0x1F", [("hex", "0x1F")]),
        ("12:30:05.5 7", [("clock", "12:30:05.5"), ("space", " "), ("number", "7")]),
        ("5%", [("number", "5"), ("word", "%")]),
        ("5-3", [("number", "5"), ("mark", "-"), ("mark", "3")]),
    ],
)
def test_every_character_belongs_to_one_piece(line: str, pieces: list[tuple[str, str]]) -> None:
    tokens = tokenise(line)
    assert "".join(token.text for token in tokens) == line
    assert [(token.start, token.end) for token in tokens] == [
        (at, at + len(token.text))
        for token, at in zip(tokens, np.cumsum([0, *(len(t.text) for t in tokens[:-1])]).tolist(), strict=True)
    ]
    if line != "5-3":
        assert [(token.kind, token.text) for token in tokens] == pieces


def test_bytes_become_as_many_letters() -> None:
    assert to_text("5\u00a0\u2009\u202f\u22123 \u20134 a\u20135".encode()) == "5   -3 -4 a\u20135"
    assert to_text(b"5 \xb5V") == "5 µV"


@pytest.mark.parametrize(
    ("values", "role"),
    [
        (range(7), "value"),
        (range(8), "counter"),
        ([5] * 8, "same"),
        ([*range(20), 25], "counter"),
        ([*range(10), 15, 16], "value"),  # one in eleven is not one more
        (range(0, 800, 100), "time"),
        ([0, 100, 229, 330, 430, 560, 660, 790], "time"),
        ([0, 100, 231, 331, 431, 562, 662, 793], "value"),
        ([0.5, 100.5, 200.5, 300.5, 400.5, 500.5, 600.5, 700.5], "value"),
        ([0, -1, -2, -3, -4, -5, -6, -7], "value"),
        ([0, 2, 4, 6, 8, 10, 12, 14], "time"),
    ],
)
def test_what_a_column_seems_to_be(values: list[float], role: str) -> None:
    assert line_columns._find_role(np.array(values, dtype=float)) == role


@pytest.mark.parametrize(
    ("label", "unit", "kind"),
    [
        ("Weight", "", "force"),
        ("", "N", "force"),
        ("", "kg", "force"),
        ("EMG left", "", "emg"),
        ("", "mV", "emg"),
        ("knee angle", "", "position"),
        ("", "°", "position"),
        ("temp °C", "", None),
        ("", "", None),
        ("voltage", "V", None),
        ("muscle force", "", "emg"),  # the first that fits
    ],
)
def test_what_a_label_and_a_unit_say(label: str, unit: str, kind: str | None) -> None:
    assert line_columns._guess_kind(label, unit) == kind


@pytest.mark.parametrize(
    ("label", "taken", "name"),
    [
        ("Kraft (links)", set(), "kraft_links"),
        ("Größe µV", set(), "groesse_uv"),
        ("1. Sensor", set(), "channel_1_sensor"),
        ("%%", set(), "column"),
        ("seq", set(), "seq_2"),
        ("check", {"check_2"}, "check_3"),
        ("force", {"force", "force_2"}, "force_3"),
    ],
)
def test_a_label_becomes_a_name_that_nobody_has(label: str, taken: set[str], name: str) -> None:
    assert line_columns._make_name(label, taken) == name


@pytest.mark.parametrize(
    ("line", "labels"),
    [
        ("force: 5 N; angle = 3 deg", [("force", "N"), ("angle", "deg")]),
        ("Force [N]: 5", [("Force", "N")]),
        ("N: 5", [("N", "")]),
        ("5 N 6", [("", "N"), ("", "")]),
        ("left arm 5, 6", [("left arm", ""), ("", "")]),
        ("a\t5", [("", "")]),
        ("5 kg net 6", [("", "kg"), ("net", "")]),
        ("12:30:05 load 5", [("load", "")]),
    ],
)
def test_the_words_before_a_number_are_its_label_and_the_unit_stands_behind(
    line: str, labels: list[tuple[str, str]]
) -> None:
    assert line_columns._find_labels(tokenise(line)) == labels
