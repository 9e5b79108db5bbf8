"""How long an answer takes, in one process: ``python tests/benchmarks/bench_answer.py [--against FOLDER]``.

The next effort of a plan that adapts is found on the event loop: at most 50 ms. ``--against`` names a checkout of an
earlier version: a 20 min session is analysed by both, in turns, each in a process of its own, imports left out; and
its demo recordings are reported by both.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from biofeedback.analysis.dose import DosePoint
from biofeedback.session.adapting import HeldPhase
from biofeedback.session.plan import load_plan
from biofeedback.wiring.next_effort import EffortChooser

LIMIT_MS = 50.0
N_CHOICES, N_TURNS = 30, 5
ANALYSE = """
import sys, time
from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.trace import compute_trace
from biofeedback.storage.recording import open_recording
recording = open_recording(sys.argv[1])
analyse_recording(recording)
for work in (analyse_recording, compute_trace):
    started_s = time.process_time()
    work(recording)
    print(time.process_time() - started_s)
"""


def time_choices(n_contractions: int, n_earlier: int) -> tuple[float, float]:
    """Milliseconds of the first choice in a session, and of the slowest but one of the later ones."""
    rng = np.random.default_rng(1)
    earlier = [
        DosePoint(float(rng.uniform(20, 80)), float(rng.normal(-1, 1)), 1 + i // 8, i % 8) for i in range(n_earlier)
    ]
    chooser = EffortChooser(lambda: earlier)
    chooser.prepare(load_plan("dose-search"))
    if chooser.thread:
        chooser.thread.join()
    took_ms = []
    for _ in range(N_CHOICES):
        held = [HeldPhase("passive", 0, 0.0, 6.0)]
        for i in range(n_contractions):
            held.append(HeldPhase("contract", 2 * i + 1, float(rng.uniform(20, 80)), float(rng.integers(2, 8))))
            held.append(HeldPhase("passive", 2 * i + 2, 0.0, float(rng.integers(4, 8))))
        started_s = time.perf_counter()
        chooser(held, low_percent=10.0, high_percent=80.0, top_percent=100.0)
        took_ms.append(1000 * (time.perf_counter() - started_s))
    return took_ms[0], sorted(took_ms[1:])[-2]


def time_analysis(root: Path, path: Path) -> tuple[float, float]:
    """CPU seconds of one whole analysis by the version in ``root``, and of all in it that comes after the levels."""
    environment = os.environ | {"PYTHONPATH": str(root)}
    command = [sys.executable, "-c", ANALYSE, str(path)]
    done = subprocess.run(command, check=True, capture_output=True, text=True, env=environment, cwd=root)
    whole_s, levels_s = map(float, done.stdout.split())
    return whole_s, whole_s - levels_s


def time_report(root: Path, path: Path) -> float:
    """CPU seconds of ``report`` by the version in ``root``, imports included; the page goes to a temporary folder."""
    environment = os.environ | {"PYTHONPATH": str(root)}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / path.name
        copy.write_bytes(path.read_bytes())
        before = os.times()
        command = [sys.executable, "-m", "biofeedback", "report", str(copy)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment, cwd=folder)
        after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def main() -> int:
    """Print two tables; exit code 1 when a choice takes too long or the analysis is slower than it was."""
    parser = argparse.ArgumentParser(description="How long an answer takes")
    parser.add_argument("--against", type=Path, help="a checkout of an earlier version")
    options = parser.parse_args()
    missed = False
    print(f"Next effort, limit {LIMIT_MS:.0f} ms, {N_CHOICES} choices: the first, the slowest but one")
    for n_contractions, n_earlier in ((2, 0), (8, 0), (8, 40), (20, 100)):
        first_ms, later_ms = time_choices(n_contractions, n_earlier)
        missed |= max(first_ms, later_ms) > LIMIT_MS
        print(f"  {n_contractions:3} contractions, {n_earlier:3} earlier {first_ms:8.1f} ms {later_ms:8.1f} ms")
    if options.against:
        from bench_report import make_recording

        here = Path(__file__).parents[2]
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "bench.hold"
            make_recording(path)
            pairs = [(time_analysis(here, path), time_analysis(options.against, path)) for _ in range(N_TURNS)]
        print(
            "Analysis of a 20 min session, CPU seconds of now and then, in turns (medians), and their ratio (limit 1)"
        )
        for i, name in enumerate(("whole", "after the levels")):
            now_s, then_s = (statistics.median(side[i] for side in column) for column in zip(*pairs, strict=True))
            missed |= now_s > then_s
            print(f"  {name:18} {now_s:6.3f} {then_s:6.3f} {now_s / then_s:6.2f}")
        print("Report of the demo recordings, CPU seconds of now and then, in turns, and their ratio (limit 1.2)")
        for path in sorted((options.against / "recordings-demo").glob("*.hold")):
            turns = [(time_report(here, path), time_report(options.against, path)) for _ in range(3)]
            now_s, then_s = (statistics.median(column) for column in zip(*turns, strict=True))
            missed |= now_s > 1.2 * then_s
            print(f"  {path.name:18} {now_s:6.2f} {then_s:6.2f} {now_s / then_s:6.2f}")
    return int(missed)


if __name__ == "__main__":
    raise SystemExit(main())
