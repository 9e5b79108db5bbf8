"""Recordings as CSV with a JSON beside it, and as NumPy archives: what every program reads."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.model import Channel, Chunk, FloatArray, Gap, Note
from biofeedback.storage.annotations import Annotation, list_annotations
from biofeedback.storage.recording import Recording
from biofeedback.storage.spreadsheet import tell_formulas, write_rows
from biofeedback.storage.whole_file import write_whole

Progress = Callable[[int, int], None]
ABSOLUTE = ("started_utc", "source", "certificates", "repaired_from")  # settings that tell when and where


def export_csv(
    recording: Recording,
    path: Path,
    *,
    anonymous: bool = False,
    progress: Progress | None = None,
    told: list[str] | None = None,
) -> list[Path]:
    """One row per frame: ``time_s`` and a column per channel in its unit, ``force [N]``; empty cells in gaps.

    Beside it ``.json`` with settings, events and gaps, and ``_events.csv`` with onset, duration and text, and which
    phase it is about. Numbers are written with all their digits. Returns the files made; what was changed is ``told``.
    """
    sidecar, events = path.with_suffix(".json"), path.with_name(f"{path.stem}_events.csv")
    with ExitStack() as stack:  # all three or none
        text, listed, table = (stack.enter_context(write_whole(one)) for one in (sidecar, events, path))
        _write_frames(recording, table, progress)
        text.write_text(json.dumps(describe(recording, anonymous=anonymous), indent=1), encoding="utf-8")
        n_changed = _write_events(recording, listed, notes=not anonymous)
    if told is not None:
        told += tell_formulas(n_changed, events)
    return [path, sidecar, events]


def _write_events(recording: Recording, path: Path, *, notes: bool) -> int:
    names = [field.name for field in fields(Annotation)]
    rows = [[getattr(one, name) for name in names] for one in list_annotations(recording, notes=notes)]
    with path.open("w", newline="", encoding="utf-8") as file:
        return write_rows(file, [names, *rows])


def _write_frames(recording: Recording, path: Path, progress: Progress | None) -> None:
    channels = recording.channels
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["time_s", *(f"{channel.name} [{channel.unit}]" for channel in channels)])
        empty = [""] * len(channels)
        for item in recording.items():
            if isinstance(item, Chunk):
                values = [_to_cells(c.scaled(item.counts[:, k])) for k, c in enumerate(channels)]
                times = (np.arange(item.first_frame, item.end_frame) / recording.rate_hz).tolist()
                writer.writerows(zip(times, *values, strict=True))
            elif isinstance(item, Gap):
                writer.writerows(
                    [frame / recording.rate_hz, *empty] for frame in range(item.first_frame, item.end_frame)
                )
            if progress and not isinstance(item, Note):
                progress(item.end_frame, recording.n_frames)


def _to_cells(values: FloatArray) -> list[Any]:
    """Numbers with all their digits, empty where a channel has no reading."""
    is_missing = np.isnan(values)
    if not is_missing.any():
        return list(values.tolist())
    return ["" if missing else value for value, missing in zip(values.tolist(), is_missing.tolist(), strict=True)]


def export_numpy(recording: Recording, path: Path, *, anonymous: bool = False) -> list[Path]:
    """``numpy.load`` gives ``time_s``, ``values`` (units, NaN in gaps), ``counts``, ``names``, ``units``, ``rate_hz``,
    ``rating_time_s``, ``ratings`` (as corrected, NaN: no answer), ``rating_phase`` (the number of the phase that each
    is about, 0: none), ``rating_corrected_from`` (NaN: not corrected), ``phase_kind``, ``phase_from_s`` and
    ``phase_to_s`` (phase 1 first) and ``about``, the settings and events as JSON text.
    """
    counts, account, rate_hz = recording.counts(), recording.account, recording.rate_hz
    ratings, phases = account.ratings, account.phases
    firsts = [one.originals[0] if one.originals else None for one in ratings]
    ends = [recording.n_frames if phase.end_frame is None else phase.end_frame for phase in phases]
    arrays: dict[str, Any] = {
        "time_s": np.arange(len(counts)) / recording.rate_hz,
        "values": np.column_stack([c.scaled(counts[:, k]) for k, c in enumerate(recording.channels)]),
        "counts": counts,
        "names": np.array([channel.name for channel in recording.channels]),
        "units": np.array([channel.unit for channel in recording.channels]),
        "rate_hz": np.array(rate_hz),
        "rating_time_s": np.array([one.frame / rate_hz for one in ratings]),
        "ratings": np.array([one.value for one in ratings], dtype=np.float64),
        "rating_phase": np.array([one.phase_number or 0 for one in ratings], dtype=np.int64),
        "rating_corrected_from": np.array(firsts, dtype=np.float64),
        "phase_kind": np.array([phase.kind for phase in phases]),
        "phase_from_s": np.array([phase.first_frame / rate_hz for phase in phases]),
        "phase_to_s": np.array([end / rate_hz for end in ends]),
        "about": np.array(json.dumps(describe(recording, anonymous=anonymous))),
    }
    with write_whole(path) as beside, beside.open("wb") as file:
        np.savez(file, **arrays)
    return [path]


def describe(recording: Recording, *, anonymous: bool = False) -> dict[str, Any]:
    """Settings, events, gaps and notes as one JSON object; ``anonymous`` drops notes, dates and the source."""
    settings = {key: value for key, value in recording.settings.items() if not (anonymous and key in ABSOLUTE)}
    events = [
        {"frame": e.frame, "kind": e.kind, "data": _without_dates(e.data) if anonymous else e.data}
        | ({} if anonymous else {"utc": e.utc})
        for e in recording.events
        if not (anonymous and e.kind == "note")
    ]
    gaps = [{"first_frame": g.first_frame, "n_frames": g.n_frames, "reason": g.reason} for g in recording.gaps]
    notes = [] if anonymous else [{"frame": note.frame, "text": note.text} for note in recording.notes]
    columns = [describe_column(channel) for channel in recording.channels]
    return {
        "settings": settings,
        "columns": columns,
        "n_frames": recording.n_frames,
        "events": events,
        "gaps": gaps,
        "notes": notes,
    }


def describe_column(channel: Channel) -> dict[str, Any]:
    """The channel as it is once its numbers are in units: factor 1, no offset."""
    rails = [
        None if rail is None else float(channel.scaled(np.array([rail]))[0])
        for rail in (channel.rail_low_counts, channel.rail_high_counts)
    ]
    low, high = reversed(rails) if channel.factor < 0 else rails
    column = replace(channel, factor=1.0, offset_counts=0.0, rail_low_counts=low, rail_high_counts=high)
    return column.to_dict()


def _without_dates(data: Any) -> Any:
    """``utc`` fields anywhere inside an event tell the day as well."""
    if isinstance(data, dict):
        return {key: _without_dates(value) for key, value in data.items() if key != "utc"}
    return [_without_dates(value) for value in data] if isinstance(data, list) else data
