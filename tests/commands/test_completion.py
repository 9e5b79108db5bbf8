"""The shell's Tab key, as a shell asks: the line in the environment, the answers on file descriptor 8."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from ..storage.helpers import need_module

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the protocol is that of POSIX shells")


def complete(line: str) -> list[str]:
    need_module("argcomplete")
    asked = {"_ARGCOMPLETE": "1", "_ARGCOMPLETE_IFS": "\n", "COMP_LINE": line, "COMP_POINT": str(len(line))}
    reader, writer = os.pipe()
    sink = os.open(os.devnull, os.O_WRONLY)

    def arrange() -> None:
        os.dup2(writer, 8)
        os.dup2(sink, 9)

    subprocess.run(
        [sys.executable, "-m", "biofeedback"],
        env=os.environ | asked, preexec_fn=arrange, pass_fds=(8, 9, writer, sink), check=False, capture_output=True,
    )  # fmt: skip
    os.close(writer)
    os.close(sink)
    with os.fdopen(reader) as answers:
        return answers.read().split("\n")


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("biofeedback re", {"report", "review"}),
        ("biofeedback report --fi", {"--figures"}),
        ("biofeedback export --to ", {"csv", "levels", "bids"}),
    ],
)
def test_commands_options_and_choices_are_completed(line: str, wanted: set[str]) -> None:
    assert wanted <= {answer.strip() for answer in complete(line)}
