"""Files brought on the page: understood, corrected by what the page says, made recordings beside the others."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Event, FloatArray, Note
from biofeedback.storage.events_table import read_events_table
from biofeedback.storage.imported import Imported, end_phases, write_recording
from biofeedback.storage.schema import SUFFIX
from biofeedback.wiring import afterwards
from biofeedback.wiring.assembly import read_code
from biofeedback.wiring.bringing_order import as_annotations, as_arguments, read_number, read_options, read_stretches
from biofeedback.wiring.bringing_words import (
    channels_of,
    describe_imported,
    describe_table,
    list_names,
    reword,
    tabulate,
    tell_problem,
)
from biofeedback.wiring.importing import read_foreign

if TYPE_CHECKING:
    from biofeedback.web.bringing import Brought

MOST_COLUMNS = 4000
ZERO_ASSUMED = "zero is taken as 0: no stretch says what the channels read while nothing is done"


@dataclass(slots=True)
class BroughtFiles:
    """See `biofeedback.web.bringing.Bringing`. The last file read is kept: its trace is asked for many times."""

    folder: Path
    _last: tuple[Any, Imported] | None = field(init=False, default=None)
    _reading: threading.Lock = field(init=False, default_factory=threading.Lock)

    def look(self, brought: Brought, order: Mapping[str, Any]) -> dict[str, Any]:
        """What was understood, or ``problem``, with the columns that can be named all the same."""
        told = describe_table(brought.path, order)
        try:
            imported = self._read(brought.path, order)
            remarks: list[str] = []
            settings = {"athlete": str(order.get("athlete") or "").strip()}
            events = self._place([], brought, imported, settings=settings, remarks=remarks, needed=False)
        except BiofeedbackError as error:
            columns = told.get("columns") or list_names(error.cure)
            return {**told, "columns": columns, "remarks": [], "problem": tell_problem(error)}
        described = describe_imported(imported, events, told.get("columns", []))
        return {**told, **described, "remarks": [*described["remarks"], *remarks], "problem": None}

    def draw(self, brought: Brought, order: Mapping[str, Any]) -> dict[str, Any]:
        """Each channel between ``from`` and ``to`` seconds, in its unit."""
        from biofeedback.web.review import find_columns

        imported = self._read(brought.path, order)
        rate_hz, channels = float(imported.settings["rate_hz"]), channels_of(imported)
        values, (from_s, to_s) = tabulate(imported), (read_number(order, "from"), read_number(order, "to"))
        n_columns = int(min(MOST_COLUMNS, max(1.0, read_number(order, "columns"))))
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
            raise RecordingError(reword(error.what), reword(error.cure)) from error

    def _take(self, brought: Brought, order: Mapping[str, Any]) -> dict[str, Any]:
        settings = {key: str(order.get(key) or "").strip() for key in ("athlete", "exercise", "side", "position")}
        if settings["athlete"]:
            read_code(settings["athlete"])
        imported = self._read(brought.path, order)
        channels, rate_hz = channels_of(imported), float(imported.settings["rate_hz"])
        stretches = read_stretches(order)
        remarks: list[str] = []
        events = self._place(stretches, brought, imported, settings=settings, remarks=remarks)
        calibration = afterwards.make_calibration(
            as_arguments(stretches, order, channels),
            channels,
            lambda: afterwards.compute_levels(channels, rate_hz, imported.items, imported.settings),
            rate_hz=rate_hz,
            settings=settings,
            known=imported.events,
            told=remarks,
        )
        has_zero = any(event.kind == "zero" for event in imported.events)
        if order.get("maximum") and not has_zero and not any(one.get("kind") == "rest" for one in stretches):
            remarks.append(ZERO_ASSUMED)
        about = {**imported.settings, **{key: value for key, value in settings.items() if value}}
        made = Imported(about, imported.items, imported.events, imported.remarks, imported.names)
        out = _find_free(self.folder, brought.path.stem)
        write_recording(made, out, extra_events=[*calibration, *events])
        return {"name": out.name, "remarks": remarks}

    def _read(self, path: Path, order: Mapping[str, Any]) -> Imported:
        options = read_options(order)
        key = str(path), path.stat().st_mtime_ns, repr(options)
        with self._reading:
            if self._last is None or self._last[0] != key:
                self._last = None
                self._last = key, read_foreign(path, options)
            return self._last[1]

    def _place(
        self,
        stretches: Sequence[Mapping[str, Any]],
        brought: Brought,
        imported: Imported,
        *,
        settings: Mapping[str, object],
        remarks: list[str],
        needed: bool = True,
    ) -> list[Event]:
        """Phases and ratings of the table that came along, and of the stretches."""
        rate_hz = float(imported.settings["rate_hz"])
        n_frames = max((item.end_frame for item in imported.items if not isinstance(item, Note)), default=0)
        table = read_events_table(brought.events) if brought.events else None
        told = table.select(afterwards.list_names(brought.path, settings), needed=needed) if table else []
        remarks += table.remarks if table else ()
        for one in stretches:
            told += as_annotations(one)
        events = afterwards.place_told(told, rate_hz, imported.events)
        where = brought.events.name if brought.events else "the stretches"
        return end_phases(events, rate_hz, n_frames, where=where, strict=True)[0]


def _find_free(folder: Path, stem: str) -> Path:
    """A name that no recording has yet."""
    path, number = folder / f"{stem}{SUFFIX}", 2
    while path.exists():
        path, number = folder / f"{stem}-{number}{SUFFIX}", number + 1
    return path


def _plain(values: FloatArray) -> list[float | None]:
    return [None if np.isnan(value) else float(f"{value:.6g}") for value in values]
