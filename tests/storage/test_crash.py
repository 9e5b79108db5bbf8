from __future__ import annotations

import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Event
from biofeedback.storage import recorder as recorder_module
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from ..requirements import need
from .helpers import make_counts, make_settings, wait_until, wait_until_saved
from .killed_writer import kill_one


def test_a_killed_writer_loses_nothing_it_acknowledged_and_half_a_second_at_most(tmp_path: Path) -> None:
    rng = random.Random(7)
    for k in range(10):
        kill = kill_one(tmp_path / f"{k}.hold", rng.uniform(0.02, 0.7))
        assert kill.n_found >= kill.n_acknowledged
        assert kill.n_events_found >= kill.n_events_acknowledged
        assert kill.tail_s <= 0.5


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Four megabytes of memory mounted as a disk of its own."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        need(False, "mounting a small disk needs root")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=False, capture_output=True)


def test_a_really_full_disk_recovers_when_there_is_room(small_disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    other = small_disk / "other file"
    other.write_bytes(bytes(3_600_000))
    recorder = Recorder.create(small_disk / "a.hold", make_settings(rate_hz=1000.0))
    recorder.append(Chunk(0, make_counts(10_000)))
    wait_until(lambda: recorder.acknowledged_frames == 10_000)
    recorder.append(Chunk(10_000, make_counts(60_000, first=10_000)))
    wait_until(lambda: recorder.problem is not None)
    assert "the disk is full; free some space (60 s are kept in memory" in str(recorder.problem)
    assert open_recording(small_disk / "a.hold").n_frames == 10_000
    other.unlink()
    wait_until(lambda: recorder.problem is None)
    recorder.close()
    np.testing.assert_array_equal(open_recording(small_disk / "a.hold").counts(), make_counts(70_000))


def test_an_interrupted_recording_on_a_disk_that_cannot_be_written(interrupted: Path, small_disk: Path) -> None:
    for suffix in ("", "-wal"):
        shutil.copy(f"{interrupted}{suffix}", small_disk)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    recording = open_recording(small_disk / interrupted.name)
    np.testing.assert_array_equal(recording.counts(), make_counts(1000))
    with pytest.raises(RecordingError, match="cannot be made: writing is not allowed there; choose a folder"):
        Recorder.create(small_disk / "b.hold", make_settings())


def test_a_drive_pulled_out_while_recording_loses_nothing(small_disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", str(small_disk.parent / "elsewhere"))
    recorder = Recorder.create(small_disk / "a.hold", make_settings())
    recorder.append(Chunk(0, make_counts(100)))
    wait_until(lambda: recorder.acknowledged_frames == 100)
    subprocess.run(["umount", "-l", str(small_disk)], check=True)  # the drive is pulled out
    recorder.append(Chunk(100, make_counts(100, first=100)))
    wait_until(lambda: recorder.acknowledged_frames == 200 or recorder.problem is not None)
    recorder.close()
    np.testing.assert_array_equal(open_recording(small_disk / "a.hold").counts(), make_counts(200))


def test_no_room_for_a_new_recording(small_disk: Path) -> None:
    (small_disk / "other file").write_bytes(bytes(2**22 - 8192))
    with pytest.raises(RecordingError, match="cannot be made: the disk is full; free some space"):
        Recorder.create(small_disk / "a.hold", make_settings())
    assert not (small_disk / "a.hold").exists()


def test_a_write_that_fails_half_way_is_repeated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit on file size cuts a write in the middle, as a failing drive does."""
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)  # Python would leave half a compiled module for later runs
    recorder = Recorder.create(tmp_path / "a.hold", make_settings(rate_hz=1000.0))
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (150_001, limits[1]))
    try:
        for first in range(0, 40_000, 1000):
            recorder.append(Chunk(first, make_counts(1000, first=first)))
        recorder.event(Event(39_999, "rating", {"value": 7}))
        wait_until(lambda: recorder.problem is not None)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    wait_until(lambda: recorder.problem is None)
    recorder.close()
    recording = open_recording(tmp_path / "a.hold")
    np.testing.assert_array_equal(recording.counts(), make_counts(40_000))
    assert [event.data["value"] for event in recording.events] == [7]


def test_a_file_system_without_shared_memory_is_recorded_with_a_rollback_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Network shares: SQLite then refuses its write-ahead log; its dot-file locking shows the same."""

    def connect(path: Path, *, durable: bool = True, own: bool = False) -> sqlite3.Connection:
        return sqlite3.connect(f"file:{path}?vfs=unix-dotfile", uri=True, isolation_level=None, check_same_thread=False)

    monkeypatch.setattr("biofeedback.storage.database.connect_for_writing", connect)
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings()) as recorder:
        recorder.append(Chunk(0, make_counts(100)))
        wait_until(lambda: recorder.acknowledged_frames == 100)
        assert not Path(f"{path}-wal").exists()
        assert open_recording(path).n_frames == 100
    np.testing.assert_array_equal(open_recording(path).counts(), make_counts(100))
    assert os.listdir(tmp_path) == ["a.hold"]


@pytest.fixture
def interrupted(tmp_path: Path) -> Path:
    """A file and its log as a power cut leaves them: copied between two commits of a living writer."""
    (tmp_path / "cut").mkdir()
    with Recorder.create(tmp_path / "a.hold", make_settings(rate_hz=1000.0)) as recorder:
        for first in range(0, 1000, 125):
            recorder.append(Chunk(first, make_counts(125, first=first)))
            recorder.event(Event(first, "rating", {"value": first}))
            wait_until_saved(recorder)
        for suffix in ("", "-wal"):
            shutil.copy(tmp_path / f"a.hold{suffix}", tmp_path / "cut" / f"a.hold{suffix}")
    return tmp_path / "cut" / "a.hold"


def test_a_log_cut_anywhere_gives_a_shorter_recording_never_a_wrong_one(interrupted: Path) -> None:
    log = Path(f"{interrupted}-wal")
    content = log.read_bytes()
    frame_bytes = 24 + 4096  # SQLite file format, section 4.1: 32-byte header, then 24 bytes before each page
    borders = range(0, len(content) + 1, frame_bytes)
    rng = random.Random(3)
    cuts = sorted(
        {*(32 + b for b in borders), *borders, *(rng.randrange(len(content)) for _ in range(40)), len(content)}
    )
    lengths = []
    for cut in cuts:
        log.write_bytes(content[:cut])
        Path(f"{interrupted}-shm").unlink(missing_ok=True)
        recording = open_recording(interrupted)
        np.testing.assert_array_equal(recording.counts(), make_counts(recording.n_frames))
        assert [event.data["value"] for event in recording.events] == list(range(0, 125 * len(recording.events), 125))
        lengths.append(recording.n_frames)
    assert lengths == sorted(lengths)
    assert lengths[-1] == 1000
    assert len(set(lengths)) >= 5  # the cuts really fell between commits


def test_a_changed_byte_in_the_log_is_never_read_as_data(interrupted: Path) -> None:
    log = Path(f"{interrupted}-wal")
    content = log.read_bytes()
    rng = random.Random(4)
    for _ in range(60):
        position = rng.randrange(len(content))
        log.write_bytes(content[:position] + bytes([content[position] ^ 0x10]) + content[position + 1 :])
        Path(f"{interrupted}-shm").unlink(missing_ok=True)
        try:
            counts = open_recording(interrupted).counts()
        except RecordingError:
            continue
        np.testing.assert_array_equal(counts, make_counts(len(counts)))
