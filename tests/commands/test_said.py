"""What ``check``, ``forget``, ``amend``, ``list`` and ``sensors`` say, line by line, and with which exit code."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from biofeedback.acquisition.health import Finding
from biofeedback.acquisition.profiles import list_profiles
from biofeedback.cli import main
from biofeedback.commands import forget, sensors
from biofeedback.commands.amend import check_times
from biofeedback.commands.check import free_name, print_verdict
from biofeedback.commands.list import check_word, format_row, print_table
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Chunk, Event
from biofeedback.storage.check import Verdict
from biofeedback.storage.library import Entry
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from ..storage.helpers import execute, make_counts, make_settings


def make(path: Path, **settings: object) -> Path:
    with Recorder.create(path, make_settings(**settings), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(500)))
        recorder.event(Event(100, "rating", {"value": 6, "phase_index": None}))
    return path


def say(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, list[str], list[str]]:
    code = main([*map(str, words)])
    told = capsys.readouterr()
    return code, told.out.splitlines(), told.err.splitlines()


def test_check_says_of_each_file_whether_it_is_sound_and_counts_them(tmp_path, capsys) -> None:
    a, b = make(tmp_path / "a.hold"), make(tmp_path / "b.hold")
    assert say(capsys, "check", tmp_path) == (
        0,
        [f"sound    {a}  5.0 s, 1 events", f"sound    {b}  5.0 s, 1 events", "sound: 2 of 2"],
        [],
    )
    execute(b, "UPDATE chunks SET crc32 = crc32 + 1")
    none = tmp_path / "none.hold"
    code, told, problems = say(capsys, "check", tmp_path, none)
    assert (code, told[0], told[-1]) == (1, f"sound    {a}  5.0 s, 1 events", "sound: 1 of 3")
    assert told[1].startswith(f"damaged  {b}  ")
    assert all(line.startswith("         ") for line in told[2:-1])
    assert not [line for line in told if "all that is sound is in" in line]
    assert problems[0].startswith("refused  ")
    assert str(none) in problems[0]
    code, told, _ = say(capsys, "check", tmp_path, none, "--json")
    found = json.loads("\n".join(told))
    assert (code, found["n_sound"]) == (1, 1)
    assert [one["is_sound"] for one in found["recordings"]] == [True, False, False]
    assert [one["refused"] is None for one in found["recordings"]] == [True, True, False]
    assert found["recordings"][0]["n_events"] == 1


def test_check_repairs_what_needs_it_into_a_copy_of_a_free_name(tmp_path, capsys) -> None:
    a, b = make(tmp_path / "a.hold"), make(tmp_path / "b.hold")
    execute(b, "UPDATE chunks SET crc32 = crc32 + 1")
    (tmp_path / "b-repaired.hold").touch()
    (tmp_path / "b-repaired-2.hold").touch()
    code, told, _ = say(capsys, "check", a, b, "--repair")
    assert code == 1
    assert told[-2] == f"         all that is sound is in {tmp_path / 'b-repaired-3.hold'}"
    assert sorted(path.name for path in tmp_path.glob("*-repaired-3.hold")) == ["b-repaired-3.hold"]
    assert free_name(tmp_path / "c.hold") == tmp_path / "c-repaired.hold"
    (tmp_path / "c-repaired.hold").touch()
    assert free_name(tmp_path / "c.hold") == tmp_path / "c-repaired-2.hold"
    assert not (tmp_path / "a-repaired.hold").exists()
    code, _, (problem,) = say(capsys, "check", b, "--like", a)
    assert (code, problem.endswith("--like is for --repair; add --repair, or leave --like out")) == (1, True)


def test_a_verdict_without_a_length_says_so(capsys) -> None:
    print_verdict(Verdict(Path("a\x1b.hold"), math.nan, 3, ("p\x1bq",), ("r",), Path("c.hold")))
    assert capsys.readouterr().out.splitlines() == [
        "damaged  a\\x1b.hold  length unknown, 3 events",
        "         p\\x1bq",
        "         r",
        "         all that is sound is in c.hold",
    ]


@pytest.mark.parametrize(("n_files", "what"), [(1, "this file"), (2, "these 2 files")])
def test_only_the_code_itself_lets_files_go(n_files, what, monkeypatch) -> None:
    asked: list[str] = []

    def answer(text: str):
        monkeypatch.setattr("builtins.input", lambda question: asked.append(question) or text)

    for text, goes in ((" A01 ", True), ("a01", False), ("yes", False), ("", False)):
        answer(text)
        assert forget.confirm("A01", n_files) is goes
    assert set(asked) == {f"Delete {what} for good? Type the code to go on: "}


def test_forget_says_what_went_and_what_was_searched(tmp_path, capsys, monkeypatch) -> None:
    def nobody(question: str) -> str:
        raise EOFError

    a, _ = make(tmp_path / "A01-1.hold", athlete="A01"), make(tmp_path / "A02-1.hold", athlete="A02")
    monkeypatch.setattr("builtins.input", nobody)
    assert say(capsys, "forget", "A01", "--folder", tmp_path) == (1, [str(a), "Nothing was deleted."], [])
    monkeypatch.setattr(forget, "forget_phones", lambda folder, code: 1)
    code, told, problems = say(capsys, "forget", "A01", "--folder", tmp_path, "--yes")
    assert (code, problems, a.exists()) == (0, [], False)
    assert told[:2] == [str(a), "1 phone will not find the seat again without a new code."]
    assert told[2].endswith(" MB overwritten.")
    assert told[2].startswith("1 files deleted, ")
    assert told[3:] == [
        "1 other files searched: none mentions A01.",
        "Backups, copies elsewhere and spare blocks of the disk are beyond this program.",
    ]
    (tmp_path / "note.txt").write_text("A09 was here")
    monkeypatch.setattr(forget, "forget_phones", lambda folder, code: 2)
    code, told, problems = say(capsys, "forget", "A09", "--folder", tmp_path, "--yes")
    assert code == 1
    assert told[0] == "2 phones will not find the seat again without a new code."
    assert told[1] == f"There is no recording of A09 in {tmp_path}: nothing was deleted."
    assert len(told) == 3  # with a trace left nothing is promised
    assert len(problems) == 1
    assert problems[0].startswith("still mentions A09: ")
    assert "note.txt" in problems[0]


def test_forget_needs_a_folder_and_a_code(tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", str(tmp_path / "none"))
    code, _, (problem,) = say(capsys, "forget", "A01")
    assert code == 1
    assert f"there is no folder {tmp_path / 'none'}; give the folder that holds the recordings with --folder" in problem


def test_amend_says_what_it_added_and_refuses_what_lies_behind_the_end(tmp_path, capsys) -> None:
    path = make(tmp_path / "a.hold")
    before = datetime.now(UTC).isoformat(timespec="milliseconds")
    assert say(capsys, "amend", path, "--rating", "2=3") == (0, [f"1 event added to {path}"], [])
    assert say(capsys, "amend", path, "--note", "windy", "--maximum", "force0=9") == (
        0,
        ["maximum of force0: 9 count, typed by command line", f"4 events added to {path}"],
        [],
    )
    after = datetime.now(UTC).isoformat(timespec="milliseconds")
    recording = open_recording(path)
    assert sorted((event.frame, event.kind) for event in recording.events if event.utc) == [
        (0, "maximum"),
        (0, "note"),
        (0, "note"),
        (0, "zero"),
        (200, "rating"),
    ]
    assert all(before <= event.utc <= after for event in recording.events if event.utc)
    assert [event.data["by"] for event in recording.events if event.data.get("text") == "windy"] == ["command line"]
    code, _, (problem,) = say(capsys, "amend", path)
    assert code == 1
    assert "nothing to add; give --rating, --events, --maximum, --maximum-from, --rest or --note" in problem
    code, _, (problem,) = say(capsys, "amend", path, "--rating", "5.1=3")
    assert code == 1
    assert "5.1 s is after the end, 5.0 s; check the times" in problem
    assert say(capsys, "amend", path, "--rating", "5=3")[0] == 0  # at the very end
    check_times([], 0, 100.0)
    with pytest.raises(RecordingError, match=r"0\.1 s is after the end, 0\.0 s"):
        check_times([Event(0, "note", {}), Event(10, "note", {}), Event(20, "note", {})], 0, 100.0)


def test_amend_tells_what_is_odd_about_a_table_of_events(tmp_path, capsys) -> None:
    path = make(tmp_path / "a.hold")
    (tmp_path / "told.csv").write_text("onset,duration,text\n1,,rating 4\n2,2,phase passive\n3,,cold hands\n")
    code, told, _ = say(capsys, "amend", path, "--events", tmp_path / "told.csv")
    assert (code, told[-1]) == (0, f"6 events added to {path}")  # three of them the phase, its relaxing and its end
    assert len(told) > 1  # a text that is neither phase nor rating becomes a remark, and that is told


def test_amend_refuses_phases_that_overlap_and_names_the_table(tmp_path, capsys) -> None:
    path = make(tmp_path / "a.hold")
    events = tmp_path / "told.csv"
    events.write_text("onset,duration,text\n1,2,phase passive\n2,1,phase contract 40-60 %\n")
    code, _, (problem,) = say(capsys, "amend", path, "--events", events)
    assert code == 1
    assert f"{events}: the phase at 1.00 s lasts until 3.00 s, the next begins at 2.00 s; shorten it" in problem
    events.write_text("onset,duration,text\n1,4,phase passive\n")  # to the very end
    assert say(capsys, "amend", path, "--events", events)[0] == 0
    assert [phase.end_frame for phase in open_recording(path).account.phases] == [None]


@pytest.mark.parametrize("command", ["check", "list", "forget"])
def test_what_was_left_unfinished_is_finished_first_and_told(command, tmp_path, capsys, monkeypatch) -> None:
    make(tmp_path / "a.hold")
    looked_at: list[Path] = []
    monkeypatch.setattr(f"biofeedback.commands.{command}.tell_unfinished", looked_at.append)
    words = ("A09", "--folder", tmp_path, "--yes") if command == "forget" else (tmp_path,)
    say(capsys, command, *words)
    assert looked_at == [tmp_path]


def test_the_list_is_a_table_of_what_was_recorded(capsys) -> None:
    full = Entry(
        "a.hold", "1", "2026-01-05T18:00:09+00:00", "A01", "hurdle", "left", "floor", "x; y", "", 754.0, 7, 1, "less"
    )
    assert format_row(full) == (
        "2026-01-05 18:00",
        "A01 (simulated)",
        "hurdle",
        "left",
        "floor",
        "x; y",
        "12.6",
        "7",
        "less",
        "a.hold",
    )
    assert format_row(Entry("b.hold", "1", athlete="A02"))[1] == "A02"
    print_table([Entry("c.hold", "1", problem="it is\x1b empty"), Entry("b\x1b.hold", "1", athlete="A02")])
    assert capsys.readouterr().out.splitlines() == [
        "when (UTC)  athlete  exercise  side  position  plan  minutes  ratings  answer  file",
        "            A02                                      0.0      0                b\\x1b.hold",
        "cannot be read: it is\\x1b empty",
    ]
    print_table([Entry("c.hold", "1", problem="empty")])
    assert capsys.readouterr().out.splitlines() == ["cannot be read: empty"]


@pytest.mark.parametrize(
    ("word", "cure"),
    [("les", "did you mean 'less'?"), ("decided", "did you mean 'not decided"), ("MOER", "did you mean 'more'?")],
)
def test_a_word_that_is_no_answer_gets_the_nearest_or_one_that_holds_it(word, cure) -> None:
    check_word("")
    check_word("  ")
    with pytest.raises(BiofeedbackError, match=cure):
        check_word(word)


def test_findings_stand_in_columns_with_the_cure_below() -> None:
    findings = [
        Finding("good", "gaps", "no gaps"),
        Finding("bad", "rate", "80 of 100 frames/s", "use rate=80"),
        Finding("look", "pull", "noisy", "check"),
    ]
    assert sensors.format_findings(findings).splitlines() == [
        "ok           gaps  no gaps",
        "BAD          rate  80 of 100 frames/s",
        "                  → use rate=80",
        "look         pull  noisy",
        "                  → check",
    ]


def test_profiles_stand_in_columns(capsys, tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("BIOFEEDBACK_PROFILES", str(tmp_path))
    code, told, _ = say(capsys, "sensors", "profiles")
    names = list(list_profiles())
    assert (code, [line.split()[0] for line in told]) == (0, names)
    width = max(map(len, names))
    assert all(line[: width + 2] == f"{name:{width + 2}}" for line, name in zip(told, names, strict=True))
    lines = dict(zip(names, told, strict=True))
    assert lines["frame-lines"][width + 2 :].startswith("serial  ")
    assert lines["frame-lines"].endswith(")")


def test_radios_are_listed_with_every_profile_that_fits(monkeypatch, capsys) -> None:
    from biofeedback.acquisition import scan
    from biofeedback.acquisition.scan import RadioSeen

    seen = RadioSeen("11:22", "Scale", -61, ("ble-a", "ble-b"))
    monkeypatch.setattr(sensors, "find_ports", list)
    monkeypatch.setattr(scan, "scan_radios", lambda: [seen])
    code, told, _ = say(capsys, "sensors", "list", "--no-ask")
    assert (code, told[:2]) == (0, ["No serial port was found.", "Radios:"])
    assert told[2].startswith("  ")
    assert told[2].endswith("  -61 dBm")
    assert [line.partition("?")[2] for line in told[3:]] == ["profile=ble-a'", "profile=ble-b'"]
    assert all(line.startswith("    --source 'ble:") for line in told[3:])
    monkeypatch.setattr(scan, "scan_radios", list)
    told = say(capsys, "sensors", "list", "--no-ask")[1]
    assert told[-1] == "No Bluetooth LE device with a known profile is in range."

    def refuse() -> list[RadioSeen]:
        raise BiofeedbackError("it is off", "switch it on")

    monkeypatch.setattr(scan, "scan_radios", refuse)
    code, told, _ = say(capsys, "sensors", "list", "--no-ask")
    assert (code, told[-1]) == (0, "Radios: it is off; switch it on")
    monkeypatch.setattr(sensors, "find_ports", lambda: [("COM3", "board"), ("COM4", "")])
    assert say(capsys, "sensors", "list", "--no-ask", "--no-radio")[1] == ["Ports:", "  COM3  board", "  COM4  "]


@pytest.mark.parametrize("seconds", ["0", "-1", "3600.1", "inf"])
def test_a_sensor_is_watched_for_seconds_not_for_days(seconds, capsys) -> None:
    code, _, (problem,) = say(capsys, "sensors", "check", "simulated:?seed=1", "--seconds", seconds)
    assert code == 1
    assert "cannot be watched; give seconds above 0, up to 3600" in problem


def test_the_exit_code_of_a_check_is_about_what_is_bad(monkeypatch, capsys, tmp_path) -> None:
    class Watched:
        channels = ()

        def counts(self):
            return np.empty((0, 0))

    drawn: list[object] = []
    watched: list[float] = []
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", str(tmp_path))
    monkeypatch.setattr(sensors, "watch_sensor", lambda source, seconds: watched.append(seconds) or Watched())
    monkeypatch.setattr(sensors, "draw_picture", lambda path, seen, findings, title: drawn.append((path, title)))
    for states, code in ((("good", "look"), 0), (("good", "bad"), 1), ((), 0)):
        findings = [Finding(state, "x", "y") for state in states]
        monkeypatch.setattr(sensors, "judge_watched", lambda seen, findings=findings: findings)
        assert say(capsys, "sensors", "check", "simulated:?seed=1", "--seconds", "3600")[0] == code
    assert watched == [3600.0] * 3
    assert drawn[0][0] == tmp_path / "sensor-check.png"
    _, told, _ = say(capsys, "sensors", "check", "simulated:?seed=1", "--picture", tmp_path / "a.svg")
    assert (drawn[-1][0], watched[-1], told[-1]) == (tmp_path / "a.svg", 10.0, f"Picture: {tmp_path / 'a.svg'}")
    assert told[0].endswith(" for 10 s: sensor attached, muscle relaxed, sit still.")
