"""Ordinary bad days with the real program: one clear line with its cure, and nothing recorded is lost."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from biofeedback.storage.recording import Recording, open_recording

from .bad_day import PLAN, Board, Program, read_one_line, run_program
from .requirements import need

fcntl = pytest.importorskip("fcntl", reason="pseudo-terminals are a Unix thing")
resource = pytest.importorskip("resource")

ROOT = Path(__file__).resolve().parents[1]
Start = Callable[..., Program]


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    board = Board(tmp_path)
    yield board
    board.close()


@pytest.fixture
def start(board: Board, tmp_path: Path) -> Iterator[Start]:
    """Starts ``biofeedback live`` on the board with a typed maximum of 100 N and one long plan."""
    programs: list[Program] = []
    plan = tmp_path / "long.toml"
    plan.write_text(PLAN, "utf-8")

    def start_one(*more: str, folder: Path | None = None, **options: dict[str, str]) -> Program:
        more = ("--plan", str(plan), "--maximum", "force=100", *more)
        programs.append(Program(board.source, folder or tmp_path / "recordings", *more, **options))
        return programs[-1]

    yield start_one
    for program in programs:
        program.close()


def run_live(source: str, folder: Path, *more: object, **options: object) -> str:
    """The line with which ``live`` refuses to begin; it leaves no recording behind."""
    result = run_program("live", "--source", source, "--folder", folder, "--no-browser", *more, **options)
    line = read_one_line(result)
    assert not list(folder.glob("*.hold*")), "nothing was recorded, so there is no recording"
    return line


def find_gaps(recording: Recording, within_s: tuple[float, float]) -> float:
    """Seconds of gaps between two moments, in a recording that is otherwise whole."""
    counts = recording.counts()[:, 0]
    first, last = (round(moment_s * recording.rate_hz) for moment_s in within_s)
    assert sum(gap.n_frames for gap in recording.gaps) == np.isnan(counts).sum()
    return float(np.isnan(counts[first:last]).sum()) / recording.rate_hz


# -- before it begins ------------------------------------------------------------------------------------------------


def test_a_missing_port_is_named_with_the_ports_there_are(tmp_path: Path) -> None:
    line = run_live("serial:/dev/ttyNothing?rate=80&channels=force:N", tmp_path)
    assert "there is no port /dev/ttyNothing; " in line
    assert "check plug and cable" in line


def test_a_port_that_another_program_holds(board: Board, tmp_path: Path) -> None:
    with board.path.open("rb", buffering=0) as other:
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)  # what serial monitors take
        line = run_live(board.source, tmp_path)
    assert f"{board.path} is in use by another program; close that program" in line


def test_a_port_without_permission(board: Board, tmp_path: Path) -> None:
    os.chmod(board.path, 0)
    setpriv = shutil.which("setpriv")
    need(os.geteuid() != 0 or setpriv, "root may open everything, and setpriv is not here to change that")
    humble = (setpriv, "--bounding-set=-dac_override") if os.geteuid() == 0 else ()
    line = run_live(board.source, tmp_path, before=humble)
    assert f"no permission for {board.path}; add yourself to its group" in line


def test_a_board_that_says_nothing(board: Board, tmp_path: Path) -> None:
    board.speak = None
    line = run_live(board.source, tmp_path)
    assert f"no data from {board.path} within 3 s; check that the board is on" in line


@pytest.mark.parametrize(
    ("says", "words"),
    [
        (lambda k: bytes((k * 37 + i * 91) % 128 + 128 for i in range(6)) + b"\n", "100 % of lines unreadable"),
        (lambda k: bytes((k * 37 + i * 91) % 128 + 128 for i in range(6)), "100 % of lines unreadable"),
        (lambda k: b"12 13 14 15\n", "name each column"),
        (lambda k: b"press any key to start\n", "sends only text: 'press any key to start'"),
    ],
    ids=["wrong baud", "wrong baud without a line end", "more numbers than columns", "waits for a command"],
)
def test_a_board_that_sends_what_is_no_reading(
    board: Board, tmp_path: Path, says: Callable[[int], bytes], words: str
) -> None:
    board.speak = says
    line = run_live(board.source, tmp_path)
    assert words in line
    if "unreadable" in words:
        assert "check the baud rate (now 115200)" in line


def test_a_plan_with_a_mistake_is_named_by_line(board: Board, tmp_path: Path) -> None:
    plan = tmp_path / "mine.toml"
    plan.write_text(PLAN.replace("[20, 30]", "[30, 20]"), "utf-8")
    number = 1 + PLAN.splitlines().index("band = [20, 30]")
    line = run_live(board.source, tmp_path, "--plan", plan)
    assert f"mine.toml, line {number}: band = [30, 20]; use two numbers, low below high" in line


def test_an_address_in_use(board: Board, tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        line = run_live(board.source, tmp_path, "--port", port)
    assert f"127.0.0.1:{port} cannot be used" in line
    assert "--port 0" in line


def test_a_maximum_of_zero(board: Board, tmp_path: Path) -> None:
    assert "not a number above 0" in run_live(board.source, tmp_path, "--maximum", "force=0")


def test_a_folder_that_cannot_be_one(board: Board, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("shopping", "utf-8")
    line = run_live(board.source, tmp_path / "notes.txt" / "recordings")
    assert line.endswith(
        "cannot be made: a file stands where its folder should be; move it away, or choose another folder"
    )


# -- files -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", [["report"], ["export", "--to", "csv"], ["check"], ["amend", "--rating", "3"]])
def test_a_file_that_is_no_recording_and_one_from_a_newer_version(tmp_path: Path, command: list[str]) -> None:
    text = tmp_path / "holiday.hold"
    text.write_text("sun and sea\n" * 1000, "utf-8")
    newer = tmp_path / "newer.hold"
    shutil.copy(ROOT / "recordings-demo" / "A01.hold", newer)
    with sqlite3.connect(newer) as connection:
        connection.execute("PRAGMA user_version = 2")
    connection.close()
    before = newer.read_bytes()
    for path, words in ((text, "not a recording"), (newer, "format 2; this program reads up to 1; install a newer")):
        result = run_program(command[0], path, *command[1:], cwd=tmp_path)
        assert result.returncode == 1, result
        assert words in result.stdout + result.stderr
        assert "Traceback" not in result.stderr
    assert newer.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["holiday.hold", "newer.hold"]


def test_a_recording_replayed_is_recorded_again_number_for_number(tmp_path: Path) -> None:
    original = ROOT / "recordings-demo" / "A02.hold"
    source = f"replay:{original}?speed=max"
    result = run_program("live", "--source", source, "--folder", tmp_path, "--no-browser", "--port", 0)
    assert (result.returncode, result.stderr) == (0, "")
    (path,) = tmp_path.glob("*.hold")
    np.testing.assert_array_equal(open_recording(path).counts(), open_recording(original).counts())


def test_a_replay_of_a_damaged_recording_ends_where_the_damage_is(tmp_path: Path) -> None:
    damaged = tmp_path / "damaged.hold"
    shutil.copy(ROOT / "recordings-demo" / "A02.hold", damaged)
    with sqlite3.connect(damaged) as connection:
        connection.execute("UPDATE chunks SET crc32 = crc32 + 1 WHERE first_frame > 20000")
    connection.close()
    folder = tmp_path / "recordings"
    source = f"replay:{damaged}?speed=max"
    line = read_one_line(run_program("live", "--source", source, "--folder", folder, "--no-browser", "--port", 0))
    assert f"{damaged} is damaged: checksum differs; run: biofeedback check {damaged}" in line
    (path,) = folder.glob("*.hold")
    assert 10_000 < open_recording(path).n_frames <= 20_100


# -- during a hold ---------------------------------------------------------------------------------------------------


def test_a_board_that_begins_to_send_rubbish_is_told_on_the_page_and_in_the_recording(
    board: Board, start: Start
) -> None:
    program = start()
    page = program.open_page()
    page.start_hold(board)
    good, board.speak = board.speak, lambda k: b"\xf0\x8b" + bytes([128 + k % 90]) + b"\n"
    page.wait(lambda page: "% of lines unreadable: check the baud rate" in page.message)
    page.wait(lambda page: page.is_stale)
    board.speak = good
    page.wait(lambda page: not page.message and not page.is_stale)
    assert program.end()[0] == 0
    notes = [note.text for note in open_recording(program.recording).notes]
    assert any("% of lines unreadable: check the baud rate" in note for note in notes), notes


def test_a_pulled_plug_is_a_gap_of_known_length_told_at_once_and_over_soon(board: Board, start: Start) -> None:
    program = start()
    page = program.open_page()
    page.start_hold(board)
    before_s = page.time_s
    pulled_s = time.monotonic()
    board.pull_out()
    assert page.wait(lambda page: "has gone" in page.message and "check plug and cable" in page.message) < 0.5
    page.wait(lambda page: page.is_stale)
    page.wait(lambda page: np.isnan(page.effort_percent))
    page.wait(lambda page: page.time_s > before_s + 1.5)  # the session's clock does not stop
    away_s = time.monotonic() - pulled_s
    board.plug_in()
    assert page.wait(lambda page: not page.message and not page.is_stale and 20 < page.effort_percent < 30) < 2.0
    assert page.state["stage"] == "plan"
    page.wait(lambda page: page.time_s > before_s + away_s + 3)
    after_s = page.time_s
    assert after_s - before_s == pytest.approx(time.monotonic() - pulled_s, abs=0.3), "the session's clock kept step"
    assert program.end()[0] == 0
    recording = open_recording(program.recording)
    missing_s = find_gaps(recording, (before_s - 0.5, after_s))
    assert away_s - 0.1 < missing_s < away_s + 1.2, "the time away, and until the port was tried again"
    notes = [note.text for note in recording.notes]
    assert any("has gone" in note for note in notes)
    assert "the sensor is back" in notes


def test_a_page_closed_in_the_middle_of_a_hold_changes_nothing(board: Board, start: Start) -> None:
    program = start()
    page = program.open_page()
    page.start_hold(board)
    left_s = page.time_s
    page.close()
    time.sleep(1.0)  # nobody is looking, so there is nothing to wait for
    other = program.open_page()
    other.wait(lambda page: page.time_s > left_s + 1.0)
    assert other.state["stage"] == "plan"
    assert 20 < other.effort_percent < 30
    end_s = other.time_s
    assert program.end()[0] == 0
    recording = open_recording(program.recording)
    assert recording.duration_s >= end_s
    assert find_gaps(recording, (left_s - 1.0, end_s)) == 0
    assert [event.data["by"] for event in recording.events if event.kind == "stop"] == ["program"]  # at its end only


def test_ratings_that_do_not_exist_are_refused(start: Start) -> None:
    program = start()
    page = program.open_page()
    for value, words in (
        (11, "a rating of 11"),
        (-1, "a rating of -1"),
        (5.3, "a rating of 5.3"),
        ("7", "not a number"),
    ):
        reply = page.say("rate", value=value)
        assert not reply["ok"]
        assert words in reply["what"]
        assert reply["cure"]
    page.do("rate", value=6)
    assert program.end()[0] == 0
    assert [e.data["value"] for e in open_recording(program.recording).events if e.kind == "rating"] == [6]


@pytest.mark.slow
def test_an_attempt_too_short_is_not_believed_and_says_why(board: Board, start: Start) -> None:
    program = start()
    page = program.open_page()
    page.do("accept_cautions")
    refused = page.say("attempt")
    assert refused["what"] == "the sensors have no zero yet"
    page.do("zero")
    page.wait(lambda page: page.state["zero"]["state"] == "done")
    assert page.say("attempt")["cure"] == "read it and answer yes or none"
    page.do("screening", applies=False)
    for felt in (25, 50, 75):
        page.do("practice", felt=felt)
        page.wait(lambda page, felt=felt: page.state["maximum"]["care"]["next_practice"] != felt, within_s=60)  # type: ignore[misc]
    page.do("attempt")
    page.wait(lambda page: page.state["maximum"]["step"] == "push")
    board.newton = 80.0
    page.wait(lambda page: page.effort_percent > 60)
    board.newton = 0.0
    page.wait(lambda page: page.state["maximum"]["attempts"], within_s=60)
    (attempt,) = page.state["maximum"]["attempts"]
    assert not attempt["accepted"]
    assert re.fullmatch(r"the push lasted [0-2]\.\d\d s; 3 s are needed; hold longer", attempt["reason"])
    refused = page.say("accept_maximum")
    assert (refused["ok"], refused["cure"]) == (False, "make another attempt")
    assert program.end()[0] == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        need(False, "mounting a small disk needs root")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=False, capture_output=True)


def fill(folder: Path) -> Path:
    path = folder / "holiday.mov"
    with path.open("wb", buffering=0) as file:
        try:
            while file.write(bytes(512)):
                pass
        except OSError:
            pass
    return path


def test_a_disk_that_fills_up_is_told_on_the_page_and_nothing_is_lost_when_there_is_room_again(
    board: Board, start: Start, small_disk: Path
) -> None:
    program = start(folder=small_disk)
    page = program.open_page()
    page.start_hold(board)
    before_s = page.time_s
    film = fill(small_disk)
    page.wait(lambda page: page.state["recording"]["problem"])
    assert "not saving: the disk is full; free some space" in page.state["recording"]["problem"]
    full_s = page.time_s
    page.do("rate", value=4)
    page.wait(lambda page: page.time_s > full_s + 0.5)
    assert 20 < page.effort_percent < 30
    film.unlink()
    page.wait(lambda page: not page.state["recording"]["problem"])
    end_s = page.time_s
    assert program.end()[0] == 0
    recording = open_recording(program.recording)
    assert recording.duration_s >= end_s
    assert find_gaps(recording, (before_s - 1.0, end_s)) == 0
    assert [e.data["value"] for e in recording.events if e.kind == "rating"] == [4]


def test_a_disk_that_stays_full_to_the_end_has_everything_saved_elsewhere(
    board: Board, start: Start, small_disk: Path, tmp_path: Path
) -> None:
    program = start(folder=small_disk, environment={"BIOFEEDBACK_FOLDER": str(tmp_path / "elsewhere")})
    page = program.open_page()
    page.start_hold(board)
    before_s = page.time_s
    fill(small_disk)
    page.wait(lambda page: page.state["recording"]["problem"])
    end_s = page.time_s
    code, _, err = program.end()
    (copy,) = (tmp_path / "elsewhere").glob("*.hold")
    assert code == 1
    assert err.splitlines()[-1].endswith(f"the whole recording was saved as {copy} instead")
    recording = open_recording(copy)
    assert recording.duration_s >= end_s
    assert find_gaps(recording, (before_s - 1.0, end_s)) == 0


def test_a_file_that_may_not_grow_any_more_is_as_good_as_a_full_disk(
    board: Board, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same without root: the limit on the size of a file, set from outside while the program runs."""
    need(hasattr(resource, "prlimit"), "limits of another process can be set on Linux only")
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")  # Python would leave half a compiled module for later runs
    program = start()
    page = program.open_page()
    page.start_hold(board)
    before_s = page.time_s
    limits = resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE, (10_000, resource.RLIM_INFINITY))
    page.wait(lambda page: page.state["recording"]["problem"])
    assert "not saving: the disk" in page.state["recording"]["problem"]
    resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE, limits)
    page.wait(lambda page: not page.state["recording"]["problem"])
    end_s = page.time_s
    assert program.end()[0] == 0
    assert find_gaps(open_recording(program.recording), (before_s - 1.0, end_s)) == 0


