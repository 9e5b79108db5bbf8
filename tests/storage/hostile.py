"""Recordings as they come back from bad disks and from strangers, made with fixed seeds, and what must hold for each.

The figures over all of them: python tests/benchmarks/bench_hostile.py
"""

from __future__ import annotations

import json
import math
import random
import shutil
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel, Chunk, Event, FloatArray
from biofeedback.storage.carve import carve_rows
from biofeedback.storage.check import check_recording, repair_recording
from biofeedback.storage.library import list_recordings
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import COLUMNS, checksum

from .helpers import make_counts, make_settings, wait_until_saved

PAGE = 4096
N_FRAMES, RATE_HZ = 6000, 1000.0
N_DAMAGED, N_HOSTILE, N_LOGS = 700, 270, 560
LONGEST_S = 5.0
DAMAGE = ("bit", "bits", "zeroed page", "zeroed range", "duplicated page", "swapped pages", "noise", "cut", "header")
LOG_DAMAGE = ("bit", "zeroed frame", "swapped frames", "salt", "noise", "cut", "header", "zeroed end", "duplicate")


@dataclass(frozen=True, slots=True)
class Finding:
    """What one file did: ``faults`` are what must never happen."""

    seed: int
    what: str
    faults: tuple[str, ...]
    longest_s: float


def make_sound(folder: Path) -> Path:
    """A recording of 6 s with 24 events, closed."""
    path = folder / "sound.hold"
    with Recorder.create(
        path, make_settings(rate_hz=RATE_HZ, started_utc="2026-01-05T18:00:00+00:00"), threaded=False
    ) as recorder:
        recorder.append(Chunk(0, make_counts(N_FRAMES)))
        for k in range(24):
            recorder.event(Event(k * 250, "rating", {"value": k % 11, "phase_index": 0, "by": "athlete"}))
    return path


def make_interrupted(folder: Path) -> Path:
    """The same, copied with its log between two commits of a living writer."""
    (folder / "cut").mkdir(parents=True)
    with Recorder.create(folder / "live.hold", make_settings(rate_hz=RATE_HZ)) as recorder:
        for k in range(24):
            recorder.append(Chunk(k * 250, make_counts(250, first=k * 250)))
            recorder.event(Event(k * 250, "note", {"text": str(k)}))
            wait_until_saved(recorder)
        for suffix in ("", "-wal"):
            shutil.copy(folder / f"live.hold{suffix}", folder / "cut" / f"live.hold{suffix}")
    return folder / "cut" / "live.hold"


# ---- damage ----


def damage(content: bytes, rng: random.Random) -> tuple[str, bytes]:
    """One kind of damage of a file, and what it was."""
    data = bytearray(content)
    pages = len(data) // PAGE
    at, other = rng.randrange(pages) * PAGE, rng.randrange(pages) * PAGE
    kind = rng.choice(
        ["bit", "bits", "zeroed page", "zeroed range", "duplicated page", "swapped pages", "noise", "cut", "header"]
    )
    if kind in ("bit", "bits"):
        for _ in range(1 if kind == "bit" else 40):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif kind == "zeroed page":
        data[at : at + PAGE] = bytes(PAGE)
    elif kind == "zeroed range":
        first = rng.randrange(len(data))
        last = min(len(data), first + rng.randrange(1, 20_000))
        data[first:last] = bytes(last - first)
    elif kind == "duplicated page":
        data[at : at + PAGE] = data[other : other + PAGE]
    elif kind == "swapped pages":
        data[at : at + PAGE], data[other : other + PAGE] = data[other : other + PAGE], data[at : at + PAGE]
    elif kind == "noise":
        first = rng.randrange(len(data))
        data[first : first + 512] = rng.randbytes(len(data[first : first + 512]))
    elif kind == "cut":
        del data[rng.randrange(len(data)) :]
    else:
        data[rng.randrange(100)] = rng.randrange(256)
    return kind, bytes(data)


