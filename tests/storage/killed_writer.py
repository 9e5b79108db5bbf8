"""A writer at real pace, killed at random moments: what it had acknowledged must be in the file.

Run directly for the long version: python tests/storage/killed_writer.py 500
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from biofeedback.model import Chunk, Event
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

N_CHANNELS, RATE_HZ, CHUNK_S = 8, 1000, 0.02


@dataclass(frozen=True, slots=True)
class Kill:
    """What one killed writer left: frames handed over and acknowledged just before, and found afterwards."""

    n_appended: int
    n_acknowledged: int
    n_found: int
    n_events_acknowledged: int
    n_events_found: int

    @property
    def tail_s(self) -> float:
        return (self.n_appended - self.n_found) / RATE_HZ


def counts_from(first: int, n_frames: int) -> np.ndarray:
    frames = np.arange(first, first + n_frames, dtype=np.float64)[:, None]
    return frames * 16 + np.arange(N_CHANNELS)


def write_for_ever(path: str) -> None:
    channels = [{"name": f"emg{i}", "kind": "emg"} for i in range(N_CHANNELS)]
    recorder = Recorder.create(path, {"channels": channels, "rate_hz": RATE_HZ})
    n_frames = round(RATE_HZ * CHUNK_S)
    start = time.monotonic()
    events: list[int] = []
    for k in range(10**6):
        recorder.append(Chunk(k * n_frames, counts_from(k * n_frames, n_frames)))
        if k % 10 == 0:
            recorder.event(Event(k * n_frames, "rating", {"value": k}))
            events.append((k + 1) * n_frames)
        acknowledged = recorder.acknowledged_frames
        safe_events = sum(end <= acknowledged for end in events)
        print((k + 1) * n_frames, acknowledged, safe_events, flush=True)
        time.sleep(max(0.0, start + (k + 1) * CHUNK_S - time.monotonic()))


def kill_one(path: Path, after_s: float) -> Kill:
    """Start a writer, kill it without warning, read what is there and compare every number."""
    command = [sys.executable, "-W", "error", __file__, "--write", str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(after_s)
        writer.kill()
        whole, _, _ = (first + writer.stdout.read()).rpartition("\n")  # killed while it says something: half a line
    n_appended, n_acknowledged, n_events = (int(word) for word in whole.splitlines()[-1].split())
    recording = open_recording(path)
    counts = recording.counts()
    assert np.array_equal(counts, counts_from(0, len(counts))), "a number in the file is wrong"
    return Kill(n_appended, n_acknowledged, recording.n_frames, n_events, len(recording.events))


def main(n_kills: int) -> None:
    rng = random.Random(1)
    kills = []
    with tempfile.TemporaryDirectory() as folder:
        for k in range(n_kills):
            kills.append(kill_one(Path(folder) / f"{k}.hold", rng.uniform(0.05, 2.0)))
    lost = sum(kill.n_found < kill.n_acknowledged for kill in kills)
    lost_events = sum(kill.n_events_found < kill.n_events_acknowledged for kill in kills)
    tails = sorted(kill.tail_s for kill in kills)
    print(f"{n_kills} kills: {lost} lost acknowledged frames, {lost_events} lost acknowledged events")
    n_long = sum(tail_s > 0.5 for tail_s in tails)
    print(f"tail missing: median {tails[len(tails) // 2]:.3f} s, largest {tails[-1]:.3f} s, {n_long} longer than 0.5 s")


if __name__ == "__main__":
    if sys.argv[1] == "--write":
        write_for_ever(sys.argv[2])
    else:
        main(int(sys.argv[1]))
