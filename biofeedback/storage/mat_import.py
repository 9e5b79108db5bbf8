"""MAT files (versions 4 to 7.2, read by SciPy): vectors and matrices of numbers, a rate or a vector of times."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray
from biofeedback.storage import table_clock as clock
from biofeedback.storage.imported import Imported
from biofeedback.storage.signals import Signal, assemble

RATE_NAMES = ("fs", "fsamp", "sf", "sr", "rate", "srate", "ratehz", "samplingrate", "samplerate", "samplingfrequency",
              "samplefrequency", "sampfreq", "samplefreq", "freq", "frequency", "hz")  # fmt: skip
TIME_NAMES = ("time", "t", "times", "seconds", "timestamp", "timestamps", "tims", "timevector")
COMPRESSED = 15  # the type of an element
MOST_UNPACKED_BYTES = 2**29  # as many as the largest file that a page takes in; the reader needs twice as much room
PIECE_BYTES = 2**20
FEWEST = 10  # numbers that make a signal; shorter vectors are settings
MOST_RATIO_OFF = 1.5  # readings by which a slower vector may miss a whole part of the longest


def import_mat(
    path: Path,
    *,
    channels: Mapping[str, str] | None = None,
    time: str | None = None,
    rate_hz: float | None = None,
    time_unit: str | None = None,
    settings: Mapping[str, object] | None = None,
) -> Imported:
    """Every vector is a signal by its variable's name, every column of a matrix ``NAME k``.

    Vectors that are a whole number of times shorter are slower signals over the same time, which is told; others are
    left out. Raises RecordingError, with the cure, when there are no numbers or no rate.
    """
    found = dict(_flatten(_read(path)))
    vectors = {name: value for name, value in found.items() if value.size >= FEWEST}
    if not vectors:
        listed = ", ".join(found) or "none that is a number"
        raise RecordingError(
            f"{path} has no vector of numbers", f"save the signals as numbers; its variables are {listed}"
        )
    remarks: list[str] = []
    rates, time_name, started = _find_rates(path, found, vectors, said=(time, rate_hz, time_unit), remarks=remarks)
    longest = {
        rate.name: max(len(vectors[name]) for name, one in rates.items() if one is rate) for rate in rates.values()
    }
    signals = []
    for name, value in vectors.items():
        if name == time_name:
            continue
        rate, n = rates[name], longest[rates[name].name]
        ratio = n / len(value)
        if abs(n - round(ratio) * len(value)) > MOST_RATIO_OFF * round(ratio):
            remarks.append(f"{name} left out: {len(value)} numbers, the others {n}")
            continue
        if round(ratio) > 1:
            remarks.append(
                f"{name}: {len(value)} numbers for {n}: taken as {rate.hz / round(ratio):.6g} Hz over the same time"
            )
        signals.append(Signal(name, "", value, rate.hz / round(ratio)))
    return assemble(path, signals, channels=channels, settings=settings, started_utc=started, remarks=remarks)


def _refuse_inflated(path: Path) -> None:
    """A compressed variable may say of itself what it likes: its bytes are counted before SciPy makes room for them.

    RecordingError beyond `MOST_UNPACKED_BYTES`. The layout is that of version 5: 128 bytes, then elements of a type
    and a length, compressed ones of type 15 (MAT-File Format, from memory; SciPy reads what the tests make).
    """
    try:
        with path.open("rb") as file:
            head = file.read(128)
            order: Literal["little", "big"] = "little" if head[126:128] == b"IM" else "big"
            n_bytes = 0
            while len(tag := file.read(8)) == 8 and n_bytes <= MOST_UNPACKED_BYTES:
                kind, length = (int.from_bytes(tag[k : k + 4], order) for k in (0, 4))
                end = file.tell() + length
                if kind == COMPRESSED:
                    n_bytes += _count_unpacked(file, length, MOST_UNPACKED_BYTES - n_bytes)
                file.seek(end)
    except (OSError, zlib.error):
        return  # the reader says what is wrong
    if n_bytes > MOST_UNPACKED_BYTES:
        what = f"{path} holds more than {MOST_UNPACKED_BYTES // 2**20} MB of numbers once it is unpacked"
        raise RecordingError(what, "save only the signals that are wanted")


def _count_unpacked(file: BinaryIO, length: int, most: int) -> int:
    """Bytes that come out of the next ``length``; a few more than ``most`` at the most."""
    unpacker, n_bytes, packed = zlib.decompressobj(), 0, b""
    while n_bytes <= most and (packed or length > 0) and not unpacker.eof:
        if not packed:
            packed = file.read(min(length, PIECE_BYTES))
            length = length - len(packed) if packed else 0
        n_bytes += len(unpacker.decompress(packed, PIECE_BYTES))
        packed = unpacker.unconsumed_tail
    return n_bytes


def _read(path: Path) -> Mapping[str, Any]:
    from scipy.io import loadmat

    _refuse_inflated(path)
    try:
        content: Mapping[str, Any] = loadmat(path, simplify_cells=True)
    except NotImplementedError as error:
        raise RecordingError(f"{path} is a MAT file of version 7.3", "save it again with the option '-v7'") from error
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({error.strerror})", "check the name") from error
    except Exception as error:  # whatever a damaged file does to the reader
        raise RecordingError(
            f"{path} is not a MAT file ({str(error).splitlines()[0][:80]})", "choose another file"
        ) from error
    return content


def _flatten(content: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, FloatArray]]:
    """Numbers by name, ``struct.field`` and ``matrix k``; times in rows."""
    for key, value in content.items():
        name = f"{before}{key}"
        if key.startswith("__"):
            continue
        if isinstance(value, Mapping):
            yield from _flatten(value, f"{name}.")
            continue
        array = np.asarray(value)
        if array.dtype == object and array.ndim == 1 and 0 < len(array) <= FEWEST:
            yield from _flatten({f"{key} {k}": one for k, one in enumerate(array.tolist(), 1)}, before)
            continue
        if array.dtype.kind not in "fiub" or array.ndim > 2:
            continue
        array = array.astype(np.float64)
        if array.ndim == 2 and min(array.shape) > 1:
            array = array if array.shape[0] >= array.shape[1] else array.T
            yield from ((f"{name} {k}", column.copy()) for k, column in enumerate(array.T, 1))
        else:
            yield name, array.reshape(-1)


@dataclass(frozen=True, slots=True, eq=False)
class Rate:
    """Readings a second, and the variable that says so."""

    name: str
    hz: float


def _find_rates(
    path: Path,
    found: Mapping[str, FloatArray],
    vectors: Mapping[str, FloatArray],
    *,
    said: tuple[str | None, float | None, str | None],
    remarks: list[str],
) -> tuple[Mapping[str, Rate], str | None, str]:
    """The rate of each vector, the name of the vector of times if there is one, and when it began if the times say.

    A rate in a struct is that of the struct's vectors. RecordingError where rates contradict each other or the times.
    """
    time, rate_hz, time_unit = said
    n = max(len(value) for value in vectors.values())
    time_name = time or next(
        (name for name, value in vectors.items() if len(value) == n and _plain(name) in TIME_NAMES), None
    )
    if time is not None and time not in vectors:
        raise RecordingError(f"{path} has no vector {time}", f"it has {', '.join(vectors)}")
    if rate_hz:
        return dict.fromkeys(vectors, Rate("", rate_hz)), time_name, ""
    rates = {} if time else _list_rates(path, found)
    if not rates and time_name is None:
        raise RecordingError(
            f"{path} has no rate and no vector of times", f"use --rate HZ, or --time NAME of {', '.join(vectors)}"
        )
    if time_name is None:
        timed, started = None, ""
    elif not rates:
        timed, started = _read_times(path, vectors[time_name], time_name, time_unit, remarks)
        return dict.fromkeys(vectors, timed), time_name, started
    else:
        timed, started = _check_times(path, vectors[time_name], time_name, time_unit, rates)
    remarks += [f"{rate.hz:g} Hz, as {rate.name} says" for rate in rates.values()]
    known = {name: rate for name in vectors if (rate := _own_rate(name, rates)) is not None}
    usual = timed or known[max(known, key=lambda name: len(vectors[name]))] if known else next(iter(rates.values()))
    return {name: known.get(name, usual) for name in vectors}, time_name, started


def _list_rates(path: Path, found: Mapping[str, FloatArray]) -> dict[str, Rate]:
    """By the struct that they are in, ``a.b.`` or nothing. RecordingError where one has two that differ."""
    rates: dict[str, Rate] = {}
    for name, value in found.items():
        if not (value.size == 1 and _plain(name) in RATE_NAMES and 0 < value[0] < math.inf):
            continue
        owner, rate = name[: name.rfind(".") + 1], Rate(name, float(value[0]))
        other = rates.setdefault(owner, rate)
        if other.hz != rate.hz:
            raise RecordingError(
                f"{path}: {other.name} says {other.hz:g} Hz and {name} {rate.hz:g} Hz", "use --rate HZ"
            )
    return rates


def _own_rate(name: str, rates: Mapping[str, Rate]) -> Rate | None:
    """That of the nearest struct around the vector."""
    owners = [owner for owner in rates if name.startswith(owner)]
    return rates[max(owners, key=len)] if owners else None


def _read_times(
    path: Path, vector: FloatArray, name: str, time_unit: str | None, remarks: list[str]
) -> tuple[Rate, str]:
    where = f"{path}, {name}"
    times = clock.read_time_numbers(vector, "", time_unit, where)
    placing = clock.place_by_times(times.time_s, where)
    remarks += [*times.told, *placing.told]
    if (np.diff(placing.frames) != 1).any():
        raise RecordingError(
            f"{where}: readings are missing among its times", "save it as a table (CSV): gaps are seen there"
        )
    return Rate(name, placing.rate_hz), times.started_utc


def _check_times(
    path: Path, vector: FloatArray, name: str, time_unit: str | None, rates: Mapping[str, Rate]
) -> tuple[Rate | None, str]:
    """The rate that is said and that the times show, too; None where the times alone could mean several things."""
    try:
        timed, started = _read_times(path, vector, name, time_unit, [])
    except RecordingError as error:
        if "readings are missing" in error.what:
            raise
        return None, ""
    fitting = [rate for rate in rates.values() if abs(timed.hz / rate.hz - 1.0) < clock.MOST_WRONG]
    if not fitting:
        told = " and ".join(f"{rate.name} says {rate.hz:g} Hz" for rate in rates.values())
        raise RecordingError(
            f"{path}: {told}, but the times in {name} make {timed.hz:.6g} Hz", f"use --rate HZ, or --time {name}"
        )
    return fitting[0], started


def _plain(name: str) -> str:
    return "".join(c for c in name.rpartition(".")[2].lower() if c.isalnum())
