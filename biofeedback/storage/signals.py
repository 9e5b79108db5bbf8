"""Signals with a rate each, from files that are no tables, to a recording: the same choices for every format."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from biofeedback import __version__
from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray, place_reading
from biofeedback.storage.annotations import parse_events
from biofeedback.storage.imported import CHANNEL_CURE, Imported, choose_channel, end_phases, match_names
from biofeedback.storage.schema import FORMAT
from biofeedback.storage.together import Column, bring_together, find_holes, make_items

MOST_NAMED = 12  # of the signals that are left out; the others are counted


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """``values`` (n,), NaN where missing, at ``rate_hz`` from ``start_s`` on."""

    name: str
    unit: str
    values: FloatArray
    rate_hz: float
    start_s: float = 0.0


def assemble(
    path: Path,
    signals: Sequence[Signal],
    *,
    channels: Mapping[str, str] | None,
    settings: Mapping[str, object] | None,
    annotations: Iterable[tuple[float, float | None, str]] = (),
    started_utc: str = "",
    remarks: Sequence[str] = (),
) -> Imported:
    """The recording of the signals whose kind is known, on the grid of the fastest.

    Raises RecordingError when none is known or can be used.
    """
    names, units = [signal.name for signal in signals], [signal.unit for signal in signals]
    wanted = match_names(channels or {}, names, units, where=str(path), what="signal")
    found = [(signal, choose_channel(signal.name, signal.unit, wanted.get(signal.name))) for signal in signals]
    chosen = [(signal, channel) for signal, channel in found if channel is not None]
    left_out = [signal.name for signal, channel in found if channel is None]
    told = list(remarks)
    if left_out:
        more = f" and {len(left_out) - MOST_NAMED} more" if len(left_out) > MOST_NAMED else ""
        told.append(f"left out, their kind is not known: {', '.join(left_out[:MOST_NAMED])}{more}; {CHANNEL_CURE}")
    if not signals and remarks:  # why there is none
        raise RecordingError(f"{path}: {remarks[0]}", "record it with a rate, or choose another file")
    if not chosen:
        listed = ", ".join(names[:MOST_NAMED]) + (
            f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
        )
        raise RecordingError(
            f"{path}: no signal is known to be force, emg or position",
            f"{CHANNEL_CURE}; its signals are {listed or 'none'}",
        )
    rate_hz = float(f"{max(signal.rate_hz for signal, _ in chosen):.9g}")
    columns = []
    n_frames = 0
    for signal, channel in chosen:
        is_slower = signal.rate_hz < rate_hz * (1 - 1e-6)
        own = replace(channel, rate_hz=float(f"{signal.rate_hz:.9g}")) if is_slower else channel
        frames_per_reading = rate_hz / (own.rate_hz or rate_hz)
        first = round(signal.start_s * signal.rate_hz)
        known = np.flatnonzero(np.isfinite(signal.values))
        frames = np.array([place_reading(int(first + j), frames_per_reading) for j in known], dtype=np.int64)
        n_frames = max(n_frames, place_reading(first + len(signal.values), frames_per_reading))
        columns.append(Column(own, frames, signal.values[known]))
    n_frames = max([n_frames, *(int(column.frames[-1]) + 1 for column in columns if len(column.frames))])
    used, table, more_told = bring_together(columns, rate_hz, n_frames)
    if not used:
        raise RecordingError(f"{path}: {more_told[0]}", "")
    events, odd = end_phases(parse_events(annotations, rate_hz), rate_hz, n_frames, where=str(path))
    told += [*more_told, *find_holes(used, table, rate_hz), *odd]
    about = {
        "format": FORMAT,
        "software": __version__,
        **({"started_utc": started_utc} if started_utc else {}),
        "simulated": False,
        "source": f"import:{path.name}",
        "channels": [channel.to_dict() for channel in used],
        "rate_hz": rate_hz,
        **(settings or {}),
    }
    return Imported(about, make_items(used, table, rate_hz), tuple(events), tuple(told), tuple(names))
