"""What the tests notice of small faults put into the package: ``python tests/benchmarks/bench_mutants.py``.

    --sample 2 --seed 1    so many faults for each room, drawn from all that can be made
    --room signal          only this room (more than once for several)
    --file gauge           only files with this in their names
    --known                instead the faults that once went unnoticed, by name
    --near                 only the tests that call the function at fault, not the others of the room
    --wide                 what survives its room's own tests meets those of the other rooms as well, and what
                           survives node's tests those in a browser that open this part of the page
    --keep FOLDER          verdicts stay there, and which test calls what: a run can be done in pieces
    --minutes 4            begin nothing more after so long; the table says what was not judged
    --again                judge once more what survived, as after new tests

Every fault goes into a copy of the package; the working tree stays as it is. Tests that call the function at fault run
first, the quickest file before the others, until the first failure. Faults are one comparison, sign, number, ``and``,
``not``, ``min`` or ``max`` changed, one condition turned round, one call left out (``faults.py``). Browser, board and
network tests are left out, so a survivor of the web room may still be noticed.

Goal: at least 95 % of the meaningful faults noticed. What is known to change nothing is told with its reason
(``known_faults.py``).
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import hashlib
import itertools
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue
from typing import TypeVar

from faults import ROOT, Fault, draw_faults, find_reason, list_known, list_moved_on

T = TypeVar("T")
R = TypeVar("R")

GOAL_PERCENT = 95.0
TIMEOUT_S = 420.0  # of a run of tests
TEST_TIMEOUT_S = 120  # of one test: with a fault it may never end
NOTHING_TO_RUN = 5  # pytest's exit code
UNWANTED = ("BIOFEEDBACK_REQUIRE_ALL", "PYTHONDONTWRITEBYTECODE", "PYTHONPYCACHEPREFIX")
QUICK = "not slow and not browser and not network and not toolchain and not long"
TESTS = {
    "account": ("tests/account", "tests/session", "tests/golden"),
    "acquisition": ("tests/acquisition",),
    "analysis": ("tests/analysis", "tests/golden"),
    "calibration": ("tests/calibration", "tests/golden"),
    "commands": ("tests/commands", "tests/storage/test_commands.py", "tests/golden"),
    "report": ("tests/report", "tests/golden"),
    "session": ("tests/session", "tests/golden"),
    "signal": ("tests/signal", "tests/golden"),
    "storage": ("tests/storage", "tests/golden"),
    "web": ("tests/web",),
    "wiring": ("tests/wiring", "tests/commands"),
    "page": (),  # JavaScript: node --test
}
SEEN = tuple(
    f"tests/web/test_{name}.py"
    for name in (
        *("page_functions", "care", "asking", "planner", "rating_scale", "scale_page", "held_back", "hands_full"),
        *("let_go", "two_gauges", "moving_bands", "real_engine", "keyboard", "arrival", "said", "sharing"),
        *("browser", "group_browser", "recovery"),
    )
)
BROWSER_TESTS = {  # by folder of the page; the rest is seen on the pages of a session
    "bring": ("tests/web/test_bringing.py", "tests/web/test_review.py"),
    "group": ("tests/web/test_group_browser.py", "tests/web/test_evenings_browser.py", "tests/web/test_recovery.py"),
    "pair": ("tests/web/test_group_end_to_end.py", "tests/web/test_encrypted.py", "tests/web/test_phone_browser.py"),
    "phone": ("tests/web/test_phone_browser.py", "tests/web/test_accessibility.py"),
    "review": ("tests/web/test_review.py", "tests/web/test_recording_actions.py"),
    "start": ("tests/web/test_start_page.py", "tests/web/test_evenings_browser.py"),
}
WIDE = ("tests/golden", "tests/session", "tests/analysis", "tests/storage", "tests/commands", "tests/wiring")


@dataclass(frozen=True, slots=True)
class Note:
    """What one test calls (``session/hold.py:Hold.move_end``), as a run of its file alone told."""

    calls: frozenset[str]
    at_import: frozenset[str]
    seconds: float
    passes: bool


@dataclass(slots=True)
class Bench:
    """A copy of the repository in which one fault after the other is tried."""

    copy: Path
    keep: Path
    _sound: dict[str, bool] = field(default_factory=dict)  # tests that no note knows: whether they pass without a fault

    def note(self, file: str) -> dict[str, Note]:
        """Of each test in a file; noted once for each wording of it."""
        sha = hashlib.sha1((self.copy / file).read_bytes(), usedforsecurity=False).hexdigest()[:8]
        noted = self.keep / f"{file.replace('/', '-')}.{sha}.json"
        if not noted.exists():
            fresh = self.copy / ".noted"
            fresh.unlink(missing_ok=True)
            self.run(pytest_words([file], stop=False), WRITE=str(fresh))
            if not fresh.exists():
                return {}
            shutil.copy(fresh, noted)
        told = json.loads(noted.read_text())
        at_import = frozenset(told["at_import"])
        return {
            name: Note(frozenset({*test["calls"], *told["shared"]}), at_import, test["seconds"], test["passes"])
            for name, test in told["tests"].items()
        }

    def find_noticing(self, fault: Fault, notes: Mapping[str, Note], *, near: bool, wide: bool) -> str:
        """The test that fails with the fault in place; empty: none. One that never ends has failed."""
        for names, command in self.plan(fault, notes, near=near, wide=wide):
            wanted = list(names)
            while not names or wanted:
                with planted(self.copy, fault):
                    passed, failed = self.run(command, RUN=self.write_names(wanted) if names else "")
                if passed:
                    break
                if (failed in notes and notes[failed].passes) or self.is_caused(fault, command, failed):
                    return failed or " ".join(command[-2:])
                if failed in wanted:
                    wanted.remove(failed)
                elif not self.is_sound(command, failed):
                    raise RuntimeError(f"{failed or command} fails without any fault: nothing can be said")
        return ""

    def plan(
        self, fault: Fault, notes: Mapping[str, Note], *, near: bool, wide: bool
    ) -> Iterator[tuple[list[str], list[str]]]:
        """Runs of tests, the likeliest to notice first: names (empty: all of them), and the command."""
        if fault.room == "page":
            part, name = Path(fault.file).parts[-2:]
            pages = sorted(path.relative_to(self.copy) for path in self.copy.glob("tests/web/page/**/*.test.mjs"))
            named = f"{part}/{name}"
            own = [page for page in pages if page.name.startswith(part) or named in (self.copy / page).read_text()]
            for some in (own, [page for page in pages if page not in own]):
                if some:
                    yield [], ["node", "--test", *(page.as_posix() for page in some)]
            if wide:
                yield [], pytest_words(self.only_there(BROWSER_TESTS.get(part, SEEN)), marked="not long")
            return
        if fault.tests:
            yield [], pytest_words(self.only_there(fault.tests))
        else:
            close = find_near(fault, notes)
            others = [name for name, note in notes.items() if note.passes and name not in set(close)]
            for names in (close,) if near else (close, order(others, notes)):
                if names:
                    yield names, pytest_words(list(dict.fromkeys(name.partition("::")[0] for name in names)))
        if wide:
            yield [], pytest_words([folder for folder in self.only_there(WIDE) if folder not in TESTS[fault.room]])

    def run(self, command: Sequence[str], **told: str) -> tuple[bool, str]:
        """Whether all passed, else which test failed first (empty: none ended)."""
        failed = self.copy / ".failed"
        failed.unlink(missing_ok=True)
        environment = {name: value for name, value in os.environ.items() if name not in UNWANTED}
        environment |= {f"TOUCHED_{name}": value for name, value in told.items()}
        environment |= {"TOUCHED_FAILED": str(failed), "MPLBACKEND": "agg"}
        environment["PYTHONPATH"] = os.pathsep.join((str(self.copy), str(Path(__file__).parent)))
        try:
            done = subprocess.run(
                command, cwd=self.copy, env=environment, capture_output=True, timeout=TIMEOUT_S, check=False
            )
        except subprocess.TimeoutExpired:
            return False, failed.read_text() if failed.exists() else ""
        return done.returncode in (0, NOTHING_TO_RUN), failed.read_text() if failed.exists() else ""

    def is_caused(self, fault: Fault, command: list[str], failed: str) -> bool:
        """Whether what failed passes without the fault, and fails again with it."""
        if not self.is_sound(command, failed):
            return False
        with planted(self.copy, fault):
            return not failed or not self.run(pytest_words([failed], marked="not long"))[0]

    def is_sound(self, command: list[str], failed: str) -> bool:
        """Whether what failed passes without a fault; a file that could not be read is looked at as a whole."""
        whose = failed or " ".join(command)
        if whose not in self._sound:
            self._sound[whose] = self.run(pytest_words([failed], marked="not long") if failed else command)[0]
        return self._sound[whose]

    def write_names(self, names: Sequence[str]) -> str:
        wanted = self.copy / ".wanted"
        wanted.write_text(json.dumps(names))
        return str(wanted)

    def only_there(self, folders: Sequence[str]) -> list[str]:
        return [folder for folder in folders if (self.copy / folder).exists()]


# A second of its own for each version of a file: compiled, none is taken for another.
SECONDS = itertools.count(1_000_000_000)


@contextlib.contextmanager
def planted(copy: Path, fault: Fault) -> Iterator[None]:
    """The copy with this fault in it."""
    path = copy / fault.file
    sound = path.read_bytes()
    write(path, fault.plant(sound))
    try:
        yield
    finally:
        write(path, sound)


def write(path: Path, source: bytes) -> None:
    path.write_bytes(source)
    second = next(SECONDS)
    os.utime(path, (second, second))


def find_near(fault: Fault, notes: Mapping[str, Note]) -> list[str]:
    """Sound tests that call the function at fault; where it is in none, those that call anything in its file.

    Where no test calls it, those whose file does so as soon as it is read.
    """
    whose = f"{fault.file.removeprefix('biofeedback/')}:{fault.function}"

    def is_in(calls: frozenset[str]) -> bool:
        return whose in calls if fault.function else any(call.startswith(whose) for call in calls)

    names = [name for name, note in notes.items() if note.passes]
    near = [name for name in names if is_in(notes[name].calls)]
    return order(near or [name for name in names if is_in(notes[name].at_import)], notes)


def order(names: Sequence[str], notes: Mapping[str, Note]) -> list[str]:
    """Quickest file first, and in it the quickest test."""
    of_file: dict[str, float] = {}
    for name in names:
        file = name.partition("::")[0]
        of_file[file] = of_file.get(file, 0.0) + notes[name].seconds

    def rank(name: str) -> tuple[float, str, float]:
        file = name.partition("::")[0]
        return of_file[file], file, notes[name].seconds

    return sorted(names, key=rank)


def pytest_words(what: Sequence[str], marked: str = QUICK, *, stop: bool = True) -> list[str]:
    settings = ["-q", "-p", "no:cacheprovider", "-p", "touched", "-o", f"timeout={TEST_TIMEOUT_S}", "-m", marked]
    return [sys.executable, "-m", "pytest", *(["-x"] if stop else []), *settings, *what]


def list_test_files(room: str, root: Path = ROOT) -> list[str]:
    """Of pytest, for one room."""
    paths = [root / name for name in TESTS[room]]
    files = [file for path in paths for file in (sorted(path.rglob("test_*.py")) if path.is_dir() else [path])]
    return list(dict.fromkeys(file.relative_to(root).as_posix() for file in files if file.exists()))


def make_copy(folder: Path) -> Path:
    """What the tests need of the repository."""
    for name in ("biofeedback", "tests", "firmware-notes", "recordings-demo"):
        ignored = shutil.ignore_patterns("__pycache__", "corpus")
        shutil.copytree(ROOT / name, folder / name, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE"):
        shutil.copy(ROOT / name, folder / name)
    return folder


class Benches:
    """Several copies, each given to one job at a time, until the time is over."""

    def __init__(self, folder: Path, keep: Path, n: int, seconds: float) -> None:
        self._free: SimpleQueue[Bench] = SimpleQueue()
        self._pool = ThreadPoolExecutor(n)
        self._end = time.monotonic() + seconds
        for k in range(n):
            self._free.put(Bench(make_copy(folder / str(k)), keep))

    def map(self, job: Callable[[Bench, T], R], items: Iterable[T]) -> list[R | None]:
        """What the job says of each item; None where the time was over."""

        def do(item: T) -> R | None:
            if time.monotonic() > self._end:
                return None
            bench = self._free.get()
            try:
                return job(bench, item)
            finally:
                self._free.put(bench)

        return list(self._pool.map(do, items))


class Verdicts:
    """Which test noticed a fault (empty: none), kept from run to run while its line of code stays the same."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._kept = self._read()

    def _read(self) -> dict[str, str]:
        return dict(json.loads(self._path.read_text())) if self._path.exists() else {}

    def find(self, fault: Fault) -> str | None:
        return self._kept.get(fault.key)

    def add(self, fault: Fault, test: str) -> None:
        with self._lock, open(self._path.with_suffix(".lock"), "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # other rooms may be judged side by side
            self._kept = {**self._read(), fault.key: test}
            self._path.write_text(json.dumps(self._kept, indent=1))


def main() -> int:
    """Print a table and the survivors; exit code 1 below the goal."""
    parser = argparse.ArgumentParser(description="faults that the tests notice")
    parser.add_argument("--sample", type=int, default=2, help="faults for each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--room", action="append", choices=list(TESTS), default=[])
    parser.add_argument("--file", default="", metavar="PART", help="only files whose names have this in them")
    parser.add_argument("--known", action="store_true")
    parser.add_argument("--near", action="store_true")
    parser.add_argument("--wide", action="store_true")
    parser.add_argument("--again", action="store_true")
    parser.add_argument("--keep", type=Path, metavar="FOLDER")
    parser.add_argument("--minutes", type=float, default=1e6)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    for entry in list_moved_on():
        print(f"moved on: {entry}")
    rooms = args.room or list(TESTS)
    drawn = list_known() if args.known else draw_faults(rooms, args.sample, args.seed, part=args.file)
    faults = [fault for fault in drawn if fault.room in rooms]
    with tempfile.TemporaryDirectory() as folder:
        keep = args.keep or Path(folder)
        keep.mkdir(parents=True, exist_ok=True)
        verdicts = Verdicts(keep / "verdicts.json")
        to_judge = [
            fault
            for fault in faults
            if (test := verdicts.find(fault)) is None or (args.again and not test and not find_reason(fault))
        ]
        if to_judge:
            judge_all(to_judge, verdicts, Benches(Path(folder), keep, args.jobs, 60 * args.minutes), args)
        return print_table(faults, [verdicts.find(fault) for fault in faults])


def judge_all(faults: Sequence[Fault], verdicts: Verdicts, benches: Benches, args: argparse.Namespace) -> None:
    """Note what the tests call, where that is not known, then one fault after the other."""
    noting = dict.fromkeys(fault.room for fault in faults if fault.room != "page" and not fault.tests)
    files = {room: list_test_files(room) for room in noting}
    every = list(dict.fromkeys(file for room in noting for file in files[room]))
    notes = dict(zip(every, benches.map(Bench.note, every), strict=True))

    def judge(bench: Bench, fault: Fault) -> None:
        whose = [notes[file] for file in files.get(fault.room, [])]
        if None in whose:
            return
        told = {name: note for each in whose for name, note in (each or {}).items()}
        test = bench.find_noticing(fault, told, near=args.near, wide=args.wide)
        verdicts.add(fault, test)
        print(f"noticed  {fault}  by {test}" if test else f"SURVIVES {fault}", flush=True)

    benches.map(judge, faults)


def print_table(faults: Sequence[Fault], verdicts: Sequence[str | None]) -> int:
    """Room by room, then what survived."""
    seen = [fault for fault, test in zip(faults, verdicts, strict=True) if test]
    left = [fault for fault, test in zip(faults, verdicts, strict=True) if test == ""]
    reasons = {fault: find_reason(fault) for fault in left}
    harmless = [fault for fault in left if reasons[fault]]
    survived = [fault for fault in left if not reasons[fault]]
    open_ = [fault for fault, test in zip(faults, verdicts, strict=True) if test is None]
    print("\n| room | drawn | noticed | harmless, with reason | survived | not judged |")
    print("| --- | --: | --: | --: | --: | --: |")
    for room in dict.fromkeys(fault.room for fault in faults):
        counts = [sum(fault.room == room for fault in some) for some in (faults, seen, harmless, survived, open_)]
        print(f"| {room} | {' | '.join(map(str, counts))} |")
    n_meaningful = len(seen) + len(survived)
    percent = 100 * len(seen) / max(1, n_meaningful)
    print(f"\n{percent:.1f} % of {n_meaningful} meaningful faults noticed, goal {GOAL_PERCENT:g} %")
    for fault in left:
        print(f"survives: {fault}  ({reasons[fault] or 'no reason known'})")
    return int(percent < GOAL_PERCENT)


if __name__ == "__main__":
    sys.exit(main())
