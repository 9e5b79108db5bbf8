"""The one place that opens SQLite: nothing else in the program opens a database. A recording is data, whoever made it.

A file may come from anywhere. It is opened only when its tables and views are, word for word, ones that this program
wrote; nothing that it holds is ever run (no trigger, no view, no function of its own), and what it costs to read is
bounded by its size. After SQLite's own advice for databases from strangers (its page "Defense Against The Dark Arts",
from memory): trusted schema off, defensive, cell sizes checked, limits lowered, an authoriser, and a handler that stops
what runs on. Its advice to check all pages first is followed before anything is written to a file; a reader compares
the checksum of every row instead.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import sqlite3
import stat
import struct
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Literal

from biofeedback.errors import RecordingError
from biofeedback.storage.log import MAX_LOG_BYTES, read_log
from biofeedback.storage.schema import COLUMNS, SchemaRow, check_version, find_foreign

if sys.platform != "win32":
    import fcntl

Connection = sqlite3.Connection
Error = sqlite3.Error
DatabaseError = sqlite3.DatabaseError
OperationalError = sqlite3.OperationalError
UNREADABLE = (sqlite3.DatabaseError, UnicodeDecodeError)  # the latter when damage stands in SQLite's own message

LOCK_AT, LOCK_BYTES = 0x40000000, 512  # where SQLite locks (SQLite file format, section 1.4)
LOCKS = {  # struct flock of each system, 64 bits (its fcntl.h): layout, and which field is the kind of lock
    "linux": ("hhqqi", 0),
    "darwin": ("qqihh", 3),
}
DEFENSIVE, ENABLE_TRIGGER = 1010, 1003  # SQLITE_DBCONFIG_..., as numbers: Python 3.11 does not name them
BUSY_S = 1.0  # how long a commit waits for another program before that is called a problem
STEPS_AT_ONCE = 2000  # of SQLite's machine, between two looks at how many there were
STEPS_TO_OPEN = 40_000  # reading the names of nine tables takes some hundreds
STEPS_PER_BYTE = 4  # a row of a few bytes takes about a dozen
CHECK = "run: biofeedback check {path}"
SCHEMA = "SELECT type, name, tbl_name, sql FROM sqlite_master LIMIT 100"
READABLE = frozenset({*COLUMNS, "sqlite_master"})
PRAGMAS = frozenset({"application_id", "user_version", "integrity_check", "quick_check"})
CHANGING = frozenset({sqlite3.SQLITE_INSERT, sqlite3.SQLITE_UPDATE, sqlite3.SQLITE_DELETE})
LIMITS = {
    sqlite3.SQLITE_LIMIT_ATTACHED: 0,
    sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH: 0,
    sqlite3.SQLITE_LIMIT_FUNCTION_ARG: 2,
    sqlite3.SQLITE_LIMIT_VARIABLE_NUMBER: 16,
    sqlite3.SQLITE_LIMIT_COMPOUND_SELECT: 1,
    sqlite3.SQLITE_LIMIT_EXPR_DEPTH: 20,
    sqlite3.SQLITE_LIMIT_LIKE_PATTERN_LENGTH: 16,
    sqlite3.SQLITE_LIMIT_COLUMN: 100,
    sqlite3.SQLITE_LIMIT_WORKER_THREADS: 0,
}
NEIGHBOURS = ("-wal", "-shm", "-journal")  # what SQLite opens beside a file by itself
MAX_BYTES = 2**36  # 64 GiB: 24 h of 32 channels at 4 kHz take half of that
LEAST_LENGTH = 1_000_000  # bytes; SQLite's own messages need some room in a small file
LARGEST_LENGTH = 2**30 - 1


@contextlib.contextmanager
def connect(path: Path) -> Iterator[tuple[Connection, int]]:
    """A connection that can only read one moment of a recording, and how many bytes there are to be read.

    RecordingError with its cure for whatever is wrong with the file.
    """
    n_bytes = measure_files(path)
    with contextlib.ExitStack() as stack:
        try:
            connection, schema = _connect_read_only(path, n_bytes, stack)
            check_version(connection, path)
            check_schema(schema, path)
            limit_steps(connection, STEPS_TO_OPEN + STEPS_PER_BYTE * n_bytes)
        except UNREADABLE as error:
            if _looks_like_sqlite(path):
                raise RecordingError(f"{path} cannot be read ({explain(error)})", CHECK.format(path=path)) from error
            raise RecordingError(f"{path} is not a recording", "choose a file that this program recorded") from error
        yield connection, n_bytes


def connect_for_writing(path: Path, *, durable: bool = True, own: bool = False) -> Connection:
    """Open for the one writer, any thread; transactions are begun by hand.

    ``durable``: flushed to the disk when they end. Without, the caller flushes the whole file once. What stands in the
    file already must be a sound recording, its log too, unless it is the program's ``own`` work of just now: SQLite
    would drop what lies behind the first damage.

    Raises
    ------
    RecordingError
        The file is something else, or is built otherwise than this program builds recordings, or is damaged.
    """
    is_checked = not own and os.path.lexists(path) and measure_files(path) > 0
    if is_checked:
        refuse_damaged_log(path)
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=BUSY_S, factory=_Writer)
    try:
        connection.hold(path)
        harden(connection)
        connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'OFF'}")
        if is_checked:
            connection.set_authorizer(_allow_no_code)
            check_version(connection, path)
            check_schema(connection.execute(SCHEMA).fetchall(), path)
            if problems := check_pages(connection, quick=True):
                raise RecordingError(f"{path} is damaged: {problems[0]}", CHECK.format(path=path))
    except BaseException:
        connection.close()
        raise
    return connection


class _Writer(Connection):
    """A connection whose file is known to be held by this program for as long as it is open."""

    _held: tuple[int, int] | None = None

    def hold(self, path: Path) -> None:
        """Enter the file among those that this program writes."""
        self._held = identity(path)
        _HELD.append(self._held)

    def close(self) -> None:
        """Close it, and strike the file off."""
        super().close()
        if self._held in _HELD:
            _HELD.remove(self._held)
        self._held = None


_HELD: list[
    tuple[int, int] | None
] = []  # what writers of this program hold; POSIX does not tell a program its own locks


def refuse_when_written(path: Path) -> None:
    """Raise RecordingError while a writer has the file open: SQLite then lets nobody else leave the log."""
    if is_written(path):
        raise RecordingError(f"{path} is in use", "end the session that writes or reads it")


def is_written(path: Path) -> bool:
    """Whether a writer, in this program or another, holds the file.

    A sound log of a writer that was interrupted is taken in on the way; a damaged one stays as it is.
    """
    if is_held(path):
        return True
    try:
        measure_files(path)
        refuse_damaged_log(path)
        with contextlib.closing(sqlite3.connect(path, timeout=0.2)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")
    except OperationalError as error:
        return "locked" in str(error)
    except (DatabaseError, UnicodeDecodeError, RecordingError):
        return False  # no recording, or damaged: nobody writes it
    return False


def is_held(path: Path) -> bool:
    """Whether a writer is known to hold the file; asking changes nothing, and not every system can tell."""
    found = identity(path)
    return found is not None and (found in _HELD or _is_locked_elsewhere(path))


def refuse_damaged_log(path: Path) -> None:
    """Raise RecordingError when the log beside the file holds more than SQLite would take of it."""
    measure_neighbours(path)
    try:
        log = read_log(path)
    except OSError as error:
        raise RecordingError(f"{path}-wal cannot be read ({error.strerror})", "get permission to read it") from error
    if log and log.is_damaged:
        raise RecordingError(
            f"the log of {path} is damaged, and opening it would lose what lies behind",
            f"save it first: biofeedback check --repair {path}",
        )


def _is_locked_elsewhere(path: Path) -> bool:
    """Whether another program's SQLite holds the file; looking changes nothing. False where that cannot be asked.

    Not for files that this program itself writes: closing the file would drop its locks (POSIX).
    """
    if sys.platform == "win32" or sys.platform not in LOCKS:
        return False
    if not path.is_file():  # nothing waits for the other end of a pipe
        return False
    layout, at = LOCKS[sys.platform]
    asked = (fcntl.F_WRLCK, 0, LOCK_AT, LOCK_BYTES, 0) if at == 0 else (LOCK_AT, LOCK_BYTES, 0, fcntl.F_WRLCK, 0)
    try:
        with path.open("rb") as file:
            told = fcntl.fcntl(file, fcntl.F_GETLK, struct.pack(layout, *asked))
    except OSError:
        return False
    return bool(struct.unpack(layout, told)[at] != fcntl.F_UNLCK)


def identity(path: Path) -> tuple[int, int] | None:
    """Which file a name stands for now; None when there is none, or it leads round in a circle."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def check_pages(connection: Connection, *, quick: bool = False) -> list[str]:
    """What SQLite itself finds wrong; ``quick`` leaves the order of the index out."""
    try:
        messages = [str(row[0]) for row in connection.execute(f"PRAGMA {'quick' if quick else 'integrity'}_check(20)")]
    except UNREADABLE as error:
        messages = [explain(error)]
    return [] if messages == ["ok"] else [f"database page: {line}" for text in messages for line in text.splitlines()]


