"""The level grid as a table, about 100 rows a second: what was shown, with phases and ratings, for other programs."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.analysis.placing import place_ratings
from biofeedback.analysis.trace import Trace
from biofeedback.storage.spreadsheet import count_formulas, neutralise, tell_formulas
from biofeedback.storage.whole_file import write_whole


def tabulate_levels(trace: Trace) -> dict[str, list[Any]]:
    """Column name to its cells; None where there is nothing. The columns are those of the data dictionary."""
    n = trace.n_levels
    columns: dict[str, list[Any]] = {"time_s": trace.time_s.tolist()}
    for k, channel in enumerate(trace.channels):
        columns[f"{channel.name} [{channel.unit}]"] = _cells(trace.level[:, k])
        columns[f"{channel.name} [%]"] = _cells(trace.percent[:, k])
        columns[f"{channel.name} baseline"] = _cells(trace.baseline[:, k])
        columns[f"{channel.name} flags"] = trace.flags[:, k].tolist()
    phase: list[int | None] = [None] * n
    kinds: list[str | None] = [None] * n
    about: list[int | None] = [None] * n
    discomfort: list[float | None] = [None] * n
    for one in trace.phases:
        length = one.end_level - one.first_level
        phase[one.first_level : one.end_level] = [one.number] * length
        kinds[one.first_level : one.end_level] = [one.kind] * length
    for rating, level in place_ratings(trace):
        discomfort[level], about[level] = rating.value, rating.phase_number
    return columns | {"phase": phase, "phase_kind": kinds, "rating_phase": about, "discomfort": discomfort}


def _cells(values: Any) -> list[float | None]:
    return [None if missing else value for value, missing in zip(values.tolist(), np.isnan(values), strict=True)]


def write_levels(trace: Trace, path: Path) -> list[str]:
    """CSV, or Parquet with typed columns, by the ending; whole or not at all. What was changed on the way."""
    columns = tabulate_levels(trace)
    with write_whole(path) as beside:
        if path.suffix == ".parquet":
            write_parquet(columns, beside)
            return []
        with beside.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(map(neutralise, columns))
            writer.writerows(_rows(columns))
    return tell_formulas(count_formulas(columns), path)


def _rows(columns: Mapping[str, list[Any]]) -> Iterable[list[Any]]:
    for row in zip(*columns.values(), strict=True):
        yield ["" if cell is None else cell for cell in row]


def write_parquet(columns: Mapping[str, list[Any]], path: Path, types: Mapping[str, str] | None = None) -> None:
    """Columns of Python values; ``types`` ("text", "whole", "number") by name where the values may all be empty."""
    from biofeedback.storage.extras import import_extra

    arrow = import_extra("pyarrow", "Parquet files", "parquet")
    parquet = import_extra("pyarrow.parquet", "Parquet files", "parquet")
    kinds = {"text": arrow.string(), "whole": arrow.int64(), "number": arrow.float64()}
    arrays = {
        name: arrow.array(cells, type=kinds[types[name]] if types and name in types else None)
        for name, cells in columns.items()
    }
    parquet.write_table(arrow.table(arrays), path)
