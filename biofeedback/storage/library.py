"""All recordings of a folder. The folder is the truth; the index beside them is a cache, rebuilt when it is missing."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, suppress
from dataclasses import asdict, astuple, dataclass, fields, replace
from pathlib import Path
from typing import Any

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Band, same_name
from biofeedback.storage import database, disk
from biofeedback.storage.evening import add_band, read_evening, write_evening
from biofeedback.storage.recording import Recording, open_recording, problems_of
from biofeedback.storage.schema import SUFFIX

INDEX = ".recordings-index"
INDEX_VERSION = 6
Progress = Callable[[int, int], None]  # done, of how many


@dataclass(frozen=True, slots=True)
class Entry:
    """One recording as the library knows it. ``name`` is relative to the folder; ``stamp`` changes with the file.

    ``plans`` and ``covariates`` are separated by semicolons. ``word`` is the answer's word, empty when none is known
    yet. ``problem`` says why the file could not be read; the other fields are then empty. ``evening``: what the next
    evening needs to know, see `storage.evening`.
    """

    name: str
    stamp: str
    started_utc: str = ""
    athlete: str = ""
    exercise: str = ""
    side: str = ""
    position: str = ""
    plans: str = ""
    covariates: str = ""
    duration_s: float = 0.0
    n_ratings: int = 0
    simulated: int = 0
    word: str = ""
    problem: str = ""
    evening: str = ""


NAMES = tuple(field.name for field in fields(Entry))
TABLE = f"CREATE TABLE entries ({', '.join(NAMES)}, PRIMARY KEY (name))"


def list_recordings(folder: str | os.PathLike[str], *, progress: Progress | None = None) -> list[Entry]:
    """Every recording below ``folder``, newest first; only new and changed files are opened.

    A folder that cannot be written is listed all the same, without an index. Raises RecordingError when there is no
    such folder.
    """
    root = Path(folder)
    if not root.is_dir():
        raise RecordingError(f"there is no folder {root}", "name the folder of the recordings")
    try:
        stamps = dict(_find_files(root))
    except OSError as error:
        raise RecordingError(f"{root} cannot be read ({error.strerror})", "get permission to read it") from error
    known = {entry.name: entry for entry in _load_index(root)}
    changed = [name for name, stamp in stamps.items() if name not in known or known[name].stamp != stamp]
    gone = known.keys() - stamps.keys()
    fresh = []
    for done, name in enumerate(changed, 1):
        fresh.append(_try_entry(root, name, stamps[name]))
        if progress:
            progress(done, len(changed))
    if fresh or gone:
        _update_index(root, fresh, gone)
    known.update((entry.name, entry) for entry in fresh)
    entries = (known[name] for name in stamps)
    return sorted(entries, key=lambda entry: (entry.started_utc, entry.name), reverse=True)


def find_answers(
    folder: str | os.PathLike[str],
    entries: Iterable[Entry],
    find_word: Callable[[Recording], str],
    *,
    progress: Progress | None = None,
) -> list[Entry]:
    """The same entries with the word of each answer, computed where it is not known yet, and kept in the index."""
    root, result, fresh = Path(folder), [], []
    listed = list(entries)
    for done, entry in enumerate(listed, 1):
        answered = entry
        if not entry.word and not entry.problem:
            try:
                answered = replace(entry, word=find_word(open_recording(root / entry.name)))
            except BiofeedbackError:
                answered = replace(entry, word="no answer")
            fresh.append(answered)
        result.append(answered)
        if progress:
            progress(done, len(listed))
    if fresh:
        _update_index(root, fresh, set())
    return result


def lacks_band(entry: Entry) -> bool:
    """Whether an answer is on record without the effort worth trying: none is, or it is from before that was kept."""
    evening = read_evening(entry.evening)
    return bool(entry.word) and not entry.problem and evening.next_band is None and not evening.band_sought


def find_band(folder: str | os.PathLike[str], entry: Entry, find: Callable[[Recording], Band | None]) -> Entry:
    """The entry with the effort worth trying, worked out by ``find`` and kept in the index."""
    root, band = Path(folder), None
    with suppress(BiofeedbackError):
        band = find(open_recording(root / entry.name))
    found = replace(entry, evening=add_band(entry.evening, band))
    _update_index(root, [found], set())
    return found


def filter_recordings(
    entries: Iterable[Entry],
    *,
    athlete: str = "",
    exercise: str = "",
    side: str = "",
    position: str = "",
    plan: str = "",
    covariate: str = "",
    word: str = "",
    since: str = "",
    until: str = "",
) -> list[Entry]:
    """Entries that fit all that is given, whatever the case of letters and the number of spaces.

    ``athlete``, ``side`` and ``word`` fit as a whole; the other texts anywhere; ``since`` and ``until`` are ISO 8601
    dates, both included.
    """
    whole = {"athlete": athlete, "side": side, "word": word}
    part = {"exercise": exercise, "position": position, "plans": plan, "covariates": covariate}

    def fits(entry: Entry) -> bool:
        return (
            all(not text or same_name(getattr(entry, name)) == same_name(text) for name, text in whole.items())
            and all(same_name(text) in same_name(getattr(entry, name)) for name, text in part.items())
            and entry.started_utc >= since
            and (not until or entry.started_utc[: len(until)] <= until)
        )

    return [entry for entry in entries if fits(entry)]


def remove_index(folder: str | os.PathLike[str]) -> None:
    """Forget all that the index knows; the next listing rebuilds it."""
    for suffix in ("", "-journal"):
        path = Path(folder) / (INDEX + suffix)
        if path.is_symlink() or not path.is_dir():  # a folder of that name is none of ours
            path.unlink(missing_ok=True)


def _find_files(folder: Path, prefix: str = "") -> Iterator[tuple[str, str]]:
    """``(name, stamp)``; the stamp of an unfinished recording grows with its log."""
    found: dict[str, os.stat_result] = {}
    with os.scandir(folder) as listing:
        for item in listing:
            if item.name.startswith("."):
                continue
            if item.is_dir(follow_symlinks=False):
                with suppress(PermissionError, FileNotFoundError):  # lost+found of a drive; just deleted
                    yield from _find_files(folder / item.name, f"{prefix}{item.name}/")
            elif item.name.endswith((SUFFIX, f"{SUFFIX}-wal")):
                try:
                    found[item.name] = item.stat()
                except OSError:  # a link that leads nowhere or round in a circle is that name's problem
                    with suppress(OSError):
                        found[item.name] = item.stat(follow_symlinks=False)
    for name, status in found.items():
        if name.endswith(SUFFIX):
            log = found.get(f"{name}-wal")
            log_stamp = f"+{log.st_size}.{log.st_mtime_ns}" if log and log.st_size else ""
            yield prefix + name, f"{status.st_size}.{status.st_mtime_ns}{log_stamp}"


def _try_entry(root: Path, name: str, stamp: str) -> Entry:
    """The entry of a file; whatever is wrong with it is its ``problem`` and nobody else's."""
    try:
        with problems_of(root / name):
            entry = _read_entry(root, name, stamp)
    except (RecordingError, OSError) as error:
        entry = Entry(name, stamp, problem=str(error))
    texts = {key: value for key, value in asdict(entry).items() if isinstance(value, str) and key != "name"}
    plain: dict[str, Any] = {key: value.encode("utf-8", "replace").decode() for key, value in texts.items()}
    return replace(entry, **plain)


