"""Texts in tables that a spreadsheet would run as formulas: an apostrophe before them makes them texts again."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

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


def count_formulas(cells: Iterable[object]) -> int:
    """How many of them would be changed."""
    return sum(isinstance(cell, str) and neutralise(cell) != cell for cell in cells)
