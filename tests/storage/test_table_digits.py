"""The quick reader of plain tables gives what Python's own ``float`` gives, bit for bit, or leaves it to another."""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.storage import table_cells, table_digits
from biofeedback.storage.csv_import import import_csv
from biofeedback.storage.table_digits import read_decimals
from biofeedback.storage.table_text import read_blocks, read_layout

PLAIN = st.one_of(
    st.from_regex(r"-?[0-9]{1,16}", fullmatch=True),
    st.from_regex(r"-?[0-9]{0,9}\.[0-9]{1,16}", fullmatch=True),
    st.floats(allow_nan=False, allow_infinity=False, width=32).map(lambda value: f"{value:.6f}"),
    st.integers(-(2**53), 2**53).map(str),
    st.just(""),
)
LONG = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.floats(-1e6, 1e6).map(repr),
    st.floats(1e-3, 1e6).map(lambda value: half_way(value, math.inf)),
    st.from_regex(r"-?[0-9]{1,30}\.[0-9]{1,30}", fullmatch=True),
    st.from_regex(r"-?0\.0{0,12}[0-9]{1,19}", fullmatch=True),
)
ODD = st.one_of(PLAIN, st.text("0123456789.-+eE_ nai\xa0xX\t", max_size=9))


def half_way(value: float, to: float) -> str:
    """All digits of what lies half-way to the next float: the hardest to round."""
    return f"{(Decimal(value) + Decimal(math.nextafter(value, to))) / 2:f}"[:24]


def table(cells: list[list[str]], separator: str, decimal: str) -> str:
    return "".join(separator.join(row).replace(".", decimal) + "\n" for row in cells)


def rows(cells: st.SearchStrategy[str]) -> st.SearchStrategy[list[list[str]]]:
    return st.integers(1, 4).flatmap(
        lambda n: st.lists(st.lists(cells, min_size=n, max_size=n), min_size=1, max_size=9)
    )


def read_each(cells: list[list[str]]) -> list[float]:
    return [math.nan if cell == "" else float(cell) for row in cells for cell in row]


@given(rows(PLAIN), st.sampled_from([",.", ";,", "\t.", "\t,", "|."]))
def test_plain_numbers_are_what_float_makes_of_them(cells: list[list[str]], signs: str) -> None:
    found = read_decimals(table(cells, *signs), *signs, len(cells[0]))
    if found is None:  # more digits than are exact
        assert any(len(cell.strip("-").replace(".", "")) > 15 for row in cells for cell in row)
    else:
        expected = np.array(read_each(cells)).reshape(found.shape)
        assert found.tobytes() == np.where(np.isnan(expected), np.nan, expected).tobytes()  # the sign of -0.0 too


@given(rows(st.one_of(PLAIN, LONG)), st.booleans())
def test_long_numbers_and_exponents_are_what_float_makes_of_them(cells: list[list[str]], has_64_bits: bool) -> None:
    kept = table_digits.HAS_64_BITS
    table_digits.HAS_64_BITS = kept and has_64_bits  # elsewhere there are none
    try:
        found = read_decimals(table(cells, ",", "."), ",", ".", len(cells[0]))
    finally:
        table_digits.HAS_64_BITS = kept
    if found is not None:
        expected = np.array(read_each(cells)).reshape(found.shape)
        assert found.tobytes() == np.where(np.isnan(expected), np.nan, expected).tobytes()
    else:
        assert sum(map(len, cells)) > table_digits.LEAST_ALONE or any("+" in cell for row in cells for cell in row)


def test_what_other_programs_write_of_floats_is_read_at_once() -> None:
    """Seventeen digits, some small enough for an exponent, as ``repr`` has them."""
    dice = np.random.default_rng(2)
    values = dice.normal(0, [100.0, 1.0, 0.01], (4000, 3))
    found = read_decimals(table([list(map(repr, row)) for row in values.tolist()], ",", "."), ",", ".", 3)
    assert found is not None or not table_digits.HAS_64_BITS
    assert found is None or found.tobytes() == values.tobytes()


def test_a_number_of_more_than_53_bits_is_rounded_once() -> None:
    """Sixteen digits around 2**53, where a whole number is no exact float any more, and a point anywhere in them."""
    dice = np.random.default_rng(3)
    whole = [str(one) for one in dice.integers(2**53 - 1000, 2**54, 3000)]
    cells = [[f"{text[:at]}.{text[at:]}"] for text, at in zip(whole, dice.integers(1, 16, 3000), strict=True)]
    found = read_decimals(table(cells, ",", "."), ",", ".", 1)
    assert found is not None or not table_digits.HAS_64_BITS
    assert found is None or found.tobytes() == np.array(read_each(cells)).tobytes()


@given(rows(ODD))
def test_anything_else_is_left_to_the_careful_reader(cells: list[list[str]]) -> None:
    found = read_decimals(table(cells, ";", "."), ";", ".", len(cells[0]))
    if found is not None:
        np.testing.assert_array_equal(found.ravel(), read_each(cells))


@pytest.mark.parametrize("text", ["1,2\n3\n", "1\n2,3\n", "1,2,3\n", "1,-\n", "1,.\n", "1,-.\n", "1-,2\n",
                                  "1,1.2.3\n", "1,--2\n", "1,1e\n", "1,e5\n", "1,1-5\n", "1,1e+5\n", "1, 2\n",
                                  "1,é\n", "1,nan\n"])  # fmt: skip
def test_rows_and_cells_that_do_not_fit_are_not_read(text: str) -> None:
    assert read_decimals(text, ",", ".", 2) is None


@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", ","), ("\t", ".")])
def test_a_table_is_the_same_by_the_quick_and_by_the_careful_way(
    separator: str, decimal: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Several blocks, an empty cell here and there, and numbers of every length."""
    monkeypatch.setattr("biofeedback.storage.table_file.BLOCK_BYTES", 5000)
    dice = np.random.default_rng(1)
    lines = [separator.join(("time_s", "force_N", "position_deg"))]
    for k in range(3000):
        cells = [
            f"{k / 1000:.3f}",
            f"{dice.normal(100, 300):.{k % 9}f}",
            str(dice.integers(-9, 10**6)) if k % 7 else "",
        ]
        lines.append(separator.join(cells).replace(".", decimal))
    path = tmp_path / "made.csv"
    path.write_bytes("\r\n".join(lines).encode())
    layout = read_layout(path)
    care = table_cells._read_with_care(path, read_blocks(path, layout), layout, [], decimal=None, needed=[0, 1, 2])
    quick = table_cells.read_cells(path, layout, needed=[0, 1, 2])
    assert quick.values.tobytes() == care.values.tobytes()
    assert quick.remarks == care.remarks == ()
    monkeypatch.setattr(table_cells, "_read_with_care", None)  # the quick way it was
    assert import_csv(path).settings["rate_hz"] == 1000.0