def connect_to_index(path: Path, table: str) -> Connection:
    """Open the cache of a folder; ``table`` is the statement that makes its only table.

    Raises DatabaseError for a file that holds anything else, OperationalError when it is locked or not allowed.
    """
    connection = sqlite3.connect(path, timeout=2.0)
    try:
        harden(connection)
        connection.set_authorizer(_allow_no_code)
        found = connection.execute("SELECT type, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
        if not found:
            connection.execute(table)
        elif found != [("table", table)]:
            raise DatabaseError("this is not an index that this program wrote")
    except BaseException:
        connection.close()
        raise
    return connection


def harden(connection: Connection, n_bytes: int | None = None) -> None:
    """What holds for every connection; ``n_bytes`` is the most that any text or row of the file can have."""
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    if set_config := getattr(connection, "setconfig", None):  # from Python 3.12 on
        set_config(DEFENSIVE, True)
        set_config(ENABLE_TRIGGER, False)
    if n_bytes is not None:
        for limit, value in LIMITS.items():
            connection.setlimit(limit, value)
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, min(max(n_bytes, LEAST_LENGTH), LARGEST_LENGTH))


def limit_steps(connection: Connection, n_steps: int) -> None:
    """Whatever is asked of the connection from now on ends in an error after so many steps of SQLite's machine."""
    n_looks = math.ceil(n_steps / STEPS_AT_ONCE)

    def is_too_much() -> bool:
        nonlocal n_looks
        n_looks -= 1
        return n_looks < 0

    connection.set_progress_handler(is_too_much, STEPS_AT_ONCE)


