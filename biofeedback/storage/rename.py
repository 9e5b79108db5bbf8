"""Give a finished recording to another code: in its settings and in its name."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.model import ATHLETE_CODE
from biofeedback.storage import disk
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import SUFFIX, checksum, to_json


def rename_athlete(path: str | os.PathLike[str], code: str) -> Path:
    """Write ``code`` into both copies of the settings, with their checksums, and into the file's name; the new path.

    Readings and events are not touched. The file's name changes only where it begins with the old code. Raises
    RecordingError when ``code`` is none, or the recording is gone, damaged, not writable or still being written.
    """
    source = Path(path)
    if not ATHLETE_CODE.fullmatch(code):
        raise RecordingError(f"{code[:40]!r} is not a code", "use letters and a number, e.g. A01; names stay elsewhere")
    old = str(open_recording(source).settings.get("athlete") or "")
    disk.refuse_when_written(source)
    try:
        _write_code(source, code)
        target = _reserve_name(source, old, code)
        if target != source:
            os.replace(source, target)  # the name was reserved: nothing else is overwritten
            disk.flush_folder(source.parent)
    except (OSError, sqlite3.Error) as error:
        what, cure = disk.explain(error)
        raise RecordingError(f"{source} cannot be renamed: {what}", cure) from error
    return target


def _write_code(path: Path, code: str) -> None:
    """Both copies or neither, and nothing of the old code in the pages' free space."""
    row = ("athlete", to_json(code))
    with closing(disk.connect_for_writing(path)) as connection:
        connection.execute("PRAGMA secure_delete = ON")
        connection.execute("BEGIN IMMEDIATE")
        for table in ("meta", "meta_copy"):
            connection.execute(f"DELETE FROM {table} WHERE key = ?", row[:1])
            connection.execute(f"INSERT INTO {table} (key, value, crc32) VALUES (?, ?, ?)", (*row, checksum(row)))
        connection.execute("COMMIT")


def _reserve_name(path: Path, old: str, code: str) -> Path:
    """A free name with the new code, taken by an empty file; the same path where the name tells no code."""
    rest = path.name.removesuffix(SUFFIX).removeprefix(old)
    if not old or old == code or not path.name.startswith(old) or rest[:1].isalnum():
        return path
    number = 1
    while True:
        target = path.with_name(f"{code}{rest}{'' if number == 1 else f'-{number}'}{SUFFIX}")
        try:
            disk.make_private_file(target)
        except FileExistsError:
            number += 1
        else:
            return target
