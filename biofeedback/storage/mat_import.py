"""MAT files (versions 4 to 7.2, read by SciPy): vectors and matrices of numbers, a rate or a vector of times."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
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
    n = max(len(value) for value in vectors.values())
    remarks: list[str] = []
    rate, time_name, started = _find_rate(path, found, vectors, n, said=(time, rate_hz, time_unit), remarks=remarks)
    signals = []
    for name, value in vectors.items():
        if name == time_name:
            continue
        ratio = n / len(value)
        if abs(n - round(ratio) * len(value)) > MOST_RATIO_OFF * round(ratio):
            remarks.append(f"{name} left out: {len(value)} numbers, the others {n}")
            continue
        if round(ratio) > 1:
            remarks.append(
                f"{name}: {len(value)} numbers for {n}: taken as {rate / round(ratio):.6g} Hz over the same time"
            )
        signals.append(Signal(name, "", value, rate / round(ratio)))
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


def _find_rate(
    path: Path,
    found: Mapping[str, FloatArray],
    vectors: Mapping[str, FloatArray],
    n: int,
    *,
    said: tuple[str | None, float | None, str | None],
    remarks: list[str],
) -> tuple[float, str | None, str]:
    """Rate, the name of the vector of times if there is one, and when it began if the times say."""
    time, rate_hz, time_unit = said
    time_name = time or next(
        (name for name, value in vectors.items() if len(value) == n and _plain(name) in TIME_NAMES), None
    )
    if time is not None and time not in vectors:
        raise RecordingError(f"{path} has no vector {time}", f"it has {', '.join(vectors)}")
    if rate_hz:
        return rate_hz, time_name, ""
    for name, value in found.items():
        if value.size == 1 and _plain(name) in RATE_NAMES and value[0] > 0:
            remarks.append(f"{value[0]:g} Hz, as {name} says")
            return float(value[0]), time_name, ""
    if time_name is None:
        raise RecordingError(
            f"{path} has no rate and no vector of times", f"use --rate HZ, or --time NAME of {', '.join(vectors)}"
        )
    where = f"{path}, {time_name}"
    times = clock.read_time_numbers(vectors[time_name], "", time_unit, where)
    placing = clock.place_by_times(times.time_s, where)
    remarks += [*times.told, *placing.told]
    if (np.diff(placing.frames) != 1).any():
        raise RecordingError(
            f"{where}: readings are missing among its times", "save it as a table (CSV): gaps are seen there"
        )
    return placing.rate_hz, time_name, times.started_utc


def _plain(name: str) -> str:
    return "".join(c for c in name.rpartition(".")[2].lower() if c.isalnum())