def check_schema(schema: Sequence[SchemaRow], path: Path) -> None:
    """Raise RecordingError unless the file is built exactly as this program builds recordings."""
    if foreign := find_foreign(schema):
        what = "; ".join(foreign[:5])
        raise ForeignSchemaError(f"{path} is not built as a recording is: {what}", CHECK.format(path=path))


class ForeignSchemaError(RecordingError):
    """The file has a recording's mark and other tables, views or triggers than a recording."""


def count_bytes(path: Path) -> int:
    """Of the file and its log: nothing that it holds can be larger."""
    with contextlib.suppress(OSError):
        return os.stat(path).st_size + measure_neighbours(path)
    return 0


def measure_files(path: Path) -> int:
    """Bytes of a recording and its log. RecordingError for what cannot be one, before SQLite opens it."""
    try:
        status = os.stat(path)
    except (FileNotFoundError, NotADirectoryError) as error:
        cure = "check the name; `biofeedback list` shows the recordings"
        raise RecordingError(f"there is no file {path}", cure) from error
    except (OSError, ValueError) as error:  # the latter: no name of a file
        what = getattr(error, "strerror", None) or str(error)
        raise RecordingError(f"{path} cannot be accessed ({what})", "check the name, and the folder") from error
    if not stat.S_ISREG(status.st_mode):
        raise RecordingError(f"{path} is not a recording", "name one file; `biofeedback list` shows a folder")
    n_bytes = status.st_size + measure_neighbours(path)
    if n_bytes > MAX_BYTES:
        raise RecordingError(f"{path} takes {n_bytes / 1e9:.0f} GB: no recording is as large", "move it away")
    return n_bytes


