"""Pipes, links, devices, folders and giants where a recording, or what SQLite opens beside it, should be."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from biofeedback.cli import main
from biofeedback.errors import RecordingError
from biofeedback.model import Chunk
from biofeedback.storage import database
from biofeedback.storage.check import check_recording, repair_recording
from biofeedback.storage.library import list_recordings
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from .helpers import make_counts, make_settings


def make(path: Path) -> None:
    with Recorder.create(path, make_settings(), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(50)))


def make_odd(folder: Path, kind: str) -> None:
    """A name that a listing takes up, or that SQLite would open by itself, and that is no plain file."""
    path = folder / "x.hold"
    beside = Path(f"{path}-wal")
    if kind == "a link to itself":
        path.symlink_to(path.name)
        return
    if kind == "a link to nothing":
        path.symlink_to("nowhere.hold")
        return
    if kind == "a pipe":
        os.mkfifo(path)
        return
    make(path)
    if kind == "4 TB":
        os.truncate(path, 2**42)
    elif kind == "a log of 40 GB":
        beside.touch()
        os.truncate(beside, 40 * 2**30)
    elif kind == "a log that is a folder":
        beside.mkdir()
    elif kind == "a log that is a pipe":
        os.mkfifo(beside)
    elif kind == "a log that leads elsewhere":
        beside.symlink_to("/dev/zero")
    elif kind == "a journal that leads elsewhere":
        Path(f"{path}-journal").symlink_to("/dev/zero")


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and links of POSIX")
@pytest.mark.parametrize(
    "kind",
    [
        "a link to itself", "a link to nothing", "a pipe", "4 TB", "a log of 40 GB", "a log that is a folder",
        "a log that is a pipe", "a log that leads elsewhere", "a journal that leads elsewhere",
    ],
)  # fmt: skip
def test_what_is_no_plain_file_is_that_names_problem(
    tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing waits for a pipe's other end or reads a device; the recording beside it is worked with as always."""
    make(tmp_path / "A07-1.hold")
    make_odd(tmp_path, kind)
    names = {path.name for path in tmp_path.iterdir()}
    assert {entry.name: bool(entry.problem) for entry in list_recordings(tmp_path)} == {
        "A07-1.hold": False,
        "x.hold": True,
    }
    odd = tmp_path / "x.hold"
    for use in (
        lambda: open_recording(odd),
        lambda: check_recording(odd),
        lambda: repair_recording(odd, tmp_path / "copy.hold"),
        lambda: database.connect_for_writing(odd, durable=False) if odd.exists() else open_recording(odd),
        lambda: database.refuse_damaged_log(odd) or open_recording(odd),
    ):
        with pytest.raises(RecordingError):
            use()
    assert not database.is_written(odd)
    assert main(["check", str(tmp_path)]) == 1
    assert "sound: 1 of 2" in capsys.readouterr().out
    assert main(["forget", "B99", "--folder", str(tmp_path), "--yes"]) in (0, 1)
    assert names <= {path.name for path in tmp_path.iterdir()}


def test_a_folder_in_place_of_the_index_stops_nothing(tmp_path: Path) -> None:
    make(tmp_path / "A07-1.hold")
    (tmp_path / ".recordings-index").mkdir()
    assert [entry.name for entry in list_recordings(tmp_path)] == ["A07-1.hold"]
    assert main(["forget", "B99", "--folder", str(tmp_path), "--yes"]) == 0
    assert main(["forget", "A01", "--folder", str(tmp_path), "--yes"]) in (0, 1)
