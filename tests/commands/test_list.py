"""``biofeedback list`` as a person calls it."""

from __future__ import annotations

from pathlib import Path

import pytest

from biofeedback.cli import main

from ..analysis.made_session import make_check
from .test_report import store


@pytest.mark.parametrize(
    ("word", "cure"),
    [
        ("les", "did you mean 'less'?"),
        ("no diference", "did you mean 'no clear difference'?"),
        ("too few", "did you mean 'too few ratings to say'?"),
        ("sideways", "answers are 'less', 'more', 'no clear difference', 'not decided, may come late', 'too few"),
    ],
)
def test_an_answer_that_is_none_gets_a_suggestion(
    word: str, cure: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["list", str(tmp_path), "--answer", word]) == 1
    assert f"--answer {word}: there is no such answer; {cure}" in capsys.readouterr().err


def test_answers_are_found_whatever_their_capitals(tmp_path: Path) -> None:
    assert main(["list", str(tmp_path), "--answer", "No  clear difference"]) == 0


def test_answers_are_worked_out_and_stand_in_a_table_whose_columns_are_aligned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store(make_check(), tmp_path / "a.hold")
    worse = make_check(contract=(8, 8, 9, 8, 8))
    worse.settings |= {"athlete": "A02", "started_utc": "2026-02-05T18:00:00+00:00", "simulated": False}
    store(worse, tmp_path / "longer-name.hold")
    (tmp_path / "c.hold").write_bytes(b"no recording")
    assert main(["list", str(tmp_path), "--answers"]) == 0
    _, *rows, problem, last = capsys.readouterr().out.splitlines()
    where = ["hurdle", "seat", "left", "floor,", "90", "degrees"]
    assert [row.split()[2:] for row in rows] == [
        ["A02", *where, "response-check", "1.1", "11", "more", "longer-name.hold"],
        ["A01", "(simulated)", *where, "response-check", "1.1", "11", "less", "a.hold"],
    ]
    for word in ("hurdle", "left", "floor", "response", "1.1"):
        assert len({row.index(word) for row in rows}) == 1
    assert problem.startswith("cannot be read: ")
    assert last == f"3 of 3 recordings in {tmp_path}"
    assert main(["list", str(tmp_path), "--answer", "More"]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == f"1 of 3 recordings in {tmp_path}"
