"""What is said is text and nothing else, and saying it fails nobody."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from biofeedback.cli import main
from biofeedback.model import Chunk
from biofeedback.storage.recorder import Recorder
from biofeedback.wiring.terminal import plain, plain_output

from ..storage.helpers import make_counts, make_settings

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("A01", "A01"),
        ("\x1b[2Jgone", "\\x1b[2Jgone"),
        ("a\nsound: 5 of 5", "a\\nsound: 5 of 5"),
        ("\x9b31m", "\\x9b31m"),
        ("a\u202eb", "a\\u202eb"),
        ("ä – ≥ µ", "ä – ≥ µ"),
        ("\udce9t\udce9.hold", "\\xe9t\\xe9.hold"),
    ],
)
def test_one_line_of_what_can_be_seen(text: str, shown: str) -> None:
    assert plain(text) == shown


def written(*texts: str, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    before = sys.stdout
    stream = sys.stdout = io.TextIOWrapper(raw, encoding=encoding, write_through=True)
    try:
        with plain_output(is_patient=False):
            for text in texts:
                print(text)
    finally:
        sys.stdout = before
    stream.flush()
    return raw.getvalue().decode(encoding)


def test_whatever_is_printed_has_no_control_characters() -> None:
    assert written("a\x1b]0;title\x07b\rc") == "a\\x1b]0;title\\x07b\\rc\n"
    assert written("\r[## ] 2/5") == "\r[## ] 2/5\n"  # the progress bar itself
    assert written("two\nlines\tand a tab") == "two\nlines\tand a tab\n"


def test_letters_that_a_terminal_does_not_know_are_escaped() -> None:
    assert written("≥ 5 µV – ä", encoding="cp1252") == "\\u2265 5 µV – ä\n"
    assert written("ä", encoding="ascii") == "\\xe4\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A recording whose texts are a stranger's, one whose name is no text, one that is damaged."""
    settings = make_settings(
        athlete="A01\x1b[31m", exercise="x\nsound: 9 of 9", started_utc="2026-01-05T18:00:00+00:00"
    )
    with Recorder.create(tmp_path / "a.hold", settings, threaded=False) as recorder:
        recorder.append(make_chunk(100))
    shutil.copy(tmp_path / "a.hold", os.fsencode(tmp_path) + b"/\xe9t\xe9.hold")
    content = bytearray((tmp_path / "a.hold").read_bytes())
    content[4096:8192] = bytes(4096)
    (tmp_path / "b.hold").write_bytes(content)
    return tmp_path


def make_chunk(n_frames: int) -> Chunk:
    return Chunk(0, make_counts(n_frames))
    return Chunk(0, make_counts(n_frames))


def start(folder: Path, *arguments: str, **how: object) -> subprocess.CompletedProcess[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "cp1252", "COLUMNS": "80"}
    command = [sys.executable, "-m", "biofeedback", *arguments]
    given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **how}
    return subprocess.run(command, cwd=folder, env=environment, check=False, **given)  # type: ignore[call-overload,no-any-return]


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "."],
        ["list", "."],
        ["list", ".", "--json"],
        ["export", ".", "--to", "csv", "--out", "out"],
        ["history", "A01", "--folder", "."],
        ["forget", "B1", "--folder", ".", "--yes"],
        ["cohort", ".", "--workers", "1"],
    ],
    ids=" ".join,
)
def test_odd_names_and_texts_and_one_damaged_file_stop_no_command(folder: Path, arguments: list[str]) -> None:
    done = start(folder, *arguments)
    said = done.stdout + done.stderr
    assert b"Traceback" not in said, said.decode("latin-1")
    assert b"\x1b" not in said
    assert b"\nsound: 9 of 9" not in said
    if arguments[0] == "export":
        assert sorted(path.name for path in (folder / "out").glob("a*")) == ["a.csv", "a.json", "a_events.csv"]
        assert b"left out: " in done.stderr
        assert done.returncode == 1
    if "--json" in arguments:
        assert len(json.loads(done.stdout)) == 3


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("arguments", [["check", "."], ["list", "."], ["--help"]], ids=" ".join)
def test_a_full_disk_behind_the_output_is_one_line(folder: Path, arguments: list[str]) -> None:
    with open("/dev/full", "wb") as full:
        done = start(folder, *arguments, stdout=full)
    assert done.stderr.splitlines()[-1].startswith(b"biofeedback: the output cannot be written (No space left")
    assert b"Traceback" not in done.stderr
    assert done.returncode == 1


def test_a_closed_output_is_no_reason_to_fail(folder: Path) -> None:
    command = f"{sys.executable} -m biofeedback check a.hold >&- 2>&-"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    assert subprocess.run(["sh", "-c", command], cwd=folder, env=environment, check=False).returncode == 0


def test_a_reader_that_has_gone_ends_a_listing_without_a_word(folder: Path) -> None:
    command = f"{sys.executable} -m biofeedback list . | true"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(["sh", "-c", command], cwd=folder, env=environment, check=False, capture_output=True)
    assert done.stderr == b""


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (MemoryError(), "biofeedback: there is not enough memory for this; nothing more was done\n"),
        (RecursionError(), "biofeedback: something is nested too deeply for this; nothing more was done\n"),
        (OSError(24, "Too many open files", "x"), "biofeedback: x: Too many open files; nothing more was done\n"),
    ],
)
def test_what_the_computer_lacks_is_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, error: Exception, line: str
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("biofeedback.commands.list.list_recordings", fail)
    assert main(["list", "."]) == 1
    assert capsys.readouterr().err == line
