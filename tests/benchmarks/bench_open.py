"""Opening a sound recording, and reading its counts, beside an earlier version of this program.

``python tests/benchmarks/bench_open.py [REVISION]``: both open the same recording, which the earlier version made, in
processes that take turns; least computing time of each. The default is the version before files were distrusted.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BEFORE = "34dfb7d~1"
N_TURNS, N_TRIES, N_OPENED = 5, 20, 10
MOST_RATIO = 1.10


def measure(recording: str) -> None:
    """Print the least milliseconds of opening, and of reading all counts; whichever package is on the path is used."""
    from biofeedback.storage.recording import open_recording

    opened_s, read_s = [], []
    for _ in range(N_TRIES):
        started_s = time.process_time()
        for _ in range(N_OPENED):
            one = open_recording(recording)
        opened_s.append((time.process_time() - started_s) / N_OPENED)
        started_s = time.process_time()
        one.counts()
        read_s.append(time.process_time() - started_s)
    print(1000 * min(opened_s), 1000 * min(read_s))


def main(revision: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        command = ["git", "-C", str(ROOT), "archive", revision, "biofeedback", "recordings-demo/A02.hold"]
        archive = Path(name) / "before.tar"
        archive.write_bytes(subprocess.run(command, check=True, capture_output=True).stdout)
        with tarfile.open(archive) as packed:
            packed.extractall(name, filter="data")
        took: dict[str, list[list[float]]] = {name: [], str(ROOT): []}
        for _ in range(N_TURNS):
            for package, times in took.items():
                command = [sys.executable, __file__, "--measure", f"{name}/recordings-demo/A02.hold"]
                told = subprocess.run(
                    command, env={**os.environ, "PYTHONPATH": package}, check=True, capture_output=True, text=True
                )
                times.append([float(word) for word in told.stdout.split()])
        before, now = ([min(turn[k] for turn in times) for k in (0, 1)] for times in took.values())
        for what, old, new in zip(("opening", "its counts"), before, now, strict=True):
            print(f"{what:10} {new:6.2f} ms, {revision} {old:6.2f} ms: {new / old:.2f} (at most {MOST_RATIO:.2f})")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--measure"]:
        measure(sys.argv[2])
    else:
        main(sys.argv[1] if len(sys.argv) > 1 else BEFORE)
