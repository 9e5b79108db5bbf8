"""What the power leaves of a recording at any moment; the figures over 1000 cuts: write_log.py."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from ..requirements import need
from .write_log import find_faults, log_writes


@pytest.fixture(autouse=True)
def compiler() -> None:
    need(sys.platform == "linux" and shutil.which("cc"), "the write log needs Linux and a C compiler")


def test_a_power_cut_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    entries = log_writes(tmp_path, 60)
    assert find_faults(entries, tmp_path, 60, seed=2) == []


def test_without_flushes_the_same_search_finds_losses(tmp_path: Path) -> None:
    entries = log_writes(tmp_path, 30, flushed=False)
    assert find_faults(entries, tmp_path, 30, seed=2) != []
