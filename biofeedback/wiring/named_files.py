"""The recordings that a command line names."""

from __future__ import annotations

from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage.schema import SUFFIX


def find_recordings(paths: list[Path]) -> list[Path]:
    """The files named, and all recordings in the folders named. RecordingError when there are none."""
    files: list[Path] = []
    for path in paths:
        files += sorted(path.rglob(f"*{SUFFIX}")) if path.is_dir() else [path]
    if not files:
        raise RecordingError(f"no recordings in {', '.join(map(str, paths))}", f"name a file or folder with *{SUFFIX}")
    return files
