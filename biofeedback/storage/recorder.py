"""The one writer of a recording. The event loop only queues; a thread commits, so that a slow disk delays no page."""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
import time
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Event, Gap, Item
from biofeedback.storage import database, disk
from biofeedback.storage.partition import Partition, storable
from biofeedback.storage.schema import Row, create_tables, insert_rows, recordings_folder, set_copy_apart, to_json
from biofeedback.storage.whole_file import name_half_made

TICK_S = 0.25  # gaps and notes wait this long at most; complete rows and events wake the writer at once
RETRY_S = 1.0  # after a failed commit
SLOW_S = 3.0  # a commit that takes longer is a disk, or a network share, that does not answer
MAX_UNSAVED_BYTES = 256 * 2**20  # an hour of 8 channels at 1 kHz as floats
DROPPED = "not recorded: the disk could not be written and the memory set aside for that was full"


class Recorder:
    """Writes one recording; make it with `create`, before the port is opened.

    ``append`` and ``event`` are called by one thread (the event loop), take microseconds and never fail for the
    disk's sake. Arrays handed over must not be changed afterwards. ``problem`` is None, or one line for the page:
    meanwhile everything is kept in memory, up to 256 MiB, and saved when the disk works again. ``path`` changes only
    when the file was taken away and another put in its place.
    """

    def __init__(self, path: Path, settings: Mapping[str, Any], *, threaded: bool) -> None:
        self.path = path
        self.problem: str | None = None
        self.acknowledged_frames = 0  # every frame before this one is on disk, flushed
        self.n_dropped_frames = 0
        self._partition = Partition(len(settings["channels"]), float(settings["rate_hz"]))
        self._rate_hz = float(settings["rate_hz"])
        self._end_frame = 0
        self._queue: deque[Item | Row] = deque()
        self._queued_bytes = 0  # touched by the calling thread only
        self._written_bytes = 0  # touched by the writer only
        self._unsaved: list[Row] = []
        self._committing_since_s: float | None = None
        self._wake = threading.Event()
        self._closing = threading.Event()
        self._closed = False
        self._threaded = threaded
        self._connection = database.connect_for_writing(path, durable=threaded)
        create_tables(self._connection, settings)  # before the log: the file alone always says what it is
        if threaded:
            disk.use_log(self._connection)
        self._identity = database.identity(path)
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        if threaded:
            self._thread.start()

    @classmethod
    def create(
        cls, path: str | os.PathLike[str], settings: Mapping[str, Any], *, threaded: bool = True, force: bool = False
    ) -> Recorder:
        """Make a new recording at ``path``; the folder is made, private to the user, when there is none.

        ``threaded=False`` writes everything in ``close``: the bytes of the file then depend only on what was
        appended. ``force`` replaces an existing file, unless it is being written.

        Raises RecordingError when the file exists or cannot be made, ValueError when settings lack channels or rate.
        """
        if not settings.get("channels") or not float(settings.get("rate_hz") or 0) > 0:
            raise ValueError("settings need channels and a rate_hz above 0")
        to_json(settings)  # what JSON cannot hold is refused before anything is made
        target = Path(path)
        try:
            disk.make_folder(target.parent)
            if force and target.exists():
                database.refuse_when_written(target)
                for name in (target, Path(f"{target}-wal"), Path(f"{target}-shm")):
                    name.unlink(missing_ok=True)
            disk.make_private_file(target)
        except FileExistsError as error:
            raise RecordingError(
                f"{target} exists already", "choose another name; recordings are never overwritten"
            ) from error
        except OSError as error:
            what, cure = disk.explain(error)
            raise RecordingError(f"{target} cannot be made: {what}", cure) from error
        try:
            recorder = cls(target, settings, threaded=threaded)
        except database.Error as error:
            target.unlink(missing_ok=True)
            what, cure = disk.explain(error)
            raise RecordingError(f"{target} cannot be made: {what}", cure) from error
        disk.flush_folder(target.parent)
        return recorder

    def append(self, item: Item) -> None:
        """Queue a chunk, gap or note. ValueError when its frames were already recorded or its columns do not fit."""
        if self._closed:
            raise ValueError("the recording is closed")
        before, self._end_frame = self._end_frame, self._partition.check(item, self._end_frame)
        if isinstance(item, Chunk):
            if self._queued_bytes - self._written_bytes > MAX_UNSAVED_BYTES:
                self.n_dropped_frames += item.n_frames
                item = Gap(item.first_frame, item.n_frames, DROPPED)
            else:
                self._queued_bytes += item.counts.size * 8
        self._queue.append(item)
        since_s = self._committing_since_s
        if since_s is not None and not self.problem and time.monotonic() - since_s > SLOW_S:
            self.problem = "not saving: the disk does not answer; wait, or check the drive (all is kept in memory)"
        n_per_row = self._partition.n_frames_per_row
        if self._end_frame // n_per_row > before // n_per_row and isinstance(item, Chunk):
            self._wake.set()

    def event(self, event: Event) -> None:
        """Queue an event. ValueError or TypeError when its data is not JSON."""
        if self._closed:
            raise ValueError("the recording is closed")
        about = int(event.frame), storable(event.utc), storable(event.kind), to_json(event.data)
        self._queue.append(("events", about))
        self._wake.set()

    def close(self) -> None:
        """Write what is left and leave one file.

        Raises RecordingError when the disk refuses to the end: it names the copy that was made elsewhere, or says
        how much is lost.
        """
        if self._closed:
            return
        self._closed = True
        self._closing.set()
        self._wake.set()
        if self._threaded:
            self._thread.join()
        self._drain()
        self._unsaved += self._partition.flush()
        self._commit()
        try:
            if self._unsaved:
                self._save_elsewhere()
            elif self._threaded:
                disk.leave_one_file(self._connection)
            else:
                self._connection.execute("VACUUM")  # orders the pages by content, not by the order of arrival
                set_copy_apart(self._connection)
        except database.Error:
            pass  # everything is committed; a reader finds it in the file and its -wal neighbour
        finally:
            with contextlib.suppress(database.Error):
                self._connection.close()
            if not self._threaded:
                disk.seal(self.path)

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _run(self) -> None:
        while not self._closing.is_set():
            self._wake.wait(TICK_S)
            self._wake.clear()
            try:
                self._drain()
                self._commit()
            except Exception as error:  # a writer that dies in silence would lose everything that follows
                self._roll_back()
                self.problem = f"not saving: {error!r}; end the session soon (everything is kept in memory)"
            if self.problem:
                self._closing.wait(RETRY_S)

    def _drain(self) -> None:
        for _ in range(len(self._queue)):
            item = self._queue[0]
            self._unsaved += [item] if isinstance(item, tuple) else self._partition.push(item)
            self._queue.popleft()

    def _commit(self) -> None:
        """Try to save; on failure keep everything and say what is wrong."""
        if not self._unsaved:
            return
        self._committing_since_s = time.monotonic()
        try:
            if database.identity(self.path) != self._identity:
                self._restore_file()
            self._connection.execute("BEGIN IMMEDIATE")
            insert_rows(self._connection, self._unsaved)
            self._connection.execute("COMMIT")
        except (OSError, database.Error) as error:
            self._roll_back()
            self.problem = self._describe(error)
            return
        finally:
            self._committing_since_s = None
        for table, values in self._unsaved:
            if table in ("chunks", "gaps"):
                self.acknowledged_frames = int(values[0]) + int(values[1])
            if table == "chunks":
                self._written_bytes += int(values[1]) * self._partition.n_channels * 8
        self._unsaved = []
        self.problem = None

    def _roll_back(self) -> None:
        with contextlib.suppress(database.Error):
            self._connection.execute("ROLLBACK")

    def _restore_file(self) -> None:
        """The file was moved or deleted under us: put everything committed back, beside a file that took its name."""
        disk.make_folder(self.path.parent)
        copy = name_half_made(self.path)
        disk.copy_database(self._connection, copy)
        if self.path.exists():
            self.path = self.path.with_name(f"{self.path.stem}-restored-{time.time_ns()}{self.path.suffix}")
        copy.rename(self.path)
        self._connection.close()
        self._connection = database.connect_for_writing(self.path, own=True)
        disk.use_log(self._connection)
        disk.flush_folder(self.path.parent)
        self._identity = database.identity(self.path)

    def _save_elsewhere(self) -> None:
        """Last resort: the whole recording in another folder; says so, or says what is lost."""
        for folder in (recordings_folder(), Path(tempfile.gettempdir())):
            copy = folder / self.path.name
            try:
                disk.make_folder(folder)
                self._copy_with_the_rest(copy)
            except (OSError, database.Error):
                continue
            raise RecordingError(f"{self.path}: {self.problem}", f"the whole recording was saved as {copy} instead")
        raise RecordingError(f"{self.path}: the last {self._unsaved_s:.1f} s are lost: {self.problem}", "")

    def _copy_with_the_rest(self, copy: Path) -> None:
        disk.copy_database(self._connection, copy)
        try:
            with contextlib.closing(database.connect_for_writing(copy, own=True)) as connection:
                connection.execute("BEGIN IMMEDIATE")
                insert_rows(connection, self._unsaved)
                connection.execute("COMMIT")
        except database.Error:
            copy.unlink(missing_ok=True)
            raise

    @property
    def _unsaved_s(self) -> float:
        return max(0, self._partition.end_frame - self.acknowledged_frames) / self._rate_hz

    def _describe(self, error: Exception) -> str:
        what, cure = disk.explain(error)
        kept = f"{self._unsaved_s:.0f} s are kept in memory and saved as soon as it works"
        if self.n_dropped_frames:
            kept += f"; memory is full: {self.n_dropped_frames / self._rate_hz:.0f} s are lost"
        return f"not saving: {what}; {cure} ({kept})"
