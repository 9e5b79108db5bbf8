"""Whether the recordings' folder is still the one that was there: a stick may be pulled out in the middle."""

from __future__ import annotations

from pathlib import Path

from biofeedback.errors import RecordingError


class FolderWatch:
    """Remembers the drive that a folder was on; a folder that was never there is not missed."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._drive = self._find_drive()

    def check(self) -> None:
        """RecordingError while the folder is gone, or another drive's is in its place; nothing is created there."""
        now = self._find_drive()
        if self._drive is None:
            self._drive = now
        elif now != self._drive:
            raise RecordingError(
                f"the folder {self._folder} is gone: was the stick pulled out?",
                "put it back in; what is typed here stays, and nothing that was recorded is lost",
            )

    def _find_drive(self) -> int | None:
        try:
            return self._folder.stat().st_dev if self._folder.is_dir() else None
        except OSError:
            return None
