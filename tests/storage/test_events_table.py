"""Phases and ratings in a table that a person wrote, as spreadsheets and scripts save it, and whose they are."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from biofeedback.cli import main
from biofeedback.errors import RecordingError
from biofeedback.storage.events_table import read_events_table
from biofeedback.storage.recording import open_recording

PLAIN = [(12.0, 8.0, "phase passive"), (18.0, None, "rating 6"), (20.0, 20.0, "phase contract 50-60 %")]


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "told.csv"
    path.write_bytes(text.encode(encoding))
    return path


def write_pushes(folder: Path, *names: str) -> None:
    rows = "\n".join(f"{k / 100},{10 + k % 7}" for k in range(6000))
    for name in names:
        (folder / name).write_text(f"time_s,force_N\n{rows}\n")


def ratings(path: Path) -> list[float | None]:
    return [one.value for one in open_recording(path).account.ratings]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("onset,duration,text\n12,8,phase passive\n18,,rating 6\n20,20,phase contract 50-60 %", "utf-8"),
        (
            "Onset;Duration;Text\n12,0;8,0;phase passive\n18,0;;rating 6\n20;20;phase contract 50-60 %",
            "utf-8",
        ),
        (
            "onset (s)\tduration (s)\ttext\n12\t8\tphase passive\n18\t\trating 6\n20\t20\tphase contract 50-60 %",
            "utf-16",
        ),
        (
            "onset_ms,duration_ms,text\n12000,8000,phase passive\n18000,,rating 6\n20000,20000,phase contract 50-60 %",
            "utf-8",
        ),
        (
            "# made by hand\nonset|duration|text\n12|8|phase passive\n18||rating 6\n20|20|phase contract 50-60 %",
            "latin-1",
        ),
        (
            "time_s,duration_s,description\r\n12,8,phase passive\r\n18,n/a,rating 6\r\n20,20,phase contract 50-60 %",
            "utf-8-sig",
        ),
    ],
)
def test_every_usual_way_of_saving_a_table(text: str, encoding: str, tmp_path: Path) -> None:
    table = read_events_table(write(tmp_path, text, encoding))
    assert table.select([]) == PLAIN
    assert table.remarks == ()


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("Phase contract 50-60%", "phase 1 contract 50-60 %"),
        ("phase: Contract 50 \u2013 60 %", "phase 1 contract 50-60 %"),
        ("Rating: 6,5", "rating 6.5"),
        ("discomfort 4", "rating 4"),
        ("rating=none", "rating none"),
    ],
)
def test_what_is_written_by_hand_is_meant(text: str, meant: str, tmp_path: Path) -> None:
    write_pushes(tmp_path, "a.csv")
    told = write(tmp_path, f"onset\ttext\n5\t{text}\n")
    assert main(["convert", str(tmp_path / "a.csv"), "--events", str(told)]) == 0
    assert main(["export", str(tmp_path / "a.hold"), "--to", "csv", "--out", str(tmp_path / "out")]) == 0
    assert meant in (tmp_path / "out" / "a_events.csv").read_text("utf-8")


@pytest.mark.parametrize(
    ("text", "cure"),
    [
        ("passive", "'phase passive'"),
        ("contract 50-60 %", "'phase contract 60-80 %'"),
        ("phase stretch", "'phase passive'"),
        ("phase contract 80-60 %", "'phase contract 60-80 %'"),
        ("phase contract hard", "'phase contract 60-80 %'"),
        ("rating 65", "'rating 6.5'"),
        ("rating much", "'rating 6.5'"),
    ],
)
def test_nearly_a_phase_or_a_rating_is_refused_and_not_kept_as_a_remark(text: str, cure: str, tmp_path: Path) -> None:
    path = write(tmp_path, f"onset\ttext\n5\tphase passive\n9\t{text}\n")
    with pytest.raises(RecordingError, match="line 3") as refused:
        read_events_table(path)
    assert text in refused.value.what
    assert cure in refused.value.cure


def test_texts_that_are_neither_and_columns_that_are_not_used_are_told(tmp_path: Path) -> None:
    table = read_events_table(write(tmp_path, "onset,text,rating\n5,strap slipped,6\n9,rest was too short,7\n"))
    assert table.remarks == (
        "told.csv: 2 texts are neither phase nor rating, kept as remarks: 'strap slipped'",
        "told.csv: not used of it: rating",
    )


@pytest.mark.parametrize(
    ("key", "whose"),
    [
        ("athlete", ("A01", "A02")),
        ("Subject", ("a01", "a02")),
        ("participant_id", ("sub-A01", "sub-A02")),
        ("File", ("A01_left.csv", "A02.csv")),
        ("recording", ("C:\\data\\A01_left.hold", "C:\\data\\A02.hold")),
    ],
)
def test_nobody_gets_the_ratings_of_another(key: str, whose: Sequence[str], tmp_path: Path) -> None:
    """Of a folder, of one file, and added afterwards."""
    write_pushes(tmp_path, "A01_left.csv", "A02.csv")
    one, other = whose
    told = str(write(tmp_path, f"onset,text,{key}\n5,rating 3,{one}\n6,rating 9,{other}\n7,rating 4,{one}\n"))
    assert (
        main(["convert", str(tmp_path), "--events", told]) == 0
    )  # the table lies in the folder, and is none of its files
    assert ratings(tmp_path / "A01_left.hold") == [3.0, 4.0]
    assert ratings(tmp_path / "A02.hold") == [9.0]
    assert (
        main(["convert", str(tmp_path / "A01_left.csv"), "--events", told, "--out", str(tmp_path / "A01_1.hold")]) == 0
    )
    assert ratings(tmp_path / "A01_1.hold") == [3.0, 4.0]
    (tmp_path / "A02.hold").unlink()
    assert main(["convert", str(tmp_path / "A02.csv")]) == 0
    assert main(["amend", str(tmp_path / "A02.hold"), "--events", told]) == 0
    assert ratings(tmp_path / "A02.hold") == [9.0]


def test_rows_of_nobody_and_files_without_rows_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_pushes(tmp_path, "A01.csv", "A02.csv")
    told = write(tmp_path, "athlete,onset,text\nA01,5,rating 3\nA09,5,rating 4\n,6,rating 5\n")
    assert main(["convert", str(tmp_path), "--events", str(told)]) == 0
    said = capsys.readouterr().out
    assert "rows about A09 belong to none of the files" in said
    assert "no row about A02.csv" in said
    assert "1 rows name nobody in the column athlete" in said


def test_a_table_that_names_nobody_is_for_every_file_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_pushes(tmp_path, "A01.csv", "A02.csv")
    told = write(tmp_path, "onset,text\n5,rating 3\n")
    assert main(["convert", str(tmp_path), "--events", str(told)]) == 0
    assert "no column of files or athletes: its 1 rows are taken for every file" in capsys.readouterr().out
    assert ratings(tmp_path / "A01.hold") == ratings(tmp_path / "A02.hold") == [3.0]


def test_a_table_about_others_only_is_refused_and_its_cure_works(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_pushes(tmp_path, "knee.csv")
    told = write(tmp_path, "athlete,onset,text\nA01,5,rating 3\n")
    arguments = ["convert", str(tmp_path / "knee.csv"), "--events", str(told)]
    assert main(arguments) == 1
    assert "no row about knee.csv, its column athlete names A01; write knee.csv there" in capsys.readouterr().err
    write(tmp_path, "athlete,onset,text\nknee.csv,5,rating 3\n")
    assert main(arguments) == 0
    assert ratings(tmp_path / "knee.hold") == [3.0]
