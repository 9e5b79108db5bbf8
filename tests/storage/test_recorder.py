from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import threading
from pathlib import Path

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Event, Gap, Note
from biofeedback.storage import recorder as recorder_module
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from .helpers import make_counts, make_settings, wait_until


def test_new_folder_and_file_are_private(tmp_path: Path) -> None:
    path = tmp_path / "new" / "a.hold"
    with Recorder.create(path, make_settings()):
        for name in (path, Path(f"{path}-wal"), Path(f"{path}-shm")):
            assert stat.S_IMODE(name.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_acknowledged_frames_are_in_the_file_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings()) as recorder:
        recorder.append(Chunk(0, make_counts(110)))
        wait_until(lambda: recorder.acknowledged_frames > 0)
        assert recorder.acknowledged_frames == 100  # four rows of a quarter second; the fifth is not complete
        reader = open_recording(path)
        assert reader.n_frames == 100
        recorder.append(Chunk(110, make_counts(40, first=110)))
        wait_until(lambda: recorder.acknowledged_frames == 150)
        np.testing.assert_array_equal(reader.counts(), make_counts(100))  # a view of the moment of opening
        np.testing.assert_array_equal(open_recording(path).counts(), make_counts(150))


def test_close_leaves_one_file_with_everything(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    recorder = Recorder.create(path, make_settings())
    recorder.append(Chunk(0, make_counts(33)))
    recorder.event(
        Event(20, "rating", {"value": 6.5, "phase_index": 0, "ask_id": 1, "by": "coach"}, "2026-11-24T10:00:00Z")
    )
    recorder.append(Gap(33, 7, "nothing came"))
    recorder.append(Note(40, "boot line"))
    recorder.close()
    recorder.close()
    assert os.listdir(tmp_path) == ["a.hold"]
    assert recorder.acknowledged_frames == 40
    recording = open_recording(path)
    assert recording.n_frames == 40
    assert recording.events[0].data["value"] == 6.5
    chunk, gap, note = recording.items()
    assert isinstance(chunk, Chunk)
    np.testing.assert_array_equal(chunk.counts, make_counts(33))
    assert (gap, note) == (Gap(33, 7, "nothing came"), Note(40, "boot line"))


def test_other_people_read_ratings_and_phases_with_plain_sqlite(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings()) as recorder:
        recorder.event(
            Event(0, "phase", {"index": 0, "kind": "contract", "title": "Hold", "band": [60, 80], "duration_s": 20})
        )
        recorder.event(
            Event(150, "rating", {"value": 7, "phase_index": 0, "ask_id": 1, "by": "athlete"}, "2026-11-24T10:00:00Z")
        )
    connection = sqlite3.connect(path)
    try:
        rating = connection.execute("SELECT time_s, value, rating_phase, phase_kind, said_by FROM ratings").fetchall()
        phase = connection.execute(
            "SELECT time_s, phase, phase_kind, low_percent, high_percent, duration_s FROM phases"
        ).fetchall()
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    finally:
        connection.close()
    assert rating == [(1.5, 7, 1, "contract", "athlete")]
    assert phase == [(0.0, 1, "contract", 60, 80, 20)]


def test_second_writer_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings()) as recorder:
        with pytest.raises(RecordingError, match="exists already; choose another name"):
            Recorder.create(path, make_settings())
        recorder.append(Chunk(0, make_counts(50)))
    assert open_recording(path).n_frames == 50
    with pytest.raises(RecordingError, match="exists already"):
        Recorder.create(path, make_settings())


def test_even_force_does_not_replace_a_file_that_is_being_written(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings()) as recorder:
        recorder.append(Chunk(0, make_counts(100)))
        with pytest.raises(RecordingError, match="is in use; end the session"):
            Recorder.create(path, make_settings(), force=True)
    assert open_recording(path).n_frames == 100
    Recorder.create(path, make_settings(), force=True).close()
    assert open_recording(path).n_frames == 0


def test_a_file_that_took_the_name_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    recorder = Recorder.create(path, make_settings())
    recorder.append(Chunk(0, make_counts(100)))
    wait_until(lambda: recorder.acknowledged_frames == 100)
    path.rename(tmp_path / "moved.hold")
    path.write_text("somebody else's")
    recorder.append(Chunk(100, make_counts(100, first=100)))
    recorder.close()
    assert path.read_text() == "somebody else's"
    assert recorder.path != path
    np.testing.assert_array_equal(open_recording(recorder.path).counts(), make_counts(200))