def damage_log(content: bytes, rng: random.Random) -> tuple[str, bytes]:
    """One kind of damage of a log, and what it was."""
    data = bytearray(content)
    step = 24 + PAGE
    n = (len(data) - 32) // step
    at, other = (32 + rng.randrange(n) * step for _ in range(2))
    kind = rng.choice(
        ["bit", "zeroed frame", "swapped frames", "salt", "noise", "cut", "header", "zeroed end", "duplicate"]
    )
    if kind == "bit":
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif kind == "zeroed frame":
        data[at : at + step] = bytes(step)
    elif kind == "swapped frames":
        data[at : at + step], data[other : other + step] = data[other : other + step], data[at : at + step]
    elif kind == "salt":
        data[at + 8 + rng.randrange(8)] ^= 1 << rng.randrange(8)
    elif kind == "noise":
        data[at + 24 : at + 24 + 300] = rng.randbytes(300)
    elif kind == "cut":
        del data[rng.randrange(33, len(data)) :]
    elif kind == "header":
        data[rng.randrange(32)] ^= 1 << rng.randrange(8)
    elif kind == "zeroed end":
        data[at:] = bytes(len(data) - at)
    else:
        data[at : at + step] = data[other : other + step]
    return kind, bytes(data)


# ---- contents of a stranger's making, their checksums right ----

NASTY: tuple[Any, ...] = (
    None, True, -1, 0, 1e308, -1e308, 2**62, 2**70, 0.5, "", "x" * 5000, "\x1b[2J", "=cmd()", "../../etc", "A01\nA02",
    "\ud800", [], {}, [None], [[[]]], {"a": {"b": {"c": []}}}, [1, "x"], {"": None}, "NaN", "2026-13-45", [1e308] * 3,
)  # fmt: skip
EVENTS: dict[str, dict[str, Any]] = {
    "rating": {"value": 3, "phase_index": 0, "ask_id": 1, "by": "athlete", "corrects": None},
    "phase": {
        "index": 0,
        "kind": "contract",
        "title": "Hold",
        "band": [60, 80],
        "grace_s": 1.0,
        "duration_s": 2.0,
        "cycle": 0,
    },
    "zero": {"channels": {"force0": {"level": 0.0, "sd": 1.0, "n_levels": 10}}},
    "maximum": {"channel": "force0", "strength": 90000.0, "baseline": 0.0, "method": "attempts", "unit": "count"},
    "plan": {"name": "steps", "phases": []},
    "setup": {"covariates": {"heat": True}},
    "relaxed": {"on": True},
    "stop": {"reason": "pain"},
    "note": {"text": "x"},
    "answer": {"word": "less"},
    "choice": {"contrasts": []},
    "limit": {"value": 7},
    "attempt": {"channel": "force0", "peak": 1.0},
    "guide": {"channel": "force0"},
    "device": {"name": "x"},
    "ended": {"reason": "x"},
}
SETTINGS = ("athlete", "started_utc", "exercise", "side", "position", "source", "simulated", "rate_hz", "channels")
SETTINGS += ("certificates", "covariates")
CHANNEL = Channel(name="force0", kind="force", unit="N").to_dict() | {"rate_hz": None, "clock": 0}
SCHEMAS = (
    "CREATE TRIGGER t AFTER INSERT ON events BEGIN DELETE FROM chunks; END",
    "DROP TABLE events",
    "DROP TABLE gaps; CREATE VIEW gaps AS WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) "
    "SELECT x AS id, x AS first_frame, 1 AS n_frames, '' AS reason, 0 AS crc32 FROM n",
    "DROP TABLE notes; CREATE VIEW notes AS SELECT 1 AS id, 1 AS frame, hex(zeroblob(400000000)) AS text, 0 AS crc32",
    "ALTER TABLE notes ADD COLUMN more TEXT AS (hex(zeroblob(100000000)))",
    "CREATE INDEX i ON events (length(data))",
)


