"""What the start page's list of athletes costs: 200 athletes with 5,000 recordings, the folder's index kept.

Run: python tests/benchmarks/bench_start_page.py
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import MaximumSet
from biofeedback.account.values import Maximum
from biofeedback.model import Channel, Chunk, Event
from biofeedback.session.exercises import load_exercises
from biofeedback.storage.recorder import Recorder
from biofeedback.wiring.athletes import list_athletes

N_ATHLETES, N_EVENINGS, N_RUNS, LIMIT_S = 200, 25, 9, 1.0
STRETCH = {"exercise": "Standing hamstring stretch", "side": "left", "position": "heel on a box, 60 cm"}
NOW = datetime(2026, 11, 28, 18, tzinfo=UTC)


def record(folder: Path, number: int) -> None:
    """One simulated recording with a maximum, and copies of it for the other evenings."""
    utc = (NOW - timedelta(days=number % 60 + 1)).isoformat()
    code = f"A{number:03}"
    channel = Channel(name="force", kind="force", unit="N")
    settings = {"format": 1, "channels": [channel.to_dict()], "rate_hz": 100.0, "athlete": code, "simulated": True}
    settings |= {"started_utc": utc, "source": f"simulated:?seed={number + 1}&channels=force", **STRETCH}
    maximum = Maximum(channel="force", strength=400.0, baseline=0.0, unit="N", utc=utc, **STRETCH)
    first = folder / f"{code}-1.hold"
    with Recorder.create(first, settings, threaded=False) as recorder:
        recorder.append(Chunk(0, np.zeros((50, 1))))
        recorder.event(Event(10, "maximum", write_payload(MaximumSet(maximum=maximum)), utc))
    for evening in range(2, N_EVENINGS + 1):
        shutil.copyfile(first, folder / f"{code}-{evening}.hold")


def measure_s(folder: Path) -> tuple[float, int]:
    started = time.perf_counter()
    cards = list_athletes(folder, load_exercises(), now_utc=NOW.isoformat())
    return time.perf_counter() - started, len(cards)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(N_ATHLETES):
            record(folder, number)
        n_files = sum(1 for _ in folder.glob("*.hold"))
        first_s, _ = measure_s(folder)
        runs = [measure_s(folder) for _ in range(N_RUNS)]
        started = time.perf_counter()
        for path in folder.iterdir():
            path.stat()
        stat_s = time.perf_counter() - started
    median = statistics.median(run for run, _ in runs)
    rows = [
        ("athletes, recordings", f"{runs[0][1]}, {n_files}", ""),
        ("first time, index made", f"{first_s:.2f} s", ""),
        ("index kept, median", f"{median:.3f} s", f"at most {LIMIT_S:g} s"),
        ("ratio to asking each file's size", f"{median / stat_s:.1f}", ""),
    ]
    for title, value, limit in rows:
        print(f"{title:<36}{value:<14}{limit}")


if __name__ == "__main__":
    main()
