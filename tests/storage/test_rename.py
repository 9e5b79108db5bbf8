from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Event
from biofeedback.storage.check import check_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.rename import rename_athlete

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


def test_the_copy_of_the_settings_carries_the_new_code(tmp_path: Path) -> None:
    path = rename_athlete(record(tmp_path / "A01.hold"), "B7")
    execute(path, "DELETE FROM meta")
    rename_safe = check_recording(path)  # reads what is lost from the copy
    assert rename_safe.duration_s == 2.5
    execute(path, "INSERT INTO meta SELECT * FROM meta_copy")
    assert open_recording(path).settings["athlete"] == "B7"


@pytest.mark.parametrize(
    ("name", "expected"),
    [("A01.hold", "B7.hold"), ("A01-2.hold", "B7-2.hold"), ("A012.hold", "A012.hold"), ("mat.hold", "mat.hold")],
)
def test_only_a_name_that_begins_with_the_code_changes(tmp_path: Path, name: str, expected: str) -> None:
    assert rename_athlete(record(tmp_path / name), "B7").name == expected


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
