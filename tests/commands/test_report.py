"""``biofeedback report`` as a person calls it."""

from __future__ import annotations

import csv
from pathlib import Path
from xml.etree import ElementTree

import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.cli import main
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from ..analysis.made_session import MadeSession, make_check


def store(session: MadeSession, path: Path) -> Path:
    with Recorder.create(path, session.settings) as recorder:
        for item in session.items():
            recorder.append(item)
        for event in session.events:
            recorder.event(event)
    return path


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return store(make_check(), tmp_path / "A01.hold")


def test_html_beside_the_recording(recording, capsys) -> None:
    assert main(["report", str(recording)]) == 0
    page = recording.with_suffix(".html").read_text("utf-8")
    assert "Less discomfort while contracting" in page
    assert str(recording.with_suffix(".html")) in capsys.readouterr().out


def test_pdf_into_a_folder(recording, tmp_path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    assert main(["report", str(recording), "--pdf", "--out", str(out)]) == 0
    assert (out / "A01.pdf").read_bytes().startswith(b"%PDF-")


def test_the_recording_itself_is_never_written_over(recording, capsys) -> None:
    before = recording.read_bytes()
    assert main(["report", str(recording), "--out", str(recording)]) == 1
    assert "choose another name" in capsys.readouterr().err
    assert recording.read_bytes() == before


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda folder: folder / "none.hold", "there is no file"),
        (lambda folder: write(folder / "text.hold", b"hello"), "is not a recording"),
        (lambda folder: write(folder / "empty.hold", b""), "empty.hold"),
    ],
)
def test_what_is_no_recording_is_one_line_with_its_cure(make, words, tmp_path, capsys) -> None:
    assert main(["report", str(make(tmp_path))]) == 1
    error = capsys.readouterr().err
    assert words in error
    assert error.count("\n") == 1
    assert ";" in error


def test_a_place_that_cannot_be_written_is_one_line(recording, capsys) -> None:
    assert main(["report", str(recording), "--out", str(recording.parent / "no" / "x.html")]) == 1
    assert "name another place" in capsys.readouterr().err


def test_a_recording_with_nothing_in_it_still_gets_a_report(tmp_path) -> None:
    session = MadeSession()
    session.hold(1.0)
    assert main(["report", str(store(session, tmp_path / "b.hold"))]) == 0
    assert "no maximum" in (tmp_path / "b.html").read_text("utf-8")


def write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def test_figures_as_files_that_other_programs_read(recording, tmp_path, capsys) -> None:
    words = ["report", str(recording), "--out", str(tmp_path / "r.html"), "--figures", str(tmp_path / "figures")]
    assert main(words) == 0
    assert "Figures: 12 files in" in capsys.readouterr().out
    made = {path.name: path.read_bytes() for path in (tmp_path / "figures").iterdir()}
    names = ("ratings", "trace", "contrasts", "dose")
    assert set(made) == {f"A01-{name}.{kind}" for name in names for kind in ("svg", "png", "pdf")}
    for name, content in made.items():
        if name.endswith(".svg"):
            assert ElementTree.fromstring(content).tag == "{http://www.w3.org/2000/svg}svg"
        elif name.endswith(".png"):
            assert content.startswith(b"\x89PNG\r\n\x1a\n")  # the signature of RFC 2083, section 3.1
            assert content.endswith(b"IEND\xaeB`\x82")
        else:
            assert content.startswith(b"%PDF-1.")
            assert content.rstrip().endswith(b"%%EOF")
    assert main(words) == 0  # the same bytes again
    assert {path.name: path.read_bytes() for path in (tmp_path / "figures").iterdir()} == made


def test_figures_where_none_can_be_are_one_line(recording, tmp_path, capsys) -> None:
    (tmp_path / "taken").write_text("")
    assert main(["report", str(recording), "--figures", str(tmp_path / "taken")]) == 1
    assert f"{tmp_path / 'taken'} cannot be written" in capsys.readouterr().err


def test_ratings_as_csv(recording, tmp_path) -> None:
    assert main(["report", str(recording), "--ratings", str(tmp_path / "r.csv")]) == 0
    with (tmp_path / "r.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["value"] for row in rows[:3]] == ["6.0", "4.0", "6.0"]
    assert float(rows[1]["mean_percent"]) == pytest.approx(70, abs=0.5)


def test_why_a_maximum_was_put_right_is_told(recording, tmp_path) -> None:
    assert main(["amend", str(recording), "--maximum", "force=300", "--why", "slipped strap"]) == 0
    assert analyse_recording(open_recording(recording)).maximum_reason.endswith("slipped strap")


def test_another_maximum_halves_the_past_says_so_and_leaves_the_file(tmp_path):
    path = tmp_path / "A05.hold"
    assert main(["simulate", "simulated:?seed=5&athlete=A05&channels=force&rate=80", str(path), "--fast"]) == 0
    before = path.read_bytes()
    assert main(["report", str(path), "--out", str(tmp_path / "live.html")]) == 0
    assert main(["report", str(path), "--maximum", "force=800", "--out", str(tmp_path / "other.html")]) == 0
    assert path.read_bytes() == before
    assert "recomputed afterwards with the maximum force 800 N" in (tmp_path / "other.html").read_text("utf-8")
    assert "recomputed afterwards" not in (tmp_path / "live.html").read_text("utf-8")
