from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Event
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from .helpers import execute, make_counts, make_settings


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings(exercise="hurdle seat"), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(1000)))
        recorder.event(Event(10, "rating", {"value": 3}))
    return path


def test_settings_and_channels_come_back(path: Path) -> None:
    recording = open_recording(str(path))
    assert recording.settings == make_settings(exercise="hurdle seat")
    assert [channel.name for channel in recording.channels] == ["force0", "emg1"]
    assert (recording.rate_hz, recording.n_frames, recording.duration_s) == (100.0, 1000, 10.0)


def test_chunks_are_put_together_again(path: Path) -> None:
    (chunk,) = open_recording(path).items()
    assert isinstance(chunk, Chunk)
    assert chunk.counts.dtype == np.float64
    np.testing.assert_array_equal(chunk.counts, make_counts(1000))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "there is no file .*; check the name"),
        (b"", "is not a recording; choose a file"),
        (b"time,force\n0,1\n", "is not a recording; choose a file"),
        (b"SQLite format 3\0" + bytes(200), r"cannot be read \(.*\); run: biofeedback check"),
    ],
)
def test_what_is_no_recording_says_so(tmp_path: Path, content: bytes | None, message: str) -> None:
    path = tmp_path / "b.hold"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(RecordingError, match=message):
        open_recording(path)


def test_a_folder_is_no_recording(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="is not a recording"):
        open_recording(tmp_path)


def test_other_databases_and_newer_versions_are_refused(path: Path) -> None:
    execute(path, "PRAGMA user_version = 2")
    with pytest.raises(RecordingError, match=r"has format 2; this program reads up to 1; install a newer version"):
        open_recording(path)
    execute(path, "PRAGMA application_id = 1")
    with pytest.raises(RecordingError, match="is not a recording"):
        open_recording(path)


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE chunks SET data = zeroblob(length(data)) WHERE first_frame = 500",
        "UPDATE chunks SET first_frame = 2000 WHERE first_frame = 500",
        "UPDATE chunks SET dtype = '<f4' WHERE first_frame = 500",
    ],
)
def test_a_damaged_chunk_is_never_handed_out(path: Path, damage: str) -> None:
    execute(path, damage)
    recording = open_recording(path)
    with pytest.raises(RecordingError, match=r"is damaged: .*; run: biofeedback check"):
        recording.counts()
    with pytest.raises(RecordingError, match="is damaged"):
        list(recording.items())


def test_damaged_events_and_settings_are_found(path: Path) -> None:
    execute(path, "UPDATE events SET data = '{\"value\":9}'")
    with pytest.raises(RecordingError, match="is damaged in its events; run: biofeedback check"):
        open_recording(path)
    execute(path, "UPDATE meta SET value = '200.0' WHERE key = 'rate_hz'")
    with pytest.raises(RecordingError, match="is damaged in its meta"):
        open_recording(path)


def test_an_interrupted_recording_reads_from_its_file_and_log_wherever_they_are(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings(), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(25)))
    live = sqlite3.connect(path)
    live.execute("PRAGMA journal_mode = WAL")
    live.execute("DELETE FROM chunks")
    live.commit()
    for folder in ("with log", "without log"):
        (tmp_path / folder).mkdir()
        shutil.copy(path, tmp_path / folder / "a.hold")
    shutil.copy(f"{path}-wal", tmp_path / "with log" / "a.hold-wal")
    live.close()
    assert open_recording(tmp_path / "with log" / "a.hold").n_frames == 0
    assert open_recording(tmp_path / "without log" / "a.hold").n_frames == 25
