"""Small things that commands share: progress, plain values, names of files, maxima, seats, the terminal's stream."""

from __future__ import annotations

import io
import math
import sys
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.errors import CalibrationError, RecordingError, SessionError
from biofeedback.wiring import progress
from biofeedback.wiring.dates import read_date
from biofeedback.wiring.folder_watch import FolderWatch
from biofeedback.wiring.form_fields import LONGEST_TEXT, FormError, Mistakes, read_text
from biofeedback.wiring.group import pick_own, seat_athletes
from biofeedback.wiring.json_output import print_json, to_plain
from biofeedback.wiring.maxima import parse_maximum
from biofeedback.wiring.named_files import find_recordings
from biofeedback.wiring.parallel import check_workers, look_around, run_parallel
from biofeedback.wiring.terminal import PlainStream, plain_output


class Terminal(io.StringIO):
    def __init__(self, *, is_terminal: bool = True) -> None:
        super().__init__()
        self._is_terminal = is_terminal
        self.n_flushed = 0

    def isatty(self) -> bool:
        return self._is_terminal

    def flush(self) -> None:
        self.n_flushed += 1


def test_a_bar_is_drawn_after_half_a_second_ten_times_a_second_and_ends_its_line(monkeypatch) -> None:
    now = [50.0]
    shown = Terminal()
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(sys, "stderr", shown)
    tell = progress.make_progress("reading")
    for at, done in ((50.49, 1), (50.5, 1), (50.59, 2), (50.61, 2), (50.62, 3), (60.0, 4)):
        now[0] = at
        tell(done, 4)
    hashes = [7 * "#" + 23 * " ", 15 * "#" + 15 * " ", 30 * "#"]
    assert shown.getvalue() == (f"\rreading [{hashes[0]}] 1/4\rreading [{hashes[1]}] 2/4\rreading [{hashes[2]}] 4/4\n")
    assert shown.n_flushed == 3
    now[0] = 70.0
    tell(0, 0)  # nothing to do is done
    assert shown.getvalue().endswith(f"\rreading [{30 * ' '}] 0/0\n")


def test_the_last_step_is_drawn_however_quickly_it_comes_and_nothing_in_a_pipe(monkeypatch) -> None:
    now = [0.0]
    shown, pipe = Terminal(), Terminal(is_terminal=False)
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    for stream in (shown, pipe):
        now[0] = 0.0
        monkeypatch.setattr(sys, "stderr", stream)
        tell = progress.make_progress("reading")
        for at, done in ((1.0, 1), (1.05, 2)):
            now[0] = at
            tell(done, 2)
    assert shown.getvalue().count("\r") == 2
    assert shown.getvalue().endswith("2/2\n")
    assert pipe.getvalue() == ""


class Colour(Enum):
    RED = "red"


@dataclass(frozen=True)
class Pair:
    a: Any
    b: Any


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (np.float64(1.5), 1.5),
        (np.array([[1, 2], [3, 4]]), [[1, 2], [3, 4]]),
        (np.array([1.0, np.nan, np.inf]), [1.0, None, None]),
        (Colour.RED, "red"),
        (Pair(1, Pair("x", (2.5, -math.inf))), {"a": 1, "b": {"a": "x", "b": [2.5, None]}}),
        ({1: {Path("a/b")}}, {"1": ["a/b"]}),
        (frozenset({3}), [3]),
        (True, True),
        (None, None),
        (Path("a/b"), "a/b"),
        (Pair, str(Pair)),  # a type is no value of it
    ],
)
def test_values_become_what_json_knows(value: object, plain: object) -> None:
    found = to_plain(value)
    assert found == plain
    assert type(found) is type(plain)


def test_json_is_one_document_of_lines(capsys) -> None:
    print_json({"a": [1, math.nan]})
    assert capsys.readouterr().out == '{\n "a": [\n  1,\n  null\n ]\n}\n'