def measure_neighbours(path: Path) -> int:
    """Bytes of the log beside a file. SQLite opens its own files there unasked, wherever a name leads.

    Raises
    ------
    RecordingError
        One of them is something else than a plain file, or the log is larger than one can be.
    """
    n_bytes = 0
    for suffix in NEIGHBOURS:
        try:
            status = os.lstat(f"{path}{suffix}")
        except OSError:  # there is none
            continue
        if not stat.S_ISREG(status.st_mode):
            raise RecordingError(f"{path}{suffix} is not a regular file, as a recording is", "move it away")
        if suffix == "-wal":
            n_bytes = status.st_size
    if n_bytes > MAX_LOG_BYTES:
        raise RecordingError(f"{path}-wal takes {n_bytes / 1e9:.0f} GB: no log is as large", "move it away")
    return n_bytes


def explain(error: Exception) -> str:
    """What SQLite said, in words where its own say nothing."""
    if getattr(error, "sqlite_errorname", "") == "SQLITE_INTERRUPT":
        return "reading it takes more work than a file of its size can need"
    return str(error)


def _connect_read_only(path: Path, n_bytes: int, stack: contextlib.ExitStack) -> tuple[Connection, Sequence[SchemaRow]]:
    """Read in place; where the folder allows no neighbour files, read a private copy instead."""
    try:
        return _open_and_try(path.absolute().as_uri() + "?mode=ro", n_bytes, stack)
    except OperationalError as error:
        # only then: opening the file beside SQLite would drop the locks of a writer in this very process
        if not getattr(error, "sqlite_errorname", "").startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY")):
            raise
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        for suffix in ("", "-wal"):
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(f"{path}{suffix}", folder / f"copy{suffix}")
        return _open_and_try((folder / "copy").as_uri(), n_bytes, stack)


def _open_and_try(uri: str, n_bytes: int, stack: contextlib.ExitStack) -> tuple[Connection, Sequence[SchemaRow]]:
    # any thread, one at a time: a replay is opened by one and played by another
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0, check_same_thread=False)
    stack.callback(connection.close)
    harden(connection, n_bytes)
    limit_steps(connection, STEPS_TO_OPEN)
    connection.set_authorizer(_allow_reading)
    connection.execute("BEGIN")  # a recording may grow meanwhile; and one lock serves all that is asked
    return connection, connection.execute(SCHEMA).fetchall()


Answer = Literal[0, 1, 2]


def _allow_reading(action: int, first: str | None, second: str | None, _base: str | None, inside: str | None) -> Answer:
    """SQLite's authoriser: our own tables may be read, by nothing that stands in the file."""
    if inside is not None:
        return sqlite3.SQLITE_DENY
    if action == sqlite3.SQLITE_READ:
        return sqlite3.SQLITE_OK if first in READABLE else sqlite3.SQLITE_DENY
    if action in (sqlite3.SQLITE_SELECT, sqlite3.SQLITE_TRANSACTION):
        return sqlite3.SQLITE_OK
    if action == sqlite3.SQLITE_PRAGMA:
        return sqlite3.SQLITE_OK if first in PRAGMAS else sqlite3.SQLITE_DENY
    is_ours = action == sqlite3.SQLITE_FUNCTION and second in ("count", "length")
    return sqlite3.SQLITE_OK if is_ours else sqlite3.SQLITE_DENY


def _allow_no_code(action: int, first: str | None, _2: str | None, _base: str | None, inside: str | None) -> Answer:
    """For a writer: whatever a trigger or a view of the file wants is denied."""
    return sqlite3.SQLITE_DENY if inside is not None else sqlite3.SQLITE_OK


def _looks_like_sqlite(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(16) == b"SQLite format 3\0"
    except OSError:
        return False
