"""A recording made elsewhere, on its way into a file of ours."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap, Item
from biofeedback.storage.recorder import Recorder

KINDS = ("force", "emg", "position")
CONVERSIONS = {"kgf": ("N", 9.80665), "lbf": ("N", 4.4482216152605)}  # exact: 3rd CGPM 1901; avoirdupois pound x g
CHANNEL_CURE = "write --channel 'NAME=KIND' or 'NAME=KIND:UNIT*FACTOR', e.g. 'ch1=force:N*0.0042'"


@dataclass(frozen=True, slots=True)
class Imported:
    """What was understood of a foreign file. ``remarks`` tells what was missing, odd or left out."""

    settings: Mapping[str, Any]
    items: tuple[Item, ...]
    events: tuple[Event, ...]
    remarks: tuple[str, ...]


def write_recording(imported: Imported, path: str | os.PathLike[str], *, extra_events: Sequence[Event] = ()) -> None:
    """Write it as a recording. RecordingError when the file exists or cannot be made."""
    with Recorder.create(path, imported.settings, threaded=False) as recorder:
        for item in imported.items:
            recorder.append(item)
        for event in sorted([*imported.events, *extra_events], key=lambda event: event.frame):
            recorder.event(event)


def choose_channel(name: str, unit: str, wanted: str | None) -> Channel | None:
    """The channel for a column called ``name``; None when neither its name nor ``wanted`` tells the kind.

    ``wanted`` is ``KIND``, ``KIND:UNIT`` or ``KIND:UNIT*FACTOR``, with ``@envelope`` behind a smoothed EMG. Kilogram
    and pound forces become newtons. Raises RecordingError with the right way to write it.
    """
    given, _, factor_text = (wanted or "").partition("*")
    envelope = (wanted or "").endswith("@envelope")
    given, factor_text = given.removesuffix("@envelope"), factor_text.removesuffix("@envelope")
    kind, _, given_unit = given.partition(":")
    kind = kind or next((known for known in KINDS if name.lower().startswith(known)), "")
    if not kind:
        return None
    unit = given_unit or unit or "count"
    try:
        factor = float(factor_text) if factor_text else 1.0
        if not factor_text:
            unit, factor = CONVERSIONS.get(unit.lower(), (unit, 1.0))
        return Channel(name=name, kind=kind, unit=unit, factor=factor, envelope=envelope)  # type: ignore[arg-type]
    except ValueError as error:
        raise RecordingError(f"channel {name}: {wanted!r} is not understood ({error})", CHANNEL_CURE) from error


def make_items(frames: FloatArray, counts: FloatArray, n_frames: int) -> tuple[Item, ...]:
    """Rows at their ``frames`` as chunks, everything between them as gaps; rows with a NaN count as missing."""
    is_known = ~np.isnan(counts).any(axis=1)
    frames, counts = frames[is_known].astype(np.int64), counts[is_known]
    items: list[Item] = []
    end = 0
    borders = np.flatnonzero(np.diff(frames) != 1) + 1
    for rows in np.split(np.arange(len(frames)), borders):
        if not len(rows):
            continue
        first = int(frames[rows[0]])
        if first > end:
            items.append(Gap(end, first - end, "missing in the imported file"))
        items.append(Chunk(first, counts[rows[0] : rows[-1] + 1]))
        end = first + len(rows)
    if n_frames > end:
        items.append(Gap(end, n_frames - end, "missing in the imported file"))
    return tuple(items)
