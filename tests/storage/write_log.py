"""Crash consistency beyond kills: what a recorder writes, played back to any moment as a power cut leaves it.

Everything that is written to the folder is logged in order (a preloaded C shim, ``write_log.c``). A power cut keeps of
each file what was flushed, and of what came after any subset of its 512-byte sectors: that many images are made of cut
points, and in each everything that had been acknowledged must be there, every number right.

Run directly for the figures: python tests/storage/write_log.py 1000
"""

from __future__ import annotations

import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from biofeedback.errors import RecordingError  # noqa: E402
from biofeedback.model import Chunk, Event  # noqa: E402
from biofeedback.storage.check import check_recording  # noqa: E402
from biofeedback.storage.recorder import Recorder  # noqa: E402
from biofeedback.storage.recording import open_recording  # noqa: E402
from tests.storage.helpers import make_counts, make_settings  # noqa: E402

WRITE, TRUNCATE, SYNC, UNLINK = 1, 2, 3, 4
SECTOR = 512
RATE_HZ, N_COMMITS, N_PER_COMMIT = 1000.0, 400, 250
ACKNOWLEDGED = "acknowledged"


@dataclass(frozen=True, slots=True)
class Entry:
    kind: int
    name: str
    offset: int
    data: bytes


@dataclass(slots=True)
class Disk:
    """What is safe of each file, and what was asked for since."""

    safe: dict[str, bytearray] = field(default_factory=dict)
    pending: dict[str, list[Entry]] = field(default_factory=lambda: defaultdict(list))

    def take(self, entry: Entry) -> None:
        if entry.kind == SYNC:
            content = self.safe.setdefault(entry.name, bytearray())
            for one in self.pending.pop(entry.name, []):
                apply(content, one)
        elif entry.kind == UNLINK:  # of a log that is in the file: taken at once, the harder case for a reader
            self.safe.pop(entry.name, None)
            self.pending.pop(entry.name, None)
        else:
            self.pending[entry.name].append(entry)

    def cut(self, rng: random.Random) -> dict[str, bytes]:
        """The files after a power cut: any subset of the sectors that were not flushed."""
        share = rng.choice([0.0, 0.5, 0.5, 0.9, 1.0])
        left = {}
        for name in {*self.safe, *self.pending}:
            content = bytearray(self.safe.get(name, b""))
            for entry in self.pending.get(name, []):
                for part in split(entry):
                    if rng.random() < share:
                        apply(content, part)
            left[name] = bytes(content)
        return left


