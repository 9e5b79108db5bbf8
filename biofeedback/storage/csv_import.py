"""CSV files as other programs write them: any usual separator, decimal commas, units in the header, holes."""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback import __version__
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Event, FloatArray
from biofeedback.storage.imported import CHANNEL_CURE, Imported, choose_channel, make_items

SEPARATORS = ("\t", ";", ",", " ")
SMALLEST_GAP_STEPS = 1.75  # a lost row doubles the step between two times; jitter stays below this
TIME_NAMES = ("time", "t", "seconds", "timestamp")
TIME_UNITS = {"": 1.0, "s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6}
UNIT_IN_HEADER = re.compile(
    r"(?P<name>.*?)\s*(?:\[(?P<a>[^\]]*)\]|\((?P<b>[^)]*)\)|_(?P<c>s|ms|us|N|kgf|lbf|uV|mV|V|deg|Nm))?$"
)


@dataclass(frozen=True, slots=True)
class _Table:
    names: tuple[str, ...]
    units: tuple[str, ...]
    values: FloatArray  # (n_rows, n_columns), NaN where a cell is empty or no number
    remarks: tuple[str, ...]


def import_csv(
    path: Path,
    *,
    channels: Mapping[str, str] | None = None,
    time: str | None = None,
    rate_hz: float | None = None,
    settings: Mapping[str, object] | None = None,
) -> Imported:
    """Read a table with a header, one row per frame.

    ``channels`` maps column names to ``KIND[:UNIT[*FACTOR]]``; columns whose names begin with force, emg or position
    need none; the others are left out and told. The JSON of our own export, if beside the file, tells all of that.
    Time comes from the column ``time`` (found by its name when None) or from ``rate_hz``, which wins. Rows that are
    missing or have an empty cell become gaps.

    Raises RecordingError when there is no number, no channel or no time in the file.
    """
    table = _read_table(path)
    ours = _read_sidecar(path)
    wanted = dict(channels or {})
    unknown = wanted.keys() - set(table.names)
    if unknown:
        raise RecordingError(f"{path} has no column {', '.join(sorted(unknown))}", f"it has {', '.join(table.names)}")
    if ours and len(ours["columns"]) == len(table.names) - 1 and not wanted:
        columns = list(range(1, len(table.names)))
        remarks: list[str] = []
        chosen = [Channel.from_dict(column) for column in ours["columns"]]
        rate_hz = rate_hz or float(ours["settings"]["rate_hz"])
    else:
        ours = {}
        time_column = _find_time(table, time, path)
        columns, chosen, remarks = _choose_channels(table, wanted, time_column, path)
    rate_hz, frames, time_remarks = _place_rows(
        table, None if rate_hz else _find_time(table, time, path), rate_hz, path
    )
    counts = table.values[:, columns]
    remarks += [*table.remarks, *time_remarks, *_find_holes(counts, chosen, rate_hz)]
    about = {
        "format": 1,
        "software": __version__,
        **ours.get("settings", {"simulated": False}),
        "source": f"import:{path.name}",
        "channels": [channel.to_dict() for channel in chosen],
        "rate_hz": rate_hz,
        **(settings or {}),
    }
    n_frames = int(frames[-1]) + 1 if len(frames) else 0
    events = [Event(e["frame"], e["kind"], e["data"], e.get("utc", "")) for e in ours.get("events", [])]
    return Imported(about, make_items(frames, counts, n_frames), tuple(events), tuple(remarks))


def _read_sidecar(path: Path) -> dict[str, Any]:
    """The JSON that our own export puts beside a table; nothing when there is none."""
    try:
        sidecar = json.loads(path.with_suffix(".json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    is_ours = isinstance(sidecar, dict) and {"settings", "columns", "events"} <= sidecar.keys()
    return sidecar if is_ours else {}


def _read_table(path: Path) -> _Table:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        text = path.read_bytes().decode("latin-1")
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({error.strerror})", "check the name") from error
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    separator = max(SEPARATORS, key=lambda s: (min((line.count(s) for line in lines[:20]), default=0), s != " "))
    rows = list(csv.reader(lines, delimiter=separator, skipinitialspace=True))
    if len(rows) < 2:
        raise RecordingError(f"{path} has no table", "it needs a header and one row per frame")
    header = [UNIT_IN_HEADER.fullmatch(cell.strip()) for cell in rows[0]]
    names = tuple(match["name"] if match else "" for match in header)
    units = tuple((match["a"] or match["b"] or match["c"] or "").strip() if match else "" for match in header)
    is_comma = separator != "," and any("," in cell for cell in rows[1])
    values = np.full((len(rows) - 1, len(names)), math.nan)
    n_ragged = n_odd = 0
    for k, row in enumerate(rows[1:]):
        n_ragged += len(row) != len(names)
        for column, cell in enumerate(row[: len(names)]):
            number = _to_number(cell.replace(",", ".") if is_comma else cell)
            n_odd += number is None
            values[k, column] = math.nan if number is None else number
    if np.isnan(values).all():
        raise RecordingError(f"{path} has no numbers", "it needs a header and one row per frame")
    remarks = [f"{n_ragged} rows have more or fewer cells than the header"] if n_ragged else []
    remarks += [f"{n_odd} cells are no numbers"] if n_odd else []
    return _Table(names, units, values, tuple(remarks))


def _to_number(cell: str) -> float | None:
    """NaN for an empty cell, None for what is no finite number."""
    if not cell.strip():
        return math.nan
    try:
        number = float(cell)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _find_time(table: _Table, time: str | None, path: Path) -> int | None:
    if time is not None and time not in table.names:
        raise RecordingError(f"{path} has no column {time}", f"it has {', '.join(table.names)}")
    found = (k for k, name in enumerate(table.names) if name == time or (time is None and name.lower() in TIME_NAMES))
    return next(found, None)


def _choose_channels(
    table: _Table, wanted: Mapping[str, str], time_column: int | None, path: Path
) -> tuple[list[int], list[Channel], list[str]]:
    columns, chosen, remarks = [], [], []
    for k, (name, unit) in enumerate(zip(table.names, table.units, strict=True)):
        if k == time_column:
            continue
        channel = choose_channel(name, unit, wanted.get(name))
        if channel:
            columns.append(k)
            chosen.append(channel)
        else:
            remarks.append(f"column {name or k + 1} left out: its kind is not known; {CHANNEL_CURE}")
    if not chosen:
        raise RecordingError(f"{path}: no column is known to be force, emg or position", CHANNEL_CURE)
    return columns, chosen, remarks


def _place_rows(
    table: _Table, time_column: int | None, rate_hz: float | None, path: Path
) -> tuple[float, FloatArray, list[str]]:
    """Rate, the frame of each row, and what was odd about the times."""
    n_rows = len(table.values)
    if rate_hz:
        return rate_hz, np.arange(n_rows, dtype=np.float64), []
    if time_column is None:
        raise RecordingError(f"{path} has no time column", "say --rate HZ, or --time NAME")
    unit = table.units[time_column].lower()
    if unit not in TIME_UNITS:
        raise RecordingError(f"{path}: time in {unit!r} is not understood", "use s, ms or us, or say --rate HZ")
    time_s = table.values[:, time_column] * TIME_UNITS[unit]
    known = np.flatnonzero(~np.isnan(time_s))
    if len(known) < 2 or not time_s[known[-1]] > time_s[known[0]]:
        raise RecordingError(f"{path}: its times do not advance", "say --rate HZ")
    time_s = np.interp(np.arange(n_rows), known, time_s[known]) - time_s[known[0]]
    steps, span_s = np.diff(time_s), time_s[-1] - time_s[0]
    if np.count_nonzero(steps == 0) > n_rows / 10:
        rate = float(f"{(n_rows - 1) / span_s:.9g}")
        told = [f"its times are coarser than its rows: {rate:.6g} Hz is their mean, gaps cannot be seen"]
        return rate, np.arange(n_rows, dtype=np.float64), told
    in_steps = steps / float(np.median(steps[steps > 0]))
    advance = np.where(in_steps < SMALLEST_GAP_STEPS, 1.0, np.round(in_steps))  # step by step: slow drift is no gap
    is_late = np.concatenate([[False], steps <= 0])
    table.values[is_late] = math.nan
    advance[is_late[1:]] = 0.0
    frames = np.concatenate([[0.0], np.cumsum(advance)])
    told = (
        [f"{int(is_late.sum())} rows do not come later than the row before; they are left out"] if is_late.any() else []
    )
    return float(f"{frames[-1] / span_s:.9g}"), frames, told


def _find_holes(counts: FloatArray, channels: Sequence[Channel], rate_hz: float) -> list[str]:
    remarks = []
    for k, channel in enumerate(channels):
        empty = np.isnan(counts[:, k])
        known = counts[~empty, k]
        if empty.any():
            from_s, to_s = np.flatnonzero(empty)[[0, -1]] / rate_hz
            remarks.append(f"{channel.name}: {int(empty.sum())} cells are empty, {from_s:.2f} to {to_s:.2f} s: a gap")
        if known.size and known.min() == known.max():
            remarks.append(f"{channel.name} never changes: it reads {known[0]:g} throughout")
    return remarks
