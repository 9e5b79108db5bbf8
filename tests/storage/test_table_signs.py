"""What a comma and a point mean in a table, and the numbers that come of it, cell by cell."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from biofeedback.errors import RecordingError
from biofeedback.storage.table_signs import find_sure_sign, judge_signs, to_numbers

PATH = Path("a.csv")


@pytest.mark.parametrize(
    ("columns", "sign", "told"),
    [
        ({"a": ["1.5", "2.5"]}, ".", []),
        ({"a": ["1,5", "2,5"]}, ",", []),
        ({"a": ["12", "x", ""]}, ".", []),
        ({"a": ["0,123"]}, ",", []),  # nothing groups a thousand of nothing
        ({"a": ["1234,5"]}, ",", []),
        ({"a": ["1,2345"]}, ",", []),
        ({"a": [",5"]}, ",", []),
        ({"a": ["1,234e3"]}, ",", []),
        ({"a": ["1,234.5", "7"]}, ".", []),  # no other reading
        ({"a": ["1.234,5", "7"]}, ",", []),
        ({"a": ["1,234,567"]}, ".", ["a comma is read as thousands sign"]),
        ({"a": ["1.234.567"]}, ",", ["a point is read as thousands sign"]),
        ({"a": ["950", "1,050"]}, ".", ["a comma is read as thousands sign"]),
        ({"a": ["950", "1,050", "1,051"]}, ".", ["a comma is read as thousands sign"]),  # one zero at an end is enough
        ({"a": ["950", "1,051"], "b": ["0.5"]}, ".", ["a comma is read as thousands sign"]),
        ({"a": ["1,234"], "b": ["0,5"]}, ",", []),  # another column tells
        ({"a": ["1.234"]}, ".", []),  # a point alone is a point
        ({"other": ["1,234"]}, ".", ["a comma is read as thousands sign"]),  # nobody needs it
    ],
)
def test_a_sign_is_judged_by_all_columns(columns: dict[str, list[str]], sign: str, told: list[str]) -> None:
    found = judge_signs(PATH, columns, None, {"a", "b"})
    assert found[0] == sign
    assert found[1] == told
    assert judge_signs(PATH, columns, "comma", {"a"}) == (",", [])
    assert judge_signs(PATH, columns, "point", {"a"}) == (".", [])


def test_what_could_be_two_numbers_or_is_written_in_two_ways_is_refused() -> None:
    with pytest.raises(RecordingError) as refused:
        judge_signs(PATH, {"other": ["2,345"], "a": ["7", "1,234"]}, None, {"a"})
    assert str(refused.value) == "a.csv: a 1,234 could be 1.234 or 1234; use --decimal comma or --decimal point"
    with pytest.raises(RecordingError) as refused:
        judge_signs(PATH, {"a": ["0,5"], "b": ["0.5"]}, None, {"a"})
    assert str(refused.value) == (
        "a.csv writes decimals with a comma here and with a point there; use --decimal comma or --decimal point"
    )
    with pytest.raises(RecordingError, match="could be"):
        judge_signs(PATH, {"a": ["1200", "1,050"]}, None, {"a"})  # 1200 without a sign: nothing is grouped here
    with pytest.raises(RecordingError, match="could be"):
        judge_signs(PATH, {"a": ["950", "1,051"]}, None, {"a"})  # whoever drops zeros may mean one and a bit
    with pytest.raises(RecordingError, match="could be"):
        judge_signs(PATH, {"a": ["950", "1,050", "1e3"]}, None, {"a"})


@pytest.mark.parametrize(
    ("cell", "decimal", "value"),
    [
        ("1.5", ".", 1.5),
        (" -1.5e3 ", ".", -1500.0),
        ("1,5", ",", 1.5),
        ("1,234.5", ".", 1234.5),
        ("-1,234,567", ".", -1234567.0),
        ("1.234,5", ",", 1234.5),
        ("1.234.567", ",", 1234567.0),
        ("1,23.5", ".", None),
        ("1,2345", ".", None),
        ("12,34", ".", None),
        ("0,123", ".", None),  # no thousand begins with nothing
        ("1.23,5", ",", None),
        ("1'234.5", ".", 1234.5),
        ("1\u00a0234,5", ",", 1234.5),
        ("1\u202f234", ".", 1234.0),
        ("1 234", ".", 1234.0),
        ("1 23", ".", None),
        ("1_000", ".", None),
        ("inf", ".", None),
        ("1e999", ".", None),
        ("x", ".", None),
        ("", ".", math.nan),
        ("NaN", ".", math.nan),
    ],
)
def test_a_cell_is_a_number_nothing_or_odd(cell: str, decimal: str, value: float | None) -> None:
    values, odd = to_numbers(["3", cell], decimal)
    assert values[0] == 3.0
    assert odd == ([1] if value is None else [])
    if value is None or math.isnan(value):
        assert math.isnan(values[1])
    else:
        assert values[1] == value


@pytest.mark.parametrize(
    ("blocks", "separator", "decimal", "sure"),
    [
        (["1.5,2.5\n"], ",", None, False),
        (["1,2\n"], ",", None, False),
        (["1.234,2\n"], ",", None, None),  # a point that may group thousands
        (["1.234,2\n", "0.5,1\n"], ",", None, False),
        (["1,5;2\n"], ";", None, True),
        (["1,234;2\n"], ";", None, None),
        (["1,234;2\n"], ";", "comma", True),
        (["1,5;2.5\n"], ";", None, None),
        (["1,5;2.5\n"], ";", "comma", None),
        (["1.5;2\n"], ";", None, False),
        (["1.5;2\n"], ";", "comma", None),
        (["1.5,2\n"], ",", "comma", None),
        (['"1.5",2\n'], ",", None, None),
        (["1'000,2\n"], ",", None, None),
        (["5,6\n", "1\u00a0000,2\n"], ",", None, None),
    ],
)
def test_what_is_sure_at_a_glance(blocks: list[str], separator: str, decimal: str | None, sure: bool | None) -> None:
    assert find_sure_sign(blocks, separator, decimal) is sure
