"""Files brought on the page: understood, corrected by what the page says, made recordings beside the others."""

from __future__ import annotations

import argparse
import math
import re
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from biofeedback.account.fold import fold
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap, Note, find_guide
from biofeedback.storage.imported import Imported, choose_channel, end_phases, write_recording
from biofeedback.storage.schema import SUFFIX
from biofeedback.wiring import afterwards
from biofeedback.wiring.assembly import read_code
from biofeedback.wiring.importing import TABLES, ImportOptions, read_foreign, summarise

if TYPE_CHECKING:
    from biofeedback.web.bringing import Brought

MOST_COLUMNS = 4000
N_ROWS = 4  # of the table, shown as they are
LEFT_OUT = re.compile(r"(?:column|signal|vector|stream) (?P<name>.+?) left out")
LISTED = re.compile(r"its (?:columns|signals|vectors) are (?P<names>.+)$")
SAYS_OPTION = re.compile(r"[;,] (?:write|say|if it is \w+ already say) --.*$")
CURES = (  # what an option of the command line is called on the page, and what one press says
    ("--decimal", "choose how decimals are written", (("Decimals have a comma", {"decimal": "comma"}),
                                                      ("Decimals have a point", {"decimal": "point"}))),
    ("--time-unit", "choose the unit of the times, or give the rows per second",
     (("Times are seconds", {"time_unit": "s"}), ("Times are milliseconds", {"time_unit": "ms"}))),
    ("--channel", "say below what each column is", ()),
    ("--rate", "give the rows per second", ()),
    ("--time", "choose the column of times", ()),
)  # fmt: skip
ZERO_ASSUMED = "zero is taken as 0: no stretch says what the channels read while nothing is done"
MEASURES = {"rest": "Nothing is done (zero)", "maximum": "Maximal push"}


@dataclass(slots=True)
class BroughtFiles:
    """See `biofeedback.web.bringing.Bringing`. The last file read is kept: its trace is asked for many times."""

    folder: Path
    _last: tuple[Any, Imported] | None = field(init=False, default=None)
    _reading: threading.Lock = field(init=False, default_factory=threading.Lock)

    def look(self, brought: Brought, order: Mapping[str, Any]) -> dict[str, Any]:
        """What was understood, or ``problem``, with the columns that can be named all the same."""
        told = _describe_table(brought.path, order)
        try:
            imported = self._read(brought.path, order)
            events = self._place([], brought, imported)
        except BiofeedbackError as error:
            columns = told.get("columns") or _list_names(error.cure)
            return {**told, "columns": columns, "remarks": [], "problem": _tell_problem(error)}
        return {**told, **_describe(imported, events, told.get("columns", [])), "problem": None}

    def draw(self, brought: Brought, order: Mapping[str, Any]) -> dict[str, Any]:
        """Each channel between ``from`` and ``to`` seconds, in its unit."""
        from biofeedback.web.review import find_columns

        imported = self._read(brought.path, order)
        rate_hz, channels = float(imported.settings["rate_hz"]), _channels_of(imported)
        values, (from_s, to_s) = _tabulate(imported), (_number(order, "from"), _number(order, "to"))
        n_columns = int(min(MOST_COLUMNS, max(1.0, _number(order, "columns"))))
        drawn = []
        for k, channel in enumerate(channels):
            low, high = find_columns(values[:, k], from_s * rate_hz, to_s * rate_hz, n_columns)
            drawn.append({"name": channel.name, "unit": channel.unit, "low": _plain(low), "high": _plain(high)})
        return {"from_s": from_s, "to_s": to_s, "channels": drawn}

    def take(self, brought: Brought, order: Mapping[str, Any]) -> dict[str, Any]:
        """Make the recording, with zero, maximum, phases and ratings as they were set; its name and what was taken."""
        try:
            return self._take(brought, order)
        except BiofeedbackError as error:
            raise RecordingError(_reword(error.what), _reword(error.cure)) from error

    def _take(self, brought: Brought, order: Mapping[str, Any]) -> dict[str, Any]:
        settings = {key: str(order.get(key) or "").strip() for key in ("athlete", "exercise", "side", "position")}
        if settings["athlete"]:
            read_code(settings["athlete"])
        imported = self._read(brought.path, order)
        channels, rate_hz = _channels_of(imported), float(imported.settings["rate_hz"])
        stretches = _read_stretches(order)
        events = self._place(stretches, brought, imported)
        remarks: list[str] = []
        calibration = afterwards.make_calibration(
            _as_arguments(stretches, order, channels),
            channels,
            lambda: afterwards.compute_levels(channels, rate_hz, imported.items),
            rate_hz=rate_hz,
            settings=settings,
            known=imported.events,
            told=remarks,
        )
        has_zero = any(event.kind == "zero" for event in imported.events)
        if order.get("maximum") and not has_zero and not any(one.get("kind") == "rest" for one in stretches):
            remarks.append(ZERO_ASSUMED)
        about = {**imported.settings, **{key: value for key, value in settings.items() if value}}
        made = Imported(about, imported.items, imported.events, imported.remarks)
        out = _find_free(self.folder, brought.path.stem)
        write_recording(made, out, extra_events=[*calibration, *events])
        return {"name": out.name, "remarks": remarks}

    def _read(self, path: Path, order: Mapping[str, Any]) -> Imported:
        options = _read_options(order)
        key = str(path), path.stat().st_mtime_ns, repr(options)
        with self._reading:
            if self._last is None or self._last[0] != key:
                self._last = None
                self._last = key, read_foreign(path, options)
            return self._last[1]

    def _place(self, stretches: Sequence[Mapping[str, Any]], brought: Brought, imported: Imported) -> list[Event]:
        """Phases and ratings of the table that came along, and of the stretches."""
        rate_hz = float(imported.settings["rate_hz"])
        n_frames = max((item.end_frame for item in imported.items if not isinstance(item, Note)), default=0)
        told = afterwards.read_table(brought.events) if brought.events else []
        for one in stretches:
            told += _as_annotations(one)
        events = afterwards.place_told(told, rate_hz, imported.events)
        where = brought.events.name if brought.events else "the stretches"
        return end_phases(events, rate_hz, n_frames, where=where, strict=True)[0]