def test_recordings_are_those_named_and_all_below_the_folders_named(tmp_path) -> None:
    (tmp_path / "in" / "deep").mkdir(parents=True)
    for name in ("in/b.hold", "in/a.hold", "in/deep/c.hold", "in/d.csv"):
        (tmp_path / name).touch()
    assert find_recordings([tmp_path / "x.hold", tmp_path / "in"]) == [
        tmp_path / name for name in ("x.hold", "in/a.hold", "in/b.hold", "in/deep/c.hold")
    ]
    (tmp_path / "empty").mkdir()
    with pytest.raises(RecordingError, match=r"no recordings in .*empty; name a file or folder with \*\.hold"):
        find_recordings([tmp_path / "empty"])


@pytest.mark.parametrize(
    "text", ["", "2026", "2026-01", "2026-12-31", "2026-01-31T18:00:00+00:00", "2026-01-31T18:00Z"]
)
def test_what_begins_a_date_is_one(text) -> None:
    assert read_date(text, "--since") == text


@pytest.mark.parametrize("text", ["26", "2026-13", "2026-00", "2026-01-32", "2026-1", "31.01.2026", "2026-01-31 18:00"])
def test_what_is_no_date_is_refused(text) -> None:
    with pytest.raises(RecordingError) as refused:
        read_date(text, "--since")
    assert str(refused.value) == (f"--since {text} is not a date; write --since 2026-01-31, or 2026-01 for the month")


@pytest.mark.parametrize(
    ("text", "parsed"),
    [("pull=412", ("pull", 412.0)), ("Pull (N)=0.001", ("pull", 0.001)), ("calf=999999999", ("calf", 999999999.0))],
)
def test_a_maximum_is_a_channel_and_a_number(text, parsed) -> None:
    assert parse_maximum(text, ["calf", "pull"], ["uV", "N"]) == parsed


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("412", "--maximum 412: no channel '412'; write --maximum calf=412"),
        ("arm=4", "--maximum arm=4: no channel 'arm'; use one of calf, pull"),
        ("pull=x", "--maximum pull=x: not a number above 0; write --maximum pull=412"),
        ("pull=0", "--maximum pull=0: not a number above 0; write --maximum pull=412"),
        ("pull=nan", "--maximum pull=nan: not a number above 0; write --maximum pull=412"),
        ("pull=1e9", "--maximum pull=1e9: no sensor measures as much; write --maximum pull=412"),
        ("pull=inf", "--maximum pull=inf: no sensor measures as much; write --maximum pull=412"),
    ],
)
def test_a_maximum_that_cannot_be_says_the_cure(text, told) -> None:
    with pytest.raises(CalibrationError) as refused:
        parse_maximum(text, ["calf", "pull"])
    assert str(refused.value) == told


def test_who_sits_where() -> None:
    assert seat_athletes(["a"], []) == [("a", "A01")]
    assert seat_athletes(list("abcd"), ["A1", "A2", "A3", "A4"]) == list(
        zip("abcd", ["A1", "A2", "A3", "A4"], strict=True)
    )
    for sources, codes, told in (
        (
            list("abcde"),
            list("vwxyz"),
            "5 sources; one session has at most 4; start a second session on another --port",
        ),
        (["a", "b"], [], "--source is given 2 times, --athlete 0 times; give each --source its --athlete"),
        (["a"], ["A1", "A2"], "--source is given 1 times, --athlete 2 times"),
        (["a", "b"], ["A1", "a1"], "the codes A1, a1 are not all different; give each athlete another code"),
    ):
        with pytest.raises(SessionError, match=told):
            seat_athletes(sources, codes)


def test_whose_a_value_is() -> None:
    assert pick_own(["force=3", "A1:force=4"], "A1", ["A1"], "--maximum") == ["force=3", "force=4"]
    both = ["A1:force=3", "A2:force=4"]
    assert pick_own(both, "A2", ["A1", "A2"], "--maximum") == ["force=4"]
    with pytest.raises(SessionError, match="--maximum force=3 does not say whose it is; write --maximum A1:force=3"):
        pick_own([*both, "force=3"], "A1", ["A1", "A2"], "--maximum")


