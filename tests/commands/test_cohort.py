"""Many recordings as one table: complete, resumable, errors per file, the same rows however it is run."""

from __future__ import annotations

import argparse
import csv
import importlib.util
import json
import os
from pathlib import Path

import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.features import extract_features
from biofeedback.commands import cohort
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.storage.recording import open_recording
from biofeedback.wiring.parallel import count_cores

from ..analysis.made_session import MadeSession, make_check
from .test_report import store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "recordings"
    (folder / "sub").mkdir(parents=True)
    store(make_check(), folder / "a.hold")
    store(make_check(contract=(7, 8, 7, 7, 8)), folder / "sub" / "b.hold")
    empty = MadeSession()
    empty.hold(1.0)
    store(empty, folder / "c.hold")
    (folder / "broken.hold").write_bytes(b"no recording")
    return folder


def run(folder: Path, out: Path, *more: str) -> int:
    parser = argparse.ArgumentParser()
    cohort.add_arguments(parser)
    return cohort.run(parser.parse_args([str(folder), "--out", str(out), *more]))


def read(path: Path) -> dict[str, dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return {row["file"]: row for row in csv.DictReader(file)}


def test_every_recording_is_a_row_and_every_error_is_named(folder, tmp_path, capsys) -> None:
    out = tmp_path / "c.csv"
    assert run(folder, out, "--workers", "1") == 1
    rows = read(out)
    assert list(rows) == ["a.hold", "broken.hold", "c.hold", "sub/b.hold"]
    assert rows["a.hold"]["answer"] == "less"
    assert rows["sub/b.hold"]["answer"] == "more"
    assert rows["c.hold"]["error"] == ""
    assert rows["c.hold"]["effort_mean_percent"] == ""
    assert "not a recording" in rows["broken.hold"]["error"]
    assert "broken.hold" in capsys.readouterr().out
    assert not list(tmp_path.glob("*.part"))


def test_who_responds_as_figures(folder, tmp_path, capsys) -> None:
    assert run(folder, tmp_path / "c.csv", "--workers", "1", "--figures", str(tmp_path / "figures")) == 1
    assert f"Figures: 3 files in {tmp_path / 'figures'}" in capsys.readouterr().out
    kinds = ("pdf", "png", "svg")
    assert sorted(path.name for path in (tmp_path / "figures").iterdir()) == [f"c-responses-1.{kind}" for kind in kinds]


def test_cells_are_those_of_the_analysis(folder, tmp_path) -> None:
    run(folder, tmp_path / "c.csv", "--workers", "1")
    row = read(tmp_path / "c.csv")["a.hold"]
    for name, value in extract_features(analyse_recording(open_recording(folder / "a.hold"))).items():
        assert row[name] == ("" if value is None else str(value))


def test_two_processes_make_the_same_table(folder, tmp_path) -> None:
    run(folder, tmp_path / "one.csv", "--workers", "1")
    run(folder, tmp_path / "two.csv", "--workers", "2")
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="a system that cannot keep a program on one core")
def test_there_are_as_many_processes_as_cores_that_this_one_may_use() -> None:
    allowed = os.sched_getaffinity(0)
    assert count_cores() == len(allowed)
    os.sched_setaffinity(0, {min(allowed)})
    try:
        assert count_cores() == 1
    finally:
        os.sched_setaffinity(0, allowed)


def test_only_new_changed_and_failed_recordings_are_analysed_again(folder, tmp_path, monkeypatch, capsys) -> None:
    out = tmp_path / "c.csv"
    run(folder, out, "--workers", "1")
    before = out.read_bytes()
    seen: list[str] = []
    extract = cohort.extract_row
    monkeypatch.setattr(cohort, "extract_row", lambda where, name: seen.append(name) or extract(where, name))
    run(folder, out, "--workers", "1")
    assert seen == ["broken.hold"]
    assert out.read_bytes() == before
    (folder / "a.hold").unlink()
    store(make_check(contract=(5, 5, 5, 5, 5)), folder / "a.hold")
    run(folder, out, "--workers", "1")
    assert seen == ["broken.hold", "a.hold", "broken.hold"]
    run(folder, out, "--workers", "1", "--again")
    assert len(seen) == 7


