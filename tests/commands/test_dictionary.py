"""The data dictionary is complete, held against the tables themselves; tables keep codes as texts, run no formula."""

from __future__ import annotations

import argparse
import csv
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.features import extract_features
from biofeedback.analysis.linking import LinkedRating
from biofeedback.cli import main
from biofeedback.commands import cohort
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel, Chunk
from biofeedback.storage.annotations import Annotation
from biofeedback.storage.dictionary import ARRAYS, COHORT, EVENTS, FRAMES, LEVELS, RATINGS, TABLES, explain_tables
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.spreadsheet import count_formulas, neutralise
from biofeedback.wiring import parallel
from biofeedback.wiring.levels_table import tabulate_levels

from ..analysis.made_session import make_check
from ..storage.helpers import need_module
from .test_report import store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "A").mkdir()
    session = make_check()
    session.settings |= {"athlete": "007", "exercise": "=1+1"}
    store(session, tmp_path / "A" / "a.hold")
    return tmp_path / "A"


def test_every_column_has_its_line_and_every_line_its_column(folder: Path) -> None:
    analysis = analyse_recording(open_recording(folder / "a.hold"))
    assert [one.name for one in COHORT] == [*cohort.KEYS, *extract_features(analysis)]
    assert [one.name for one in RATINGS] == [field.name for field in fields(LinkedRating)]
    assert [one.name for one in EVENTS] == [field.name for field in fields(Annotation)]
    name = analysis.trace.channels[0].name
    told = [one.name.replace("NAME", name).replace("UNIT", analysis.trace.channels[0].unit) for one in LEVELS]
    n = len(analysis.trace.channels)
    columns = list(tabulate_levels(analysis.trace))
    assert [told[0], *told[1:5], *told[5:]] == [columns[0], *columns[1:5], *columns[1 + 4 * n :]]
    assert all(one.meaning for table in TABLES.values() for one in table)


def test_files_and_arrays_of_the_readings_have_their_lines(folder: Path, tmp_path: Path) -> None:
    """As other programs see them: the header of the CSV, the names in the archive."""
    for to in ("csv", "numpy"):
        assert main(["export", str(folder / "a.hold"), "--to", to, "--out", str(tmp_path / "out")]) == 0
    with np.load(tmp_path / "out" / "a.npz") as archive:
        assert [one.name for one in ARRAYS] == archive.files
    header = (tmp_path / "out" / "a.csv").read_text("utf-8").splitlines()[0].split(",")
    channel = open_recording(folder / "a.hold").channels[0]
    told = [one.name.replace("NAME", channel.name).replace("UNIT", channel.unit) for one in FRAMES]
    assert header[:2] == told


def test_types_are_those_of_the_values(folder: Path) -> None:
    features = extract_features(analyse_recording(open_recording(folder / "a.hold")))
    kinds = {"text": str, "whole": int, "number": (int, float)}
    for one in COHORT[len(cohort.KEYS) :]:
        value = features[one.name]
        assert value is None or isinstance(value, kinds[one.type]), one.name


def test_the_dictionary_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cohort", "--explain"]) == 0
    told = capsys.readouterr().out
    assert told.splitlines() == explain_tables()
    assert "change_mean" in told
    assert "512 stranger" in told


def run(folder: Path, out: Path, *more: str) -> int:
    parser = argparse.ArgumentParser()
    cohort.add_arguments(parser)
    return cohort.run(parser.parse_args([str(folder), "--out", str(out), "--workers", "1", *more]))


def test_codes_stay_texts_and_formulas_are_texts(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pyarrow = need_module("pyarrow.parquet")
    assert run(folder, tmp_path / "t.parquet") == 0
    told = "t.csv: a text that a spreadsheet would run as a formula has an apostrophe before it"
    assert told in capsys.readouterr().out.splitlines()
    table = pyarrow.read_table(tmp_path / "t.parquet").to_pylist()
    assert (table[0]["athlete"], table[0]["exercise"]) == ("007", "=1+1")
    assert isinstance(table[0]["n_ratings"], int)
    assert isinstance(table[0]["change_mean"], float)
    again = run(folder, tmp_path / "t.parquet")  # from the rows of the CSV this time
    assert again == 0
    assert pyarrow.read_table(tmp_path / "t.parquet").to_pylist() == table
    with (tmp_path / "t.csv").open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["athlete"], row["exercise"]) == ("007", "'=1+1")


