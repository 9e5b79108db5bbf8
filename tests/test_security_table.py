"""The table of OWASP ASVS items in DEVELOPERS.md: every test that it names is there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
ROWS = re.findall(r"^\| ([\d., -]+) \| [^|]+ \| (`[^|]+) \|$", TEXT, re.MULTILINE)


def list_tests(path: Path) -> set[str]:
    return {
        node.name
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_")
    }


def test_the_table_is_found() -> None:
    assert len(ROWS) >= 20


@pytest.mark.parametrize(("items", "cell"), ROWS, ids=[items for items, _ in ROWS])
def test_each_item_is_shown_by_tests_that_are_there(items: str, cell: str) -> None:
    files = re.findall(r"`([\w/]+\.py)`: (\w+(?:, \w+)*)", cell)
    assert len(files) == cell.count("`") // 2 > 0, cell
    for name, tests in files:
        there = list_tests(ROOT / "tests" / name)
        assert set(tests.split(", ")) <= there, name
