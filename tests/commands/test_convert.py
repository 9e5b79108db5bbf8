"""``biofeedback convert`` as a person calls it: what it says of one file and of many, line by line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from biofeedback.cli import main
from biofeedback.commands.convert import choose_out, find_suspects, split_mapping
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Flag
from biofeedback.storage.recording import open_recording


def write_pull(path: Path, n_rows: int = 3000) -> Path:
    """30 s at 100 rows a second: 5 N, and 105 N from 10 to 14 s."""
    values = np.full(n_rows, 5.0)
    values[1000:1400] += 100.0
    values += np.random.default_rng(1).normal(0, 0.2, n_rows)
    path.write_text("time_s,force_N\n" + "".join(f"{k / 100:.2f},{v:.3f}\n" for k, v in enumerate(values)))
    return path


def say(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, list[str], list[str]]:
    code = main(["convert", *map(str, words)])
    told = capsys.readouterr()
    return code, told.out.splitlines(), told.err.splitlines()


def test_one_file_is_summed_up_with_where_it_is_and_what_comes_next(tmp_path, capsys) -> None:
    path = write_pull(tmp_path / "A07_left.csv")
    code, told, _ = say(capsys, path, "--maximum", "force=100", "--started", "2026-01-05T18:00:00+00:00")
    made = tmp_path / "A07_left.hold"
    assert code == 0
    assert told == [
        "note: maximum of force: 100 N, typed by command line",
        "note: zero is taken as 0: without --rest FROM-TO nobody knows what the channels read at rest",
        "3,000 rows, 100 Hz, 30 s, 0 gaps",
        f"Recording: {made}",
        f"Report:    biofeedback report {made}",
    ]
    settings = open_recording(made).settings
    assert settings["started_utc"] == "2026-01-05T18:00:00+00:00"
    assert not settings.get("athlete")  # of a single file the code is typed
    code, told, _ = say(
        capsys, path, "--out", tmp_path / "b.hold", "--rest", "1-3", "--maximum", "force=100", "--athlete", "B1"
    )
    assert (code, [line for line in told if "zero is taken" in line]) == (0, [])
    assert open_recording(tmp_path / "b.hold").settings["athlete"] == "B1"
    code, told, _ = say(capsys, path, "--out", tmp_path / "c.hold")
    assert told[0] == "3,000 rows, 100 Hz, 30 s, 0 gaps"


def test_many_files_have_a_line_each_and_their_athletes_from_their_names(tmp_path, capsys) -> None:
    write_pull(tmp_path / "A07 left.csv")
    write_pull(tmp_path / "left.csv")
    (tmp_path / "broken.csv").write_text("time_s,force_N\n")
    (tmp_path / "out").mkdir()
    code, told, problems = say(capsys, tmp_path, "--out", tmp_path / "out", "--side", "left", "--maximum", "force=9")
    assert code == 1
    assert told == [
        "A07 left.csv: 3,000 rows, 100 Hz, 30 s, 0 gaps, athlete A07",
        "  note: maximum of force: 9 N, typed by command line",
        "  note: zero is taken as 0: without --rest FROM-TO nobody knows what the channels read at rest",
        "left.csv: 3,000 rows, 100 Hz, 30 s, 0 gaps",
        "  note: maximum of force: 9 N, typed by command line",
        "  note: zero is taken as 0: without --rest FROM-TO nobody knows what the channels read at rest",
        "2 of 3 files taken",
    ]
    (problem,) = problems
    assert problem.startswith("broken.csv: not taken: ")
    assert open_recording(tmp_path / "out" / "A07 left.hold").settings["side"] == "left"
    (tmp_path / "broken.csv").unlink()
    code, told, _ = say(capsys, tmp_path, "--preview")
    assert (code, told[-1]) == (0, "2 of 2 files can be taken")
    assert f"Nothing was written; without --preview it becomes {tmp_path / 'left.hold'}" in told
    assert [path.name for path in tmp_path.glob("*.hold")] == []
    assert say(capsys, tmp_path, "--athlete", "B2")[1][0].endswith(", athlete B2")


def test_a_folder_of_one_file_is_said_as_many_are(tmp_path, capsys) -> None:
    write_pull(tmp_path / "A07.csv")
    assert say(capsys, tmp_path)[1] == ["A07.csv: 3,000 rows, 100 Hz, 30 s, 0 gaps, athlete A07", "1 of 1 files taken"]


def test_many_files_do_not_become_one_recording(tmp_path, capsys) -> None:
    write_pull(tmp_path / "a.csv")
    write_pull(tmp_path / "b.csv")
    code, _, (problem,) = say(capsys, tmp_path, "--out", tmp_path / "one.hold")
    assert code == 1
    assert problem.endswith(f"--out {tmp_path / 'one.hold'} is one recording, 2 files are given; name a folder")


def test_of_a_table_of_events_it_is_said_whose_rows_and_files_do_not_meet(tmp_path, capsys) -> None:
    for name in ("A01", "A02", "A03"):
        write_pull(tmp_path / f"{name}.csv")
    events = tmp_path / "told.csv"
    events.write_text("athlete,onset,text\nA01,5,rating 3\nA09,6,rating 9\nA08,7,rating 2\n")
    code, told, _ = say(capsys, tmp_path, "--events", events)
    assert (code, told[:2], told[-1]) == (
        0,
        [
            "note: told.csv: rows about A09, A08 belong to none of the files",
            "note: told.csv: no row about A02.csv, A03.csv",
        ],
        "3 of 3 files taken",  # the table itself is none of them
    )
    assert [one.value for one in open_recording(tmp_path / "A01.hold").account.ratings] == [3.0]
    assert open_recording(tmp_path / "A02.hold").account.ratings == []
    events.write_text("onset,text\n5,rating 3\n6,rating 4\n")
    _, told, _ = say(capsys, tmp_path, "--events", events, "--preview")
    assert told[0] == "note: told.csv has no column of files or athletes: its 2 rows are taken for every file"
    events.write_text("athlete,onset,text\nA01,5,rating 3\nA02,6,rating 9\nA03,6,rating 9\n")
    assert say(capsys, tmp_path, "--events", events, "--preview")[1][0] == "A01.csv: 3,000 rows, 100 Hz, 30 s, 0 gaps"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["a.hold"], "a.hold is a recording already; read it: biofeedback report"),
        (["a.csv", "--rate", "inf"], "--rate inf is not a rate that can be used; give rows per second, above 0"),
        (["a.csv", "--rate", "0"], "--rate 0 is not a rate"),
        (["a.c3d", "--time", "t"], "--rate and --time are for tables; leave them out: a.c3d carries its own times"),
        (["a.EDF", "--rate", "5"], "are for tables"),
        (["a.xdf", "--rate", "5"], "are for tables"),
        (["a.csv", "--started", "noon"], "--started noon is not a date; write 2026-01-05T18:00:00+00:00"),
        (["a.csv", "--channel", "force"], "--channel force is not understood; write --channel NAME=KIND:UNIT*FACTOR"),
        (["a.csv", "--athlete", "Some Name"], "is not a code"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(words, told, tmp_path, capsys) -> None:
    write_pull(tmp_path / words[0])
    code, out, (problem,) = say(capsys, tmp_path / words[0], *words[1:])
    assert (code, out) == (1, [])
    assert told in problem


@pytest.mark.parametrize(
    ("text", "parts"), [("a=force:N", ("a", "force:N")), ("=x", ("", "x")), ("a=b=c", ("a", "b=c"))]
)
def test_a_channel_is_a_name_and_what_it_is(text, parts) -> None:
    assert split_mapping(text) == parts
    for wrong in ("a", "a=", ""):
        with pytest.raises(RecordingError, match="is not understood"):
            split_mapping(wrong)


def test_where_a_recording_goes(tmp_path) -> None:
    path, folder, new = Path("in/a.b.csv"), tmp_path, tmp_path / "new.hold"
    assert choose_out(path, None, many=False) == choose_out(path, None, many=True) == Path("in/a.b.hold")
    assert choose_out(path, new, many=False) == new
    assert choose_out(path, folder, many=False) == choose_out(path, folder, many=True) == folder / "a.b.hold"
    assert choose_out(path, tmp_path / "later", many=True) == tmp_path / "later" / "a.b.hold"


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        (Flag.ELECTRODE, "a loose, dry or dead electrode"),
        (Flag.HUM, "mains hum"),
        (Flag.FLAT, "no change at all"),
        (Flag.CLIPPED, "clipping"),
    ],
)
def test_a_channel_is_suspect_from_a_fifth_of_the_time_that_is_known(flag, words) -> None:
    channels = (Channel(name="pull", kind="force"), Channel(name="calf", kind="emg"))
    flags = np.zeros((200, 2), dtype=np.uint16)
    flags[:100, 1] = int(Flag.MISSING) | int(flag)  # what did not come says nothing
    flags[100:119, 1] = int(flag)
    assert find_suspects(channels, flags) == []
    flags[119, 1] |= int(flag) | int(Flag.SPIKE)
    assert find_suspects(channels, flags) == [f"calf: {words} for 20 % of the time"]
    flags[:, 0] = int(Flag.MISSING) | int(flag)
    assert len(find_suspects(channels, flags)) == 1
    assert find_suspects(channels, flags[:0]) == []
