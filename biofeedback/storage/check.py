"""Is every byte as it was written? And if not: a repaired copy, and exactly what is lost."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

from biofeedback.errors import RecordingError
from biofeedback.storage import disk
from biofeedback.storage.carve import carve_rows
from biofeedback.storage.recording import connect
from biofeedback.storage.schema import COLUMNS, Row, checksum, create_tables, insert_rows, unpack_counts

LOST = "lost: damaged in the file"
Reader: TypeAlias = Callable[[str], Iterator[tuple[int, tuple[Any, ...], bool]]]  # rows of a table: key, values, sound


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check found. ``problems`` is empty when every row is as it was written and no frame is unaccounted for."""

    path: Path
    duration_s: float
    n_events: int
    problems: tuple[str, ...]
    remarks: tuple[str, ...]
    copy: Path | None = None

    @property
    def is_sound(self) -> bool:
        """Nothing is damaged or missing."""
        return not self.problems


@dataclass(slots=True)
class _Findings:
    rate_hz: float
    problems: list[str] = field(default_factory=list)
    spans: list[tuple[int, int]] = field(default_factory=list)
    n_events: int = 0

    def time(self, frame: int) -> str:
        return f"{frame / self.rate_hz:.2f} s"


def check_recording(path: str | os.PathLike[str]) -> Verdict:
    """Read every row, compare every checksum, account for every frame; the file is not changed.

    Raises RecordingError when it is no recording, or not even its channels and rate can be read.
    """
    return _examine(Path(path), copy=None)


def repair_recording(path: str | os.PathLike[str], copy: str | os.PathLike[str]) -> Verdict:
    """Write all that is sound to ``copy``; lost frames become gaps. The verdict is on the original.

    Raises RecordingError when ``copy`` exists or cannot be written, or when channels or rate are lost.
    """
    return _examine(Path(path), copy=Path(copy))


def _examine(path: Path, copy: Path | None) -> Verdict:
    with ExitStack() as stack:
        read, problems = _open_rows(path, stack)
        settings = _read_settings(read, path, problems)
        found = _Findings(settings["rate_hz"], problems)
        rows = _read_sound_rows(read, len(settings["channels"]), found)
        if copy is None:
            for _ in rows:
                pass
            holes = _find_holes(found)
        else:
            holes = _write_copy(copy, {**settings, "repaired_from": path.name}, rows, found)
    for first, end in holes:
        found.problems.append(f"{found.time(first)} to {found.time(end)}: {end - first} frames are missing")
    return Verdict(
        path=path,
        duration_s=max([end for _, end in found.spans], default=0) / found.rate_hz,
        n_events=found.n_events,
        problems=tuple(found.problems),
        remarks=_look_around(path),
        copy=copy,
    )


def _open_rows(path: Path, stack: ExitStack) -> tuple[Reader, list[str]]:
    """How to read the rows of a table, and what is wrong with the pages; damaged pages are read without SQLite."""
    try:
        connection = stack.enter_context(connect(path))
        connection.text_factory = lambda data: data.decode("utf-8", "replace")
        problems = _check_pages(connection)
    except RecordingError as error:
        if not isinstance(error.__cause__, sqlite3.DatabaseError):
            raise
        problems = [f"database page: {error.__cause__}"]
        unreadable: RecordingError | None = error
        problems += _find_cut(path)
    else:
        unreadable = None
        if not problems:
            return lambda table: _select_rows(connection, table), []
    carved: dict[str, dict[int, tuple[Any, ...]]] = {table: {} for table in COLUMNS}
    for table, key, values in carve_rows(path):
        carved[table][key] = values
    if unreadable and not carved["meta"]:
        raise unreadable
    return lambda table: ((key, values, True) for key, values in sorted(carved[table].items())), problems


def _check_pages(connection: sqlite3.Connection) -> list[str]:
    """What SQLite itself finds wrong."""
    try:
        messages = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(20)")]
    except sqlite3.DatabaseError as error:
        messages = [str(error)]
    return [] if messages == ["ok"] else [f"database page: {line}" for text in messages for line in text.splitlines()]