def test_a_folder_that_was_there_is_missed_and_one_that_comes_is_taken(tmp_path, monkeypatch) -> None:
    folder = tmp_path / "stick"
    watch = FolderWatch(folder)
    watch.check()  # it was never there
    folder.mkdir()
    watch.check()
    watch.check()
    folder.rmdir()
    with pytest.raises(RecordingError, match="is gone: was the stick pulled out"):
        watch.check()
    folder.mkdir()
    watch.check()
    monkeypatch.setattr(watch, "_find_drive", lambda: -5)  # another drive's in its place
    with pytest.raises(RecordingError, match="put it back in"):
        watch.check()


def test_the_first_mistake_of_a_field_stands_and_texts_are_short() -> None:
    mistakes = Mistakes()
    mistakes.refuse()
    for name, what in (("a", "one"), ("a", "two"), ("b", "three")):
        with mistakes.at(name):
            raise SessionError(what, "cure")
    with pytest.raises(FormError, match="one; cure") as refused:
        mistakes.refuse()
    assert {name: error.what for name, error in refused.value.mistakes.items()} == {"a": "one", "b": "three"}
    assert read_text({"a": f"  {'x' * 400} "}, "a") == "x" * LONGEST_TEXT
    assert read_text({"a": 5}, "a") == read_text({}, "a") == ""


def test_workers_that_would_make_other_rows_are_refused(tmp_path, monkeypatch) -> None:
    version, sees_it = look_around(str(tmp_path))
    assert sees_it
    assert not look_around(str(tmp_path / "none"))[1]
    check_workers({"w1": (version, True), "w2": (version, True)}, tmp_path)
    for told, words in (
        ({"w1": (version, True), "w2": ("0.0", True)}, f"worker w2 has version 0.0, this program {version}; install"),
        ({"w1": (version, False)}, f"worker w1 does not see {tmp_path}; mount it there under the same path"),
    ):
        with pytest.raises(Exception, match=words):
            check_workers(told, tmp_path)
    monkeypatch.setattr("biofeedback.wiring.parallel.count_cores", lambda: 8)
    assert list(run_parallel(len, ["abc"])) == [3]  # one file is not worth a process
    assert list(run_parallel(len, ["abc", "d"], n_workers=1)) == [3, 1]
    assert list(run_parallel(len, [])) == []


class Broken(io.StringIO):
    def __init__(self, error: OSError) -> None:
        super().__init__()
        self._error = error

    def write(self, text: str) -> int:
        raise self._error

    def flush(self) -> None:
        raise self._error


@pytest.mark.parametrize("act", ["write", "flush"])
def test_nobody_reads_any_more_ends_a_command_and_not_a_session(act) -> None:
    def do(stream: PlainStream) -> None:
        stream.write("x") if act == "write" else stream.flush()

    hasty = PlainStream(Broken(BrokenPipeError()), is_patient=False)
    with pytest.raises(BrokenPipeError):
        do(hasty)
    patient = PlainStream(Broken(BrokenPipeError()), is_patient=True)
    full = PlainStream(Broken(OSError(28, "full")), is_patient=False)
    for stream in (patient, full):
        assert stream.failure is None
        do(stream)
        assert isinstance(stream.failure, OSError)


def test_a_stream_hands_on_what_can_be_seen() -> None:
    inner = Terminal()
    stream = PlainStream(inner, is_patient=True)
    assert stream.write("\r\rä\x1b\rb\n") == 7
    stream.flush()
    assert (inner.getvalue(), inner.n_flushed) == ("\r\rä\\x1b\\rb\n", 1)
    assert stream.isatty()
    assert not PlainStream(Terminal(is_terminal=False), is_patient=True).isatty()
    assert not PlainStream(None, is_patient=True).isatty()
    assert PlainStream(None, is_patient=False).write("x") == 1
    inner.close()
    assert not stream.isatty()
    stream.write("x")
    assert stream.failure is None


def test_both_streams_are_plain_inside_and_as_before_outside() -> None:
    before = sys.stdout, sys.stderr
    with plain_output(is_patient=False) as out:
        assert sys.stdout is out
        assert isinstance(sys.stderr, PlainStream)
        assert (out._is_patient, sys.stderr._is_patient) == (False, True)
    assert (sys.stdout, sys.stderr) == before
