"""Simulated learners go through a lesson in whole sessions: is their rate found back, and who passes?

Run: python tests/benchmarks/learners_table.py [--each 6]   (about 5 s of CPU a person)
The truth is the simulated athlete's: the error of repeat n is clumsy x exp(-rate n), and then what steadiness leaves.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import tempfile
from pathlib import Path

import numpy as np

from biofeedback.analysis.learning import fit_learning
from biofeedback.calibration.learning import judge_repeats, list_repeats
from biofeedback.cli import main as run_command
from biofeedback.storage.recording import open_recording

RATES = (0.0, 0.1, 0.2, 0.4)


def learn(seed: int, rate: float, path: Path) -> list:
    url = f"simulated:?athlete=A01&channels=force&rate=100&seed={seed}&clumsy_percent=14&learning_per_repeat={rate}"
    with contextlib.redirect_stdout(io.StringIO()):
        run_command(["simulate", url, str(path), *["--plan", "lesson-steady"] * 4])
    return list_repeats(open_recording(path).account.repeats, "steady")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--each", type=int, default=6)
    each = parser.parse_args().each
    print(f"{'true rate':<11}{'found, median':<15}{'interval holds it':<19}{'above zero':<12}passed")
    for rate in RATES:
        curves, passed = [], 0
        for seed in range(1, each + 1):
            with tempfile.TemporaryDirectory() as folder:
                repeats = learn(seed, rate, Path(folder) / "A01.hold")
            curves.append(fit_learning([one.error for one in repeats]))
            passed += judge_repeats(repeats).passed
        held = sum(c.low <= rate <= c.high for c in curves)
        rises = sum(c.improves for c in curves)
        median = np.median([c.rate if c.improves else 0.0 for c in curves])
        counts = f"{held:>2} of {each:<13}{rises:>2} of {each:<6}{passed:>2} of {each}"
        print(f"{rate:<11.2f}{median:<15.2f}{counts}", flush=True)


if __name__ == "__main__":
    main()
