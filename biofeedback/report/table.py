"""One table of a report."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under ``head``; ``text_columns`` are set to the left, the others are numbers."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    text_columns: tuple[int, ...] = (0,)
    note: str = ""
