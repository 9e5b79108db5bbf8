"""Is every byte as it was written? And if not: a repaired copy, and exactly what is lost."""

from __future__ import annotations

import math
import os
from bisect import bisect_right, insort
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from heapq import merge
from operator import itemgetter
from pathlib import Path
from typing import Any, TypeAlias

from biofeedback.errors import RecordingError
from biofeedback.storage import borrow, database, disk
from biofeedback.storage.carve import carve_rows, carve_torn_settings, count_cells
from biofeedback.storage.database import ForeignSchemaError, connect
from biofeedback.storage.log import read_log
from biofeedback.storage.mend import mend_settings
from biofeedback.storage.recording import MAX_GAPS_S, MAX_RATE_HZ, UNUSABLE, read_channels
from biofeedback.storage.schema import (
    ADDED_LATER,
    COLUMNS,
    KINDS,
    DamagedHeaderError,
    Row,
    checksum,
    create_tables,
    insert_rows,
    read_json,
    unpack_counts,
)
from biofeedback.storage.whole_file import write_whole

LOST = "lost: damaged in the file"
MOST_TOLD = 20  # missing ids one by one
LONGEST_TOLD = 200  # characters of what a damaged row reads
Reader: TypeAlias = Callable[[str], Iterator[tuple[int, tuple[Any, ...], bool]]]  # rows of a table: key, values, sound


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check found. ``problems`` is empty when every row is as it was written and no frame is unaccounted for.

    ``duration_s`` is NaN when channels or rate are lost in both copies.
    """

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
    """``spans`` of frames that are accounted for, in order, none over another.

    ``n_most`` frames there can be; ``n_most_read`` in gaps and in what bytes of this file can hold, or could.
    ``rate_hz`` is NaN when nobody knows it.
    """

    rate_hz: float
    n_most: float
    n_most_read: float
    problems: list[str] = field(default_factory=list)
    spans: list[tuple[int, int]] = field(default_factory=list)
    n_events: int = 0
    last_frame: int = 0  # that an event or a note speaks of

    def time(self, frame: int) -> str:
        return f"frame {frame}" if math.isnan(self.rate_hz) else f"{frame / self.rate_hz:.2f} s"

    def is_taken(self, first: int, end: int) -> bool:
        """Whether any of the frames is accounted for already."""
        after = bisect_right(self.spans, (first, end))
        return (after > 0 and self.spans[after - 1][1] > first) or (
            after < len(self.spans) and self.spans[after][0] < end
        )


def check_recording(path: str | os.PathLike[str]) -> Verdict:
    """Read every row, compare every checksum, account for every frame; the file is not changed.

    Raises RecordingError when it is no recording, or nothing in it can be read.
    """
    return _examine(Path(path), None, None)


def repair_recording(
    path: str | os.PathLike[str], copy: str | os.PathLike[str], *, like: str | os.PathLike[str] | None = None
) -> Verdict:
    """Write all that is sound to ``copy``; lost frames become gaps. The verdict is on the original.

    Channels and rate that are lost in both copies are taken from ``like``, a recording of the same sensor. Without it
    the rows are saved all the same, and the copy can be repaired in turn once there is one.

    Raises RecordingError when ``copy`` exists or cannot be written, or when ``like`` has other channels.
    """
    return _examine(Path(path), Path(copy), Path(like) if like else None)


def _examine(path: Path, copy: Path | None, like: Path | None) -> Verdict:
    try:
        return _look_through(path, copy, like)
    except MemoryError as error:
        what = f"{path} is too large for the memory that is left here"
        raise RecordingError(what, "close other programs, or check it on another computer") from error


def _look_through(path: Path, copy: Path | None, like: Path | None) -> Verdict:
    with ExitStack() as stack:
        read, problems, remarks = _open_rows(path, stack, is_saving=copy is not None)
        settings, rate_hz, n_channels = _read_settings(read, path, problems, like)
        n_bytes = database.count_bytes(path)
        n_most = (MAX_RATE_HZ if math.isnan(rate_hz) else rate_hz) * MAX_GAPS_S + n_bytes
        n_gap_frames = sum(values[1] for _, values, is_sound in read("gaps") if is_sound and 0 < values[1] <= n_most)
        found = _Findings(rate_hz, n_most, n_bytes // (4 * n_channels) + n_gap_frames, problems)
        rows = _read_sound_rows(read, n_channels, found)
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
        duration_s=(found.spans[-1][1] if found.spans else 0) / found.rate_hz,
        n_events=found.n_events,
        problems=tuple(found.problems),
        remarks=(*_look_around(path), *remarks),
        copy=copy,
    )


def _open_rows(path: Path, stack: ExitStack, *, is_saving: bool) -> tuple[Reader, list[str], list[str]]:
    """How to read the rows of a table, what is wrong with file and log, and what else is to be said of them.

    What SQLite does not see, or cannot be trusted with, is read without it, page by page: rows are as they were when
    their checksums say so, wherever they stand.
    """
    problems = _judge_log(path)
    connection: database.Connection | None = None
    unreadable: RecordingError | None = None
    try:
        connection, _ = stack.enter_context(connect(path))
        connection.text_factory = lambda data: data.decode("utf-8", "replace")
        problems += database.check_pages(connection)
    except ForeignSchemaError as error:
        unreadable = error
        problems.append(error.what.removeprefix(f"{path} "))
    except DamagedHeaderError as error:
        unreadable = error
        problems.append("its header does not say that it is a recording")
    except RecordingError as error:
        if not isinstance(error.__cause__, database.UNREADABLE):
            raise
        unreadable = error
        problems += [f"database page: {database.explain(error.__cause__)}", *_find_cut(path)]
    if connection and not problems:
        return _read_both(connection, path, is_saving=is_saving)
    found = _carve(path)
    if connection:
        for table in COLUMNS:
            found[table] |= _select_what_can_be_read(connection, table)
    if unreadable and not (found["meta"] or found["chunks"] or found["events"] or any(carve_torn_settings(path))):
        raise unreadable
    return lambda table: ((key, values, True) for key, values in sorted(found[table].items())), problems, []


def _read_both(connection: database.Connection, path: Path, *, is_saving: bool) -> tuple[Reader, list[str], list[str]]:
    """The rows as SQLite gives them, and those that it does not reach although they stand in a page.

    A page that took the place of another is sound for SQLite. A log that ends in the middle of a commit holds rows
    that nobody was told are safe: they are remarked, and saved when that is asked for.
    """
    if database.is_held(path):  # it grows meanwhile
        return lambda table: _select_rows(connection, table), [], []
    if not Path(f"{path}-wal").exists() and count_cells(path) == _count_rows(connection):
        return lambda table: _select_rows(connection, table), [], []  # every row that stands anywhere is reached
    reached = {table: {key for key, *_ in _select_keys(connection, table)} for table in COLUMNS}
    reached["meta"] |= reached["meta_copy"]
    more = {
        table: {key: values for key, values in rows.items() if key not in reached[table]}
        for table, rows in _carve(path).items()
    }
    n_more = sum(map(len, more.values()))
    if not n_more:
        return lambda table: _select_rows(connection, table), [], []
    log = read_log(path)
    is_cut_off = log is not None and log.is_unfinished
    problems = [] if is_cut_off else [f"{n_more} rows stand in pages that the database does not lead to"]
    remarks = [f"it ends in the middle of a write: {n_more} rows are not counted; --repair saves them"]
    if is_cut_off and not is_saving:
        return lambda table: _select_rows(connection, table), [], remarks

    def read(table: str) -> Iterator[tuple[int, tuple[Any, ...], bool]]:
        extra = ((key, values, True) for key, values in sorted(more[table].items()))
        return merge(_select_rows(connection, table), extra, key=itemgetter(0))

    return read, problems, remarks if is_cut_off else []


def _count_rows(connection: database.Connection) -> int:
    """Of all tables, SQLite's own included."""
    tables = [table for table in COLUMNS if table not in ADDED_LATER or _has_table(connection, table)]
    queries = [f"SELECT count(*) FROM {table}" for table in (*tables, "sqlite_master")]
    return sum(int(connection.execute(query).fetchone()[0]) for query in queries)


