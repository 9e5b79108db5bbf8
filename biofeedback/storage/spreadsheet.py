"""Texts in tables that a spreadsheet would run as formulas: an apostrophe before them makes them texts again."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import TextIO, TypeVar

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
T = TypeVar("T")


def neutralise(cell: T) -> T | str:
    """Numbers, and texts that are numbers, stay; ``=1+1`` becomes ``'=1+1``."""
    if not isinstance(cell, str) or not cell.startswith(FORMULA_STARTS):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell


def write_rows(file: TextIO, rows: Iterable[Iterable[object]]) -> int:
    """CSV rows, None as an empty cell; how many texts were made texts again."""
    n_changed = 0
    writer = csv.writer(file)
    for row in rows:
        cells = ["" if cell is None else cell for cell in row]
        n_changed += count_formulas(cells)
        writer.writerow([neutralise(cell) for cell in cells])
    return n_changed


def tell_formulas(n_changed: int, path: Path) -> list[str]:
    """What to say of a table in which so many texts were changed; nothing of 0."""
    if not n_changed:
        return []
    if n_changed == 1:
        return [f"{path.name}: a text that a spreadsheet would run as a formula has an apostrophe before it"]
    return [f"{path.name}: {n_changed} texts that a spreadsheet would run as formulas have an apostrophe before them"]


def count_formulas(cells: Iterable[object]) -> int:
    """How many of them would be changed."""
    return sum(isinstance(cell, str) and neutralise(cell) != cell for cell in cells)
