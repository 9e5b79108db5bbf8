"""When an athlete's session before this one began: how it was afterwards is asked at the next start."""

from __future__ import annotations

from pathlib import Path

from biofeedback.errors import BiofeedbackError
from biofeedback.session.setup import Setup
from biofeedback.storage.recording import open_recording, problems_of
from biofeedback.storage.schema import SUFFIX

MOST_LOOKED_AT = 5  # files of the newest names; one that cannot be read is passed over


def find_last_time(folder: Path, setup: Setup) -> str:
    """Start of this athlete's newest earlier recording in ``folder``; "" without one. A computed one is nobody's.

    Names sort by athlete and time, so few files are opened.
    """
    code = setup.athlete.casefold()  # one athlete, however the code is written
    named = [path for path in folder.glob(f"*{SUFFIX}") if path.name.casefold().startswith(f"{code}-")]
    newest = sorted(named, key=lambda path: path.name.casefold(), reverse=True)[:MOST_LOOKED_AT]
    for path in newest:
        try:
            with problems_of(path):
                settings = open_recording(path).settings
        except (BiofeedbackError, OSError):
            continue
        started_utc = str(settings.get("started_utc") or "")
        is_own = str(settings.get("athlete")).casefold() == code and bool(settings.get("simulated")) == setup.simulated
        if is_own and started_utc and (not setup.started_utc or started_utc < setup.started_utc):
            return started_utc
    return ""