def test_what_a_spreadsheet_would_run() -> None:
    cells = ["=1", "+cmd", "-2.5", "@x", "plain", "-", 3.0, "\t=1", "+4"]
    assert [neutralise(cell) for cell in cells] == ["'=1", "'+cmd", "-2.5", "'@x", "plain", "'-", 3.0, "'\t=1", "+4"]
    assert count_formulas(cells) == 5


def test_an_export_says_which_texts_it_made_texts_again(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (recording,) = folder.glob("*.hold")
    channel = Channel(name="=force", kind="force", unit="N")
    about = {"channels": [channel.to_dict()], "rate_hz": 100.0}
    with Recorder.create(tmp_path / "b.hold", about, threaded=False) as recorder:
        recorder.append(Chunk(0, np.zeros((500, 1))))
    capsys.readouterr()
    for path in (recording, tmp_path / "b.hold"):
        assert main(["export", str(path), "--to", "levels", "--out", str(tmp_path / "out")]) == 0
    told = "note: b_levels.csv: 4 texts that a spreadsheet would run as formulas have an apostrophe before them"
    assert capsys.readouterr().err.splitlines() == [told]
    with (tmp_path / "out" / "b_levels.csv").open(newline="") as file:
        assert next(csv.reader(file))[1] == "'=force [N]"


def test_a_table_about_another_folder_is_not_replaced(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "B").mkdir()
    store(make_check(), tmp_path / "B" / "other.hold")
    assert run(folder, tmp_path / "t.csv") == 0
    before = (tmp_path / "t.csv").read_bytes()
    with pytest.raises(BiofeedbackError, match="is about recordings of another folder; choose another --out"):
        run(tmp_path / "B", tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_bytes() == before
    assert run(tmp_path / "B", tmp_path / "t.csv", "--again") == 0


def test_levels_as_tables(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["export", str(folder / "a.hold"), "--to", "levels", "--out", str(tmp_path / "out")]
    assert main(words) == 0
    assert capsys.readouterr().out.splitlines() == [str(tmp_path / "out" / "a_levels.csv")]
    trace = analyse_recording(open_recording(folder / "a.hold")).trace
    with (tmp_path / "out" / "a_levels.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == trace.n_levels
    name = trace.channels[0].name
    k = len(rows) // 2
    assert float(rows[k][f"{name} [%]"]) == trace.percent[k, 0]
    assert [float(row["discomfort"]) for row in rows if row["discomfort"]] == [r.value for r in trace.ratings]
    assert main([*words[:-2], "--parquet", "--to", "csv", "--out", str(tmp_path / "out")]) == 1
    assert "--parquet goes with --to levels" in capsys.readouterr().err
    pyarrow = need_module("pyarrow.parquet")
    assert main([*words, "--parquet"]) == 0
    table = pyarrow.read_table(tmp_path / "out" / "a_levels.parquet")
    assert table.num_rows == trace.n_levels
    assert str(table.schema.field("discomfort").type) == "double"


def test_workers_that_do_not_fit_are_told_before_any_work(tmp_path: Path) -> None:
    assert parallel.look_around(str(tmp_path))[1] is True
    parallel.check_workers({"tcp://a": parallel.look_around(str(tmp_path))}, tmp_path)
    with pytest.raises(BiofeedbackError, match=r"worker tcp://b does not see .*; mount it there"):
        parallel.check_workers({"tcp://b": parallel.look_around(str(tmp_path / "no"))}, tmp_path / "no")
    with pytest.raises(BiofeedbackError, match=r"worker tcp://b has version 0.0.1, this program"):
        parallel.check_workers({"tcp://b": ("0.0.1", True)}, tmp_path)


def test_a_scheduler_without_workers_is_told(tmp_path: Path) -> None:
    distributed = need_module("distributed")
    with (
        distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=":0") as cluster,
        pytest.raises(BiofeedbackError, match=r"has no worker after 0\.2 s; start workers, then try again"),
    ):
        list(parallel.run_on_cluster(str, ["a"], cluster.scheduler_address, folder=tmp_path, patience_s=0.2))


def test_a_relative_folder_reaches_the_cluster_whole(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[object] = []

    def note(work, names, address, *, folder):
        given.extend([work.args[0], folder])
        return map(work, names)

    monkeypatch.setattr(cohort, "run_on_cluster", note)
    monkeypatch.chdir(tmp_path)
    assert run(Path("A"), tmp_path / "t.csv", "--dask", "tcp://x:1") == 0
    assert given == [str(folder), folder]
