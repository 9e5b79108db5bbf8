"""The demo recordings: marked as simulated, made by the commands beside them, opened by the product."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from biofeedback.cli import main
from biofeedback.storage.recording import open_recording

FOLDER = Path(__file__).resolve().parents[1] / "recordings-demo"
COMMANDS = re.findall(r"^biofeedback (simulate .*)$", (FOLDER / "README.md").read_text("utf-8"), re.MULTILINE)


def test_every_recording_has_its_command():
    assert {path.name for path in FOLDER.glob("*.hold")} == {Path(shlex.split(c)[2]).name for c in COMMANDS}


@pytest.mark.parametrize("command", COMMANDS)
def test_the_command_makes_the_same_bytes(command, tmp_path):
    words = shlex.split(command)
    name = Path(words[2]).name
    words[2] = str(tmp_path / name)
    assert main(words) == 0
    is_same = (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes()
    assert is_same, f"make {name} again as its README says"  # comparing a million bytes takes minutes


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.hold")), ids=lambda path: path.name)
def test_a_recording_says_that_it_is_simulated_and_reports(path, tmp_path, capsys):
    recording = open_recording(path)
    assert recording.settings["simulated"] is True
    assert re.fullmatch(r"A\d\d", recording.settings["athlete"])
    out = tmp_path / "report.html"
    assert main(["report", str(path), "--out", str(out)]) == 0
    assert "simulated" in out.read_text("utf-8").lower()
