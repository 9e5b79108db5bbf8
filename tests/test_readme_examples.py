"""What the README shows is what happens."""

from __future__ import annotations

import argparse
import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from biofeedback.acquisition.source import read_channels
from biofeedback.analysis.answer import analyse_recording
from biofeedback.cli import main
from biofeedback.commands import live
from biofeedback.storage.recording import open_recording

from .storage.helpers import need_module

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def test_the_table_with_its_events(tmp_path, monkeypatch, capsys):
    """Rest, a push at 200 N for 4 s, then 100 N of it asked for at 32 s."""
    time_s = np.arange(5500) / 100
    load = 5 + 200 * ((time_s >= 6) & (time_s < 10.5)) + 110 * ((time_s >= 32) & (time_s < 52))
    load = load + np.random.default_rng(5).normal(0, 0.2, len(load))
    rows = [f"{t:.2f},{value:.3f}" for t, value in zip(time_s, load, strict=True)]
    (tmp_path / "trial.csv").write_text("\n".join(["time_s,load", *rows]) + "\n")
    (table,) = blocks("csv")
    (tmp_path / "events.csv").write_text(table)
    monkeypatch.chdir(tmp_path)
    (lines,) = (block for block in blocks("sh") if "convert trial.csv" in block)
    commands = [shlex.split(line)[1:] for line in lines.splitlines()]
    assert main([*commands[0], "--channel", "load=force:N"]) == 0
    assert [main(command) for command in commands[1:]] == [0, 0]
    analysis = analyse_recording(open_recording("trial.hold"))
    assert [(p.phase.kind, p.phase.start_s, p.phase.end_s) for p in analysis.phases if p.phase.kind != "end"] == [
        ("passive", 12.0, 32.0),
        ("contract", 32.0, 52.0),
    ]
    assert [rating.value for rating in analysis.ratings] == [6.0, 4.5]
    assert analysis.phases[1].summary.mean_percent == pytest.approx(55.0, abs=1.5)
    assert (tmp_path / "trial.html").is_file()


def test_the_analysts_lines(monkeypatch, capsys):
    need_module("pandas")
    monkeypatch.chdir(ROOT)
    (lines,) = blocks("python")
    assert len([line for line in lines.splitlines() if line.strip()]) <= 10
    found: dict[str, object] = {}
    exec(compile(lines, "README.md", "exec"), found)
    assert "A02.hold" in capsys.readouterr().out
    assert len(found["phases"]) > 5


def test_a_kilogram_board_and_a_second_athlete():
    (lines,) = (block for block in blocks("sh") if "ttyUSB1" in block)
    words = shlex.split(lines.replace("\\\n", " "))
    assert words[:2] == [".venv/bin/biofeedback", "live"]
    parser = argparse.ArgumentParser()
    live.add_arguments(parser)
    args = parser.parse_args(words[2:])
    assert args.athlete == ["A01", "A02"]
    for url in args.source:
        options = dict(pair.split("=", 1) for pair in url.partition("?")[2].split("&"))
        (channel,) = read_channels(options["channels"])
        assert channel.scaled(np.array([10.0]))[0] == pytest.approx(98.0665)  # 10 kg pull with 98.0665 N (CGPM 1901)


def test_the_pictures_are_there_and_small():
    for name in re.findall(r"\]\((recordings-demo/[\w-]+\.png)\)", README):
        assert (ROOT / name).stat().st_size < 200_000


def test_every_link_leads_somewhere():
    for name in re.findall(r"\]\(([\w./-]+)\)", README):
        assert (ROOT / name).exists(), name