def split(entry: Entry) -> Iterator[Entry]:
    """A write as its sectors; a change of length as it is."""
    if entry.kind != WRITE:
        yield entry
        return
    at, end = entry.offset, entry.offset + len(entry.data)
    while at < end:
        border = min(end, (at // SECTOR + 1) * SECTOR)
        yield Entry(WRITE, entry.name, at, entry.data[at - entry.offset : border - entry.offset])
        at = border


def apply(content: bytearray, entry: Entry) -> None:
    if entry.kind == TRUNCATE:
        del content[entry.offset :]
        content.extend(bytes(entry.offset - len(content)))
        return
    end = entry.offset + len(entry.data)
    if len(content) < end:
        content.extend(bytes(end - len(content)))
    content[entry.offset : end] = entry.data


def read_entries(path: Path, folder: Path) -> list[Entry]:
    content, at, entries = path.read_bytes(), 0, []
    while at < len(content):
        kind, n_path, offset, n_data = struct.unpack_from("=IIQQ", content, at)
        at += 24
        name = content[at : at + n_path].decode()
        at += n_path
        entries.append(Entry(kind, os.path.relpath(name, folder), offset, content[at : at + n_data]))
        at += n_data
    return entries


def record(folder: str, n_commits: int, *, flushed: bool) -> None:
    """The child: a recording with many commits, each acknowledgement written down as it comes.

    ``flushed=False`` leaves the flushes out: what this shows nothing of is not worth much.
    """
    acknowledged = os.open(os.path.join(folder, ACKNOWLEDGED), os.O_CREAT | os.O_RDWR)
    with Recorder.create(os.path.join(folder, "a.hold"), make_settings(rate_hz=RATE_HZ)) as recorder:
        if not flushed:
            recorder._connection.execute("PRAGMA synchronous = OFF")
        for k in range(n_commits):
            recorder.append(Chunk(k * N_PER_COMMIT, make_counts(N_PER_COMMIT, first=k * N_PER_COMMIT)))
            recorder.event(Event(k * N_PER_COMMIT, "note", {"text": str(k)}))
            until_s = time.monotonic() + 0.05
            while recorder.acknowledged_frames < (k + 1) * N_PER_COMMIT and time.monotonic() < until_s:
                time.sleep(0.0005)
            os.pwrite(acknowledged, struct.pack("=Q", recorder.acknowledged_frames), 0)


def log_writes(folder: Path, n_commits: int, *, flushed: bool = True) -> list[Entry]:
    """Run the child with the shim; FileNotFoundError without a C compiler."""
    shim = folder / "write_log.so"
    source = Path(__file__).with_suffix(".c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", str(shim), str(source), "-ldl"], check=True)
    work = (folder / "work").resolve()
    work.mkdir()
    environment = {
        **os.environ,
        "LD_PRELOAD": str(shim),
        "WRITE_LOG": str(folder / "log"),
        "WRITE_LOG_FOLDER": str(work),
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, __file__, "--record", str(work), str(n_commits), str(int(flushed))]
    subprocess.run(command, check=True, env=environment)
    return read_entries(folder / "log", work)


def find_faults(entries: list[Entry], folder: Path, n_cuts: int, seed: int) -> list[str]:
    """Cut the power ``n_cuts`` times, anywhere after the first acknowledgement, and look what is left."""
    rng = random.Random(seed)
    first = next(k for k, entry in enumerate(entries) if entry.name == ACKNOWLEDGED)
    cuts = sorted(rng.randrange(first, len(entries)) for _ in range(n_cuts))
    disk, done, acknowledged, faults = Disk(), 0, 0, []
    for number, cut in enumerate(cuts):
        for entry in entries[done:cut]:
            if entry.name == ACKNOWLEDGED:
                acknowledged = struct.unpack("=Q", entry.data)[0]
            elif entry.name != "." and not entry.name.endswith("-shm"):
                disk.take(entry)
        done = max(done, cut)
        place = folder / str(number)
        place.mkdir()
        for name, content in disk.cut(rng).items():
            (place / name).write_bytes(content)
        faults += [f"cut {cut}: {fault}" for fault in judge(place / "a.hold", acknowledged)]
        shutil.rmtree(place)
    return faults


def judge(path: Path, acknowledged: int) -> Iterator[str]:
    try:
        recording = open_recording(path)
        counts = recording.counts()
    except RecordingError as error:  # a row that is not whole shows only when it is read
        yield str(error)
        return
    if recording.n_frames < acknowledged:
        yield f"{recording.n_frames} of {acknowledged} acknowledged frames"
    if len(recording.events) * N_PER_COMMIT < acknowledged:
        yield f"{len(recording.events)} events of {acknowledged // N_PER_COMMIT}"
    if not np.array_equal(counts, make_counts(recording.n_frames)):
        yield "a wrong number"
    verdict = check_recording(path)
    if verdict.duration_s * RATE_HZ < acknowledged:
        yield "check sees less than was acknowledged"


def main(n_cuts: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        entries = log_writes(Path(name), N_COMMITS)
        n_flushes = sum(entry.kind == SYNC for entry in entries)
        faults = find_faults(entries, Path(name), n_cuts, seed=1)
        print(f"{len(entries)} writes and {n_flushes} flushes; {n_cuts} power cuts: {len(faults)} with a loss")
        print("\n".join(faults[:20]))


if __name__ == "__main__":
    if sys.argv[1] == "--record":
        record(sys.argv[2], int(sys.argv[3]), flushed=sys.argv[4] == "1")
    else:
        main(int(sys.argv[1]))
