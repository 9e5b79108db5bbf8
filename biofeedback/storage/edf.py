"""Recordings as EDF+ and BDF+, the open formats of clinical signal viewers, written by edfio.

EDF+: Kemp & Olivan, Clin Neurophysiol 114 (2003) 1755. BDF+ differs by 24 instead of 16 bits.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, get_args

import numpy as np

from biofeedback import __version__
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, FloatArray, Kind, count_readings, place_reading
from biofeedback.storage.annotations import list_annotations
from biofeedback.storage.extras import import_extra
from biofeedback.storage.recording import Recording
from biofeedback.storage.whole_file import write_whole

UNITS = {"µV": ("uV", 1.0), "μV": ("uV", 1.0), "V": ("uV", 1e6), "mV": ("uV", 1e3), "N·m": ("Nm", 1.0)}
MARGIN = 1e-3  # of the span, so that the lowest code is free to mean "missing"
SMALLEST, LARGEST = 0.01, 9_999_999.0  # bounds of a channel that eight characters can hold well enough
FIELDS = {"rate": "rate_hz", "offset": "offset_counts", "low": "rail_low_counts", "high": "rail_high_counts"}
LONGEST_RECORD_S = 10  # exact rates may need records of several seconds; beyond this the rate is rounded instead


def export_edf(recording: Recording, path: Path, *, n_bits: int = 24, anonymous: bool = False) -> None:
    """Write signals in their units; phases, ratings, gaps and notes as annotations.

    ``n_bits`` 24 makes BDF+, 16 EDF+. Frames in gaps hold the lowest code and an annotation. When counts are whole
    numbers that fit, they are the codes themselves: nothing is rounded. ``anonymous`` drops date, time and notes.

    Raises RecordingError when edfio is missing or a channel cannot be expressed.
    """
    edfio = import_edfio()
    signal_class, file_class = {24: (edfio.BdfSignal, edfio.Bdf), 16: (edfio.EdfSignal, edfio.Edf)}[n_bits]
    n_per_record, record_s = choose_record(recording.rate_hz, [c.rate_hz for c in recording.channels if c.rate_hz])
    counts = recording.counts()
    n_padding = -len(counts) % n_per_record or (n_per_record if not len(counts) else 0)
    n_records = (len(counts) + n_padding) // n_per_record
    labels = name_labels(recording.channels)
    signals = []
    for k, channel in enumerate(recording.channels):
        column, n_own = pad(counts[:, k], n_padding), round((channel.rate_hz or 0.0) * record_s)
        if n_own and abs(n_own / record_s - (channel.rate_hz or 0.0)) < 1e-9:  # else with the missing code in between
            column = take_readings(column, recording.rate_hz / (channel.rate_hz or 1.0), n_own * n_records)
        rate_hz = len(column) / n_records / record_s
        signals.append(make_signal(signal_class, column, channel, label=labels[k], rate_hz=rate_hz, n_bits=n_bits))
    started = None if anonymous else read_start(recording)
    annotations = [
        edfio.EdfAnnotation(one.onset_s, one.duration_s, one.text)
        for one in list_annotations(recording, notes=not anonymous)
    ]
    if n_padding:
        annotations.append(
            edfio.EdfAnnotation(recording.duration_s, n_padding / recording.rate_hz, "gap: end of recording")
        )
    file = file_class(
        signals,
        patient=edfio.Patient(code=_to_code(str(recording.settings.get("athlete", ""))) or "X"),
        recording=edfio.Recording(
            startdate=started.date() if started else None,
            equipment_code=f"biofeedback_{__version__}",
            additional=("simulated",) if recording.settings.get("simulated") else (),
        ),
        starttime=started.time() if started else None,
        data_record_duration=record_s,
        annotations=annotations,
    )
    with write_whole(path) as beside:
        file.write(beside)


def pad(column: FloatArray, n_frames: int) -> FloatArray:
    """One channel, contiguous, with missing frames behind it."""
    padded = np.full(len(column) + n_frames, np.nan)
    padded[: len(column)] = column
    return padded


def take_readings(column: FloatArray, frames_per_reading: float, n_readings: int) -> FloatArray:
    """The readings of a channel with a rate of its own, NaN behind the last."""
    found = np.full(n_readings, np.nan)
    for j in range(min(n_readings, count_readings(len(column), frames_per_reading))):
        found[j] = column[place_reading(j, frames_per_reading)]
    return found


def choose_record(rate_hz: float, slower_hz: Sequence[float] = ()) -> tuple[int, float]:
    """Frames and seconds of one data record: whole seconds where the rate allows, else as near as eight digits get.

    Slower channels get whole numbers of readings, too, where up to ten seconds allow that.
    """
    exact = Fraction(rate_hz).limit_denominator(LONGEST_RECORD_S)
    if float(exact) == rate_hz:
        others = [Fraction(other).limit_denominator(LONGEST_RECORD_S).denominator for other in slower_hz]
        seconds = math.lcm(exact.denominator, *others)
        seconds = seconds if seconds <= LONGEST_RECORD_S else exact.denominator
        return int(exact * seconds), float(seconds)
    n_frames = max(1, round(rate_hz))
    return n_frames, round(n_frames / rate_hz, 6)


def make_signal(
    signal_class: Any, counts: FloatArray, channel: Channel, *, label: str, rate_hz: float, n_bits: int
) -> Any:
    """One channel; NaN becomes the lowest code."""
    unit, unit_factor = UNITS.get(channel.unit, (channel.unit, 1.0))
    about = {"label": label, "physical_dimension": _to_ascii(unit, 8), "transducer_type": describe_channel(channel)}
    is_missing = np.isnan(counts)
    counts = np.where(is_missing, 0.0, counts) if is_missing.any() else counts
    largest = float(np.abs(counts).max())
    if largest == np.inf:
        raise RecordingError(f"channel {channel.name} holds infinite values", "export to csv instead")
    n_codes, dtype = 2 ** (n_bits - 1), np.int16 if n_bits == 16 else np.int32

    def make(codes: FloatArray, bounds: tuple[int, tuple[float, float]]) -> Any:
        limit, physical_range = bounds
        digital = np.where(is_missing, -limit, codes).astype(dtype)
        return signal_class.from_digital(
            digital, rate_hz, physical_range=physical_range, digital_range=(-limit, limit), **about
        )

    is_whole = np.array_equal(counts, np.trunc(counts))
    exact = find_exact_bounds(largest, channel, unit_factor, n_codes) if is_whole else None
    if exact and tuple((signal := make(counts, exact)).physical_range) == exact[1]:
        return signal
    values = channel.scaled(counts) * unit_factor
    known = values[~is_missing]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    span = (high - low) or 1.0
    wide = n_codes - 1, (low - span * MARGIN, high + span * MARGIN)
    if not SMALLEST <= max(-wide[1][0], wide[1][1]) <= LARGEST or -wide[1][0] > LARGEST:
        what = f"channel {channel.name}: {low:g} to {high:g} {unit} cannot be written in eight characters"
        raise RecordingError(what, "give it a unit with more ordinary numbers, or export to csv")
    low, high = make(np.zeros(len(counts)), wide).physical_range  # as eight characters leave it
    step = (high - low) / (2 * n_codes - 2)
    return make(np.round((values - low) / step) - (n_codes - 1), wide)


def describe_channel(channel: Channel) -> str:
    """What the header has no field for, as ``emg; unit mV; factor 0.001; envelope``, in its 80 characters."""
    parts: list[str] = [channel.kind]
    if channel.unit.isascii() and len(channel.unit) <= 12 and ";" not in channel.unit:
        parts.append(f"unit {channel.unit}")
    parts += ["envelope"] if channel.envelope else []
    for name, value, usual in (
        ("factor", channel.factor, 1.0),
        ("offset", channel.offset_counts, 0.0),
        ("rate", channel.rate_hz, None),
        ("clock", channel.clock, 0),
    ):
        parts += [f"{name} {value!r}".removesuffix(".0")] if value is not None and value != usual else []
    limits = ("low", channel.rail_low_counts), ("high", channel.rail_high_counts)
    rails = [f"{name} {value:.10g}" for name, value in limits if value is not None]
    for between in ("; ", ";"):
        if len(whole := between.join([*parts, *rails])) <= 80:
            return whole
    return "; ".join(parts)[:80]


def read_description(text: str) -> dict[str, Any]:
    """The inverse, as fields of a Channel; nothing for what other programs write there."""
    kind, *parts = (part.strip() for part in text.split(";"))
    if kind not in get_args(Kind):
        return {}
    found: dict[str, Any] = {"kind": kind}
    for part in parts:
        name, _, value = part.partition(" ")
        try:
            match name:
                case "envelope":
                    found["envelope"] = True
                case "unit":
                    found["unit"] = value
                case "clock":
                    found["clock"] = int(value)
                case "factor" | "rate" | "offset" | "low" | "high":
                    found[FIELDS.get(name, name)] = float(value)
        except ValueError:
            continue
    return found


def find_exact_bounds(
    largest: float, channel: Channel, unit_factor: float, n_codes: int
) -> tuple[int, tuple[float, float]] | None:
    """A code limit above ``largest`` and its physical range, if eight characters hold that range exactly."""
    round_limits = [10**k for k in range(8) if 10**k < n_codes]
    for limit in (*round_limits, n_codes // 100 * 100, n_codes - 1):
        if limit <= largest:
            continue
        low, high = (channel.scaled(np.array([-limit, limit], dtype=np.float64)) * unit_factor).tolist()
        short = float(f"{low:.10g}"), float(f"{high:.10g}")
        if all(len(_shortest(x)) <= 8 and abs(x) >= SMALLEST for x in short) and np.allclose(
            short, (low, high), rtol=1e-14, atol=0
        ):
            return limit, short
    return None


def name_labels(channels: tuple[Channel, ...]) -> list[str]:
    """At most 16 ASCII characters each, no two alike."""
    labels: list[str] = []
    for number, channel in enumerate(channels, 1):
        label = _to_ascii(channel.name, 16) or f"channel {number}"
        labels.append(label if label not in labels else f"{label[:12]} {number}")
    return labels


def read_start(recording: Recording) -> datetime.datetime | None:
    """Start of the recording in UTC, None when it is not known or before 1985, which the format cannot hold."""
    try:
        started = datetime.datetime.fromisoformat(str(recording.settings.get("started_utc", "")))
    except ValueError:
        return None
    if started.tzinfo:
        started = started.astimezone(datetime.UTC)
    return started.replace(tzinfo=None) if 1985 <= started.year <= 2084 else None


def import_edfio() -> Any:
    """The library, or RecordingError with the way to get it."""
    return import_extra("edfio", "EDF and BDF files", "export")


def _shortest(number: float) -> str:
    return str(int(number)) if number.is_integer() else str(number)


def _to_ascii(text: str, n_characters: int) -> str:
    return text.encode("ascii", "replace").decode()[:n_characters].strip()


def _to_code(text: str) -> str:
    return "".join(c if c.isalnum() else "_" for c in _to_ascii(text, 40))
