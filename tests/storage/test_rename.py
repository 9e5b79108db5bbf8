from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Event, Gap, Note
from biofeedback.storage import database, disk, rename
from biofeedback.storage.check import check_recording
from biofeedback.storage.forget import find_files_of
from biofeedback.storage.library import list_recordings
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.rename import rename_athlete
from biofeedback.storage.schema import LAST_START

from .helpers import execute, make_counts, make_settings


def record(path: Path) -> Path:
    with Recorder.create(path, make_settings(), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(250)))
        recorder.event(Event(100, "rating", {"value": 6.0}, "2026-01-05T18:00:01.000+00:00"))
    return path


def test_the_code_changes_in_settings_and_name_and_nothing_else(tmp_path: Path) -> None:
    before_path = record(tmp_path / "A01-20260105-180000.hold")
    before = open_recording(before_path)
    counts = before.counts()
    after_path = rename_athlete(before_path, "B7")
    assert [path.name for path in tmp_path.iterdir()] == ["B7-20260105-180000.hold"] == [after_path.name]
    after = open_recording(after_path)
    assert after.settings == before.settings | {"athlete": "B7"}
    assert after.events == before.events
    np.testing.assert_array_equal(after.counts(), counts)
    assert check_recording(after_path).problems == ()
    assert b"A01" not in after_path.read_bytes()


def test_a_recording_that_keeps_its_name_is_overwritten_too(tmp_path: Path) -> None:
    path = record(tmp_path / "evening.hold")
    watched = tmp_path / "other name of the same bytes"
    os.link(path, watched)
    assert rename_athlete(path, "B7") == path
    assert open_recording(path).settings["athlete"] == "B7"
    assert set(watched.read_bytes()) == {0}
    watched.unlink()
    assert [each.name for each in tmp_path.iterdir()] == ["evening.hold"]


def every_byte(folder: Path) -> bytes:
    return b"".join(path.name.encode() + path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file())


def test_no_byte_of_the_old_code_is_left_anywhere(tmp_path: Path) -> None:
    """In the source, a carried maximum's file, notes, gaps, free pages, the index; words that contain it stay."""
    settings = make_settings() | {
        "source": "simulated:?seed=1&athlete=A01&channels=force",
        "position": "mat of A01, not A012 or BA01",
        "exercise_notes": {"for A01": ["line\nA01", "\u00e4A01"]},
    }
    path = tmp_path / "A01-20260105-180000.hold"
    with Recorder.create(path, settings) as recorder:
        recorder.append(Chunk(0, make_counts(250)))
        recorder.append(Gap(250, 250, "the cable of a01 came off"))
        recorder.append(Note(500, "A01 moved"))
        recorder.append(Chunk(500, make_counts(250)))
        for k in range(200):
            text = f"{k}: A01 said so; kept in A01-20260101.hold"
            recorder.event(Event(100 + k, "note", {"text": text, "by": "coach"}, "2026-01-05T18:00:01.000+00:00"))
    list_recordings(tmp_path)
    before = open_recording(path)
    counts, n_events = before.counts(), len(before.events)
    renamed = rename_athlete(path, "B7")
    list_recordings(tmp_path)
    content = every_byte(tmp_path)
    assert re.findall(rb"(?i)(?<![a-z0-9])a01(?![a-z0-9])|.a01-2026", content) == []
    assert b"A012" in content
    assert b"BA01" in content
    after = open_recording(renamed)
    assert after.settings["source"] == "simulated:?seed=1&athlete=B7&channels=force"
    assert after.settings["exercise_notes"] == {"for B7": ["line\nB7", "\u00e4B7"]}
    assert [gap.reason for gap in after.gaps] == ["the cable of B7 came off"]
    assert after.events[7].data == {"text": "7: B7 said so; kept in B7-20260101.hold", "by": "coach"}
    assert len(after.events) == n_events
    np.testing.assert_array_equal(after.counts(), counts)
    assert check_recording(renamed).problems == ()


def test_what_was_chosen_last_time_does_not_tell_the_old_code_either(tmp_path: Path) -> None:
    path = record(tmp_path / "A01-20260105-180000.hold")
    last = tmp_path / LAST_START
    last.write_text('{"athlete": "A012"}')
    assert find_files_of(tmp_path, "A01") == [path]
    path = rename_athlete(path, "B7")
    assert last.exists(), "another athlete's"
    last.write_text('{"athlete": "B7"}')
    assert find_files_of(tmp_path, "B7") == sorted([path, last])
    rename_athlete(path, "C3")
    assert not last.exists()