def _read_options(order: Mapping[str, Any]) -> ImportOptions:
    said = order.get("channels")
    channels = {str(name): str(value) for name, value in said.items()} if isinstance(said, dict) else {}
    rate = order.get("rate_hz")
    if rate in (None, ""):
        rate_hz = None
    elif isinstance(rate, int | float) and 0 < rate < math.inf:
        rate_hz = float(rate)
    else:
        raise RecordingError(f"{str(rate)[:20]} is not a number of rows per second", "give one above 0")
    unit, decimal = order.get("time_unit"), order.get("decimal")
    return ImportOptions(
        channels=channels,
        time=str(order["time"]) if order.get("time") else None,
        rate_hz=rate_hz,
        time_unit=str(unit) if unit in ("s", "ms", "us", "ns") else None,
        decimal=str(decimal) if decimal in ("comma", "point") else None,
    )


def _describe_table(path: Path, order: Mapping[str, Any]) -> dict[str, Any]:
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
    said = _read_options(order).channels
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


def _describe(imported: Imported, events: Sequence[Event], columns: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    channels, rate_hz = _channels_of(imported), float(imported.settings["rate_hz"])
    values = _tabulate(imported)
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
    names = [column["name"] for column in columns] or [
        *taken, *(match["name"] for text in imported.remarks if (match := LEFT_OUT.match(text)))
    ]  # fmt: skip
    listed = {column["name"]: column for column in columns}
    account = fold([*imported.events, *events], channels=channels, settings={})
    n_frames = len(values)
    return {
        "summary": summarise(imported),
        "duration_s": n_frames / rate_hz,
        "columns": [taken.get(name) or _bare(listed.get(name)) or {"name": name, "unit": ""} for name in names],
        "guide": channels[find_guide(channels) or 0].name,
        "remarks": [_reword(text) for text in imported.remarks],
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


def _channels_of(imported: Imported) -> list[Channel]:
    return [Channel.from_dict(channel) for channel in imported.settings["channels"]]


def _tabulate(imported: Imported) -> FloatArray:
    """All frames in the channels' units, (n_frames, n_channels), NaN where nothing came."""
    channels = _channels_of(imported)
    n_frames = max((item.end_frame for item in imported.items if isinstance(item, Chunk | Gap)), default=0)
    values = np.full((n_frames, len(channels)), np.nan)
    for item in imported.items:
        if isinstance(item, Chunk):
            for k, channel in enumerate(channels):
                values[item.first_frame : item.end_frame, k] = channel.scaled(item.counts[:, k])
    return values


def _list_names(cure: str) -> list[dict[str, Any]]:
    match = LISTED.search(cure)
    return [{"name": name, "unit": ""} for name in match["names"].split(", ")] if match else []


def _tell_problem(error: BiofeedbackError) -> dict[str, Any]:
    """What is wrong, its cure in the page's words, and what one press would say."""
    for option, cure, presses in CURES:
        if option in error.cure:
            fixes = [{"label": label, "change": change} for label, change in presses]
            return {"what": _reword(error.what), "cure": cure, "fixes": fixes}
    return {"what": _reword(error.what), "cure": error.cure, "fixes": []}


def _reword(text: str) -> str:
    """A remark without options of the command line and without the folder that the upload lies in."""
    text = re.sub(r"\S*biofeedback-brought-\S*/", "", SAYS_OPTION.sub("", text))
    return text.replace("--maximum-from ", "the push ").replace("--rest ", "the zero ")


def _read_stretches(order: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Those of the page, their numbers checked."""
    listed = order.get("stretches")
    stretches: list[Mapping[str, Any]] = (
        [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []
    )
    for one in stretches:
        from_s, to_s = _number(one, "from_s"), _number(one, "to_s")
        if not 0 <= from_s < to_s:
            raise RecordingError(f"{from_s:g} to {to_s:g} s is not a stretch of time", "let it end after it begins")
    return stretches


def _as_annotations(stretch: Mapping[str, Any]) -> list[tuple[float, float | None, str]]:
    """A phase and the rating in it, as a table of events says them; nothing for zero and maximum."""
    kind, from_s, to_s = str(stretch.get("kind")), _number(stretch, "from_s"), _number(stretch, "to_s")
    if kind in MEASURES:
        return []
    band = ""
    if kind == "contract" and stretch.get("high") not in (None, ""):
        low, high = _number(stretch, "low"), _number(stretch, "high")
        if not 0 <= low < high:
            raise RecordingError(f"{low:g} to {high:g} % is not a band", "let its upper edge lie above its lower one")
        band = f" {low:g}-{high:g} %"
    told: list[tuple[float, float | None, str]] = [(from_s, to_s - from_s, f"phase {kind}{band}")]
    if stretch.get("discomfort") not in (None, ""):
        value = _number(stretch, "discomfort")
        if not 0 <= value <= 10:
            raise RecordingError(f"a discomfort of {value:g}", "give 0 to 10")
        told.append((to_s - min(0.5, (to_s - from_s) / 2), None, f"rating {value:g}"))
    return told


def _as_arguments(
    stretches: Sequence[Mapping[str, Any]], order: Mapping[str, Any], channels: Sequence[Channel]
) -> argparse.Namespace:
    """Zero and maximum as the command line would say them."""

    def spans(kind: str) -> list[str]:
        own = [one for one in stretches if one.get("kind") == kind]
        return [f"{_number(one, 'from_s'):.10g}-{_number(one, 'to_s'):.10g}" for one in own]

    rests = spans("rest")
    if len(rests) > 1:
        raise RecordingError("zero is set twice", "keep one stretch in which nothing is done")
    guide = channels[find_guide(channels) or 0].name
    typed = [f"{guide}={_number(order, 'maximum'):.9g}"] if order.get("maximum") not in (None, "") else []
    pushes = spans("maximum")
    if typed and pushes:
        raise RecordingError("the maximum is given twice, as a push and as a number", "keep one of them")
    return argparse.Namespace(rest="".join(rests), maximum=typed, maximum_from=pushes, by="page", why="")


def _find_free(folder: Path, stem: str) -> Path:
    """A name that no recording has yet."""
    path, number = folder / f"{stem}{SUFFIX}", 2
    while path.exists():
        path, number = folder / f"{stem}-{number}{SUFFIX}", number + 1
    return path


def _number(order: Mapping[str, Any], name: str) -> float:
    try:
        value = float(order[name])
    except (KeyError, TypeError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise RecordingError(f"{name.removesuffix('_s')} is not a number", "give one")
    return value


def _plain(values: FloatArray) -> list[float | None]:
    return [None if np.isnan(value) else float(f"{value:.6g}") for value in values]
