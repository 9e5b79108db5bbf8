from __future__ import annotations

import os
from pathlib import Path

import pytest

from biofeedback.cli import main
from biofeedback.storage.forget import find_files_of, forget_athlete
from biofeedback.storage.unfinished import finish_unfinished
from biofeedback.storage.whole_file import name_half_made

from .killed_changes import WORK, is_half, kill_everywhere, make_folder

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@pytest.mark.parametrize("work", WORK)
def test_killed_at_any_step_a_change_is_finished_or_taken_back_at_the_next_start(tmp_path: Path, work: str) -> None:
    found = kill_everywhere(tmp_path, work)
    n_seen = 3 if work == "amend" else 5  # the library's own steps are not seen from here
    assert len(found) > n_seen, "the steps on the disk were not seen"
    assert [left for left in found if is_half(left, work)] == []


def test_what_is_left_over_is_told(tmp_path: Path) -> None:
    path = make_folder(tmp_path / "a", "delete")
    left = name_half_made(path).name.replace(f"half-{os.getpid():x}", "half-3fffff7")  # of a program that is gone
    (path.parent / left).write_bytes(b"A01")
    (told,) = finish_unfinished(tmp_path)
    assert told == f"{left}: what an interrupted program had left of A01-1.hold is gone"
    assert finish_unfinished(tmp_path) == []


def test_forgetting_somebody_reaches_what_was_left_half_made(tmp_path: Path) -> None:
    path = make_folder(tmp_path / "a", "delete")
    left = path.with_name(name_half_made(path).name.replace(f"half-{os.getpid():x}", "half-3fffff7"))
    left.write_bytes(b"A01")
    done = forget_athlete(tmp_path, "A01", find_files_of(tmp_path, "A01"))
    assert done.traces == ()
    assert list(path.parent.iterdir()) == []


def test_the_next_start_tells_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = make_folder(tmp_path / "a", "delete")
    for command in (["list", str(tmp_path)], ["check", str(tmp_path)]):
        left = path.with_name(name_half_made(path).name.replace(f"half-{os.getpid():x}", "half-3fffff7"))
        left.write_bytes(b"A01")
        assert main(command) == 0
        assert (
            capsys.readouterr().err
            == f"finished: {left.name}: what an interrupted program had left of A01-1.hold is gone\n"
        )
        assert not left.exists()