def test_a_damaged_row_is_not_made_to_look_sound(tmp_path: Path) -> None:
    path = record(tmp_path / "A01.hold")
    execute(path, "UPDATE meta_copy SET value = '\"of A01\"' WHERE key = 'rate_hz'")
    before = check_recording(path).problems
    assert before
    assert check_recording(rename_athlete(path, "B7")).problems == before


def test_a_full_disk_leaves_the_recording_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = record(tmp_path / "A01.hold")
    content = path.read_bytes()

    def fail(*_: object) -> None:
        raise OSError(28, "no space left on device")

    monkeypatch.setattr(disk, "copy_database", fail)
    with pytest.raises(RecordingError, match="disk is full"):
        rename_athlete(path, "B7")
    assert [each.name for each in tmp_path.iterdir()] == ["A01.hold"]
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    ("step", "error", "told"),
    [
        ("copy_database", OSError(28, "no space left on device"), "the disk is full"),
        ("connect_for_writing", database.Error("malformed"), "the disk failed"),
        ("to_json", ValueError("no JSON"), "the disk failed"),
        ("seal", OSError(5, "input/output error"), "the disk failed"),
        ("flush_file", OSError(28, "no space left on device"), "the disk is full"),
        ("replace", OSError(13, "permission denied"), "writing is not allowed there"),
    ],
)
def test_wherever_it_fails_nothing_half_made_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, error: Exception, told: str
) -> None:
    path = record(tmp_path / "evening.hold")  # keeps its name: to the last step nothing of it may change
    content = path.read_bytes()
    place: Any = {"connect_for_writing": database, "to_json": rename, "replace": os}.get(step, disk)
    real = getattr(place, step)

    def fail(*args: Any, **more: Any) -> Any:
        if step == "connect_for_writing" and not more.get("own"):
            return real(*args, **more)  # the recording itself opens, the copy does not
        if step == "copy_database":
            real(*args, **more)  # and then the disk is full
        raise error

    monkeypatch.setattr(place, step, fail)
    with pytest.raises(RecordingError, match=f"evening.hold cannot be renamed: {told}"):
        rename_athlete(path, "B7")
    monkeypatch.undo()
    assert path.read_bytes() == content
    assert [each.name for each in tmp_path.iterdir()] == ["evening.hold"]
    assert rename_athlete(path, "B7") == path  # and then it works
    assert open_recording(path).settings["athlete"] == "B7"


@pytest.mark.parametrize("step", ["replace", "link", "fsync"])
@pytest.mark.parametrize(("name", "then"), [("A01.hold", "B7.hold"), ("evening.hold", "evening.hold")])
def test_a_session_that_cannot_lose_its_old_name_is_not_there_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, name: str, then: str
) -> None:
    """As where another program has the file open and the system then lets nobody rename it."""
    path = record(tmp_path / name)
    content = path.read_bytes()

    def refuse(*_: object, **__: object) -> None:
        raise OSError(13, "permission denied")

    with monkeypatch.context() as patched:
        patched.setattr(os, step, refuse)
        if step == "link":  # no second names there, and no renaming either
            patched.setattr(os, "replace", refuse)
            patched.setattr(os, "rename", refuse)
        with pytest.raises(RecordingError, match=f"{name} cannot be renamed: writing is not allowed there"):
            rename_athlete(path, "B7")
    assert [each.name for each in tmp_path.iterdir()] == [name]
    assert path.read_bytes() == content
    assert rename_athlete(path, "B7").name == then
    assert [each.name for each in tmp_path.iterdir()] == [then]


