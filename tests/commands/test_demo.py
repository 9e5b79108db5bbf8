"""What the demo says of its own answer."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from biofeedback.cli import main
from biofeedback.commands import demo
from biofeedback.session.plan import BUILT_IN


def test_before_and_after_it_is_said_whose_answer_it_is(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(*_: object, **__: object) -> int:
        print("the session")
        return 0

    monkeypatch.setattr(demo, "run_sessions", run)
    assert main(["demo", "--no-browser"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("SIMULATED")
    assert lines[1:] == [demo.ABOUT_NOBODY, "the session", demo.ABOUT_NOBODY]


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        ([], ["A01"]),
        (["--athletes", "4"], ["A01", "A02", "A03", "A04"]),
        (["--athlete", "B07"], ["B07"]),
    ],
)
def test_simulated_athletes_are_numbered(words: list[str], codes: list[str]) -> None:
    parser = argparse.ArgumentParser()
    demo.add_arguments(parser)
    args = parser.parse_args(words)
    assert demo.choose_codes(args) == codes
    asked = [demo.request_session(code, k, args) for k, code in enumerate(codes)]
    assert [one.source.url for one in asked] == [
        f"simulated:?seed={1 + k}&athlete={code}&channels=force,emg" for k, code in enumerate(codes)
    ]
    assert all(one.autopilot is None for one in asked)


@pytest.mark.parametrize("words", [["--athlete", "B07", "--athletes", "2"], ["--athlete", "B07", "--athlete", "B08"]])
def test_codes_of_several_are_given_by_the_demo_itself(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--no-browser", *words]) == 1
    assert "--athlete names one simulated athlete; use --athletes alone" in capsys.readouterr().err


PLAN = """
name = "own"
title = "Own"
description = "One contraction."
[[block]]
repeat = 1
[[block.phase]]
kind = "contract"
duration_s = 8
band = [20, 30]
"""


@pytest.mark.parametrize(("own", "carried_out"), [([], [BUILT_IN[0]]), (["--plan", "FILE"], ["own"])])
def test_the_plan_that_is_named_is_the_one_carried_out(
    own: list[str], carried_out: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own.toml").write_text(PLAN)
    monkeypatch.setattr(demo, "Autopilot", list)
    parser = argparse.ArgumentParser()
    demo.add_arguments(parser)
    words = [word.replace("FILE", str(tmp_path / "own.toml")) for word in own]
    assert demo.request_session("A01", 0, parser.parse_args([*words, "--auto"])).autopilot == carried_out
    assert demo.request_session("A01", 0, parser.parse_args(words)).autopilot is None
