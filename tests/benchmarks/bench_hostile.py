"""All damaged, hostile and log-damaged recordings.

``python tests/benchmarks/bench_hostile.py [commands] [recover] [NUMBER]``

700 damaged files, 270 with a stranger's contents and 560 with a damaged log, fixed seeds: tracebacks, hangs over 5 s,
wrong numbers, "sound" over damage. ``commands``: every command over a folder with a sound recording beside the file.
``NUMBER``: only so many of each. ``recover``: rows that our repair saves of 200 damaged files beside the rows of the
sqlite3 shell's ``.recover``, or ``.dump`` where the shell was built without SQLITE_ENABLE_DBPAGE_VTAB and cannot.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from biofeedback.cli import main as run_command
from biofeedback.errors import BiofeedbackError
from biofeedback.storage.check import repair_recording
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import COLUMNS, checksum
from biofeedback.wiring import parallel
from tests.storage.hostile import (
    N_DAMAGED,
    N_HOSTILE,
    N_LOGS,
    Judge,
    damage,
    judge_damaged,
    judge_hostile,
    judge_log,
    make_interrupted,
    make_sound,
)

N_RECOVERED = 200


parallel.count_cores = lambda: 1  # type: ignore[assignment]  # no time goes into starting processes


def use_commands(path: Path, judge: Judge) -> None:
    """What a person does with a folder that such a file came into."""
    sound = path.with_name("A07-1.hold")
    shutil.copy(SOUND[0], sound)
    folder = str(path.parent)
    commands = [
        ["list", folder],
        ["list", folder, "--answers"],
        ["history", "A01", "--folder", folder],
        ["export", folder, "--to", "csv", "--out", f"{folder}/out", "--force"],
        ["report", str(path), "--out", f"{folder}/out.html"],
        ["cohort", folder, "--workers", "1", "--out", f"{folder}/cohort.csv"],
        ["forget", "B99", "--folder", folder, "--yes"],
    ]
    for command in commands:
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            judge.run(command[0], lambda command=command: run_command(command))  # type: ignore[misc]
        if command[0] == "export" and not (path.parent / "out" / "A07-1.csv").exists():
            judge.faults.append("export: the sound recording was not exported")


SOUND: list[Path] = []


def run_all(name: str, judge_one: Any, given: Path, folder: Path, n: int) -> None:
    started_s = time.perf_counter()
    use_more = use_commands if "commands" in sys.argv else None
    n = min(n, *(int(word) for word in sys.argv if word.isdecimal()), n)
    findings = [judge_one(given, folder / "a", seed, use_more) for seed in range(n)]
    faulty = [finding for finding in findings if finding.faults]
    kinds = Counter(fault.split(":")[0] for finding in faulty for fault in finding.faults)
    longest_s = max(finding.longest_s for finding in findings)
    print(f"{name:12} {n} files, {len(faulty)} with a fault, longest step {longest_s:.2f} s", end="")
    print(f" ({time.perf_counter() - started_s:.0f} s in all)")
    for kind, many in kinds.most_common():
        print(f"    {kind}: {many}")
    for finding in faulty[:20]:
        print(f"    seed {finding.seed}: {finding.what}: {finding.faults}"[:300].encode("unicode_escape").decode())


def compare_with_shell(sound: Path, folder: Path) -> None:
    """Sound rows that each saves; the shell's are judged by their checksums too."""
    if not shutil.which("sqlite3"):
        print("recover      the sqlite3 shell is not installed")
        return
    whole = count_rows(sound)
    command = next((one for one in (".recover", ".dump") if count_recovered(sound, folder / "r.db", one) == whole), "")
    if not command:
        print("recover      the sqlite3 shell here can neither .recover nor .dump")
        return
    worse = ours_all = theirs_all = 0
    import random

    n = next((int(word) for word in sys.argv if word.isdecimal()), N_RECOVERED)
    for seed in range(n):
        what, content = damage(sound.read_bytes(), random.Random(seed))
        path = folder / f"{seed}.hold"
        path.write_bytes(content)
        ours, theirs = count_repaired(path), count_recovered(path, folder / "r.db", command)
        ours_all, theirs_all = ours_all + ours, theirs_all + theirs
        if ours < theirs:
            worse += 1
            print(f"    seed {seed}, {what}: {ours} rows beside {theirs}")
        path.unlink()
    beside = f"{ours_all} rows beside the {theirs_all} of {command}"
    print(f"recover      {n} files: {beside}; fewer in {worse} files")


def count_repaired(path: Path) -> int:
    copy = path.with_name("repaired.hold")
    copy.unlink(missing_ok=True)
    try:
        repair_recording(path, copy)
        return count_rows(copy)
    except BiofeedbackError:
        return 0


def count_recovered(path: Path, copy: Path, command: str) -> int:
    copy.unlink(missing_ok=True)
    # (some builds of the shell lack what .recover needs: then .dump, which saves less)
    script = subprocess.run(["sqlite3", str(path), command], capture_output=True, check=False).stdout
    subprocess.run(["sqlite3", str(copy)], input=script, capture_output=True, check=False)
    return count_rows(copy)


def count_rows(path: Path) -> int:
    """Readings and events whose checksums are right."""
    n = 0
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for table in ("chunks", "gaps", "events", "notes"):
            with contextlib.suppress(sqlite3.Error):
                query = f"SELECT {', '.join(COLUMNS[table])}, crc32 FROM {table}"
                rows = connection.execute(query).fetchall()
                lost = "lost: damaged in the file"  # what a repair adds for frames that are gone
                n += sum(checksum(row[:-1]) == row[-1] and row[2:3] != (lost,) for row in rows)
    return n


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sound, interrupted = make_sound(folder), make_interrupted(folder / "interrupted")
        SOUND.append(sound)
        assert open_recording(sound).n_frames
        if "recover" in sys.argv:
            compare_with_shell(sound, folder)
            return
        run_all("damaged", judge_damaged, sound, folder, N_DAMAGED)
        run_all("hostile", judge_hostile, sound, folder, N_HOSTILE)
        run_all("log damaged", judge_log, interrupted, folder, N_LOGS)


if __name__ == "__main__":
    main()