def test_the_new_one_stays_where_the_old_one_has_lost_its_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the log alone had would be gone with it: rather twice than not whole."""
    path = record(tmp_path / "A01.hold")
    take_name, replace = rename._take_name, os.replace

    def take_beside_a_log(*given: Any) -> Path:
        target = take_name(*given)
        Path(f"{path}-wal").write_bytes(b"rows that nobody has written back")
        return target

    def refuse_the_old_one(old: Any, new: Any) -> None:
        if Path(old) == path:
            raise OSError(13, "permission denied")
        replace(old, new)

    monkeypatch.setattr(rename, "_take_name", take_beside_a_log)
    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", refuse_the_old_one)
        with pytest.raises(RecordingError, match="cannot be renamed"):
            rename_athlete(path, "B7")
    assert check_recording(tmp_path / "B7.hold").is_sound


def test_what_fails_once_the_old_name_is_gone_leaves_the_new_one_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = record(tmp_path / "A01.hold")

    def refuse(path: Path) -> int:
        raise OSError(5, "input/output error")

    with monkeypatch.context() as patched:
        patched.setattr(disk, "overwrite_and_delete", refuse)
        with pytest.raises(RecordingError, match="the disk failed"):
            rename_athlete(path, "B7")
    assert [entry.name for entry in list_recordings(tmp_path)] == ["B7.hold"]
    assert check_recording(tmp_path / "B7.hold").is_sound


def test_the_copy_of_the_settings_carries_the_new_code(tmp_path: Path) -> None:
    path = rename_athlete(record(tmp_path / "A01.hold"), "B7")
    execute(path, "DELETE FROM meta")
    rename_safe = check_recording(path)  # reads what is lost from the copy
    assert rename_safe.duration_s == 2.5
    execute(path, "INSERT INTO meta SELECT * FROM meta_copy")
    assert open_recording(path).settings["athlete"] == "B7"


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("A01.hold", "B7.hold"),
        ("A01-2.hold", "B7-2.hold"),
        ("A012.hold", "A012.hold"),
        ("A012-1.hold", "A012-1.hold"),
        ("mat.hold", "mat.hold"),
    ],
)
def test_only_a_name_that_begins_with_the_code_changes(tmp_path: Path, name: str, expected: str) -> None:
    assert rename_athlete(record(tmp_path / name), "B7").name == expected


def test_the_same_code_again_changes_no_name_and_nothing_of_the_athletes(tmp_path: Path) -> None:
    path = record(tmp_path / "A01.hold")
    about = dict(open_recording(path).settings)
    last = tmp_path / LAST_START
    last.write_text('{"athlete": "A01"}')
    assert rename_athlete(path, "A01") == path
    assert sorted(each.name for each in tmp_path.iterdir()) == sorted(["A01.hold", LAST_START])
    assert open_recording(path).settings == about


def test_a_recording_of_nobody_keeps_its_name(tmp_path: Path) -> None:
    with Recorder.create(tmp_path / "-1.hold", make_settings(athlete=""), threaded=False):
        pass
    assert rename_athlete(tmp_path / "-1.hold", "B7").name == "-1.hold"
    assert open_recording(tmp_path / "-1.hold").settings["athlete"] == "B7"


def test_no_other_recording_is_written_over(tmp_path: Path) -> None:
    other = record(tmp_path / "B7-1.hold")
    content = other.read_bytes()
    assert rename_athlete(record(tmp_path / "A01-1.hold"), "B7").name == "B7-1-2.hold"
    assert other.read_bytes() == content


@pytest.mark.parametrize("code", ["", "Anna", "../A02", "A02/..", "A 02", "A02\n"])
def test_names_and_paths_are_no_codes(tmp_path: Path, code: str) -> None:
    path = record(tmp_path / "A01.hold")
    with pytest.raises(RecordingError, match="not a code"):
        rename_athlete(path, code)
    assert open_recording(path).settings["athlete"] == "A01"


def test_what_is_being_written_or_gone_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "A01.hold"
    with Recorder.create(path, make_settings()), pytest.raises(RecordingError, match="in use"):
        rename_athlete(path, "B7")
    assert open_recording(path).settings["athlete"] == "A01"
    with pytest.raises(RecordingError, match="no file"):
        rename_athlete(tmp_path / "C1.hold", "B7")


def test_where_files_have_one_name_only_the_code_changes_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on the file system of most sticks."""

    def refuse(*_: object, **__: object) -> None:
        raise OSError(1, "Operation not permitted")

    for name, then in (("A01-1.hold", "B7-1.hold"), ("evening.hold", "evening.hold")):
        path = record(tmp_path / name)
        with monkeypatch.context() as patched:
            patched.setattr(os, "link", refuse)
            assert rename_athlete(path, "B7").name == then
        assert open_recording(tmp_path / then).settings["athlete"] == "B7"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["B7-1.hold", "evening.hold"]
