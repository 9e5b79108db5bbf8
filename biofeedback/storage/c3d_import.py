"""C3D files of movement laboratories, read by ezc3d: analog channels and points, each at its rate, and events."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.storage.extras import import_extra
from biofeedback.storage.imported import Imported
from biofeedback.storage.signals import Signal, assemble

AXES = "xyz"


def import_c3d(
    path: Path, *, channels: Mapping[str, str] | None = None, settings: Mapping[str, object] | None = None
) -> Imported:
    """Analog channels by their labels; points as ``LABEL x``, ``LABEL y``, ``LABEL z``; events as annotations.

    Raises RecordingError when the file cannot be read, or no signal is of a known kind.
    """
    content = _read(path)
    parameters = content["parameters"]
    signals = []
    analogs = np.asarray(content["data"]["analogs"], dtype=np.float64)
    if analogs.size:
        labels, units = _texts(parameters, "ANALOG", "LABELS"), _texts(parameters, "ANALOG", "UNITS")
        rate_hz = float(content["header"]["analogs"]["frame_rate"])
        signals += [
            Signal(_at(labels, k) or f"analog {k + 1}", _at(units, k), column, rate_hz)
            for k, column in enumerate(analogs[0])
        ]
    points = np.asarray(content["data"]["points"], dtype=np.float64)
    if points.size:
        labels, units = _texts(parameters, "POINT", "LABELS"), _texts(parameters, "POINT", "UNITS")
        rate_hz = float(content["header"]["points"]["frame_rate"])
        signals += [
            Signal(f"{_at(labels, k) or f'point {k + 1}'} {axis}", _at(units, 0), points[row, k], rate_hz)
            for k in range(points.shape[1])
            for row, axis in enumerate(AXES)
        ]
    remarks: list[str] = []
    annotations = _place_events(_read_events(parameters), content["header"]["points"], remarks)
    return assemble(path, signals, channels=channels, settings=settings, annotations=annotations, remarks=remarks)


def _read(path: Path) -> Any:
    ezc3d = import_extra("ezc3d", "C3D files", "c3d")
    if not path.is_file():
        raise RecordingError(f"{path} cannot be read (no such file)", "check the name")
    try:
        return ezc3d.c3d(str(path))
    except Exception as error:  # whatever a damaged file does to the reader
        raise RecordingError(f"{path} is not a C3D file ({str(error).strip()[:80]})", "choose another file") from error


def _texts(parameters: Mapping[str, Any], group: str, name: str) -> list[str]:
    try:
        return [str(text).strip() for text in parameters[group][name]["value"]]
    except KeyError:
        return []


def _at(texts: list[str], k: int) -> str:
    return texts[k] if k < len(texts) else ""


def _place_events(
    events: list[tuple[float, float | None, str]], header: Mapping[str, Any], remarks: list[str]
) -> list[tuple[float, float | None, str]]:
    """Events from the first frame of the file on.

    Times of events count from frame 1 of the trial, also where the file was cut and begins later (common practice, no
    source); programs that count them from the cut are believed where only that puts all of them into the file.
    """
    rate_hz = float(header["frame_rate"])
    first, last = int(header["first_frame"]), int(header["last_frame"])
    if not events or first <= 0 or not rate_hz > 0:
        return events
    start_s, end_s = first / rate_hz, (last + 1) / rate_hz
    if not all(start_s <= onset <= end_s for onset, _, _ in events) and all(
        onset <= end_s - start_s for onset, _, _ in events
    ):
        remarks.append(f"the file begins {start_s:g} s into its trial; its events are taken to count from there")
        return events
    inside = [(onset - start_s, length, text) for onset, length, text in events if onset >= start_s]
    lost = "" if len(inside) == len(events) else f"; {len(events) - len(inside)} before that are left out"
    remarks.append(f"the file begins {start_s:g} s into its trial: as much is taken off the times of its events{lost}")
    return inside


def _read_events(parameters: Mapping[str, Any]) -> list[tuple[float, float | None, str]]:
    """Minutes and seconds of each event, and its label."""
    try:
        times = np.atleast_2d(np.asarray(parameters["EVENT"]["TIMES"]["value"], dtype=np.float64))
    except KeyError:
        return []
    labels = _texts(parameters, "EVENT", "LABELS")
    if times.shape[0] < 2:
        return []
    onsets = (60.0 * times[0] + times[1]).tolist()
    return [(onset, None, _at(labels, k)) for k, onset in enumerate(onsets) if onset >= 0 and _at(labels, k)]