def test_a_file_held_by_another_program_is_told_and_saved_when_it_lets_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    monkeypatch.setattr("biofeedback.storage.database.BUSY_S", 0.0)
    path = tmp_path / "a.hold"
    recorder = Recorder.create(path, make_settings())
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    recorder.append(Chunk(0, make_counts(100)))
    wait_until(lambda: recorder.problem is not None)
    assert "another program holds the file; close that program" in str(recorder.problem)
    other.execute("ROLLBACK")
    other.close()
    wait_until(lambda: recorder.problem is None)
    recorder.close()
    np.testing.assert_array_equal(open_recording(path).counts(), make_counts(100))


def test_a_disk_that_does_not_answer_is_told_while_recording_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "SLOW_S", 0.0)
    answers = threading.Event()
    insert_rows = recorder_module.insert_rows
    monkeypatch.setattr(recorder_module, "insert_rows", lambda *rows: answers.wait(10) and insert_rows(*rows))
    path = tmp_path / "a.hold"
    recorder = Recorder.create(path, make_settings())
    recorder.append(Chunk(0, make_counts(100)))
    wait_until(lambda: recorder._committing_since_s is not None)
    recorder.append(Chunk(100, make_counts(100, first=100)))
    assert "the disk does not answer" in str(recorder.problem)
    answers.set()
    wait_until(lambda: recorder.problem is None)
    recorder.close()
    np.testing.assert_array_equal(open_recording(path).counts(), make_counts(200))


def test_a_mistake_in_the_writer_is_told_and_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    path = tmp_path / "a.hold"
    recorder = Recorder.create(path, make_settings())

    def fail(item: object) -> None:
        raise RuntimeError("no such thing")

    push = recorder._partition.push
    monkeypatch.setattr(recorder._partition, "push", fail)
    recorder.append(Chunk(0, make_counts(100)))
    wait_until(lambda: recorder.problem is not None)
    assert "RuntimeError('no such thing')" in str(recorder.problem)
    monkeypatch.setattr(recorder._partition, "push", push)
    wait_until(lambda: recorder.problem is None)
    recorder.close()
    np.testing.assert_array_equal(open_recording(path).counts(), make_counts(100))


def test_numpy_whole_numbers_and_odd_text_are_stored_like_any(tmp_path: Path) -> None:
    n = np.int64(10)
    with Recorder.create(tmp_path / "a.hold", make_settings()) as recorder:
        recorder.append(Chunk(np.int64(0), make_counts(10)))
        recorder.append(Gap(n, n, "odd \udc80 text"))
        recorder.append(Note(n * 2, "null \0 in it"))
        recorder.event(Event(n * 2, "rating", {"value": np.float64(6.5), "phase_index": n}, "\udcff"))
    recording = open_recording(tmp_path / "a.hold")
    assert (recording.gaps, recording.notes) == ([Gap(10, 10, "odd \\udc80 text")], [Note(20, "null \0 in it")])
    assert recording.events == [Event(20, "rating", {"value": 6.5, "phase_index": 10}, "\\udcff")]


def test_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(RecordingError, match="a file stands where its folder should be"):
        Recorder.create(tmp_path / "file" / "a.hold", make_settings())


def test_read_only_folder(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    if os.geteuid() == 0:
        os.seteuid(65534)  # root may write anywhere; nobody may not
    try:
        with pytest.raises(RecordingError, match="writing is not allowed there; choose a folder that you may write to"):
            Recorder.create(tmp_path / "a.hold", make_settings())
    finally:
        os.seteuid(os.getuid())
        tmp_path.chmod(0o700)


def test_folder_removed_while_recording_is_put_back_with_everything(tmp_path: Path) -> None:
    path = tmp_path / "folder" / "a.hold"
    recorder = Recorder.create(path, make_settings())
    recorder.append(Chunk(0, make_counts(100)))
    wait_until(lambda: recorder.acknowledged_frames == 100)
    shutil.rmtree(path.parent)
    recorder.append(Chunk(100, make_counts(100, first=100)))
    recorder.close()
    np.testing.assert_array_equal(open_recording(path).counts(), make_counts(200))


def test_folder_that_stays_away_is_a_problem_and_what_was_kept_is_saved_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    path = tmp_path / "folder" / "a.hold"
    recorder = Recorder.create(path, make_settings())
    shutil.rmtree(path.parent)
    path.parent.write_text("in the way")
    recorder.append(Chunk(0, make_counts(300)))
    wait_until(lambda: recorder.problem is not None)
    assert recorder.problem == (
        "not saving: a file stands where its folder should be; move it away, or choose another folder "
        "(3 s are kept in memory and saved as soon as it works)"
    )
    path.parent.unlink()
    wait_until(lambda: recorder.problem is None)
    recorder.close()
    np.testing.assert_array_equal(open_recording(path).counts(), make_counts(300))


def test_full_disk_keeps_everything_and_saves_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    path = tmp_path / "a.hold"
    recorder = Recorder.create(path, make_settings(rate_hz=1000.0))
    recorder._connection.execute("PRAGMA max_page_count = 30")
    for first in range(0, 100_000, 1000):
        recorder.append(Chunk(first, make_counts(1000, first=first)))
    wait_until(lambda: recorder.problem is not None)
    assert "the disk is full; free some space" in str(recorder.problem)
    recorder._connection.execute("PRAGMA max_page_count = 1000000")
    recorder.close()
    assert recorder.problem is None
    np.testing.assert_array_equal(open_recording(path).counts(), make_counts(100_000))


def test_memory_for_unsaved_frames_is_bounded_and_the_loss_is_a_gap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "MAX_UNSAVED_BYTES", 100 * 2 * 8)
    path = tmp_path / "a.hold"
    recorder = Recorder.create(path, make_settings(), threaded=False)  # writes nothing until closed: a disk that fails
    for first in range(0, 300, 50):
        recorder.append(Chunk(first, make_counts(50, first=first)))
    assert recorder.n_dropped_frames == 150
    recorder.close()
    recording = open_recording(path)
    np.testing.assert_array_equal(recording.counts()[:150], make_counts(150))
    assert np.isnan(recording.counts()[150:]).all()
    assert {item.reason for item in recording.items() if isinstance(item, Gap)} == {recorder_module.DROPPED}


