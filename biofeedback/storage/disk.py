"""What the recorder asks of the disk: private files, flushed commits, and what a failure means to a person."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from biofeedback.storage.database import Connection
from biofeedback.storage.database import Error as DatabaseError

BLOCK_BYTES = 2**20
DEVICE_FULL = ("SQLITE_FULL", "ENOSPC", "EDQUOT", "EFBIG")
NOT_ALLOWED = ("SQLITE_READONLY", "EACCES", "EPERM", "EROFS")
NO_FOLDER = ("ENOENT", "SQLITE_CANTOPEN")
FILE_INSTEAD = ("ENOTDIR", "EEXIST")


def make_folder(folder: Path) -> None:
    """Make a folder that only its user can look into; an existing one is left as it is."""
    if not folder.exists():
        folder.mkdir(parents=True, mode=0o700, exist_ok=True)


def make_private_file(path: Path) -> None:
    """Make an empty file that only its user can read; FileExistsError when there is one."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))


def use_log(connection: Connection) -> None:
    """Commit to a write-ahead log from now on, one flush per commit, readers undisturbed.

    A file system without shared memory keeps SQLite's rollback journal, which is as safe and somewhat slower.
    """
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA cache_size = -256")  # KiB: who only appends needs no 2 MB of old pages
    connection.execute("BEGIN IMMEDIATE")  # opens the log now, while its folder is surely there
    connection.execute("COMMIT")


def copy_database(connection: Connection, path: Path) -> None:
    """Write everything committed to a new private file; works even when the original name is gone."""
    make_private_file(path)
    try:
        connection.execute("VACUUM INTO ?", (str(path),))
        flush_file(path)
    except (OSError, DatabaseError):
        path.unlink(missing_ok=True)
        raise


def leave_one_file(connection: Connection) -> None:
    """Move everything from the log into the file, so that one file can be mailed."""
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.execute("PRAGMA journal_mode = DELETE")


def seal(path: Path) -> None:
    """Flush a closed file, the mark of the SQLite library that wrote it replaced: equal content, equal bytes anywhere.

    The mark is for people only (SQLite file format, section 1.3, offset 96).
    """
    with contextlib.suppress(OSError), path.open("r+b") as file:
        file.seek(96)
        file.write((3_040_000).to_bytes(4, "big"))
        file.flush()
        os.fsync(file.fileno())


def overwrite_and_delete(path: Path) -> int:
    """Delete a file so that its blocks do not tell what was in them; how many bytes that were."""
    n_bytes = path.stat().st_size
    with path.open("r+b") as file:
        for first in range(0, n_bytes, BLOCK_BYTES):
            file.write(bytes(min(BLOCK_BYTES, n_bytes - first)))
        file.flush()
        os.fsync(file.fileno())
    path.unlink()
    return n_bytes


def flush_file(path: Path) -> None:
    """Do not return before the file is on the disk."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Make a new name survive a power cut; systems that cannot flush a folder do it by themselves."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def explain(error: Exception) -> tuple[str, str]:
    """``(what, cure)`` for what the disk said."""
    name = getattr(error, "sqlite_errorname", "") or errno.errorcode.get(getattr(error, "errno", None) or 0, "")
    if name.startswith(DEVICE_FULL):
        return "the disk is full", "free some space"
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return "another program holds the file", "close that program"
    if name.startswith(NOT_ALLOWED):
        return "writing is not allowed there", "choose a folder that you may write to"
    if name.startswith(NO_FOLDER):
        return "the folder is gone", "bring it back or reconnect the drive"
    if name.startswith(FILE_INSTEAD):
        return "a file stands where its folder should be", "move it away, or choose another folder"
    return f"the disk failed ({error})", "reconnect the drive or choose another folder"
