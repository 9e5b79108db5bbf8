"""Files made elsewhere: which reader takes which, which files of a folder are meant, and the preview word by word."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, Gap, Note
from biofeedback.storage import c3d_import, csv_import, edf_import, mat_import, xdf_import
from biofeedback.storage.imported import Imported
from biofeedback.wiring.importing import ImportOptions, find_foreign, preview, read_foreign, summarise

SAID = ImportOptions({"a": "force:N"}, "t", 50.0, "ms", "comma", {"athlete": "A01"})
ALL = {"channels": SAID.channels, "settings": SAID.settings}
TIMES = {"time": "t", "rate_hz": 50.0, "time_unit": "ms"}


@pytest.mark.parametrize(
    ("name", "module", "function", "handed"),
    [
        ("a.edf", edf_import, "import_edf", ALL),
        ("a.BDF", edf_import, "import_edf", ALL),
        ("a.mat", mat_import, "import_mat", {**ALL, **TIMES}),
        ("a.XDF", xdf_import, "import_xdf", ALL),
        ("a.c3d", c3d_import, "import_c3d", ALL),
        ("a.csv", csv_import, "import_csv", {**ALL, **TIMES, "decimal": "comma"}),
        ("a.mat.dat", csv_import, "import_csv", {**ALL, **TIMES, "decimal": "comma"}),
        ("edf", csv_import, "import_csv", {**ALL, **TIMES, "decimal": "comma"}),
    ],
)
def test_the_ending_tells_the_reader_and_all_that_was_said_reaches_it(
    name: str, module: object, function: str, handed: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    monkeypatch.setattr(module, function, lambda path, **words: seen.append((path, words)))
    read_foreign(Path(name), SAID)
    assert seen == [(Path(name), handed)]


def test_of_a_folder_the_files_of_known_endings_are_meant_and_those_named_in_any_case(tmp_path: Path) -> None:
    taken = ["a.csv", "b.TSV", "c.txt", "d.dat", "e.asc", "f.edf", "g.bdf", "h.mat", "i.xdf", "j.C3D"]
    others = ["k.hold", "l.json", "a_events.csv", "a_events.tsv", "a_channels.tsv", "participants.tsv", "s_scans.tsv"]
    for name in (*others, *reversed(taken), "m.half-1f3a-9c0d41e2.csv"):
        (tmp_path / name).touch()
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "folder.csv" / "deep.csv").touch()
    (tmp_path / "empty").mkdir()
    assert find_foreign([tmp_path]) == [tmp_path / name for name in taken]
    assert find_foreign([tmp_path / "l.json", tmp_path / "empty", tmp_path / "folder.csv"]) == [
        tmp_path / "l.json",
        tmp_path / "folder.csv" / "deep.csv",
    ]
    with pytest.raises(RecordingError) as told:
        find_foreign([tmp_path / "empty"])
    assert str(told.value) == (
        f"no file to convert in {tmp_path / 'empty'}; "
        "endings that are known: .csv, .tsv, .txt, .dat, .asc, .edf, .bdf, .mat, .xdf, .c3d"
    )


def make_imported(*, n_gaps: int = 1, remarks: tuple[str, ...] = (), events: tuple[Event, ...] = ()) -> Imported:
    """1,300 rows of force in two pieces at 1000 Hz, with an EMG envelope of its own rate that begins late."""
    channels = (
        Channel(name="pull", kind="force", unit="N", factor=2.0),
        Channel(name="calf", kind="emg", unit="uV", rate_hz=62.5, envelope=True),
    )
    first = np.column_stack([np.arange(1000.0), np.full(1000, np.nan)])
    second = np.column_stack([np.arange(300.0) - 0.123456, np.full(300, 123456.7)])
    items = [Chunk(0, first), Chunk(1500, second), Note(1700, "odd")]
    n = 500 // max(n_gaps, 1)
    items[1:1] = [Gap(1000 + n * k, n, "lost") for k in range(n_gaps)]
    settings = {"channels": [channel.to_dict() for channel in channels], "rate_hz": 1000.0}
    return Imported(settings, tuple(items), events, remarks)


def test_a_summary_counts_rows_and_gaps_and_the_time_of_both() -> None:
    assert summarise(make_imported()) == "1,300 rows, 1000 Hz, 1.8 s, 1 gap"
    assert summarise(make_imported(n_gaps=2)) == "1,300 rows, 1000 Hz, 1.8 s, 2 gaps"
    assert summarise(make_imported(n_gaps=0)) == "1,300 rows, 1000 Hz, 1.8 s, 0 gaps"
    assert summarise(Imported({"rate_hz": 33.3333333}, (), (), ())) == "0 rows, 33.3333 Hz, 0 s, 0 gaps"


def test_a_preview_says_all_that_was_understood_in_aligned_columns(tmp_path: Path) -> None:
    events = (Event(0, "zero", {}), Event(1, "rating", {}), Event(2, "rating", {}))
    (tmp_path / "a.mat").touch()
    assert preview(tmp_path / "a.mat", make_imported(events=events, remarks=("one", "two"))) == [
        "a.mat: 1,300 rows, 1000 Hz, 1.8 s, 1 gap",
        "",
        "channel  kind          unit  readings  rate     lowest      highest     first",
        "pull     force         N     1,300     1000 Hz  -0.24691    1998        0, 2, 4",
        "calf     emg envelope  uV    300       62.5 Hz  1.2346e+05  1.2346e+05  1.235e+05, 1.235e+05, 1.235e+05",
        "",
        "events: 1 zero, 2 rating",
        "",
        "note: one",
        "note: two",
    ]


@pytest.mark.parametrize(("sign", "shown"), [(",", ","), ("\t", "  "), (";", ";")])
def test_a_preview_of_a_table_shows_its_first_rows_in_a_screens_width(tmp_path: Path, sign: str, shown: str) -> None:
    rows = [("time_s", "pull"), *((f"{k / 100:.2f}", f"{k}") for k in range(9))]
    (tmp_path / "a.CSV").write_text("".join(f"{sign.join(row)}\n" for row in rows))
    lines = preview(tmp_path / "a.CSV", make_imported())
    assert lines[5:] == ["", "first rows:", *(f"  {shown.join(row)}" for row in [("time", "pull"), *rows[1:5]])]
    wide = [(f"column{k}", f"{k}.5") for k in range(20)]
    (tmp_path / "b.csv").write_text("".join(f"{sign.join(row)}\n" for row in zip(*wide, strict=True)))
    named = preview(tmp_path / "b.csv", make_imported())[7]
    assert (len(named), named) == (100, ("  " + shown.join(name for name, _ in wide))[:100])
