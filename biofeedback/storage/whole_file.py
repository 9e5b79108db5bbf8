"""Files that are there whole or not at all: made beside their name, flushed, then exchanged.

A program that is killed on the way leaves what it had made under a name of its own (``A01-1.half-1f3a-9c0d41e2.csv``),
never half a file under the final one. `find_half_made` recognises such names; `unfinished` takes them away.
"""

from __future__ import annotations

import os
import re
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from biofeedback.storage import disk
from biofeedback.storage.schema import SUFFIX

HALF_MADE = re.compile(r"\.half-(?P<pid>[0-9a-f]+)-[0-9a-f]{8}(\.[^.]*)?(-wal|-shm|-journal)?$")
ABANDONED_S = 86400.0  # where nobody can tell whether the program that made it still runs


@contextmanager
def write_whole(path: str | os.PathLike[str], *, replace: bool = True) -> Iterator[Path]:
    """A path beside ``path``, with the same ending, to write to; ``path`` is its content once the block is left well.

    After an exception of any kind ``path`` is as it was and nothing lies beside it. Several at once, in an
    ``ExitStack``, are exchanged only when all are made. What is no file (``/dev/stdout``) is written to directly.

    Raises
    ------
    FileExistsError
        ``path`` exists and ``replace`` is not wanted, even if it came while the block ran.
    OSError
        The file cannot be made, flushed or exchanged.
    """
    target = Path(os.path.realpath(path))  # a link stays one
    if not replace and target.exists():
        raise FileExistsError(17, "exists already", str(path))
    if target.exists() and not target.is_file():
        yield target
        return
    beside = name_half_made(target)
    try:
        yield beside
        disk.flush_file(beside)
        if replace:
            os.replace(beside, target)
        else:
            give_free_name(beside, target)
    except BaseException:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
        raise
    disk.flush_folder(target.parent)


def name_half_made(target: Path) -> Path:
    """A name that nobody has yet, with the ending of ``target``; of a recording an ending that no listing takes up."""
    mark = f".half-{os.getpid():x}-{secrets.token_hex(4)}"
    is_listed = target.suffix in ("", SUFFIX)
    return target.with_name(f"{target.name}{mark}" if is_listed else f"{target.stem}{mark}{target.suffix}")


def give_free_name(path: Path, target: Path, *, keep: bool = False) -> None:
    """Rename, and never over another file; ``keep``: the old name stays too, where the file system can.

    FileExistsError when there is another file.
    """
    try:
        os.link(path, target)
    except FileExistsError:
        raise
    except OSError as error:  # a file system without second names
        if target.exists():
            raise FileExistsError(17, "exists already", str(target)) from error
        os.replace(path, target)
    else:
        if not keep:
            path.unlink()


def name_origin(path: Path) -> Path:
    """The name that a half-made file was to have."""
    return path.with_name(HALF_MADE.sub(lambda match: match[2] or "", path.name))


def is_half_made(path: str | os.PathLike[str]) -> bool:
    """Whether the name is one that `write_whole` gives to what is not whole yet."""
    return HALF_MADE.search(os.path.basename(path)) is not None


def find_half_made(folder: str | os.PathLike[str]) -> list[Path]:
    """What interrupted programs left in ``folder`` (not below it); what a living one is making is not among it."""
    try:
        return sorted(path for path in Path(folder).iterdir() if _is_abandoned(path))
    except OSError:
        return []


def _is_abandoned(path: Path) -> bool:
    match = HALF_MADE.search(path.name)
    if match is None or not path.is_file():
        return False
    try:
        if os.name == "posix":
            return not _is_running(int(match["pid"], 16))
        return time.time() - path.stat().st_mtime > ABANDONED_S
    except (OSError, OverflowError):
        return False


def _is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)  # asks only (POSIX)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
