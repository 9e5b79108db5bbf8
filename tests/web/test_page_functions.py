from __future__ import annotations

from pathlib import Path

from .node import run_tests


def test_pure_functions_of_the_page() -> None:
    done = run_tests(Path(__file__).parent / "page")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "# pass 0" not in done.stdout
