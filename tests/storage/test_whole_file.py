from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from biofeedback.storage import disk
from biofeedback.storage.unfinished import finish_unfinished
from biofeedback.storage.whole_file import find_half_made, is_half_made, name_half_made, write_whole


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_the_name_is_taken_only_by_what_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"
    target.write_text("before")
    with write_whole(target) as beside:
        assert beside.parent == tmp_path
        assert beside.suffix == ".csv"
        beside.write_text("after")
        assert target.read_text() == "before"
    assert target.read_text() == "after"
    assert names(tmp_path) == ["a.csv"]


@pytest.mark.parametrize("error", [OSError(28, "full"), KeyboardInterrupt(), SystemExit(1), ValueError()])
def test_whatever_goes_wrong_leaves_the_file_as_it_was(tmp_path: Path, error: BaseException) -> None:
    target = tmp_path / "a.csv"
    target.write_text("before")

    def write() -> None:
        with write_whole(target) as beside:
            beside.write_text("half")
            raise error

    with pytest.raises(type(error)):
        write()
    assert target.read_text() == "before"
    assert names(tmp_path) == ["a.csv"]


def test_a_disk_that_refuses_to_flush_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(path: Path) -> None:
        raise OSError(5, "input/output error")

    monkeypatch.setattr(disk, "flush_file", fail)
    with pytest.raises(OSError, match="input/output"), write_whole(tmp_path / "a.csv") as beside:
        beside.write_text("after")
    assert names(tmp_path) == []


def test_several_are_exchanged_together_or_not_at_all(tmp_path: Path) -> None:
    def write() -> None:
        with contextlib.ExitStack() as stack:
            for name in ("a.csv", "b.json"):
                stack.enter_context(write_whole(tmp_path / name)).write_text(name)
            raise ValueError("third")

    with pytest.raises(ValueError, match="third"):
        write()
    assert names(tmp_path) == []


def test_without_replacing_even_a_file_that_comes_meanwhile_stays(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"

    def write() -> None:
        with write_whole(target, replace=False) as beside:
            beside.write_text("mine")
            target.write_text("theirs")

    with pytest.raises(FileExistsError):
        write()
    assert target.read_text() == "theirs"
    assert names(tmp_path) == ["a.csv"]
    with pytest.raises(FileExistsError), write_whole(target, replace=False):
        pass


def test_a_link_stays_a_link_and_a_device_a_device(tmp_path: Path) -> None:
    (tmp_path / "real.csv").write_text("before")
    (tmp_path / "link.csv").symlink_to("real.csv")
    with write_whole(tmp_path / "link.csv") as beside:
        beside.write_text("after")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_text() == "after"
    with write_whole("/dev/null") as beside:
        assert beside == Path("/dev/null")


def test_a_killed_program_leaves_no_half_under_the_name_and_a_name_that_is_recognised(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys\n"
        "from biofeedback.storage.whole_file import write_whole\n"
        "with write_whole(sys.argv[1]) as beside:\n"
        "    beside.write_text('half')\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "a.csv")], check=False)
    assert done.returncode == -signal.SIGKILL
    assert not (tmp_path / "a.csv").exists()
    (left,) = tmp_path.iterdir()
    assert is_half_made(left)
    assert find_half_made(tmp_path) == [left]
    assert finish_unfinished(tmp_path) == [f"{left.name}: what an interrupted program had left of a.csv is gone"]
    assert names(tmp_path) == []


def test_what_a_living_program_is_making_is_left_alone(tmp_path: Path) -> None:
    with write_whole(tmp_path / "a.csv") as beside:
        beside.write_text("half")
        assert is_half_made(beside)
        assert finish_unfinished(tmp_path) == []
    assert not is_half_made(tmp_path / "a.csv")
    assert not is_half_made("A01-half-2.csv")


def test_half_a_recording_is_never_listed_as_one(tmp_path: Path) -> None:
    name = name_half_made(tmp_path / "a.hold").name
    assert name.startswith("a.hold.half-")
    assert not name.endswith(".hold")
    assert os.path.dirname(name_half_made(tmp_path / "a.hold")) == str(tmp_path)
