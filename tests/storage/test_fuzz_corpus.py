"""What fuzzing found, and the seeds that it begins with, played to every reader."""

from __future__ import annotations

from pathlib import Path

import pytest

from .fuzz_readers import CORPUS, TARGETS, make_seeds


@pytest.mark.parametrize("name", TARGETS)
def test_what_was_found_stays_mended(tmp_path: Path, name: str) -> None:
    found = [path.read_bytes() for path in sorted((CORPUS / name).glob("*"))] if (CORPUS / name).is_dir() else []
    for data in (*make_seeds(tmp_path)[name], *found):
        TARGETS[name](data, tmp_path)


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_with_a_byte_changed_are_read_or_refused(tmp_path: Path, name: str) -> None:
    seeds = make_seeds(tmp_path)[name]
    n_each = max(1, min(60, 600 // len(seeds)))
    for seed in seeds:
        for at in range(0, len(seed), max(1, len(seed) // n_each)):
            TARGETS[name](seed[:at] + bytes([seed[at] ^ 0x55]) + seed[at + 1 :], tmp_path)