def _read_entry(root: Path, name: str, stamp: str) -> Entry:
    try:
        recording = open_recording(root / name)
    except RecordingError as error:
        return Entry(name, stamp, problem=str(error))
    settings = recording.settings
    account = recording.account
    texts = {key: str(settings.get(key) or "") for key in ("started_utc", "athlete", "exercise", "side", "position")}
    return Entry(
        name,
        stamp,
        **texts,
        plans="; ".join(dict.fromkeys(plan.name for plan in account.plans)),
        covariates="; ".join(dict.fromkeys(_name_covariates(account.covariates))),
        duration_s=recording.duration_s,
        n_ratings=sum(rating.value is not None for rating in account.ratings),
        simulated=int(bool(settings.get("simulated"))),
        word=account.answer.word if account.answer else "",
        evening=write_evening(recording),
    )


def _name_covariates(value: Any) -> list[str]:
    """``["heat"]``, ``"heat"`` or ``{"heat": true, "warm-up": "10 min"}`` as texts."""
    if isinstance(value, Mapping):
        return [key if said is True else f"{key}: {said}" for key, said in value.items() if said]
    if isinstance(value, str):
        return [value] if value else []
    return [str(one) for one in value or []]


def _load_index(root: Path) -> list[Entry]:
    """What the index knows; nothing when it is missing, damaged or of another version."""
    path = root / INDEX
    if not path.exists():
        return []
    try:
        with closing(database.connect_to_index(path, TABLE)) as connection:
            if connection.execute("PRAGMA user_version").fetchone()[0] == INDEX_VERSION:
                return [Entry(*row) for row in connection.execute(f"SELECT {', '.join(NAMES)} FROM entries")]
    except database.OperationalError:  # locked or not allowed: do without
        return []
    except (database.DatabaseError, TypeError):
        pass
    with suppress(OSError):
        remove_index(root)
    return []


def _update_index(root: Path, fresh: list[Entry], gone: Iterable[str]) -> None:
    """Best effort: an index that cannot be written costs time, nothing else."""
    path = root / INDEX
    kept = [entry for entry in fresh if _is_text(entry.name)]  # the others are read again each time
    with suppress(OSError, database.Error):
        with suppress(FileExistsError):
            disk.make_private_file(path)
        with closing(database.connect_to_index(path, TABLE)) as connection, connection:
            connection.execute("PRAGMA secure_delete = ON")
            connection.execute(f"PRAGMA user_version = {INDEX_VERSION}")
            connection.executemany("DELETE FROM entries WHERE name = ?", [(name,) for name in gone if _is_text(name)])
            marks = ", ".join("?" * len(NAMES))
            connection.executemany(f"INSERT OR REPLACE INTO entries VALUES ({marks})", map(astuple, kept))


def _is_text(name: str) -> bool:
    """Whether a file's name is text; elsewhere than here it may be any bytes."""
    return name.isascii() or name.encode("utf-8", "replace").decode() == name


def to_json(entries: Iterable[Entry]) -> str:
    """The entries as a JSON list, for other programs."""
    named = [dict(zip(NAMES, astuple(entry), strict=True)) for entry in entries]
    return json.dumps([{key: value for key, value in row.items() if key != "evening"} for row in named], indent=1)