def test_what_a_format_needs_is_asked_for_before_a_nights_work_and_only_for_it(folder, tmp_path, monkeypatch) -> None:
    def refuse(library: str, what: str, extra: str) -> None:
        raise RecordingError(f"{what} need the package {library}", f"install the extra {extra}")

    seen: list[str] = []
    extract = cohort.extract_row
    monkeypatch.setattr(cohort, "extract_row", lambda where, name: seen.append(name) or extract(where, name))
    monkeypatch.setattr(cohort, "import_extra", refuse)
    with pytest.raises(RecordingError, match=r"Parquet files need the package pyarrow\.parquet"):
        run(folder, tmp_path / "c.parquet", "--workers", "1")
    assert seen == []
    run(folder, tmp_path / "c.csv", "--workers", "1")
    assert len(seen) == 4


def test_an_interrupted_run_goes_on(folder, tmp_path, monkeypatch) -> None:
    out = tmp_path / "c.csv"
    extract = cohort.extract_row

    def stop_at_c(where: str, name: str):
        if name == "c.hold":
            raise KeyboardInterrupt
        return extract(where, name)

    monkeypatch.setattr(cohort, "extract_row", stop_at_c)
    with pytest.raises(KeyboardInterrupt):
        run(folder, out, "--workers", "1")
    part = out.with_suffix(".part")
    assert [json.loads(line)["file"] for line in part.read_text().splitlines()] == ["a.hold", "broken.hold"]
    part.write_text(part.read_text() + '{"file": "c.ho')  # killed in the middle of a line
    seen: list[str] = []
    monkeypatch.setattr(cohort, "extract_row", lambda where, name: seen.append(name) or extract(where, name))
    run(folder, out, "--workers", "1")
    assert seen == ["broken.hold", "c.hold", "sub/b.hold"]
    assert len(read(out)) == 4


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda folder, tmp: (tmp / "nowhere", tmp / "c.csv"), "there is no folder"),
        (lambda folder, tmp: (folder, tmp / "c.xlsx"), ".csv"),
        (lambda folder, tmp: (folder, tmp / "no" / "c.csv"), "cannot be written"),
    ],
)
def test_mistakes_are_told_with_their_cure(folder, tmp_path, make, words) -> None:
    where, out = make(folder, tmp_path)
    with pytest.raises(BiofeedbackError, match=words):
        run(where, out, "--workers", "1")


def test_a_cluster_makes_the_same_rows(folder, tmp_path) -> None:
    if importlib.util.find_spec("distributed") is None:
        with pytest.raises(BiofeedbackError, match="not installed"):
            run(folder, tmp_path / "d.csv", "--dask", "tcp://127.0.0.1:1")
        return
    from distributed import LocalCluster

    run(folder, tmp_path / "one.csv", "--workers", "1")
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        run(folder, tmp_path / "d.csv", "--dask", cluster.scheduler_address)
    assert (tmp_path / "d.csv").read_bytes() == (tmp_path / "one.csv").read_bytes()


def test_evenings_with_and_without_warmth_are_told_apart_and_rows_that_do_not_say_are_made_anew(
    tmp_path: Path, capsys
) -> None:
    folder, out = tmp_path / "recordings", tmp_path / "c.csv"
    folder.mkdir()
    for code in ("A01", "A02", "A03"):
        for heated in (False, True):
            made = make_check()
            made.settings |= {"athlete": code, "covariates": ["heat"] if heated else []}
            store(made, folder / f"{code}-{heated:d}.hold")
    run(folder, out, "--workers", "1")
    told = capsys.readouterr().out
    assert ", after warmth" in told
    assert "with and without warmth, massage, a warm-up or contractions before are not read together" in told
    assert [row["before"] for row in read(out).values()] == ["", "warmth"] * 3
    text = out.read_text()
    out.write_text(text.replace(",before,", ",was_before,", 1))  # as a version wrote it that did not tell them apart
    run(folder, out, "--workers", "1")
    assert "6 recordings, 6 of them new" in capsys.readouterr().out
    run(folder, out, "--workers", "1")
    assert "6 recordings, 0 of them new" in capsys.readouterr().out