def make_hostile(path: Path, rng: random.Random) -> str:
    """Turn a sound recording into a stranger's; what was done."""
    connection = sqlite3.connect(path)
    kind = rng.choice(["event", "event", "event", "setting", "channel", "frames", "schema"])
    if kind == "schema":
        statement = rng.choice(SCHEMAS)
        connection.executescript(statement)
        what = statement[:60]
    elif kind == "event":
        name = rng.choice(list(EVENTS))
        data = dict(EVENTS[name])
        field = rng.choice(list(data))
        value = rng.choice([v for v in NASTY if v != "\ud800" or rng.random() < 0.3])
        data[field] = value if not isinstance(data[field], dict) or rng.random() < 0.5 else {"force0": value}
        for first in (0, 100):
            put(connection, "events", (first, "2026-01-05T18:00:00+00:00", name, json.dumps(data)))
        what = f"{name}.{field} = {value!r:.30}"
    elif kind in ("setting", "channel"):
        key, value = rng.choice(SETTINGS), rng.choice(NASTY)
        if kind == "channel":
            key, field = "channels", rng.choice(list(CHANNEL))
            value = [CHANNEL | {field: value}, CHANNEL | {"name": "emg1", "kind": "emg"}]
        for table in ("meta", "meta_copy"):
            connection.execute(f"DELETE FROM {table} WHERE key = ?", (key,))
            put(connection, table, (key, json.dumps(value)))
        what = f"{key} = {value!r:.60}"
    else:
        table, row = rng.choice(
            [
                ("gaps", (N_FRAMES, 2 ** rng.randrange(10, 62), "")),
                ("gaps", (-(2 ** rng.randrange(1, 62)), 10, "")),
                ("gaps", (rng.randrange(N_FRAMES), rng.randrange(-5, 50), "")),
                ("chunks", (2 ** rng.randrange(13, 62), 1, "<i4", bytes(8))),
                ("chunks", (N_FRAMES, rng.randrange(-5, 2**40), "<i4", bytes(8))),
                ("chunks", (N_FRAMES, 1, rng.choice(["|O8", "<f8", "", "<i4+t", "<U9"]), bytes(8))),
                ("notes", (2 ** rng.randrange(40, 62), "x")),
                ("events", (2 ** rng.randrange(40, 62), "", "note", "{}")),
                ("events", (0, "", "note", "[" * rng.randrange(10, 9000))),
                ("events", (0, "", "note", '{"a":' * 3000 + "1" + "}" * 3000)),
            ]
        )
        put(connection, table, row)
        what = f"{table} {row!r:.60}"
    connection.commit()
    connection.close()
    return what


def put(connection: sqlite3.Connection, table: str, row: tuple[Any, ...]) -> None:
    names = ", ".join((*COLUMNS[table], "crc32"))
    marks = ", ".join("?" * (len(row) + 1))
    connection.execute(f"INSERT OR REPLACE INTO {table} ({names}) VALUES ({marks})", (*row, checksum(row)))


# ---- what must hold ----


class Judge:
    """Runs what a person would do with a file, and notes every fault."""

    def __init__(self) -> None:
        self.faults: list[str] = []
        self.longest_s = 0.0

    def run(self, name: str, act: Callable[[], Any]) -> Any:
        """What it gives; None when it refused in one line. Anything else that it raises is a fault."""
        started_s = time.perf_counter()
        try:
            return act()
        except BiofeedbackError:
            return None
        except Exception as error:
            self.faults.append(f"{name}: {type(error).__name__}: {error}"[:200])
            return None
        finally:
            took_s = time.perf_counter() - started_s
            self.longest_s = max(self.longest_s, took_s)
            if took_s > LONGEST_S:
                self.faults.append(f"{name}: {took_s:.1f} s")


def make_other(folder: Path) -> Path:
    """Another evening with the same sensor."""
    folder.mkdir()
    path = folder / "other.hold"
    with Recorder.create(path, make_settings(rate_hz=RATE_HZ), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(100)))
    return path


def are_right(counts: FloatArray) -> bool:
    """Every number that is there is the one that was recorded."""
    known = ~np.isnan(counts[:, 0])
    return bool(np.array_equal(counts[known], make_counts(len(counts))[known]))


