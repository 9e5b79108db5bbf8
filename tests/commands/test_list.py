"""``biofeedback list`` as a person calls it."""

from __future__ import annotations

from pathlib import Path

import pytest

from biofeedback.cli import main


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
