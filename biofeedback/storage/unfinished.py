"""What an interrupted program left half done in a folder of recordings: finished or taken back at the next start."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage import database, disk
from biofeedback.storage.recording import open_recording
from biofeedback.storage.whole_file import find_half_made, is_half_made, name_half_made, name_origin


def finish_unfinished(folder: str | os.PathLike[str]) -> list[str]:
    """Look through ``folder`` and below; what was done, a line each. What a living program is making is left alone.

    A file that was not whole yet, or was to be deleted, goes. A recording that has its new name already loses the old
    one: the copy it was made from is a second name of the new one, and tells the old.
    """
    told = []
    for place, _, names in os.walk(folder):
        if any(is_half_made(name) for name in names):
            for path in find_half_made(place):
                with suppress(OSError):
                    told.append(_finish(path))
    return told


def _finish(path: Path) -> str:
    origin, twin = name_origin(path), _find_twin(path)
    if twin and twin != origin and _are_the_same_session(twin, origin):
        remove_for_good([origin])
        path.unlink()
        return f"{origin.name} had been given the name {twin.name} and is gone now"
    if twin:  # only this name of it goes
        path.unlink()
    else:
        disk.overwrite_and_delete(path)
    disk.flush_folder(path.parent)
    return f"{path.name}: what an interrupted program had left of {origin.name} is gone"


def _find_twin(path: Path) -> Path | None:
    """Another name of the same file in its folder."""
    wanted = database.identity(path)
    others = (other for other in path.parent.iterdir() if other != path and not is_half_made(other))
    return next((other for other in others if database.identity(other) == wanted), None)


def _are_the_same_session(one: Path, other: Path) -> bool:
    """Whether both are readable and hold as many frames, begun at the same time."""
    try:
        first, second = open_recording(one), open_recording(other)
    except RecordingError:
        return False
    starts = first.settings.get("started_utc"), second.settings.get("started_utc")
    return first.n_frames == second.n_frames and len(first.events) == len(second.events) and starts[0] == starts[1]


def remove_for_good(files: list[Path]) -> int:
    """Overwrite and delete; how many bytes. All lose their names first: whatever interrupts this leaves no half file.

    The last of ``files`` loses its name last.
    """
    to_delete = []
    for path in files:
        away = name_half_made(path)
        os.replace(path, away)
        to_delete.append(away)
    for folder in {path.parent for path in files}:
        disk.flush_folder(folder)
    n_bytes = sum(disk.overwrite_and_delete(path) for path in to_delete)
    for folder in {path.parent for path in files}:
        disk.flush_folder(folder)
    return n_bytes