# -- how it ends -----------------------------------------------------------------------------------------------------


def test_a_killed_program_leaves_a_recording_that_opens_and_lacks_half_a_second_at_most(
    board: Board, start: Start, tmp_path: Path
) -> None:
    program = start()
    page = program.open_page()
    page.start_hold(board)
    page.do("rate", value=5)
    rated_s = page.time_s
    page.wait(lambda page: page.time_s > rated_s + 1.0)
    killed_s = page.time_s
    program.end(signal.SIGKILL)
    recording = open_recording(program.recording)
    assert recording.duration_s > killed_s - 0.5
    assert [e.data["value"] for e in recording.events if e.kind == "rating"] == [5]
    result = run_program("report", program.recording, "--out", tmp_path / "report.html")
    assert result.returncode == 0, result
    assert (tmp_path / "report.html").stat().st_size > 10_000


@pytest.fixture
def closing_terminal_ends() -> Iterator[None]:
    """As in a terminal, also where these tests were told to outlive theirs, which programs they start would inherit."""
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGHUP, before)


@pytest.mark.usefixtures("closing_terminal_ends")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_ordinary_ends_leave_one_whole_file(board: Board, start: Start, number: signal.Signals) -> None:
    program = start()
    page = program.open_page()
    page.wait(lambda page: page.time_s > 0.5)
    end_s = page.time_s
    code, out, err = program.end(number)
    assert (code, err) == (0, "")
    path = program.recording
    assert [entry.name for entry in program.folder.iterdir()] == [path.name], "no neighbour files are left"
    assert out.splitlines()[-1].strip() == f"Report:   biofeedback report {path}"
    assert open_recording(path).duration_s >= end_s
    assert path.stat().st_mode & 0o777 == 0o600
    assert program.folder.stat().st_mode & 0o777 == 0o700
    with board.path.open("rb", buffering=0) as other:  # the port is free again
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)


def test_two_programs_at_once_do_not_disturb_each_other(board: Board, start: Start, tmp_path: Path) -> None:
    program = start()
    page = program.open_page()
    page.start_hold(board)
    before_s = page.time_s
    assert "is in use by another program" in run_live(board.source, tmp_path)
    (tmp_path / "other").mkdir()
    other = Board(tmp_path / "other")
    second = Program(other.source, program.folder, "--athlete", "A02")
    try:
        second.open_page().wait(lambda page: page.time_s > 1.0)
        assert second.end()[0] == 0
    finally:
        second.close()
        other.close()
    page.wait(lambda page: page.time_s > before_s + 1.0)
    end_s = page.time_s
    assert page.state["stage"] == "plan"
    assert program.end()[0] == 0
    first, last = sorted(program.folder.glob("*.hold"))
    assert (first.name[:3], last.name[:3]) == ("A01", "A02")
    assert find_gaps(open_recording(first), (before_s - 1.0, end_s)) == 0
