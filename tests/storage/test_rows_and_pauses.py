"""Small rules of files, at their borders: pauses between records, rows that tile the time, formulas in tables."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Gap, Note
from biofeedback.storage.borrow import infer_width
from biofeedback.storage.edf_records import find_pauses, insert_pauses, list_pauses, read_record_onsets
from biofeedback.storage.partition import Partition, storable
from biofeedback.storage.schema import pack_counts
from biofeedback.storage.spreadsheet import count_formulas, neutralise, tell_formulas, write_rows


def write_records(path: Path, onsets: list[str | None], *, n_bytes: int = 2, label: str = "EDF Annotations") -> Path:
    """Two signals of 4 and 3 samples and annotations of 20, laid out as Kemp & Olivan (2003) have it."""
    labels, n_samples = ["pull", "calf", label], [4, 3, 20]
    n = len(labels)
    head = (b"\xffBIOSEMI" if n_bytes == 3 else b"0       ").ljust(184) + str(256 * (n + 1)).encode().ljust(8)
    head = head.ljust(252) + str(n).encode().ljust(4)
    signals = b"".join(one.encode().ljust(16) for one in labels).ljust(216 * n)
    signals += b"".join(str(one).encode().ljust(8) for one in n_samples)
    records = b"".join(
        bytes(7 * n_bytes) + (f"{onset}\x14\x14\0" if onset else "").encode().ljust(20 * n_bytes, b"\0")
        for onset in onsets
    )
    path.write_bytes(head + signals.ljust(256 * n) + records)
    return path


@pytest.mark.parametrize("n_bytes", [2, 3])
def test_each_record_tells_when_it_begins(tmp_path: Path, n_bytes: int) -> None:
    label = "BDF Annotations" if n_bytes == 3 else "EDF Annotations"
    path = write_records(tmp_path / "a", ["+5", "+6.5", "+9."], n_bytes=n_bytes, label=label)
    onsets = read_record_onsets(path)
    assert onsets is not None
    assert onsets.tolist() == [0.0, 1.5, 4.0]
    path.write_bytes(path.read_bytes()[:-1])  # the last one was cut off
    cut = read_record_onsets(path)
    assert cut is not None
    assert cut.tolist() == [0.0, 1.5]


def test_a_file_that_tells_no_times_of_its_records_has_none(tmp_path: Path) -> None:
    assert read_record_onsets(write_records(tmp_path / "a", ["+5"], label="force")) is None
    assert read_record_onsets(write_records(tmp_path / "b", ["+5", None])) is None
    assert read_record_onsets(write_records(tmp_path / "c", [])) is None


@pytest.mark.parametrize(
    ("onsets", "pauses"),
    [
        ([0.0, 1.0, 2.0], []),
        ([0.0, 1.015, 2.0], []),  # a clock that trembles: 2 % of a record
        ([0.0, 1.0, 2.5, 3.5], [(200, 50)]),
        ([0.0, 2.0, 3.0, 5.0], [(100, 100), (300, 100)]),
        ([0.0, 1.03, 2.03], [(100, 3)]),
    ],
)
def test_a_later_record_is_a_pause(onsets: list[float], pauses: list[tuple[int, int]]) -> None:
    assert find_pauses(np.array(onsets), 1.0, 100.0, [100.0, 50.0] if pauses != [(100, 3)] else [100.0], "a") == pauses


def test_pauses_that_cannot_be_are_refused() -> None:
    assert find_pauses(None, 1.0, 100.0, [100.0], "a") == find_pauses(np.array([0.0, 5.0]), 0.0, 1.0, [1.0], "a") == []
    with pytest.raises(RecordingError) as refused:
        find_pauses(np.array([0.0, 1.0, 1.5]), 1.0, 100.0, [100.0], "a.edf")
    assert str(refused.value) == (
        "a.edf: its record 3 begins at 1.5 s, before the one before it ends; write it again as a continuous file"
    )
    with pytest.raises(RecordingError) as refused:
        find_pauses(np.array([0.0, 1.0, 2.03]), 1.0, 100.0, [100.0, 50.0], "a.edf")
    assert str(refused.value) == (
        "a.edf: the pause before 2.03 s is no whole number of readings of every channel; "
        "write its parts as files of their own"
    )


def test_in_a_pause_nothing_is_known() -> None:
    table = np.arange(10.0).reshape(5, 2)
    pauses = [(1, 2), (4, 1)]
    filled = insert_pauses(table, pauses)
    assert np.isnan(filled).all(axis=1).tolist() == [False, True, True, False, False, False, True, False]
    np.testing.assert_array_equal(filled[~np.isnan(filled).any(axis=1)], table)
    assert list_pauses(pauses) == [Gap(1, 2, "a pause in the file"), Gap(6, 1, "a pause in the file")]


def test_rows_are_quarters_of_a_second_however_chunks_are_cut() -> None:
    counts = np.arange(230.0).reshape(115, 2)
    whole = Partition(2, 80.0)
    rows = [*whole.push(Chunk(0, counts)), *whole.flush()]
    assert [(table, values[:2]) for table, values in rows] == [
        ("chunks", (first, min(20, 115 - first))) for first in range(0, 115, 20)
    ]
    for size in (1, 7, 20, 33):
        parts = Partition(2, 80.0)
        found = [row for at in range(0, 115, size) for row in parts.push(Chunk(at, counts[at : at + size]))]
        assert [*found, *parts.flush()] == rows
        assert parts.flush() == []
        assert parts.end_frame == 115
    assert Partition(1, 1.0).n_frames_per_row == 1


def test_frames_that_nobody_accounts_for_are_a_gap_of_their_own() -> None:
    parts = Partition(1, 80.0)
    assert parts.push(Chunk(5, np.ones((3, 1)))) == [("gaps", (0, 5, "frames missing before the next chunk"))]
    (chunk, gap) = parts.push(Gap(8, 4, "lost \ud800"))
    assert chunk == ("chunks", (5, 3, *pack_counts(np.ones((3, 1)), None)))
    assert gap == ("gaps", (8, 4, "lost \\ud800"))
    assert parts.push(Gap(12, 0, "none")) == []
    assert parts.push(Note(3, "said")) == [("notes", (3, "said"))]
    assert parts.push(Gap(15, 1, "lost")) == [
        ("gaps", (12, 3, "frames missing before the next chunk")),
        ("gaps", (15, 1, "lost")),
    ]
    assert parts.end_frame == 16
    assert storable("ä\udc80") == "ä\\udc80"


def test_what_cannot_follow_is_refused() -> None:
    parts = Partition(2, 80.0)
    assert parts.check(Chunk(5, np.ones((3, 2))), 5) == 8
    assert parts.check(Note(1, "x"), 5) == 5
    with pytest.raises(ValueError, match=r"frame 4 was already recorded \(up to 5\)"):
        parts.check(Gap(4, 9, "lost"), 5)
    with pytest.raises(ValueError, match=r"counts have shape \(3, 1\); 2 channels were set up"):
        parts.check(Chunk(5, np.ones((3, 1))), 5)


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+1", "'=1+1"),
        ("+x", "'+x"),
        ("-x", "'-x"),
        ("@x", "'@x"),
        ("\tx", "'\tx"),
        ("\rx", "'\rx"),
        ("-1.5", "-1.5"),
        ("+1e3", "+1e3"),
        ("x=1", "x=1"),
        ("", ""),
        (-2.5, -2.5),
        (None, None),
    ],
)
def test_a_text_that_a_spreadsheet_would_run_gets_an_apostrophe(cell: object, written: object) -> None:
    assert neutralise(cell) == written
    assert count_formulas([cell, cell]) == (2 if written != cell else 0)


def test_rows_are_written_with_what_was_changed_counted() -> None:
    file = io.StringIO(newline="")
    assert write_rows(file, [["a", None, 1.5], ["=1", "@x", "b"], ["-2", "-y", 0]]) == 3
    assert file.getvalue() == "a,,1.5\r\n'=1,'@x,b\r\n-2,'-y,0\r\n"
    assert tell_formulas(0, Path("x/a.csv")) == []
    assert tell_formulas(1, Path("x/a.csv")) == [
        "a.csv: a text that a spreadsheet would run as a formula has an apostrophe before it"
    ]
    assert tell_formulas(2, Path("x/a.csv")) == [
        "a.csv: 2 texts that a spreadsheet would run as formulas have an apostrophe before them"
    ]


@pytest.mark.parametrize("device_us", [None, np.arange(4.0)])
@pytest.mark.parametrize("counts", [np.arange(12.0).reshape(4, 3), np.arange(12.0).reshape(4, 3) + 0.25])
def test_how_many_channels_a_row_has_is_told_by_its_length(counts: np.ndarray, device_us: np.ndarray | None) -> None:
    row = (0, 4, *pack_counts(counts, device_us))
    assert infer_width([row]) == 3
    assert infer_width([(0, 0, row[2], b""), (0, 4, row[2], b""), (0, 4, "odd", b"x" * 64), row]) in (3, 4)
    assert infer_width([(0, 0, row[2], b""), row]) == 3
    assert infer_width([]) == 0
