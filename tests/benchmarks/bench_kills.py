"""Exports and reports killed at random moments: ``python tests/benchmarks/bench_kills.py 1000 [seed]``.

Each runs in a process of its own that is killed (SIGKILL) within the time that it takes; whatever then lies under a
final name must be, byte for byte, what an undisturbed run makes. Exit code 1 when any file is there and not whole.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # a fork has none of its parent's threads

import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from biofeedback.cli import main as run_command
from biofeedback.model import Channel, Chunk, Event
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.whole_file import is_half_made

KINDS = {
    "csv": ("export", "{file}", "--to", "csv", "--out", "{out}"),
    "numpy": ("export", "{file}", "--to", "numpy", "--out", "{out}"),
    "levels": ("export", "{file}", "--to", "levels", "--out", "{out}"),
    "parquet": ("export", "{file}", "--to", "levels", "--parquet", "--out", "{out}"),
    "edf": ("export", "{file}", "--to", "edf", "--out", "{out}"),
    "bdf": ("export", "{file}", "--to", "bdf", "--out", "{out}"),
    "html": ("report", "{file}", "--out", "{out}/report.html"),
    "pdf": ("report", "{file}", "--pdf", "--out", "{out}/report.pdf"),
}


def make_recording(path: Path) -> None:
    """30 s of force at 1 kHz with a rating."""
    channel = Channel(name="force", kind="force", unit="N", factor=0.01)
    counts = np.random.default_rng(2).integers(0, 20_000, (30_000, 1)).astype(np.float64)
    about = {"channels": [channel.to_dict()], "rate_hz": 1000.0, "athlete": "A01", "simulated": True}
    with Recorder.create(path, about, threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
        recorder.event(Event(5000, "rating", {"value": 6, "phase_index": None}))


def start(words: list[str]) -> int:
    """The command in a child that has everything imported already; its process id."""
    pid = os.fork()
    if pid:
        return pid
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    try:
        os._exit(run_command(words))
    except BaseException:
        os._exit(3)


def list_final(out: Path) -> dict[str, bytes]:
    """What lies under final names."""
    return {path.name: path.read_bytes() for path in out.iterdir() if not is_half_made(path)}


def main() -> int:
    """Print a table; 1 when anything was there and not whole."""
    n_kills, seed = int(sys.argv[1]) if len(sys.argv) > 1 else 200, int(sys.argv[2]) if len(sys.argv) > 2 else 1
    dice = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        file, out = Path(folder) / "A01.hold", Path(folder) / "out"
        make_recording(file)
        words = {kind: [word.format(file=file, out=out) for word in given] for kind, given in KINDS.items()}
        for given in words.values():  # everything is imported once, here
            out.mkdir(exist_ok=True)
            run_command(given)
        shutil.rmtree(out)
        whole, took_s = {}, {}
        for kind, given in words.items():
            out.mkdir()
            began = time.perf_counter()
            os.waitpid(start(given), 0)
            took_s[kind], whole[kind] = time.perf_counter() - began, list_final(out)
            shutil.rmtree(out)
        counts = {kind: [0, 0, 0, 0] for kind in KINDS}  # killed, nothing there, whole, not whole
        for _ in range(n_kills):
            kind = dice.choice(list(KINDS))
            out.mkdir()
            pid = start(words[kind])
            time.sleep(dice.uniform(0.0, took_s[kind]))
            os.kill(pid, signal.SIGKILL)
            is_killed = os.WIFSIGNALED(os.waitpid(pid, 0)[1])
            left = list_final(out)
            n_odd = sum(content != whole[kind].get(name) for name, content in left.items())
            counts[kind][0] += is_killed
            counts[kind][1 if not left else 3 if n_odd else 2] += 1
            shutil.rmtree(out)
    print(f"{'what':<10}{'takes s':>9}{'killed':>8}{'nothing':>9}{'whole':>7}{'not whole':>11}")
    for kind, row in counts.items():
        print(f"{kind:<10}{took_s[kind]:>9.2f}{row[0]:>8}{row[1]:>9}{row[2]:>7}{row[3]:>11}")
    n_not_whole = sum(row[3] for row in counts.values())
    print(f"{n_kills} runs, {sum(row[0] for row in counts.values())} killed on the way, {n_not_whole} files not whole")
    return int(n_not_whole > 0)


if __name__ == "__main__":
    raise SystemExit(main())