def _carve(path: Path) -> dict[str, dict[int, tuple[Any, ...]]]:
    found: dict[str, dict[int, tuple[Any, ...]]] = {table: {} for table in COLUMNS}
    for table, key, values in carve_rows(path):
        found[table][key] = values
    return found


def _select_keys(connection: database.Connection, table: str) -> Iterator[tuple[int]]:
    if table in ADDED_LATER and not _has_table(connection, table):
        return iter(())
    return connection.execute(f"SELECT rowid FROM {table}")


def _judge_log(path: Path) -> list[str]:
    """What is wrong with the log beside the file, if there is one."""
    try:
        log = read_log(path)
    except OSError as error:
        return [f"its log cannot be read ({error.strerror})"]
    if log is None or not log.is_damaged:
        return []
    if not log.has_header:
        return [f"the beginning of its log is damaged: SQLite would drop all {len(log.frames)} pages of it"]
    return [f"its log is damaged: SQLite would drop the last {log.n_lost} of {len(log.frames) + log.n_odd} pages"]


def _select_what_can_be_read(connection: database.Connection, table: str) -> dict[int, tuple[Any, ...]]:
    """Sound rows up to the first page that SQLite cannot read."""
    rows = {}
    with suppress(*database.UNREADABLE):
        for key, values, is_sound in _select_rows(connection, table):
            if is_sound:
                rows[key] = values
    return rows


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


