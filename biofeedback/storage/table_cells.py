"""Cells of a table to numbers: the quick way where all is plain, the careful way for everything else."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray
from biofeedback.storage.table_digits import read_decimals
from biofeedback.storage.table_signs import find_sure_sign, judge_signs, to_numbers
from biofeedback.storage.table_text import Layout, is_clock, is_missing, is_number, read_blocks, split_line

MOST_RAGGED = 0.01  # of the rows may have other cells than the header


@dataclass(frozen=True, slots=True)
class Cells:
    """``values`` (n_rows, n_columns), NaN where empty or no number; ``clocks`` the texts of columns of times of day."""

    values: FloatArray
    clocks: Mapping[int, Sequence[str]]
    remarks: tuple[str, ...]


def read_cells(
    path: Path, layout: Layout, *, decimal: str | None = None, needed: Sequence[int] = (), is_timed: bool = False
) -> Cells:
    """All rows of the table. ``decimal`` "comma" or "point" where both could be meant; ``needed`` columns must be sure.

    ``is_timed``: each row has its time, so that one without any number is none and can be left out.

    Raises RecordingError where columns change on the way, or a sign could mean both.
    """
    try:
        blocks = list(read_blocks(path, layout))
        n_columns = len(layout.names)
        clocks = [k for k in range(n_columns) if _is_clock_column(layout.sample, k)]
        fast = None if clocks else _read_fast(blocks, layout, decimal)
        return fast or _read_with_care(path, blocks, layout, clocks, decimal=decimal, needed=needed, is_timed=is_timed)
    except MemoryError as error:
        raise RecordingError(f"{path} does not fit into memory", "cut it into shorter files") from error


def _is_clock_column(sample: Sequence[Sequence[str]], k: int) -> bool:
    cells = [row[k] for row in sample if len(row) > k and not is_missing(row[k])]
    return bool(cells) and sum(is_clock(cell) for cell in cells) > len(cells) / 2


def _is_number_column(sample: Sequence[Sequence[str]], k: int) -> bool:
    cells = [row[k] for row in sample if len(row) > k and not is_missing(row[k])]
    return not cells or any(is_number(cell) for cell in cells)


def _read_fast(blocks: list[str], layout: Layout, decimal: str | None) -> Cells | None:
    """Numbers only, a sure decimal sign, as many cells in every row; None for whatever needs more care."""
    n_columns = len(layout.names)
    columns = [k for k in range(n_columns) if _is_number_column(layout.sample, k)]
    if not layout.separator and len(columns) < n_columns:
        return None
    is_comma = find_sure_sign(blocks, layout.separator, decimal)
    if is_comma is None:
        return None
    parts = []
    for block in blocks:
        part = _load_block(block, layout.separator, columns, n_columns, is_comma=is_comma)
        if part is None:
            return None
        parts.append(part)
    numbers = np.concatenate(parts) if len(parts) > 1 else parts[0]
    if len(columns) == n_columns:
        return Cells(numbers, {}, ())
    values = np.full((len(numbers), n_columns), math.nan)
    values[:, columns] = numbers
    return Cells(values, {}, ())


def _load_block(
    text: str, separator: str, columns: Sequence[int], n_columns: int, *, is_comma: bool
) -> FloatArray | None:
    """Numbers of ``columns``, ``(n_rows, len(columns))``; None when a cell is none or a row has other cells."""
    if separator and len(columns) == n_columns:
        plain = read_decimals(text, separator, "," if is_comma else ".", n_columns)
        if plain is not None:
            return plain
    n_rows = text.count("\n")
    text = text.replace(",", ".") if is_comma else text
    if separator:
        if len(columns) < n_columns and not _is_even(text, separator, n_columns):  # else the reader sees it
            return None
        text = _fill(text, separator)
    try:
        part = np.loadtxt(
            text.split("\n")[:-1],
            delimiter=separator or None,
            comments=None,
            ndmin=2,
            usecols=columns if len(columns) < n_columns else None,
        )
    except ValueError:
        return None
    return part if part.shape == (n_rows, len(columns)) and not np.isinf(part).any() else None


def _is_even(text: str, separator: str, n_columns: int) -> bool:
    """Whether every line has as many separators."""
    letters = np.frombuffer(text.encode("utf-8"), dtype=np.uint8)
    ends = np.flatnonzero(letters == ord("\n"))
    before = np.cumsum(letters == ord(separator))[ends]
    return bool((np.diff(before, prepend=0) == n_columns - 1).all())


def _fill(text: str, separator: str) -> str:
    """Empty cells as ``nan``."""
    two = separator * 2
    if two in text:
        filled = f"{separator}nan{separator}"
        text = text.replace(two, filled).replace(two, filled)
    if separator + "\n" in text:
        text = text.replace(separator + "\n", separator + "nan\n")
    if "\n" + separator in text:
        text = text.replace("\n" + separator, "\nnan" + separator)
    return "nan" + text if text.startswith(separator) else text


def _read_with_care(
    path: Path,
    blocks: Iterable[str],
    layout: Layout,
    clocks: Sequence[int],
    *,
    decimal: str | None,
    needed: Sequence[int],
    is_timed: bool = False,
) -> Cells:
    n_columns = len(layout.names)
    columns: list[list[str]] = [[] for _ in range(n_columns)]
    n_rows = n_ragged = 0
    longest, first_odd, odd = 0, 0, ""
    for block in blocks:
        for row in _split_block(block, layout.separator):
            while len(row) > n_columns and not row[-1].strip():
                row.pop()
            n_rows += 1
            if len(row) != n_columns:
                n_ragged += 1
                if not first_odd:
                    first_odd, odd = n_rows, layout.separator.join(row)[:60]
                longest = max(longest, len(row))
            for cells, cell in zip(columns, (row + [""] * n_columns)[:n_columns], strict=True):
                cells.append(cell)
    remarks = (
        []
        if not n_ragged
        else [
            _judge_ragged(
                path,
                n_columns=n_columns,
                n_rows=n_rows,
                n_ragged=n_ragged,
                longest=longest,
                where=f"row {first_odd} first: {odd!r}",
            )
        ]
    )
    numeric = [k for k in range(n_columns) if k not in clocks]
    if decimal is None and any("," in cell.rpartition(":")[2] for k in clocks for cell in columns[k][:100]):
        decimal = "comma" if layout.separator != "," else None
    sign, told = judge_signs(
        path, {layout.names[k]: columns[k] for k in numeric}, decimal, {layout.names[k] for k in needed}
    )
    remarks += told
    values = np.full((n_rows, n_columns), math.nan)
    odd_rows: dict[int, list[int]] = {}
    for k in numeric:
        values[:, k], odd_rows[k] = to_numbers(columns[k], sign)
    is_row, told_row = _find_rows(values, columns, odd_rows, clocks) if is_timed else (np.ones(n_rows, np.bool_), [])
    told_of = [(row, k) for k in odd_rows for row in odd_rows[k] if is_row[row] and (k in needed or not needed)]
    if told_of:
        first_row, first_k = min(told_of)
        example = columns[first_k][first_row][:20]
        remarks.append(f"{len(told_of)} cells are no numbers, the first: {example!r}; they count as empty")
    texts = {k: [cell for cell, is_kept in zip(columns[k], is_row, strict=True) if is_kept] for k in clocks}
    return Cells(values[is_row], texts, (*remarks, *told_row))


def _find_rows(
    values: FloatArray, columns: Sequence[Sequence[str]], odd_rows: Mapping[int, Sequence[int]], clocks: Sequence[int]
) -> tuple[NDArray[np.bool_], list[str]]:
    """Whether each row is one, and a remark: words without any number are a header once more, or a last line."""
    is_row = np.ones(len(values), dtype=np.bool_)
    for row in {row for rows in odd_rows.values() for row in rows}:
        is_row[row] = np.isfinite(values[row]).any() or any(is_clock(columns[k][row].strip()) for k in clocks)
    words = np.flatnonzero(~is_row)
    if not len(words):
        return is_row, []
    text = " ".join(cells[int(words[0])] for cells in columns)[:60]
    what = f"{len(words)} rows hold no number" if len(words) > 1 else "a row holds no number"
    return is_row, [f"{what}: left out, row {words[0] + 1}{' first' if len(words) > 1 else ''}: {text!r}"]


def _judge_ragged(path: Path, *, n_columns: int, n_rows: int, n_ragged: int, longest: int, where: str) -> str:
    """The remark about rows with other cells than the header. RecordingError where they are many."""
    if n_ragged <= max(3, MOST_RAGGED * n_rows):
        return f"{n_ragged} rows have more or fewer cells than the header, {where.partition(':')[0]}"
    cure = "cut the file there"
    if n_ragged >= 0.9 * n_rows:
        cure = "write it again with ';' between the columns"
        cure += ": commas may be decimal or thousands signs" if longest > n_columns else ""
    raise RecordingError(f"{path}: {n_ragged} of {n_rows} rows do not fit its {n_columns} columns, {where}", cure)


def _split_block(block: str, separator: str) -> Iterable[list[str]]:
    lines = block.split("\n")[:-1]
    if separator:
        return csv.reader(lines, delimiter=separator, skipinitialspace=True)
    return (split_line(line, separator) for line in lines)
