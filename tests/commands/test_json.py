"""``--json``: one document on standard output, whose numbers are those that the command tells people."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.features import extract_features
from biofeedback.cli import main
from biofeedback.storage.recording import open_recording

from ..analysis.made_session import make_check
from .test_report import store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "in").mkdir()
    session = make_check()
    session.settings |= {"athlete": "A01", "started_utc": "2026-01-05T18:00:00+00:00"}
    store(session, tmp_path / "in" / "a.hold")
    return tmp_path / "in"


def read(capsys: pytest.CaptureFixture[str]) -> dict:
    return json.loads(capsys.readouterr().out)


def test_a_report_as_numbers(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(folder / "a.hold"), "--json"]) == 0
    told = read(capsys)
    analysis = analyse_recording(open_recording(folder / "a.hold"))
    assert told["features"] == extract_features(analysis)
    assert [one["value"] for one in told["ratings"]] == [one.value for one in analysis.ratings]
    assert sorted(path.name for path in folder.iterdir()) == ["a.hold"]


def test_a_check_as_numbers(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "b.hold").write_bytes(b"nothing")
    assert main(["check", str(folder), "--json"]) == 1
    told = read(capsys)
    assert told["n_sound"] == 1
    assert [one["is_sound"] for one in told["recordings"]] == [True, False]
    assert "b.hold" in told["recordings"][1]["refused"]


def test_a_history_as_numbers(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", "A01", "--folder", str(folder), "--json"]) == 0
    told = read(capsys)
    assert told["athlete"] == "A01"
    assert told["groups"][0]["points"][0]["name"] == "a.hold"


def test_a_cohort_as_numbers(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cohort", str(folder), "--out", str(tmp_path / "t.csv"), "--workers", "1", "--json"]) == 0
    told = read(capsys)
    assert [row["answer"] for row in told["rows"]] == ["less"]
    assert main(["cohort", str(folder), "--out", str(tmp_path / "t.csv"), "--workers", "1", "--json"]) == 0
    again = read(capsys)  # from the table of the first run, which is text
    assert (again["n_new"], again["rows"]) == (0, told["rows"])
    assert isinstance(again["rows"][0]["duration_s"], float)
    assert main(["cohort", "--explain", "--json"]) == 0
    assert read(capsys)["cohort"][0]["name"] == "file"