def judge(
    path: Path, seed: int, what: str, *, is_true: bool = True, use_more: Callable[[Path, Judge], None] | None = None
) -> Finding:
    """Read, check, repair and list one file. ``is_true``: its numbers were not changed on purpose."""
    judged = Judge()

    def read() -> tuple[FloatArray, int]:
        recording = open_recording(path)
        list(recording.items())
        return recording.counts(), len(recording.events)

    before = {each: each.read_bytes() for each in (path, Path(f"{path}-wal")) if each.exists()}
    found = judged.run("read", read)
    verdict = judged.run("check", lambda: check_recording(path))
    copy = path.with_name("copy.hold")
    repaired_by = judged.run("repair", lambda: repair_recording(path, copy))
    if repaired_by and math.isnan(repaired_by.duration_s):  # no channels left: those of another recording
        if judged.run("read a copy without channels", lambda: open_recording(copy)):
            judged.faults.append("a copy without channels is read")
        other, copy = make_other(path.parent / "other"), path.with_name("copy-2.hold")
        lost = path.with_name("copy.hold")
        repaired_by = judged.run("repair like another", lambda: repair_recording(lost, copy, like=other))
        is_true = is_true and bool(repaired_by)
    if repaired_by:
        repaired = judged.run("read the copy", lambda: open_recording(copy).counts())
        if repaired is None:
            judged.faults.append("the repaired copy cannot be read")
        elif is_true and not are_right(repaired):
            judged.faults.append("a wrong number in the repaired copy")
        elif (told := judged.run("check the copy", lambda: check_recording(copy))) and not told.is_sound:
            judged.faults.append(f"the repaired copy is not sound: {told.problems[0]}")
    if found and is_true and not are_right(found[0]):
        judged.faults.append("a wrong number")
    if verdict and verdict.is_sound:
        if found is None:
            judged.faults.append("sound, and cannot be read")
        elif is_true and count_carved(path) > count_read(path) and not any("--repair" in r for r in verdict.remarks):
            judged.faults.append("sound, and rows are lost")
    judged.run("list", lambda: list_recordings(path.parent))
    if use_more:
        use_more(path, judged)
    if {each: each.read_bytes() for each in before} != before:
        judged.faults.append("the file was changed")
    return Finding(seed, what, tuple(judged.faults), judged.longest_s)


def count_carved(path: Path) -> int:
    return len({(table, key) for table, key, _ in carve_rows(path) if table in ("chunks", "events")})


def count_read(path: Path) -> int:
    recording = open_recording(path)
    return sum(1 for _ in recording._rows()) + len(recording.events)


def judge_damaged(sound: Path, folder: Path, seed: int, use_more: Any = None) -> Finding:
    rng = random.Random(seed)
    what, content = damage(sound.read_bytes(), rng)
    return _judge_in(folder, seed, what, lambda path: path.write_bytes(content), use_more=use_more)


def judge_hostile(sound: Path, folder: Path, seed: int, use_more: Any = None) -> Finding:
    folder.mkdir(parents=True)
    shutil.copy(sound, folder / "b.hold")
    what = make_hostile(folder / "b.hold", random.Random(seed))
    try:
        return judge(folder / "b.hold", seed, what, is_true=False, use_more=use_more)
    finally:
        shutil.rmtree(folder)


def judge_log(interrupted: Path, folder: Path, seed: int, use_more: Any = None) -> Finding:
    what, content = damage_log(Path(f"{interrupted}-wal").read_bytes(), random.Random(seed))

    def make(path: Path) -> None:
        shutil.copy(interrupted, path)
        Path(f"{path}-wal").write_bytes(content)

    return _judge_in(folder, seed, what, make, use_more=use_more)


def _judge_in(folder: Path, seed: int, what: str, make: Callable[[Path], Any], use_more: Any = None) -> Finding:
    folder.mkdir(parents=True)
    path = folder / "b.hold"
    make(path)
    try:
        return judge(path, seed, what, use_more=use_more)
    finally:
        shutil.rmtree(folder)
