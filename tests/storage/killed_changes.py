"""Everything that changes files, killed at every single step on the disk: there is never half of anything.

Each system call that opens, flushes, renames, links or deletes is a step (audit hooks and a counter); the child
ends itself at step n, as ``kill -9`` does, for n = 1, 2, 3, ... until it gets through.

Run directly for the figures: python tests/storage/killed_changes.py [NUMBER]
With a number each change is also killed so often from outside, by SIGKILL at a random moment of its time.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from biofeedback.model import Chunk, Event
from biofeedback.storage.amend import add_events
from biofeedback.storage.check import check_recording, repair_recording
from biofeedback.storage.forget import delete_files, find_companions
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.rename import rename_athlete
from biofeedback.storage.schema import SUFFIX
from biofeedback.storage.unfinished import finish_unfinished
from biofeedback.storage.whole_file import is_half_made

try:
    from .helpers import make_counts, make_settings
except ImportError:
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    from tests.storage.helpers import make_counts, make_settings

NOTES = [Event(20 + k, "note", {"text": f"said afterwards, {k}"}) for k in range(3)]
WORK = ("rename", "rename in place", "delete", "repair", "amend")


@dataclass(frozen=True, slots=True)
class Left:
    """What a child that ended at a step left: names before and after the next start, and whether it got through."""

    is_done: bool
    names: tuple[str, ...]
    finished: tuple[str, ...]
    unsound: tuple[str, ...]


def make_folder(folder: Path, work: str) -> Path:
    folder.mkdir()
    path = folder / ("evening.hold" if work == "rename in place" else "A01-1.hold")
    with Recorder.create(path, make_settings(started_utc="2026-01-05T18:00:00+00:00"), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(500)))
        recorder.event(Event(10, "rating", {"value": 3}))
    path.with_suffix(".html").write_text("a report")
    return path


def change(path: Path, work: str) -> None:
    if work == "delete":
        delete_files([path, *find_companions(path)])
    elif work == "repair":
        repair_recording(path, path.with_name("A01-1-repaired.hold"))
    elif work == "amend":
        add_events(path, NOTES)
    else:
        rename_athlete(path, "B7")


def run_child(path: Path, work: str, n: int) -> None:
    """End this process at the ``n``-th step on the disk, or well."""
    left = n

    def count() -> None:
        nonlocal left
        left -= 1
        if left <= 0:
            os._exit(9)

    for name in ("fsync", "replace", "rename", "link", "unlink", "remove"):
        original = getattr(os, name)

        def step(*given: object, original: object = original, **more: object) -> object:
            count()
            return original(*given, **more)  # type: ignore[operator]

        setattr(os, name, step)

    def hook(event: str, given: tuple[object, ...]) -> None:
        if event in ("open", "sqlite3.connect"):
            count()

    sys.addaudithook(hook)
    try:
        change(path, work)
    except BaseException:
        os._exit(1)
    os._exit(0)


def kill_at(folder: Path, work: str, n: int) -> Left:
    """Kill one change at its ``n``-th step; then start again."""
    path = make_folder(folder, work)
    child = os.fork()
    if child == 0:
        run_child(path, work, n)
    return look_after(folder, child)


def kill_after(folder: Path, work: str, after_s: float) -> Left:
    """Kill one change from outside, ``after_s`` from its beginning; then start again."""
    path = make_folder(folder, work)
    child = os.fork()
    if child == 0:
        try:
            change(path, work)
        except BaseException:
            os._exit(1)
        os._exit(0)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)  # one that is done already waits for waitpid: no other can have its number
    return look_after(folder, child)


def look_after(folder: Path, child: int) -> Left:
    _, status = os.waitpid(child, 0)
    names = tuple(sorted(each.name for each in folder.iterdir()))
    unsound = [
        name for name in names if name.endswith(SUFFIX) and not is_half_made(name) and not is_sound(folder / name)
    ]
    finish_unfinished(folder)
    finished = tuple(sorted(each.name for each in folder.iterdir()))
    unsound += [name for name in finished if name.endswith(SUFFIX) and not is_sound(folder / name)]
    shutil.rmtree(folder)
    return Left(os.waitstatus_to_exitcode(status) == 0, names, finished, tuple(unsound))


def is_sound(path: Path) -> bool:
    """Whether nothing is damaged, and what is said afterwards is there whole or not at all."""
    if not check_recording(path).is_sound:
        return False
    notes = [event for event in open_recording(path).events if event.kind == "note"]
    return len(notes) in (0, len(NOTES))


def is_half(left: Left, work: str) -> bool:
    """Whether anything is otherwise than before the change or after it."""
    before = {"evening.hold", "evening.html"} if work == "rename in place" else {"A01-1.hold", "A01-1.html"}
    after = {
        "rename": {"B7-1.hold", "A01-1.html"},
        "rename in place": before,
        "delete": set(),
        "repair": before | {"A01-1-repaired.hold"},
        "amend": before,
    }[work]
    some = [before, after]
    if work == "delete":  # reports go before their recording: what is left is whole
        some.append({"A01-1.hold"})
    names = set(left.finished)
    if work == "amend":  # SQLite's rollback journal: whoever opens the recording next takes it into account
        names.discard("A01-1.hold-journal")
    return bool(left.unsound) or names not in some


def kill_everywhere(folder: Path, work: str) -> list[Left]:
    """Killed at the first step, the second, ... up to the one that it does not reach."""
    found: list[Left] = []
    while not found or not found[-1].is_done:
        found.append(kill_at(folder / "killed", work, len(found) + 1))
    return found


def kill_at_random(folder: Path, work: str, n_kills: int, seed: int = 1) -> list[Left]:
    """Killed so often at a moment of the time that the change takes here."""
    folder.mkdir()
    took_s = []
    for k in range(5):
        path = make_folder(folder / f"timed-{k}", work)
        start_s = time.perf_counter()
        change(path, work)
        took_s.append(time.perf_counter() - start_s)
    draw = random.Random(seed)
    return [kill_after(folder / "killed", work, draw.uniform(0, 1.5 * max(took_s))) for _ in range(n_kills)]


def main(n_kills: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for work in WORK:
            found = kill_everywhere(Path(folder), work)
            n_half = sum(is_half(left, work) for left in found)
            print(f"{work}: killed at each of {len(found) - 1} steps, {n_half} halves", flush=True)
            if n_kills:
                found = kill_at_random(Path(folder) / work, work, n_kills)
                n_half, n_done = sum(is_half(left, work) for left in found), sum(left.is_done for left in found)
                print(
                    f"{work}: killed {n_kills - n_done} of {n_kills} times before it was done, {n_half} halves",
                    flush=True,
                )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 0)
