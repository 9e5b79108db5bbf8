"""What start-up costs: ``biofeedback --help`` against a bare interpreter, in turn, median of several runs.

Run: python tests/benchmarks/bench_start.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

N_RUNS = 15


def measure_s(*arguments: str) -> float:
    started = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - started


def main() -> None:
    help_s, bare_s = [], []
    for _ in range(N_RUNS):
        bare_s.append(measure_s("-c", "pass"))
        help_s.append(measure_s("-m", "biofeedback", "--help"))
    bare, ours = statistics.median(bare_s), statistics.median(help_s)
    rows = [
        ("bare interpreter", f"{bare:.3f} s", ""),
        ("biofeedback --help", f"{ours:.3f} s", ""),
        ("above bare", f"{ours - bare:.3f} s", "at most 0.15 s"),
        ("ratio", f"{ours / bare:.1f}", ""),
    ]
    for name, value, limit in rows:
        print(f"{name:<28}{value:<14}{limit}")


if __name__ == "__main__":
    main()
