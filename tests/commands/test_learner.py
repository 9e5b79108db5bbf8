"""A simulated athlete who learns by a known truth goes through a lesson; the course finds it back, and who does not."""

from __future__ import annotations

from pathlib import Path

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.learning import fit_learning
from biofeedback.calibration.learning import judge_repeats, list_repeats
from biofeedback.cli import main as run_command
from biofeedback.storage.recording import open_recording

LESSONS = ["--plan", "lesson-steady"] * 4


def repeats_of(path: Path, **athlete: float) -> list:
    options = "&".join(f"{name}={value}" for name, value in athlete.items())
    url = f"simulated:?athlete=A01&channels=force&rate=100&{options}"
    assert run_command(["simulate", url, str(path), *LESSONS]) == 0
    return list_repeats(open_recording(path).account.repeats, "steady")


def test_the_learning_rate_of_a_simulated_athlete_is_found_back(tmp_path, capsys):
    repeats = repeats_of(tmp_path / "A01.hold", seed=5, clumsy_percent=14, learning_per_repeat=0.2)
    assert len(repeats) == 20
    curve = fit_learning([one.error for one in repeats])
    assert curve.improves
    assert curve.low <= 0.2 <= curve.high
    assert curve.high < 1.0
    assert judge_repeats(repeats).passed
    warnings = analyse_recording(open_recording(tmp_path / "A01.hold")).warnings
    assert not [said for said in warnings if "the muscle tired" in said]  # overshooting less is learning


def test_one_who_does_not_learn_does_not_pass(tmp_path, capsys):
    repeats = repeats_of(tmp_path / "A01.hold", seed=6, clumsy_percent=8)
    assert len(repeats) == 20
    assert not judge_repeats(repeats).passed
    assert not fit_learning([one.error for one in repeats]).improves
