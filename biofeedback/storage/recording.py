"""The read-only view of a recording, finished, interrupted or still being written."""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap, Item, Note
from biofeedback.storage.schema import check_version, checksum, unpack_counts, unpack_times

N_ROWS_PER_CHUNK = 64  # 16 s at a time keeps memory small and the filters busy
CHECK = "run: biofeedback check {path}"


def open_recording(path: str | PathLike[str]) -> Recording:
    """Open a recording for reading; nothing in the file changes, and a writer is not disturbed.

    Raises RecordingError when there is no such file, when it is no recording or damaged, or when it is from a
    newer version.
    """
    return Recording(Path(path))


class Recording:
    """What was recorded up to the moment of opening.

    ``settings``, ``channels``, ``rate_hz``, ``n_frames`` (gaps included), ``events``, ``gaps`` and ``notes`` in the
    order in which they happened; the signals through `items` or `counts`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with connect(path) as connection:
            meta = _read_rows(connection, path, "meta", "key, value", "rowid")
            self.settings: dict[str, Any] = {key: json.loads(value) for key, value in meta}
            self.gaps = [
                Gap(*row) for row in _read_rows(connection, path, "gaps", "first_frame, n_frames, reason", "id")
            ]
            self.notes = [Note(*row) for row in _read_rows(connection, path, "notes", "frame, text", "id")]
            events = _read_rows(connection, path, "events", "frame, utc, kind, data", "id")
            self.events = [Event(frame, kind, json.loads(data), utc) for frame, utc, kind, data in events]
            last = connection.execute("SELECT first_frame + n_frames FROM chunks ORDER BY first_frame DESC LIMIT 1")
            end = last.fetchone()
        try:
            self.channels = tuple(Channel.from_dict(channel) for channel in self.settings["channels"])
            self.rate_hz = float(self.settings["rate_hz"])
        except (KeyError, TypeError, ValueError) as error:
            raise RecordingError(f"{path} has no usable settings ({error!r})", CHECK.format(path=path)) from error
        self.n_frames: int = max([gap.end_frame for gap in self.gaps] + ([end[0]] if end else [0]))

    @property
    def duration_s(self) -> float:
        """Length in seconds, gaps included."""
        return self.n_frames / self.rate_hz

    def items(self) -> Iterator[Item]:
        """Chunks of at most 16 s, gaps and notes in the order of their first frames. RecordingError when damaged."""
        others: list[Gap | Note] = sorted([*self.notes, *self.gaps], key=_first_frame)
        position = 0
        for chunk in self._chunks():
            while position < len(others) and _first_frame(others[position]) <= chunk.first_frame:
                yield others[position]
                position += 1
            yield chunk
        yield from others[position:]

    def counts(self) -> FloatArray:
        """All frames as sent, shape ``(n_frames, n_channels)``, NaN in gaps. RecordingError when damaged."""
        counts = np.empty((self.n_frames, len(self.channels)))
        end = 0
        for first, part, _ in self._rows():
            counts[end:first] = np.nan
            end = first + len(part)
            counts[first:end] = part
        counts[end:] = np.nan
        return counts

    def _chunks(self) -> Iterator[Chunk]:
        parts: list[Chunk] = []
        for first, counts, device_us in self._rows():
            if parts and (first != parts[-1].end_frame or len(parts) == N_ROWS_PER_CHUNK):
                yield Chunk.join(parts)
                parts = []
            parts.append(Chunk(first, counts, device_us))
        if parts:
            yield Chunk.join(parts)

    def _rows(self) -> Iterator[tuple[int, Any, FloatArray | None]]:
        """``(first_frame, counts in the stored dtype, device times)``, each checked against its checksum."""
        with connect(self.path) as connection:
            query = "SELECT first_frame, n_frames, dtype, data, crc32 FROM chunks WHERE first_frame < ? ORDER BY 1"
            try:
                for first, n_frames, dtype, data, crc in connection.execute(query, (self.n_frames,)):
                    if checksum((first, n_frames, dtype, data)) != crc:
                        raise ValueError("checksum differs")
                    counts = unpack_counts(dtype, data, n_frames, len(self.channels))
                    yield first, counts, unpack_times(dtype, data, n_frames)
            except (sqlite3.Error, ValueError) as error:
                raise RecordingError(f"{self.path} is damaged: {error}", CHECK.format(path=self.path)) from error


@contextlib.contextmanager
def connect(path: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection to a recording. RecordingError with its cure for whatever is wrong with the file."""
    if not path.exists():
        raise RecordingError(f"there is no file {path}", "check the name; `biofeedback list` shows the recordings")
    if not path.is_file():
        raise RecordingError(f"{path} is not a recording", "name one file; `biofeedback list` shows a folder")
    with contextlib.ExitStack() as stack:
        try:
            connection = stack.enter_context(contextlib.closing(_connect_read_only(path, stack)))
            check_version(connection, path)
        except sqlite3.DatabaseError as error:
            if _looks_like_sqlite(path):
                raise RecordingError(f"{path} cannot be read ({error})", CHECK.format(path=path)) from error
            raise RecordingError(f"{path} is not a recording", "choose a file that this program recorded") from error
        yield connection


def _connect_read_only(path: Path, stack: contextlib.ExitStack) -> sqlite3.Connection:
    """Read in place; where the folder allows no neighbour files, read a private copy instead."""
    try:
        return _open_and_try(path.absolute().as_uri() + "?mode=ro")
    except sqlite3.OperationalError as error:
        # only then: opening the file beside SQLite would drop the locks of a writer in this very process
        if not error.sqlite_errorname.startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY")):
            raise
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        for suffix in ("", "-wal"):
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(f"{path}{suffix}", folder / f"copy{suffix}")
        return _open_and_try((folder / "copy").as_uri())


def _open_and_try(uri: str) -> sqlite3.Connection:
    # any thread, one at a time: a replay is opened by one and played by another
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0, check_same_thread=False)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _looks_like_sqlite(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(16) == b"SQLite format 3\0"
    except OSError:
        return False


def _read_rows(
    connection: sqlite3.Connection, path: Path, table: str, columns: str, order: str
) -> list[tuple[Any, ...]]:
    """All rows of a small table, each checked against its checksum."""
    try:
        rows = connection.execute(f"SELECT {columns}, crc32 FROM {table} ORDER BY {order}").fetchall()
    except sqlite3.Error as error:
        raise RecordingError(f"{path} cannot be read ({error})", CHECK.format(path=path)) from error
    for row in rows:
        if checksum(row[:-1]) != row[-1]:
            raise RecordingError(f"{path} is damaged in its {table}", CHECK.format(path=path))
    return [row[:-1] for row in rows]


def _first_frame(item: Gap | Note) -> int:
    return item.frame if isinstance(item, Note) else item.first_frame
