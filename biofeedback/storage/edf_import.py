"""EDF+ and BDF+ made elsewhere, or by our own export: signals in units, annotations as ratings, phases and notes."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback import __version__
from biofeedback.account.kinds import MaximumSet, ZeroTaken, try_read
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Event, FloatArray, Gap, count_readings, place_reading
from biofeedback.storage.annotations import parse_events
from biofeedback.storage.edf import UNITS, import_edfio, read_description
from biofeedback.storage.edf_records import find_pauses, insert_pauses, list_pauses, read_record_onsets
from biofeedback.storage.imported import (
    CHANNEL_CURE,
    Imported,
    choose_channel,
    end_phases,
    match_names,
    refuse_odd_files,
    tell_left_out,
)
from biofeedback.storage.schema import FORMAT
from biofeedback.storage.together import RAW_EMG_FROM_HZ, find_smoothed, make_items


@refuse_odd_files
def import_edf(
    path: Path, *, channels: Mapping[str, str] | None = None, settings: Mapping[str, object] | None = None
) -> Imported:
    """Read all signals of known kind, each at its own rate, on the grid of the fastest.

    Annotations that say ``gap: ...`` become gaps, ratings, phases and stops events, the rest notes; what our own export
    says about a channel is taken over. Raises RecordingError when the file cannot be read or has no channel of a known
    kind.
    """
    file, remarks = _read(path)
    signals = list(file.signals)
    labels, units = [signal.label for signal in signals], [signal.physical_dimension for signal in signals]
    wanted = match_names(channels or {}, labels, units, where=str(path), what="signal")
    if not signals:
        raise RecordingError(f"{path} has no signal", "choose another file")
    is_ours = "biofeedback_" in file.local_recording_identification
    chosen = []
    for signal in signals:
        about = read_description(signal.transducer_type) if signal.label not in wanted else {}
        channel = choose_channel(signal.label, signal.physical_dimension, wanted.get(signal.label) or about.get("kind"))
        if channel:
            chosen.append((signal, replace(channel, **about), bool(about)))
        else:
            remarks.append(tell_left_out("signal", signal.label, wanted.get(signal.label)))
    if not chosen:
        raise RecordingError(
            f"{path}: no signal is known to be force, emg or position",
            f"{CHANNEL_CURE}; its signals are {', '.join(labels)}",
        )
    chosen, rate_hz, told = _leave_out_slow_emg(chosen)
    if not chosen:
        raise RecordingError(f"{path}: {told[0]}", "")
    n_frames = max(round(len(signal.digital) * rate_hz / signal.sampling_frequency) for signal, _, _ in chosen)
    known = [(one.onset, one.duration, one.text) for one in file.annotations]
    n_frames = min([n_frames, *(round(on * rate_hz) for on, _, text in known if text == "gap: end of recording")])
    columns = [
        _read_signal(signal, channel, rate_hz, n_frames, is_ours=is_ours and is_described)
        for signal, channel, is_described in chosen
    ]
    table = np.column_stack([counts for _, counts in columns])
    used = [channel for channel, _ in columns]
    own_hz = [channel.rate_hz or rate_hz for channel in used]
    pauses = find_pauses(read_record_onsets(path), file.data_record_duration, rate_hz, own_hz, str(path))
    if pauses:
        table, n_frames = insert_pauses(table, pauses), n_frames + sum(n for _, n in pauses)
        paused_s = sum(n for _, n in pauses) / rate_hz
        what = "a pause" if len(pauses) == 1 else f"{len(pauses)} pauses"
        remarks.append(f"{what} between its records, {paused_s:g} s in all: kept as gaps")
    gaps = [
        Gap(round(onset_s * rate_hz), round((duration_s or 0) * rate_hz), text.removeprefix("gap: "))
        for onset_s, duration_s, text in known
        if text.startswith("gap: ")
    ]
    for gap in gaps:
        table[gap.first_frame : gap.end_frame] = np.nan
    gaps += list_pauses(pauses)
    events = parse_events([one for one in known if not one[2].startswith("gap: ")], rate_hz)
    events, left_out = _drop_other_units(events, used)
    events, odd = end_phases(events, rate_hz, n_frames, where=str(path))
    remarks += [*told, *left_out, *odd, *find_smoothed(used, table)]
    about = {
        "format": FORMAT,
        "software": __version__,
        "started_utc": _read_start(file),
        "source": f"import:{path.name}",
        "channels": [channel.to_dict() for channel in used],
        "rate_hz": rate_hz,
        "athlete": _read_code(file),
        "simulated": "simulated" in file.local_recording_identification,
        **(settings or {}),
    }
    return Imported(about, make_items(used, table, rate_hz, gaps), tuple(events), tuple(remarks), tuple(labels))


def _leave_out_slow_emg(
    chosen: list[tuple[Any, Channel, bool]],
) -> tuple[list[tuple[Any, Channel, bool]], float, list[str]]:
    """What can be used, the finest of its rates, and what was left out and why."""
    told, kept = [], []
    for signal, channel, is_described in chosen:
        own_hz = channel.rate_hz or signal.sampling_frequency
        if channel.kind == "emg" and not channel.envelope and own_hz < RAW_EMG_FROM_HZ:
            told.append(
                f"signal {channel.name} left out: raw EMG at {own_hz:g} Hz, {RAW_EMG_FROM_HZ:g} at least; if it is "
                f"smoothed already use --channel '{channel.name}=emg:{channel.unit}@envelope'"
            )
        else:
            kept.append((signal, channel, is_described))
    return kept, float(f"{max((s.sampling_frequency for s, _, _ in kept), default=0.0):.9g}"), told


def _read_signal(
    signal: Any, channel: Channel, rate_hz: float, n_frames: int, *, is_ours: bool
) -> tuple[Channel, FloatArray]:
    """The channel and its counts on the grid, (n_frames,)."""
    counts = np.array(signal.data, dtype=np.float64)
    if is_ours:
        unit, factor = UNITS.get(channel.unit, (channel.unit, 1.0))
        factor = factor if unit == signal.physical_dimension else 1.0
        counts = counts / (factor * channel.factor) + channel.offset_counts
        whole = np.round(counts)
        counts = whole if np.allclose(counts, whole, rtol=0.0, atol=1e-4) else counts
        counts[signal.digital == signal.digital_range[0]] = np.nan
    own_hz = signal.sampling_frequency
    table = np.full(n_frames, np.nan)
    if abs(own_hz / rate_hz - 1.0) < 1e-6:
        table[:] = counts[:n_frames]
        return channel, table
    channel = channel if channel.rate_hz else replace(channel, rate_hz=float(f"{own_hz:.9g}"))
    frames_per_reading = rate_hz / (channel.rate_hz or rate_hz)
    n = min(len(counts), count_readings(n_frames, frames_per_reading))
    table[[place_reading(j, frames_per_reading) for j in range(n)]] = counts[:n]
    return channel, table


def _drop_other_units(events: list[Event], channels: list[Channel]) -> tuple[list[Event], list[str]]:
    """Zeros and maxima are of use only in the units of the signals as the file holds them."""
    units = {channel.name: channel.unit for channel in channels}

    def fits(name: str, unit: str) -> bool:
        return name in units and (unit == units[name] or UNITS.get(unit, (unit, 1.0)) == (units[name], 1.0))

    kept: list[Event] = []
    remarks: list[str] = []
    for event in events:
        match try_read(event):
            case ZeroTaken(channels=zeros):
                told = {name: zero.unit for name, zero in zeros.items()}
            case MaximumSet(maximum=maximum):
                told = {maximum.channel: maximum.unit}
            case _:
                told = {}
        if all(fits(name, unit) for name, unit in told.items()):
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
        raise RecordingError(f"{path} is not an EDF or BDF file ({error})", "choose another file") from error
    return file, [str(warning.message) for warning in told]


def _read_start(file: Any) -> str:
    try:
        return str(file.startdatetime.isoformat()) + "+00:00"
    except ValueError:  # anonymised
        return ""


def _read_code(file: Any) -> str:
    code = str(file.local_patient_identification).split(" ")[0]
    return "" if code == "X" else code
