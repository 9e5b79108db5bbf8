"""A part of the damaged and hostile files, with fixed seeds; all of them are for the benchmark script."""

from __future__ import annotations

from pathlib import Path

import pytest

from .hostile import Finding, judge_damaged, judge_hostile, judge_log, make_interrupted, make_sound


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_sound(tmp_path_factory.mktemp("sound"))


@pytest.fixture(scope="module")
def interrupted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_interrupted(tmp_path_factory.mktemp("interrupted") / "a")


def faults_of(findings: list[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.faults]


def test_damaged_files(sound: Path, tmp_path: Path) -> None:
    assert faults_of([judge_damaged(sound, tmp_path / "a", seed) for seed in range(60)]) == []


def test_hostile_files(sound: Path, tmp_path: Path) -> None:
    assert faults_of([judge_hostile(sound, tmp_path / "a", seed) for seed in range(60)]) == []


def test_damaged_logs(interrupted: Path, tmp_path: Path) -> None:
    assert faults_of([judge_log(interrupted, tmp_path / "a", seed) for seed in range(60)]) == []