def test_a_disk_that_refuses_to_the_end_leaves_the_whole_recording_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere"
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", str(elsewhere))
    recorder = Recorder.create(tmp_path / "a.hold", make_settings(rate_hz=1000.0))
    recorder.append(Chunk(0, make_counts(1000)))
    wait_until(lambda: recorder.acknowledged_frames == 1000)
    recorder._connection.execute("PRAGMA max_page_count = 12")
    recorder.append(Chunk(1000, make_counts(20_000, first=1000)))
    with pytest.raises(RecordingError, match=r"the disk is full.*saved as .*elsewhere/a\.hold instead"):
        recorder.close()
    np.testing.assert_array_equal(open_recording(elsewhere / "a.hold").counts(), make_counts(21_000))
    assert stat.S_IMODE((elsewhere / "a.hold").stat().st_mode) == 0o600
    np.testing.assert_array_equal(open_recording(tmp_path / "a.hold").counts(), make_counts(1000))


def test_when_nothing_can_be_written_anywhere_the_loss_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", str(tmp_path / "file"))
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path / "file"))
    recorder = Recorder.create(tmp_path / "a.hold", make_settings(rate_hz=1000.0))
    recorder._connection.execute("PRAGMA max_page_count = 12")
    recorder.append(Chunk(0, make_counts(20_000)))
    with pytest.raises(RecordingError, match=r"the last 20\.0 s are lost: not saving: the disk is full"):
        recorder.close()


@pytest.mark.parametrize("settings", [{}, {"channels": [], "rate_hz": 80}, {**make_settings(), "rate_hz": 0}])
def test_without_channels_and_rate_nothing_is_made(tmp_path: Path, settings: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="settings need channels and a rate_hz above 0"):
        Recorder.create(tmp_path / "a.hold", settings)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("threaded", [True, False])
def test_frames_that_cannot_follow_are_refused_at_once(tmp_path: Path, threaded: bool) -> None:
    with Recorder.create(tmp_path / "a.hold", make_settings(), threaded=threaded) as recorder:
        recorder.append(Chunk(0, make_counts(10)))
        with pytest.raises(ValueError, match="frame 9 was already recorded"):
            recorder.append(Chunk(9, make_counts(1)))
        with pytest.raises(ValueError, match="2 channels were set up"):
            recorder.append(Chunk(10, make_counts(5, n_channels=3)))
        with pytest.raises(ValueError, match="not JSON compliant"):
            recorder.event(Event(0, "rating", {"value": float("nan")}))
    with pytest.raises(ValueError, match="closed"):
        recorder.append(Note(10, "late"))


def test_headless_bytes_depend_only_on_what_was_appended(tmp_path: Path) -> None:
    counts, event = make_counts(2000), Event(70, "rating", {"value": 5}, "2026-11-24T10:00:00Z")
    written = []
    for n_frames in (2000, 37, 1):
        path = tmp_path / f"{n_frames}.hold"
        with Recorder.create(path, make_settings(), threaded=False) as recorder:
            recorder.event(event)
            for first in range(0, 2000, n_frames):
                recorder.append(Chunk(first, counts[first : first + n_frames]))
            recorder.append(Gap(2000, 10, "nothing came"))
        written.append(path.read_bytes())
    assert written[0] == written[1] == written[2]
    assert written[0][96:100] == (3_040_000).to_bytes(4, "big")  # whatever SQLite library wrote it
    with Recorder.create(tmp_path / "late.hold", make_settings(), threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
        recorder.append(Gap(2000, 10, "nothing came"))
        recorder.event(event)
    assert (tmp_path / "late.hold").read_bytes() == written[0]
