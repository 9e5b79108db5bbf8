"""Tables as other programs write them, and what was understood of them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from biofeedback import __version__
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Event, FloatArray, Gap, Note
from biofeedback.storage import table_clock as clock
from biofeedback.storage.imported import (
    CHANNEL_CURE,
    Imported,
    choose_channel,
    find_name,
    match_names,
    refuse_odd_files,
    tell_left_out,
)
from biofeedback.storage.schema import FORMAT
from biofeedback.storage.table_apart import find_own_times, group_rows, place_apart, read_own_times, take_turns
from biofeedback.storage.table_cells import Cells, read_cells
from biofeedback.storage.table_moments import read_clock_texts
from biofeedback.storage.table_text import Layout, is_clock, is_number, read_layout
from biofeedback.storage.together import Column, bring_together, find_holes, make_items

TIME_NAMES = ("time", "t", "seconds", "timestamp", "time stamp", "date time", "datetime", "date_time", "zeit", "millis",
              "elapsed", "elapsed time", "time_stamp", "clock", "epoch", "unix time")  # fmt: skip
UNIT_OF_NAME = {"seconds": "s", "millis": "ms"}


@dataclass(frozen=True, slots=True)
class TableOptions:
    """What the person said about a table."""

    time: str | None = None
    time_unit: str | None = None
    rate_hz: float | None = None
    decimal: str | None = None


@refuse_odd_files
def import_csv(
    path: Path,
    *,
    channels: Mapping[str, str] | None = None,
    time: str | None = None,
    rate_hz: float | None = None,
    time_unit: str | None = None,
    decimal: str | None = None,
    settings: Mapping[str, object] | None = None,
) -> Imported:
    """Read a table, one row per frame; what was assumed, odd or left out is in ``remarks``.

    ``channels`` maps column names to ``KIND[:UNIT[*FACTOR]]``; columns whose names begin with force, emg or position
    need none; the others are left out and told. The JSON of our own export, if beside the file, tells all of that.
    Time comes from the column ``time`` (found by its name when None), in ``time_unit`` (judged when None), or from
    ``rate_hz``, which wins. Every channel keeps its own gaps, and its own rate where it has fewer readings than rows.

    Raises RecordingError, with the cure, when there is no number, no channel or no time in the file, or when times or
    numbers could mean two things.
    """
    said = TableOptions(time, time_unit, rate_hz, decimal)
    layout = read_layout(path)
    ours = _read_sidecar(path)
    wanted = match_names(channels or {}, layout.names, layout.units, where=str(path))
    if ours and len(ours["columns"]) == len(layout.names) - 1 and not wanted:
        chosen = dict(enumerate((Channel.from_dict(column) for column in ours["columns"]), 1))
        time_column: int | None = 0
        said = TableOptions(rate_hz=rate_hz or float(ours["settings"]["rate_hz"]))
        remarks: list[str] = []
    else:
        ours = {}
        time_column = find_time(layout, said.time, wanted, path)
        chosen, remarks = _choose_channels(layout, wanted, time_column, path)
    used_time = time_column if not said.rate_hz else None
    needed = [*chosen, *([used_time] if used_time is not None else [])]
    cells = read_cells(path, layout, decimal=decimal, needed=needed, is_timed=used_time is not None)
    remarks = [*layout.remarks, *remarks, *cells.remarks]
    if not ours and not np.isfinite(cells.values[:, list(chosen)]).any():
        raise _say_no_numbers(path, layout, chosen)
    rate, columns, n_frames, started = _place(
        cells, chosen, time_column, said=said, layout=layout, path=path, remarks=remarks
    )
    if ours:
        used, table = list(chosen.values()), _fill(columns, n_frames)
        told: list[str] = []
    else:
        used, table, told = bring_together(columns, rate, n_frames)
    if not used:
        raise RecordingError(f"{path}: {told[0] if told else 'no channel'}", CHANNEL_CURE if not told else "")
    remarks += [*told, *find_holes(used, table, rate)]
    about = {
        "format": FORMAT,
        "software": __version__,
        **({"started_utc": started} if started else {}),
        **ours.get("settings", {"simulated": False}),
        "source": f"import:{path.name}",
        "channels": [channel.to_dict() for channel in used],
        "rate_hz": rate,
        **(settings or {}),
    }
    events = [Event(e["frame"], e["kind"], e["data"], e.get("utc", "")) for e in ours.get("events", [])]
    gaps = [Gap(int(g["first_frame"]), int(g["n_frames"]), str(g["reason"])) for g in ours.get("gaps", [])]
    notes = [Note(int(n["frame"]), str(n["text"])) for n in ours.get("notes", [])]
    return Imported(about, (*make_items(used, table, rate, gaps), *notes), tuple(events), tuple(remarks))


def _say_no_numbers(path: Path, layout: Layout, chosen: Mapping[int, Channel]) -> RecordingError:
    examples = [row[k] for row in layout.sample for k in chosen if len(row) > k and row[k]]
    cure = "write them as numbers alone, with the unit in the header" if examples else "choose another column"
    what = f": the first cell is {examples[0][:30]!r}" if examples else ""
    return RecordingError(f"{path} has no numbers in {', '.join(c.name for c in chosen.values())}{what}", cure)


def _fill(columns: Sequence[Column], n_frames: int) -> FloatArray:
    table = np.full((n_frames, len(columns)), np.nan)
    for k, column in enumerate(columns):
        table[column.frames, k] = column.counts
    return table


def _read_sidecar(path: Path) -> dict[str, Any]:
    """The JSON that our own export puts beside a table; nothing when there is none."""
    try:
        sidecar = json.loads(path.with_suffix(".json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    is_ours = isinstance(sidecar, dict) and {"settings", "columns", "events"} <= sidecar.keys()
    return sidecar if is_ours else {}


def find_time(layout: Layout, time: str | None, wanted: Mapping[str, str], path: Path) -> int | None:
    """The column of times: as said, by its name, or the only one of clock times."""
    names = layout.names
    if time is not None:
        return names.index(find_name(time, names, layout.units, where=str(path)))
    for k, name in enumerate(names):
        if name.lower() in TIME_NAMES and name not in wanted:
            return k
    clocks = [
        k for k in range(len(names)) if layout.sample and all(is_clock(row[k]) for row in layout.sample if len(row) > k)
    ]
    return clocks[0] if len(clocks) == 1 and names[clocks[0]] not in wanted else None


def _choose_channels(
    layout: Layout, wanted: Mapping[str, str], time_column: int | None, path: Path
) -> tuple[dict[int, Channel], list[str]]:
    chosen: dict[int, Channel] = {}
    remarks = []
    left_out = []
    for k, (name, unit) in enumerate(zip(layout.names, layout.units, strict=True)):
        if k == time_column:
            continue
        is_percent = unit == "%" and name not in wanted and any(name.startswith(c.name) for c in chosen.values())
        channel = None if is_percent else choose_channel(name, unit, wanted.get(name))
        if not channel and name == f"column {k + 1}" and not any(row[k] for row in layout.sample if len(row) > k):
            continue  # separators at the ends of rows, or before them
        if channel:
            chosen[k] = channel
        else:
            left_out.append(name)
            remarks.append(tell_left_out("column", name, wanted.get(name)))
    if not chosen:
        columns = ", ".join(layout.names)
        numbers = [name for name in left_out if _holds_numbers(layout, layout.names.index(name))]
        example = f"--channel '{(numbers or left_out)[0]}=force:N'" if left_out else CHANNEL_CURE
        raise RecordingError(
            f"{path}: no column is known to be force, emg or position",
            f"write --channel 'NAME=KIND' or 'NAME=KIND:UNIT*FACTOR', e.g. {example}; its columns are {columns}",
        )
    return chosen, remarks


def _holds_numbers(layout: Layout, k: int) -> bool:
    return any(is_number(row[k]) for row in layout.sample if len(row) > k)


def _place(
    cells: Cells,
    chosen: Mapping[int, Channel],
    time_column: int | None,
    *,
    said: TableOptions,
    layout: Layout,
    path: Path,
    remarks: list[str],
) -> tuple[float, list[Column], int, str]:
    """Rate, the readings of each channel at their frames, number of frames, and when it began if the times say."""
    n_rows = len(cells.values)
    rate_hz = said.rate_hz
    if rate_hz is None and time_column is None and layout.said_rate_hz:
        rate_hz = layout.said_rate_hz
        remarks.append(f"{rate_hz:g} Hz, as is written before the table")
    if rate_hz is not None:
        frames: NDArray[np.int64] = np.arange(n_rows)
        return rate_hz, _take(cells.values, chosen, frames), n_rows, ""
    own = find_own_times(cells.values, layout, chosen)
    if own:
        names = [layout.names[k] for k in own]
        told = {tell_left_out("column", name, None) for name in names}
        remarks[:] = [remark for remark in remarks if remark not in told]
        parts = []
        for k, columns in own.items():
            unit, owner = layout.units[k], f"{path}, {layout.names[k]}"
            rows, time_s = read_own_times(cells.values[:, k], unit, said.time_unit, where=owner, remarks=remarks)
            parts.append((columns, rows, time_s))
        remarks.append(f"several columns of times, {', '.join(names)}: each channel is placed by the one before it")
        return (*place_apart(parts, cells.values, chosen=chosen, where=str(path), remarks=remarks), "")
    if time_column is None:
        raise RecordingError(
            f"{path} has no time column", f"use --rate HZ, or --time NAME; its columns are {', '.join(layout.names)}"
        )
    where = f"{path}, {layout.names[time_column]}"
    if time_column in cells.clocks:
        times = read_clock_texts(cells.clocks[time_column], where)
    else:
        unit = layout.units[time_column] or UNIT_OF_NAME.get(layout.names[time_column].lower(), "")
        times = clock.read_time_numbers(cells.values[:, time_column], unit, said.time_unit, where)
    remarks += times.told
    groups = group_rows(cells.values, chosen)
    if take_turns(cells.values, groups):
        parts = []
        for columns in groups:
            rows = np.flatnonzero(np.isfinite(cells.values[:, columns[0]]) & np.isfinite(times.time_s))
            parts.append((columns, rows, times.time_s[rows]))
        remarks.append("the table holds rows of several clocks: each channel is placed by the times of its own rows")
        apart = place_apart(parts, cells.values, chosen=chosen, where=where, remarks=remarks)
        return (*apart, times.started_utc)
    written_s = _find_written(layout, time_column) * clock.TIME_UNITS[times.unit]
    placing = clock.place_by_times(times.time_s, where, written_s)
    remarks += placing.told
    if layout.said_rate_hz and abs(layout.said_rate_hz / placing.rate_hz - 1.0) > clock.MOST_WRONG:
        remarks.append(
            f"{layout.said_rate_hz:g} Hz is written before the table, but its times make {placing.rate_hz:.6g} Hz: "
            "the times are believed; --rate HZ says better"
        )
    n_frames = int(placing.frames.max()) + 1
    return placing.rate_hz, _take(cells.values, chosen, placing.frames), n_frames, times.started_utc


def _find_written(layout: Layout, time_column: int) -> float:
    """The finest digit in which times are written, in their own unit."""
    cells = [row[time_column] for row in layout.sample if len(row) > time_column]
    if any("e" in cell.lower() and is_number(cell) for cell in cells):
        return 0.0
    digits = [match[1] for cell in cells if (match := re.search(r"[.,](\d+)\D*$", cell))]
    return float(10.0 ** -max(map(len, digits), default=0))


def _take(values: FloatArray, chosen: Mapping[int, Channel], frames: NDArray[np.int64]) -> list[Column]:
    columns = []
    for k, channel in chosen.items():
        is_known = np.isfinite(values[:, k]) & (frames >= 0)
        columns.append(Column(channel, frames[is_known], values[is_known, k]))
    return columns
