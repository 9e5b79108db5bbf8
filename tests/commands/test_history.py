"""``biofeedback history`` as a person calls it."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from biofeedback.commands import history
from biofeedback.errors import BiofeedbackError

from ..analysis.made_session import make_check, make_settings
from .test_report import store


def run(*arguments: str) -> int:
    parser = argparse.ArgumentParser()
    history.add_arguments(parser)
    return history.run(parser.parse_args(arguments))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for n, athlete in enumerate(("A01", "A01", "B02")):
        session = make_check()
        session.settings = make_settings(athlete=athlete, started_utc=f"2026-01-0{n + 1}T18:00:00+00:00")
        store(session, tmp_path / f"{n}.hold")
    return tmp_path


def test_only_this_athlete_s_sessions_count(folder, capsys) -> None:
    assert run("A01", "--folder", str(folder)) == 0
    assert "2 sessions" in capsys.readouterr().out


def test_the_page_is_written_where_asked(folder, capsys) -> None:
    out = folder / "a01.html"
    assert run("A01", "--folder", str(folder), "--out", str(out)) == 0
    assert "A01 over 2 sessions" in out.read_text("utf-8")
    assert str(out) in capsys.readouterr().out


def test_a_code_nobody_has_is_told(folder) -> None:
    with pytest.raises(BiofeedbackError, match="no recording of Z99"):
        run("Z99", "--folder", str(folder))
