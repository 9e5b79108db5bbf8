"""What the demo says of its own answer."""

from __future__ import annotations

import pytest

from biofeedback.cli import main
from biofeedback.commands import demo


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
