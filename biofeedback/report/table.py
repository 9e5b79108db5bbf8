"""One table of a report."""

from __future__ import annotations

from dataclasses import dataclass

from biofeedback.report.figuring import EMPTY


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under ``head``; ``text_columns`` are set to the left, the others are numbers."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    text_columns: tuple[int, ...] = (0,)
    note: str = ""


def trim(table: Table) -> Table | None:
    """The same without columns that hold nothing but dashes; None when only names are left: a dash is no finding."""
    columns = list(zip(*table.rows, strict=True)) if table.rows else []
    kept = [i for i, column in enumerate(columns) if i == 0 or any(cell not in ("", EMPTY) for cell in column)]
    if len(kept) < 2:
        return None
    return Table(
        table.title,
        tuple(table.head[i] for i in kept),
        tuple(tuple(row[i] for i in kept) for row in table.rows),
        tuple(kept.index(i) for i in table.text_columns if i in kept),
        table.note,
    )
