"""A full disk, Ctrl-C or a killed program leaves nothing under a final name that is not whole."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from biofeedback.model import Channel, Chunk, Event
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.whole_file import is_half_made

from .helpers import need_module

# -B: Python itself leaves half of a compiled module under its final name when the disk is full, for all later runs
RUN = [sys.executable, "-B", "-c", "import sys; from biofeedback.cli import main; sys.exit(main(sys.argv[1:]))"]
COMMANDS = {
    "csv": ["export", "{file}", "--to", "csv", "--out", "{out}"],
    "numpy": ["export", "{file}", "--to", "numpy", "--out", "{out}"],
    "bdf": ["export", "{file}", "--to", "bdf", "--out", "{out}"],
    "html": ["report", "{file}", "--out", "{out}/report.html"],
    "pdf": ["report", "{file}", "--pdf", "--out", "{out}/report.pdf"],
    "cohort": ["cohort", "{folder}", "--out", "{out}/table.csv", "--workers", "1"],
    "bids": ["export", "{file}", "--to", "bids", "--out", "{out}/dataset"],
}
SMALL_KIB = {"csv": 100, "numpy": 100, "bdf": 50, "html": 20, "pdf": 10, "cohort": 1, "bids": 2}


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    channel = Channel(name="force", kind="force", unit="N", factor=0.01)
    counts = np.random.default_rng(2).integers(0, 20_000, (30_000, 1)).astype(np.float64)
    about = {"channels": [channel.to_dict()], "rate_hz": 1000.0, "athlete": "A01"}
    (tmp_path / "in").mkdir()
    with Recorder.create(tmp_path / "in" / "A01.hold", about, threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
        recorder.event(Event(5000, "rating", {"value": 6, "phase_index": None}))
    return tmp_path / "in" / "A01.hold"


def words(kind: str, recording: Path, out: Path) -> list[str]:
    if kind == "bdf":
        need_module("edfio")
    return [word.format(file=recording, folder=recording.parent, out=out) for word in COMMANDS[kind]]


def left(out: Path) -> list[str]:
    return [path.name for path in out.iterdir() if not is_half_made(path) and path.suffix != ".part"]


@pytest.mark.skipif(os.name != "posix", reason="limits of a process are POSIX")
@pytest.mark.parametrize("kind", COMMANDS)
def test_a_full_disk_leaves_nothing_and_a_line_with_its_cure(kind: str, recording: Path, tmp_path: Path) -> None:
    import resource

    out = tmp_path / "out"
    out.mkdir()
    limit = SMALL_KIB[kind] * 1024

    def narrow() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = subprocess.run(
        [*RUN, *words(kind, recording, out)], preexec_fn=narrow, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1, done.stdout
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("biofeedback: ")]
    assert str(out) in line
    assert "None" not in line
    assert ";" in line
    assert left(out) == []
    assert [path.name for path in out.iterdir() if is_half_made(path)] == []


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals are POSIX")
@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGKILL])
def test_exports_ended_at_random_leave_whole_files_or_none(ending: int, recording: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    began = time.perf_counter()
    subprocess.run([*RUN, *words("csv", recording, out)], check=True, capture_output=True)
    whole_s = time.perf_counter() - began
    whole = {path.name: path.read_bytes() for path in out.iterdir()}
    dice = random.Random(7)
    n_cut = 0
    for _ in range(12):
        for path in out.iterdir():
            path.unlink()
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        process = subprocess.Popen([*RUN, *words("csv", recording, out)], **quiet)
        try:
            process.wait(whole_s * dice.uniform(0.4, 1.0))
        except subprocess.TimeoutExpired:
            process.send_signal(ending)
            process.wait()
            n_cut += 1
        for name in left(out):
            assert (out / name).read_bytes() == whole[name]
    assert n_cut > 3