def _select_rows(connection: database.Connection, table: str) -> Iterator[tuple[int, tuple[Any, ...], bool]]:
    """``(key, values, is_sound)`` in the order of the keys; nothing from a table of a later version."""
    if table in ADDED_LATER and not _has_table(connection, table):
        return
    query = f"SELECT rowid, {', '.join(COLUMNS[table])}, crc32 FROM {table} ORDER BY rowid"
    for key, *values, crc in connection.execute(query):
        yield key, tuple(values), _is_sound(table, tuple(values), crc)


def _has_table(connection: database.Connection, table: str) -> bool:
    return bool(connection.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone())


def _is_sound(table: str, values: tuple[Any, ...], crc: object) -> bool:
    """As it was written: the right kinds of values, and their checksum."""
    return tuple(map(type, values)) == KINDS[table] and checksum(values) == crc


def _read_settings(
    read: Reader, path: Path, problems: list[str], like: Path | None
) -> tuple[dict[str, Any], float, int]:
    """The settings, the rate (NaN: lost), and how many channels there are; lost ones are those of ``like``."""
    settings: dict[str, Any] = {}
    for table in ("meta", "meta_copy"):
        for key, values, is_sound in read(table):
            try:
                if not is_sound:
                    raise ValueError("its checksum differs")
                settings.setdefault(str(values[0]), read_json(values[1]))
            except (ValueError, RecursionError):
                what = f"{values[0]} = {values[1]}"
                problems.append(f"setting {key} in {table} is damaged; it reads: {what:.{LONGEST_TOLD}}")
    mended = mend_settings(carve_torn_settings(path)) if problems else {}
    for name in mended.keys() - settings.keys():
        settings[name] = read_json(mended[name])
        problems.append(f"setting {name} is damaged in every copy; its checksum tells what it was")
    try:
        channels, rate_hz = read_channels(settings)
    except UNUSABLE as error:
        chunks = [values for _, values, is_sound in read("chunks") if is_sound]
        n_channels = borrow.infer_width(chunks)
        if not n_channels:
            what = f"{path}: {borrow.LOST}, and no readings are left"
            raise RecordingError(what, "restore it from a backup") from error
        if like is None:
            problems.append(f"{borrow.LOST}: {borrow.CURE}")
            return settings, math.nan, n_channels
        settings = borrow.borrow_settings(settings, like, chunks, path)
        problems.append(f"{borrow.LOST}: those of {like} are taken")
        channels, rate_hz = read_channels(settings)
    return settings, rate_hz, len(channels)