def _find_cut(path: Path) -> list[str]:
    """What a copy that stopped half-way lacks: the header tells the size (SQLite file format, section 1.3)."""
    with path.open("rb") as file:
        head = file.read(32)
    n_bytes = path.stat().st_size
    page_bytes = int.from_bytes(head[16:18], "big")
    whole_bytes = int.from_bytes(head[28:32], "big") * (65536 if page_bytes == 1 else page_bytes)
    if not n_bytes < whole_bytes < 100 * n_bytes:  # a damaged header may say anything
        return []
    lost_percent = 100 * (1 - n_bytes / whole_bytes)
    return [f"the file is cut short: its last {lost_percent:.0f} % are missing, with the readings and events in them"]


def _select_rows(connection: sqlite3.Connection, table: str) -> Iterator[tuple[int, tuple[Any, ...], bool]]:
    """``(key, values, is_sound)`` in the order of the keys; nothing from a table that is not there."""
    if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone():
        return
    query = f"SELECT rowid, {', '.join(COLUMNS[table])}, crc32 FROM {table} ORDER BY rowid"
    for key, *values, crc in connection.execute(query):
        yield key, tuple(values), checksum(tuple(values)) == crc


def _read_settings(read: Reader, path: Path, problems: list[str]) -> dict[str, Any]:
    settings: dict[str, Any] = {}
    for table in ("meta", "meta_copy"):
        for key, values, is_sound in read(table):
            if is_sound:
                settings.setdefault(str(values[0]), json.loads(values[1]))
            else:
                problems.append(f"setting {key} in {table} is damaged; it reads: {values[0]} = {values[1]}")
    if not settings.get("channels") or not settings.get("rate_hz"):
        raise RecordingError(f"{path}: its channels or rate are lost", "fetch it from a backup")
    return settings


def _read_sound_rows(read: Reader, n_channels: int, found: _Findings) -> Iterator[Row]:
    """Every row that is as it was written; the others, and ids that are missing, are told in ``found``."""
    for table in COLUMNS:
        if table.startswith("meta"):
            continue
        expected = 1
        for key, values, is_sound in read(table):
            if table != "chunks":
                found.problems += [f"{table[:-1]} {lost} is missing" for lost in range(expected, key)]
                expected = key + 1
            if not is_sound or (table == "chunks" and not _fits(values, n_channels)):
                found.problems.append(_describe(table, key, values, found))
                continue
            if table in ("chunks", "gaps"):
                found.spans.append((values[0], values[0] + values[1]))
            found.n_events += table == "events"
            yield table, values


def _fits(values: tuple[Any, ...], n_channels: int) -> bool:
    _, n_frames, dtype, data = values
    try:
        unpack_counts(dtype, data, n_frames, n_channels)
    except ValueError:
        return False
    return True


def _describe(table: str, key: int, values: tuple[Any, ...], found: _Findings) -> str:
    if table == "chunks":
        return f"the chunk at {found.time(key)} is damaged"
    text = ", ".join(str(value) for value in values)
    return f"{table[:-1]} {key} is damaged; it reads: {text}"


def _find_holes(found: _Findings) -> list[tuple[int, int]]:
    """Stretches of frames that neither a chunk nor a gap accounts for; overlaps are told as problems."""
    holes, end = [], 0
    for first, last in sorted(found.spans):
        if first > end:
            holes.append((end, first))
        elif first < end:
            found.problems.append(f"{found.time(first)}: frames are recorded twice")
        end = max(end, last)
    return holes


def _write_copy(copy: Path, settings: dict[str, Any], rows: Iterator[Row], found: _Findings) -> list[tuple[int, int]]:
    """All sound rows, and a gap for each hole."""
    try:
        disk.make_private_file(copy)
        with closing(disk.connect_for_writing(copy, durable=False)) as connection:
            create_tables(connection, settings)
            connection.execute("BEGIN IMMEDIATE")
            for row in rows:
                insert_rows(connection, [row])
            holes = _find_holes(found)
            insert_rows(connection, [("gaps", (first, end - first, LOST)) for first, end in holes])
            connection.execute("COMMIT")
        disk.flush_file(copy)
    except FileExistsError as error:
        raise RecordingError(f"{copy} exists already", "move it away or name another copy") from error
    except (OSError, sqlite3.Error) as error:
        copy.unlink(missing_ok=True)
        what, cure = disk.explain(error)
        raise RecordingError(f"{copy} cannot be written: {what}", cure) from error
    return holes


def _look_around(path: Path) -> tuple[str, ...]:
    log = Path(f"{path}-wal")
    if log.exists() and log.stat().st_size:
        return (f"it is still being written or was interrupted: keep {log.name} beside it",)
    return ()
