"""Give a finished recording to another code: wherever its texts and its name say the old one."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from biofeedback.errors import RecordingError
from biofeedback.model import ATHLETE_CODE
from biofeedback.storage import database, disk
from biofeedback.storage.forget import NEIGHBOURS, delete_files, find_last_start, find_own_files
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import COLUMNS, SUFFIX, checksum, set_copy_apart, to_json
from biofeedback.storage.unfinished import remove_for_good
from biofeedback.storage.whole_file import give_free_name, name_half_made

JSON_COLUMNS = {"meta": "value", "meta_copy": "value", "events": "data"}
OLD = ".old"  # what is replaced under its own name has no recording's ending: nothing of that name is there
TEXT_COLUMNS = {"gaps": "reason", "notes": "text"}


def rename_athlete(path: str | os.PathLike[str], code: str) -> Path:
    """Write ``code`` over the old one in settings, notes, events and the file's name; the new path.

    Made in a copy that takes the recording's place when it is whole; then the old file is overwritten and deleted, so
    that no free page and no leftover tells the old code. Counts are not touched, nor any text but the code as a word
    of its own, in either case of letters. The file's name changes only where it begins with the old code. What was
    chosen on the start page last time is forgotten if it tells the old code.

    Raises
    ------
    RecordingError
        ``code`` is none, or the recording is gone, damaged, not writable or still being written.
    """
    source = Path(path)
    if not ATHLETE_CODE.fullmatch(code):
        raise RecordingError(f"{code[:40]!r} is not a code", "use letters and a number, e.g. A01; names stay elsewhere")
    old = str(open_recording(source).settings.get("athlete") or "")
    database.refuse_when_written(source)
    copy = name_half_made(source)
    try:
        with closing(database.connect_for_writing(source)) as connection:
            disk.copy_database(connection, copy)
        _write_code(copy, old, code)
        target = _exchange(source, copy, old, code)
    except (OSError, ValueError, database.Error) as error:
        copy.unlink(missing_ok=True)
        what, cure = disk.explain(error)
        raise RecordingError(f"{source} cannot be renamed: {what}", cure) from error
    if old and old != code:
        delete_files([*find_last_start(source.parent, old), *_rename_own_files(source.parent, old, code)])
    return target


def _rename_own_files(folder: Path, old: str, code: str) -> list[Path]:
    """Give the new code its trials and programme, word for word but for the code; old files that nobody needs.

    They stay while a recording of the old code is there, whose evenings they are.
    """
    word = _as_word(old)
    of_old = find_own_files(folder, old)
    for path in of_old:
        fresh = path.with_name(word.sub(code, path.name))
        if not fresh.exists():
            half = fresh.with_suffix(".new")
            half.unlink(missing_ok=True)
            disk.make_private_file(half)
            half.write_text(word.sub(code, path.read_text("utf-8")), "utf-8")
            disk.flush_file(half)
            os.replace(half, fresh)
    is_needed = any(word.match(path.name) for path in folder.glob(f"*{SUFFIX}"))
    return [] if is_needed else of_old


def _as_word(code: str) -> re.Pattern[str]:
    """The code as a word of its own, in either case of letters."""
    return re.compile(rf"(?<![A-Za-z0-9]){re.escape(code)}(?![A-Za-z0-9])", re.IGNORECASE)


def _exchange(source: Path, copy: Path, old: str, code: str) -> Path:
    """Let the whole copy take the recording's place, and the old file go for good; the new path.

    Interrupted anywhere, the recording is there whole, under its old name or its new one. While both are there the
    copy is a second name of the new one, by which `unfinished` finds what is left to do.
    """
    disk.flush_file(copy)
    target = _take_name(source, copy, old, code)
    if target != source:
        disk.flush_folder(source.parent)
        gone = [*(name for suffix in NEIGHBOURS if (name := Path(f"{source}{suffix}")).exists()), source]
        try:
            remove_for_good(gone)
        except OSError:
            if all(path.exists() for path in gone):  # it keeps its name, whole: the session is not there twice
                target.unlink()
            raise
        copy.unlink(missing_ok=True)
    else:
        leftover = _keep_reachable(source)
        try:
            os.replace(copy, source)
        except OSError:
            leftover.unlink(missing_ok=True)
            raise
        disk.flush_folder(source.parent)
        if leftover.exists():
            disk.overwrite_and_delete(leftover)
    disk.flush_folder(source.parent)
    return target


def _keep_reachable(path: Path) -> Path:
    """Another name for a file that is about to lose its own, so that it can be overwritten afterwards."""
    name = name_half_made(path.with_suffix(OLD))
    with suppress(OSError):  # some file systems know no second names: there the old pages are freed as they are
        os.link(path, name)
    return name


def _write_code(path: Path, old: str, code: str) -> None:
    """Put ``code`` in every row that tells the old one, with its checksum; nothing else is left in the pages."""
    word = _as_word(old)

    def recode(text: str) -> str:
        return word.sub(code, text) if old else text

    with closing(database.connect_for_writing(path, own=True)) as connection:
        for pragma in ("journal_mode = MEMORY", "temp_store = MEMORY", "secure_delete = ON"):
            connection.execute(f"PRAGMA {pragma}")  # a copy: no journal is needed, and none tells the old code
        connection.execute("BEGIN IMMEDIATE")
        for table, column in JSON_COLUMNS.items():
            _update(connection, table, column, lambda text: to_json(_map_texts(json.loads(text), recode)))
        for table, column in TEXT_COLUMNS.items():
            _update(connection, table, column, recode)
        row = ("athlete", to_json(code))
        for table in ("meta", "meta_copy"):
            connection.execute(f"DELETE FROM {table} WHERE key = ?", row[:1])
            connection.execute(f"INSERT INTO {table} (key, value, crc32) VALUES (?, ?, ?)", (*row, checksum(row)))
        connection.execute("COMMIT")
        connection.execute("VACUUM")
        set_copy_apart(connection)
    disk.seal(path)


def _update(connection: database.Connection, table: str, column: str, change: Callable[[str], str]) -> None:
    """Change a column where that makes a difference. A damaged row stays as it is: ``check`` must still see it."""
    columns = COLUMNS[table]
    at = columns.index(column)
    for rowid, crc, *values in connection.execute(f"SELECT rowid, crc32, {', '.join(columns)} FROM {table}").fetchall():
        if crc != checksum(tuple(values)):
            continue
        changed = [*values[:at], change(values[at]), *values[at + 1 :]]
        if changed != values:
            parameters = (changed[at], checksum(tuple(changed)), rowid)
            connection.execute(f"UPDATE {table} SET {column} = ?, crc32 = ? WHERE rowid = ?", parameters)


def _map_texts(value: Any, change: Callable[[str], str]) -> Any:
    """Every text in a JSON value, names of fields too: a channel keeps one name wherever it is named."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, list):
        return [_map_texts(each, change) for each in value]
    if isinstance(value, dict):
        return {change(key): _map_texts(each, change) for key, each in value.items()}
    return value


def _take_name(path: Path, copy: Path, old: str, code: str) -> Path:
    """Give the copy a free name with the new code as well; the same path where the name tells no code."""
    rest = path.name.removesuffix(SUFFIX).removeprefix(old)
    if not old or old == code or not path.name.startswith(old) or rest[:1].isalnum():
        return path
    number = 1
    while True:
        target = path.with_name(f"{code}{rest}{'' if number == 1 else f'-{number}'}{SUFFIX}")
        try:
            give_free_name(copy, target, keep=True)
        except FileExistsError:
            number += 1
        else:
            return target
