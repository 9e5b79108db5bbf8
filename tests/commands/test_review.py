"""``biofeedback review``: which folder it shows, what it says and opens, and that it ends when it is asked to."""

from __future__ import annotations

import contextlib
import signal
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from biofeedback.cli import main
from biofeedback.commands import review
from biofeedback.web import server


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What was served and told, in order; the page ends itself by the signal that Ctrl-C or a shutdown sends."""
    told: list[Any] = []

    @contextlib.asynccontextmanager
    async def open_page(live: Any, *, port: int, review: Any, own: Any) -> AsyncIterator[str]:
        told.append((live, port, review))
        number = signal.SIGINT if port == 1 else signal.SIGTERM
        assert signal.getsignal(number) not in (signal.SIG_DFL, signal.default_int_handler)  # or it would end the tests
        signal.raise_signal(number)
        yield "http://127.0.0.1:9/"
        told.append("closed")

    monkeypatch.setattr(server, "open_page", open_page)
    monkeypatch.setattr(review, "make_review", lambda folder: ("review of", folder))
    monkeypatch.setattr(review, "tell_unfinished", lambda folder: told.append(("unfinished", folder)))
    monkeypatch.setattr(review, "add_key", lambda own, page: f"{page}?key=abc")
    monkeypatch.setattr(review, "show_page", lambda page: told.append(("shown", page)))
    return told


PAGE = "http://127.0.0.1:9/review?key=abc"


@pytest.mark.skipif(sys.platform == "win32", reason="signals are handled otherwise there")
@pytest.mark.parametrize(("words", "port"), [([], 8766), (["--port", "1"], 1), (["--no-browser", "--port", "0"], 0)])
def test_a_folder_is_served_until_somebody_ends_it(
    served: list[Any], tmp_path: Path, capsys: Any, words: list[str], port: int
) -> None:
    assert main(["review", str(tmp_path), *words]) == 0
    shown = [] if "--no-browser" in words else [("shown", PAGE)]
    assert served == [("unfinished", tmp_path), (None, port, ("review of", tmp_path)), *shown, "closed"]
    assert capsys.readouterr().out == f"Recordings in {tmp_path}\nPage: {PAGE}   (Ctrl-C ends it)\n"


@pytest.mark.skipif(sys.platform == "win32", reason="signals are handled otherwise there")
def test_without_a_folder_it_is_the_usual_one(
    served: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(review, "recordings_folder", lambda: tmp_path)
    assert main(["review"]) == 0
    assert served[0] == ("unfinished", tmp_path)


def test_what_is_no_folder_is_refused(served: list[Any], tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "file").write_text("")
    for name in ("none", "file"):
        assert main(["review", str(tmp_path / name)]) == 1
        assert f"there is no folder {tmp_path / name}; give the folder" in capsys.readouterr().err
    assert served == []
