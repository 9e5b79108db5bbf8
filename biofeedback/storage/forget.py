"""Delete everything about one athlete, for good, and look whether a trace is left."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage import database, disk
from biofeedback.storage.library import INDEX, remove_index
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import LAST_START, PROGRAMMES, SUFFIX, TRIALS
from biofeedback.storage.unfinished import finish_unfinished, remove_for_good

MAX_SEARCHED_BYTES = 2**30
HEAD_BYTES = 8192  # of a file that is not text: formats keep the subject in their header
NEIGHBOURS = ("-wal", "-shm", "-journal", ".saving")


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was deleted and searched; ``traces`` says where the code is still mentioned, empty when all is gone."""

    deleted: tuple[Path, ...]
    n_bytes: int
    n_searched: int
    traces: tuple[str, ...]


def find_files_of(folder: str | os.PathLike[str], athlete: str) -> list[Path]:
    """The recordings of an athlete below ``folder``, and every file that shares a recording's name (reports, exports).

    The case of the letters of a code does not matter. A file that cannot be read is the athlete's when its name
    begins with the code.
    """
    owned = []
    for path in _all_files(Path(folder)):
        if path.name.endswith(SUFFIX) and _belongs_to(path, athlete):
            owned.append(path)
    beside = {path for one in owned for path in find_companions(one)}
    chosen = {
        path for parent in {Path(folder), *(one.parent for one in owned)} for path in find_last_start(parent, athlete)
    }
    return sorted({*owned, *beside, *chosen, *find_own_files(Path(folder), athlete)})


def find_own_files(folder: Path, athlete: str) -> list[Path]:
    """An athlete's trials and programme."""
    files = [path for name in (TRIALS, PROGRAMMES) for path in sorted((folder / name).glob("*.toml"))]
    return [path for path in files if _whole(athlete).match(path.stem)]


def find_last_start(folder: Path, athlete: str) -> list[Path]:
    """The file of last time's choices, if it tells the code."""
    path = folder / LAST_START
    return [path] if path.is_file() and _find_traces(path, athlete) else []


def find_companions(recording: Path) -> list[Path]:
    """What lies beside a recording and shares its name: reports, exports, its log; never another recording's."""
    beside = [path for path in sorted(recording.parent.iterdir()) if path.is_file() and not path.is_symlink()]
    stem = recording.name.removesuffix(SUFFIX)
    others = [path.name.removesuffix(SUFFIX) for path in beside if path.name.endswith(SUFFIX)]
    longer = [other for other in others if len(other) > len(stem)]
    return [
        path
        for path in beside
        if _shares_stem(path.name, stem)
        and not path.name.endswith(SUFFIX)
        and not any(_shares_stem(path.name, other) for other in longer)
    ]


def forget_athlete(folder: str | os.PathLike[str], athlete: str, files: Iterable[Path]) -> Forgotten:
    """Overwrite and delete ``files`` and every index, then search all that is left for the code.

    Raises RecordingError before anything is deleted when one of the recordings is still being written.
    """
    to_delete = list(files)
    n_bytes = delete_files(to_delete)
    finish_unfinished(folder)
    for index in list(Path(folder).rglob(INDEX)):  # a folder below that was listed has its own
        remove_index(index.parent)
    left = list(_all_files(Path(folder)))
    traces = [trace for path in left for trace in _find_traces(path, athlete)]
    return Forgotten(tuple(to_delete), n_bytes, len(left), tuple(traces))


def delete_files(files: Iterable[Path]) -> int:
    """Overwrite and delete ``files`` with SQLite's own beside them; how many bytes that were.

    Raises RecordingError before anything is deleted when one of them is a recording that is still being written, and
    on the way when the disk refuses.
    """
    to_delete = list(files)
    for path in to_delete:
        if path.name.endswith(SUFFIX):
            database.refuse_when_written(path)
    order = sorted(to_delete, key=lambda path: path.name.endswith(SUFFIX))  # recordings last: by them the rest is found
    names = [name for path in order for name in (*(Path(f"{path}{suffix}") for suffix in NEIGHBOURS), path)]
    try:
        return remove_for_good([name for name in dict.fromkeys(names) if name.exists()])
    except OSError as error:
        what, cure = disk.explain(error)
        raise RecordingError(f"{error.filename} cannot be deleted: {what}", cure) from error


def _all_files(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file() and not path.is_symlink())


def _shares_stem(name: str, stem: str) -> bool:
    """``A01-1.html`` and ``A01-1_events.csv`` belong to ``A01-1.hold``; ``A01-10.hold`` does not."""
    rest = name.removeprefix(stem)
    return rest != name and (not rest or not rest[0].isalnum()) and not re.match(r"-\d+\.", rest)


def _belongs_to(path: Path, athlete: str) -> bool:
    try:
        return str(open_recording(path).settings.get("athlete", "")).casefold() == athlete.casefold()
    except RecordingError:
        return bool(_whole(athlete).match(path.name))


def _whole(code: str) -> re.Pattern[str]:
    """The code as a word of its own, in either case of letters: A01 is in a01.html and not in A012."""
    return re.compile(rf"(?<![A-Za-z0-9]){re.escape(code)}(?![A-Za-z0-9])", re.IGNORECASE)


def _find_traces(path: Path, athlete: str) -> list[str]:
    """Where a file still mentions the code: its name, its text, or the header of a file that is not text."""
    pattern = _whole(athlete)
    traces = [f"{path}: in its name"] if pattern.search(path.name) else []
    try:
        text = _read_recording_text(path) if path.name.endswith(SUFFIX) else _read_text(path)
    except (OSError, RecordingError) as error:
        return [*traces, f"{path}: cannot be searched ({error})"]
    if pattern.search(text):
        traces.append(f"{path}: in its text")
    return traces


def _read_recording_text(path: Path) -> str:
    recording = open_recording(path)
    return repr((recording.settings, recording.events, recording.notes, recording.gaps))


def _read_text(path: Path) -> str:
    if path.stat().st_size > MAX_SEARCHED_BYTES:
        raise RecordingError(f"{path} is too large to be held in memory", "search it with another program")
    content = path.read_bytes()
    try:
        return content.decode()
    except UnicodeDecodeError:
        return content[:HEAD_BYTES].decode("latin-1")
