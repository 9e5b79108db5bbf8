"""XDF files of networked recorders, read by pyxdf: every stream at its own rate, texts as annotations."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.storage import table_clock as clock
from biofeedback.storage.extras import import_extra
from biofeedback.storage.imported import Imported
from biofeedback.storage.signals import Signal, assemble


def import_xdf(
    path: Path, *, channels: Mapping[str, str] | None = None, settings: Mapping[str, object] | None = None
) -> Imported:
    """Signals are called ``STREAM LABEL``, or by the label alone where that is unique.

    Times are those that the recorder's clocks were brought onto; each stream is placed by its own, as the rows of a
    table are: the reader's own smoothing draws its line through lost readings, too. Streams of texts without
    a rate are annotations: ``phase contract 60-80 %``, ``rating 6.5``. Raises RecordingError when the file cannot be
    read, or no signal is of a known kind.
    """
    streams = _read(path)
    starts = [float(stream["time_stamps"][0]) for stream in streams if len(stream["time_stamps"])]
    if not starts:
        raise RecordingError(f"{path} holds no data", "choose another file")
    start = min(starts)
    annotations: list[tuple[float, float | None, str]] = []
    signals: list[Signal] = []
    remarks: list[str] = []
    labels = [label for stream in streams for label, _ in _list_channels(stream)]
    for stream in streams:
        name, series = _text(stream["info"], "name"), stream["time_series"]
        times = np.asarray(stream["time_stamps"], dtype=np.float64)
        if not isinstance(series, np.ndarray) or series.dtype.kind not in "fiu":
            annotations += [(float(t - start), None, str(row[0])) for t, row in zip(times, series, strict=True)]
            continue
        try:
            placing = clock.place_by_times(times - start, f"{path}, stream {name}")
        except BiofeedbackError as error:
            remarks.append(f"stream {name} left out: {error.what}")
            continue
        remarks += [f"stream {name}: {text}" for text in placing.told]
        for k, (label, unit) in enumerate(_list_channels(stream)):
            values = np.full(int(placing.frames.max()) + 1, np.nan)
            kept = placing.frames >= 0
            values[placing.frames[kept]] = series[kept, k].astype(np.float64)
            called = label if labels.count(label) == 1 else f"{name} {label}"
            signals.append(Signal(called, unit, values, placing.rate_hz, placing.first_s))
    return assemble(path, signals, channels=channels, settings=settings, annotations=annotations, remarks=remarks)


def _read(path: Path) -> list[dict[str, Any]]:
    pyxdf = import_extra("pyxdf", "XDF files", "xdf")
    logging.getLogger("pyxdf").setLevel(logging.ERROR)
    try:
        with path.open("rb") as file:
            head = file.read(4)
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({error.strerror})", "check the name") from error
    if head != b"XDF:" and head[:2] != b"\x1f\x8b":
        raise RecordingError(f"{path} is not an XDF file", "choose another file")
    try:
        streams: list[dict[str, Any]] = pyxdf.load_xdf(str(path), dejitter_timestamps=False)[0]
    except Exception as error:  # whatever a damaged file does to the reader
        raise RecordingError(f"{path} is not an XDF file ({str(error)[:80]})", "choose another file") from error
    return streams


def _list_channels(stream: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Label and unit of each channel, as far as the stream says."""
    info = stream["info"]
    n = int(_text(info, "channel_count") or 0)
    name = _text(info, "name")
    try:
        told = info["desc"][0]["channels"][0]["channel"]
    except (KeyError, IndexError, TypeError):
        told = []
    found = []
    for k in range(n):
        about = told[k] if k < len(told) else {}
        unit = {"microvolts": "uV", "millivolts": "mV", "volts": "V", "newtons": "N", "degrees": "deg"}
        said = _text(about, "unit")
        found.append((_text(about, "label") or (f"{name} {k + 1}" if n > 1 else name), unit.get(said.lower(), said)))
    return found


def _text(about: Mapping[str, Any], key: str) -> str:
    value = about.get(key)
    return str(value[0]) if isinstance(value, list) and value and value[0] is not None else ""
