"""EDF+ and BDF+ made elsewhere, or by our own export: signals in units, annotations as ratings, phases and notes."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback import __version__
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Event
from biofeedback.storage.annotations import parse_events
from biofeedback.storage.edf import UNITS, import_edfio
from biofeedback.storage.imported import CHANNEL_CURE, Imported, choose_channel, make_items


def import_edf(
    path: Path, *, channels: Mapping[str, str] | None = None, settings: Mapping[str, object] | None = None
) -> Imported:
    """Read the signals that share the highest rate; others are left out and told.

    Annotations that say ``gap: ...`` become gaps, ratings, phases and stops events, the rest notes. Raises
    RecordingError when the file cannot be read or has no channel of a known kind.
    """
    file, remarks = _read(path)
    wanted = dict(channels or {})
    signals = list(file.signals)
    unknown = wanted.keys() - {signal.label for signal in signals}
    if unknown or not signals:
        labels = ", ".join(signal.label for signal in signals)
        raise RecordingError(f"{path} has no signal {', '.join(sorted(unknown))}", f"it has {labels or 'none'}")
    rate_hz = float(f"{max(signal.sampling_frequency for signal in signals):.9g}")
    chosen: list[Channel] = []
    columns: list[Any] = []
    for signal in signals:
        kind = wanted.get(signal.label) or (signal.transducer_type if signal.transducer_type in _KINDS else None)
        channel = choose_channel(signal.label, signal.physical_dimension, kind)
        if not channel:
            remarks.append(f"signal {signal.label} left out: its kind is not known; {CHANNEL_CURE}")
        elif abs(signal.sampling_frequency / rate_hz - 1) > 1e-6:
            remarks.append(f"signal {signal.label} left out: {signal.sampling_frequency:g} Hz, others {rate_hz:g} Hz")
        else:
            chosen.append(channel)
            columns.append(signal.data)
    if not chosen:
        raise RecordingError(f"{path}: no signal is known to be force, emg or position", CHANNEL_CURE)
    counts = np.column_stack(columns)
    told = [(one.onset, one.duration, one.text) for one in file.annotations]
    n_frames = len(counts)
    for onset_s, duration_s, text in told:
        if text.startswith("gap: "):
            first, n = round(onset_s * rate_hz), round((duration_s or 0) * rate_hz)
            counts[first : first + n] = np.nan
            if text == "gap: end of recording":
                n_frames = min(n_frames, first)
    events = parse_events([one for one in told if not one[2].startswith("gap: ")], rate_hz)
    events, left_out = _drop_other_units(events, chosen)
    remarks += left_out
    about = {
        "format": 1,
        "software": __version__,
        "started_utc": _read_start(file),
        "source": f"import:{path.name}",
        "channels": [channel.to_dict() for channel in chosen],
        "rate_hz": rate_hz,
        "athlete": _read_code(file),
        "simulated": "simulated" in file.local_recording_identification,
        **(settings or {}),
    }
    frames = np.arange(n_frames, dtype=np.float64)
    return Imported(about, make_items(frames, counts[:n_frames], n_frames), tuple(events), tuple(remarks))


_KINDS = ("force", "emg", "position")


def _drop_other_units(events: list[Event], channels: list[Channel]) -> tuple[list[Event], list[str]]:
    """Zeros and maxima are of use only in the units of the signals as the file holds them."""
    units = {channel.name: channel.unit for channel in channels}

    def fits(name: str, unit: str) -> bool:
        return name in units and UNITS.get(unit, (unit, 1.0)) == (units[name], 1.0)

    kept: list[Event] = []
    remarks: list[str] = []
    for event in events:
        told = event.data["channels"] if event.kind == "zero" else {event.data.get("channel", ""): event.data}
        if event.kind not in ("zero", "maximum") or all(fits(name, str(one["unit"])) for name, one in told.items()):
            kept.append(event)
        else:
            remarks.append(f"{event.kind} of {', '.join(told)} left out: not in the unit of the signal")
    return kept, remarks


def _read(path: Path) -> tuple[Any, list[str]]:
    """The file and what edfio had to say about it, such as a number of records that was never written."""
    edfio = import_edfio()
    try:
        with path.open("rb") as head:
            is_bdf = head.read(1) == b"\xff"
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always")
            file = (edfio.read_bdf if is_bdf else edfio.read_edf)(path)
            file.annotations  # noqa: B018 - read now, so that what is wrong is found now
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({error.strerror})", "check the name") from error
    except (ValueError, IndexError, ZeroDivisionError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path} is no EDF or BDF file ({error})", "choose another file") from error
    return file, [str(warning.message) for warning in told]


def _read_start(file: Any) -> str:
    try:
        return str(file.startdatetime.isoformat()) + "+00:00"
    except ValueError:  # anonymised
        return ""


def _read_code(file: Any) -> str:
    code = str(file.local_patient_identification).split(" ")[0]
    return "" if code == "X" else code
