"""What was not recorded at the time, added afterwards; nothing that is there is changed."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from biofeedback.account.kinds import RatingGiven, try_read
from biofeedback.errors import RecordingError
from biofeedback.model import Event
from biofeedback.storage import database, disk
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import Row, insert_rows, to_json


def add_events(path: str | os.PathLike[str], events: Sequence[Event]) -> None:
    """Append events to a finished or interrupted recording, all or none.

    Raises RecordingError when it is still being written, damaged, or not writable, and when a rating would slip in
    before a correction: corrections name ratings by their place, which must not change. ValueError for what is no JSON.
    """
    target = Path(path)
    recording = open_recording(target)
    corrected = [event.frame for event in recording.events if _corrects(event)]
    ratings = [event.frame for event in events if event.kind == "rating" and not _corrects(event)]
    if ratings and min(ratings) < max(corrected, default=0):
        raise RecordingError(f"{target} has corrected ratings", "only ratings after the last correction can be added")
    rows: list[Row] = [("events", (e.frame, e.utc, e.kind, to_json(e.data))) for e in events]
    database.refuse_when_written(target)
    try:
        with closing(database.connect_for_writing(target)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            insert_rows(connection, rows)
            connection.execute("COMMIT")
    except database.Error as error:
        what, cure = disk.explain(error)
        raise RecordingError(f"{target} cannot be added to: {what}", cure) from error


def _corrects(event: Event) -> int | None:
    """The number of the rating that this one puts right."""
    payload = try_read(event)
    return payload.corrects if isinstance(payload, RatingGiven) else None
