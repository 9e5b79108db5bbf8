"""What turning frames into levels costs. Run: python tests/benchmarks/bench_signal.py [--against CHECKOUT]

``--against`` names a checkout of an earlier version: both are timed in turns, each in processes of its own, and the
ratios of the least times are printed, live and afterwards (limit 1).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from scipy import signal

from biofeedback.model import Channel, Chunk, FloatArray
from biofeedback.signal.levels import LevelStream

SECONDS, LIVE_SECONDS, CHUNK_S, N_RUNS, N_TURNS = 60, 5, 0.016, 5, 4
CASES = (
    ("8 raw EMG, 1 kHz", 1000, ["emg"] * 8),
    ("1 force, 80 Hz", 80, ["force"]),
    ("1 force + 2 raw EMG, 1 kHz", 1000, ["force", "emg", "emg"]),
    ("1 force + 4 raw EMG, 2 kHz", 2000, ["force", "emg", "emg", "emg", "emg"]),
)


def run_stream(channels: list[Channel], rate_hz: float, counts: FloatArray, chunk_s: float) -> float:
    """Processor seconds for all frames, pushed in chunks."""
    n = max(1, round(chunk_s * rate_hz))
    chunks = [Chunk(at, counts[at : at + n]) for at in range(0, len(counts), n)]
    stream = LevelStream(channels, rate_hz)
    start = time.process_time()
    for chunk in chunks:
        stream.push(chunk)
    return time.process_time() - start


def run_live(channels: list[Channel], rate_hz: float, counts: FloatArray) -> float:
    """Seconds of this thread for one push as in a session: 16 ms of sleep before each, so that all caches are cold."""
    n = max(1, round(CHUNK_S * rate_hz))
    stream = LevelStream(channels, rate_hz)
    taken_s = []
    for at in range(0, LIVE_SECONDS * rate_hz, n):
        time.sleep(CHUNK_S)
        start = time.thread_time()
        stream.push(Chunk(at, counts[at : at + n]))
        taken_s.append(time.thread_time() - start)
    return float(np.mean(taken_s[len(taken_s) // 10 :]))


def run_plain(kinds: list[str], rate_hz: float, counts: FloatArray) -> float:
    """Processor seconds of the same filters and averages as one call over the whole array, no flags, no state."""
    start = time.process_time()
    hop = max(1, round(rate_hz / 100))
    for kind in sorted(set(kinds)):
        x = counts[:, [k == kind for k in kinds]]
        if kind == "emg":
            edges = [20, min(450, 0.45 * rate_hz)]
            x = signal.sosfilt(signal.butter(4, edges, "bandpass", fs=rate_hz, output="sos"), x, axis=0) ** 2
        else:
            x = signal.sosfilt(signal.butter(2, 12, fs=rate_hz, output="sos"), x, axis=0)
        hops = x[: len(x) // hop * hop].reshape(-1, hop, x.shape[1]).mean(axis=1)
        total = np.cumsum(hops, axis=0)
        n = 25 if kind == "emg" else 5
        level = (total[n:] - total[:-n]) / n
        _ = np.sqrt(level) if kind == "emg" else level
    return time.process_time() - start


def make_counts(rate_hz: float, kinds: list[str]) -> tuple[list[Channel], FloatArray]:
    channels = [Channel(name=f"{kind}{i}", kind=kind) for i, kind in enumerate(kinds)]
    return channels, np.round(np.random.default_rng(1).normal(0, 300, (SECONDS * rate_hz, len(kinds))))


def time_cases() -> list[tuple[float, float]]:
    """Of each case, seconds live and afterwards."""
    times_s = []
    for _, rate_hz, kinds in CASES:
        channels, counts = make_counts(rate_hz, kinds)
        live_s = min(run_stream(channels, rate_hz, counts, CHUNK_S) for _ in range(2))
        times_s.append((live_s, min(run_stream(channels, rate_hz, counts, 10) for _ in range(N_RUNS))))
    return times_s


def compare(other: Path) -> bool:
    """Print the ratios to another checkout; whether one is above 1."""
    here = Path(__file__).parents[2]
    least: dict[Path, np.ndarray] = {}
    for _ in range(N_TURNS):
        for checkout in (here, other):
            told = subprocess.run(
                [sys.executable, __file__, "--json"],
                env={**os.environ, "PYTHONPATH": str(checkout)},
                capture_output=True,
                text=True,
                check=True,
            ).stdout
            found = np.array(json.loads(told))
            least[checkout] = np.minimum(least.get(checkout, found), found)
    ratios = least[here] / least[other]
    print(f"{'processor time of now over then':32}  {'live':>6}  {'afterwards':>10}")
    for (name, *_), (live, after) in zip(CASES, ratios, strict=True):
        print(f"{name:32}  {live:>6.2f}  {after:>10.2f}")
    together = least[here].sum(axis=0) / least[other].sum(axis=0)
    print(f"{'all together':32}  {together[0]:>6.2f}  {together[1]:>10.2f}   limit 1")
    return bool((together > 1.0).any())


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--against", type=Path, help="a checkout of an earlier version")
    parser.add_argument("--json", action="store_true", help="only the seconds of each case, live and afterwards")
    options = parser.parse_args()
    if options.json:
        print(json.dumps(time_cases()))
        return 0
    if options.against:
        return int(compare(options.against))
    print_table()
    return 0


def print_table() -> None:
    run_plain(["emg"], 1000, np.zeros((1000, 1)))  # imports
    print(
        f"{'frames to levels':28}  {'live, 16 ms chunks':>20}  {'one cold push':>13}  {'afterwards, 10 s':>20}"
        f"  {'plain':>8}  {'ratio':>6}"
    )
    for name, rate_hz, kinds in CASES:
        channels, counts = make_counts(rate_hz, kinds)
        live = min(run_stream(channels, rate_hz, counts, CHUNK_S) for _ in range(N_RUNS))
        after = min(run_stream(channels, rate_hz, counts, 10) for _ in range(N_RUNS))
        cold_s = run_live(channels, rate_hz, counts)
        plain = min(run_plain(kinds, rate_hz, counts) for _ in range(N_RUNS))
        shown = [f"{100 * live / SECONDS:.2f} % of a core", f"{1e3 * after:.0f} ms per minute", f"{1e3 * plain:.0f} ms"]
        print(
            f"{name:28}  {shown[0]:>20}  {1e3 * cold_s:>10.2f} ms  {shown[1]:>20}  {shown[2]:>8}  {after / plain:>6.1f}"
        )


if __name__ == "__main__":
    raise SystemExit(main())
