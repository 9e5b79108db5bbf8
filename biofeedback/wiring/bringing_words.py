"""What was understood of a brought file, in the page's words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.account.fold import fold
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap, find_guide
from biofeedback.storage.imported import Imported, choose_channel
from biofeedback.wiring.bringing_order import read_options
from biofeedback.wiring.importing import TABLES, summarise

N_ROWS = 4  # of the table, shown as they are
LISTED = re.compile(r"its (?:columns|signals|vectors) are (?P<names>.+)$")
SAYS_OPTION = re.compile(r"[;,] (?:(?:if it is \w+ already )?(?:write|say|use)) --.*$")
CURES = (  # what an option of the command line is called on the page, and what one press says
    ("--decimal", "choose how decimals are written", (("Decimals have a comma", {"decimal": "comma"}),
                                                      ("Decimals have a point", {"decimal": "point"}))),
    ("--time-unit", "choose the unit of the times, or give the rows per second",
     (("Times are seconds", {"time_unit": "s"}), ("Times are milliseconds", {"time_unit": "ms"}))),  # or those possible
    ("--channel", "say below what each column is", ()),
    ("--rate", "give the rows per second", ()),
    ("--time", "choose the column of times", ()),
)  # fmt: skip
UNIT_WORDS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds", "min": "minutes",
              "h": "hours", "days": "days"}  # fmt: skip


def describe_table(path: Path, order: Mapping[str, Any]) -> dict[str, Any]:
    """Names, units and first rows of a table; nothing of other files, or where there is no table."""
    if path.suffix.lower() not in TABLES:
        return {}
    from biofeedback.storage.csv_import import find_time
    from biofeedback.storage.table_text import read_layout

    try:
        layout = read_layout(path)
        k = find_time(layout, str(order["time"]) if order.get("time") else None, {}, path)
    except BiofeedbackError:
        return {}
    time = "" if k is None else layout.names[k]
    said = read_options(order).channels
    columns = [_name_column(*named, said) for named in zip(layout.names, layout.units, strict=True)]
    return {"time": time, "columns": columns, "head": [layout.names, *layout.sample[:N_ROWS]]}


def _name_column(name: str, unit: str, said: Mapping[str, str]) -> dict[str, Any]:
    """A column before its numbers are read; its kind by its name or by what was said, if either tells."""
    try:
        channel = choose_channel(name, unit, said.get(name))
    except RecordingError:
        channel = None
    if channel is None:
        return {"name": name, "unit": unit}
    unit = unit if name not in said else channel.unit
    return {"name": name, "unit": unit, "kind": channel.kind, "envelope": channel.envelope, "factor": channel.factor}


def describe_imported(
    imported: Imported, events: Sequence[Event], columns: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """Each channel with its range and first readings, phases, ratings, maxima, and what was remarked."""
    channels, rate_hz = channels_of(imported), float(imported.settings["rate_hz"])
    values = tabulate(imported)
    taken = {}
    for k, channel in enumerate(channels):
        known = values[np.isfinite(values[:, k]), k]
        taken[channel.name] = {
            "name": channel.name,
            "unit": channel.unit,
            "kind": channel.kind,
            "envelope": channel.envelope,
            "factor": channel.factor,
            "rate_hz": channel.rate_hz or rate_hz,
            "n_readings": len(known),
            "low": float(known.min()),
            "high": float(known.max()),
            "first": known[:3].tolist(),
        }
    names = [column["name"] for column in columns] or imported.names or [*taken]
    listed = {column["name"]: column for column in columns}
    account = fold([*imported.events, *events], channels=channels, settings={})
    n_frames = len(values)
    return {
        "summary": summarise(imported),
        "duration_s": n_frames / rate_hz,
        "columns": [taken.get(name) or _bare(listed.get(name)) or {"name": name, "unit": ""} for name in names],
        "guide": channels[find_guide(channels) or 0].name,
        "remarks": [reword(text) for text in imported.remarks],
        "phases": [
            {
                "kind": phase.kind,
                "from_s": phase.first_frame / rate_hz,
                "to_s": (n_frames if phase.end_frame is None else phase.end_frame) / rate_hz,
                "band": [phase.band.low_percent, phase.band.high_percent] if phase.band else None,
            }
            for phase in account.phases
        ],
        "n_ratings": len(account.ratings),
        "has_zero": bool(account.zeros),
        "maxima": [f"{m.channel} {m.strength:.5g} {m.unit}" for m in account.maxima.values()],
    }


def _bare(column: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """A column that is not taken, whatever its name."""
    return {"name": column["name"], "unit": column["unit"]} if column else None


def channels_of(imported: Imported) -> list[Channel]:
    """Those that were taken."""
    return [Channel.from_dict(channel) for channel in imported.settings["channels"]]


def tabulate(imported: Imported) -> FloatArray:
    """All frames in the channels' units, (n_frames, n_channels), NaN where nothing came."""
    channels = channels_of(imported)
    n_frames = max((item.end_frame for item in imported.items if isinstance(item, Chunk | Gap)), default=0)
    values = np.full((n_frames, len(channels)), np.nan)
    for item in imported.items:
        if isinstance(item, Chunk):
            for k, channel in enumerate(channels):
                values[item.first_frame : item.end_frame, k] = channel.scaled(item.counts[:, k])
    return values


def list_names(cure: str) -> list[dict[str, Any]]:
    """The columns that a refusal lists."""
    match = LISTED.search(cure)
    return [{"name": name, "unit": ""} for name in match["names"].split(", ")] if match else []


def tell_problem(error: BiofeedbackError) -> dict[str, Any]:
    """What is wrong, its cure in the page's words, and what one press would say."""
    for option, cure, presses in CURES:
        if option in error.cure:
            fixes = [{"label": label, "change": change} for label, change in presses]
            possible = [unit for unit in re.findall(r"Hz in (\w+)", error.what) if unit in UNIT_WORDS]
            if option == "--time-unit" and possible:
                fixes = [{"label": f"Times are {UNIT_WORDS[unit]}", "change": {"time_unit": unit}} for unit in possible]
            return {"what": reword(error.what), "cure": cure, "fixes": fixes}
    return {"what": reword(error.what), "cure": error.cure, "fixes": []}


def reword(text: str) -> str:
    """A remark without options of the command line and without the folder that the upload lies in."""
    text = re.sub(r"\S*biofeedback-brought-\S*/", "", SAYS_OPTION.sub("", text))
    return text.replace("--maximum-from ", "the push ").replace("--rest ", "the zero ")