def _read_sound_rows(read: Reader, n_channels: int, found: _Findings) -> Iterator[Row]:
    """Every row that is as it was written; the others, and ids that are missing, are told in ``found``."""
    for table in COLUMNS:
        if table.startswith("meta"):
            continue
        expected = 1
        for key, values, is_sound in read(table):
            if table != "chunks":
                found.problems += _tell_missing(table, expected, key)
                expected = max(expected, key + 1)
            if not is_sound or not _can_be(table, values, n_channels, found):
                found.problems.append(_describe(table, key, values, found))
                continue
            if table in ("chunks", "gaps"):
                span = values[0], values[0] + values[1]
                if found.is_taken(*span):
                    found.problems.append(f"{found.time(span[0])}: frames are recorded twice")
                    continue
                insort(found.spans, span)
            else:
                found.last_frame = max(found.last_frame, values[0])
            found.n_events += table == "events"
            yield table, values


def _tell_missing(table: str, expected: int, key: int) -> list[str]:
    """Ids before ``key`` that nobody has, one by one while they are few."""
    lost = range(expected, key)
    if len(lost) > MOST_TOLD:
        return [f"{table} {lost[0]} to {lost[-1]} are missing"]
    return [f"{table[:-1]} {one} is missing" for one in lost]


def _can_be(table: str, values: tuple[Any, ...], n_channels: int, found: _Findings) -> bool:
    """Whether a recorder could have written it: whatever its checksum says, a file may come from anywhere."""
    try:
        if table == "chunks":
            first, n_frames, dtype, data = values
            unpack_counts(dtype, data, n_frames, n_channels)
            return bool(0 <= first <= found.n_most_read and n_frames > 0)
        if table == "gaps":
            return bool(values[0] >= 0 and 0 < values[1] <= found.n_most)
        if table == "events" and not isinstance(read_json(values[3]), dict):
            return False
    except (ValueError, RecursionError):
        return False
    return bool(0 <= values[0] <= found.n_most)


def _describe(table: str, key: int, values: tuple[Any, ...], found: _Findings) -> str:
    if table == "chunks":
        return f"the chunk at {found.time(key)} is damaged"
    text = ", ".join(str(value) for value in values)
    return f"{table[:-1]} {key} is damaged; it reads: {text:.{LONGEST_TOLD}}"


def _find_holes(found: _Findings) -> list[tuple[int, int]]:
    """Stretches of frames that neither a chunk nor a gap accounts for."""
    holes, end = [], 0
    for first, last in found.spans:
        if first > end:
            holes.append((end, first))
        end = last
    if found.problems and found.last_frame > end:  # what is said of later frames tells of a lost end
        holes.append((end, found.last_frame))
    return holes


def _write_copy(copy: Path, settings: dict[str, Any], rows: Iterator[Row], found: _Findings) -> list[tuple[int, int]]:
    """All sound rows, and a gap for each hole."""
    try:
        with write_whole(copy, replace=False) as beside:
            disk.make_private_file(beside)
            with closing(database.connect_for_writing(beside, durable=False)) as connection:
                create_tables(connection, settings)
                connection.execute("BEGIN IMMEDIATE")
                for row in rows:
                    insert_rows(connection, [row])
                insert_rows(connection, borrow.make_remark(settings))
                holes = _find_holes(found)
                insert_rows(connection, [("gaps", (first, end - first, LOST)) for first, end in holes])
                connection.execute("COMMIT")
    except FileExistsError as error:
        raise RecordingError(f"{copy} exists already", "move it away or name another copy") from error
    except (OSError, database.Error) as error:
        what, cure = disk.explain(error)
        raise RecordingError(f"{copy} cannot be written: {what}", cure) from error
    return holes


def _look_around(path: Path) -> tuple[str, ...]:
    try:
        log = read_log(path)
    except OSError:
        return ()
    return (f"it is still being written or was interrupted: keep {path.name}-wal beside it",) if log else ()
