"""What the tests notice of small faults put into the package: ``python tests/benchmarks/bench_mutants.py``.

    --sample 2 --seed 1    so many faults for each room, drawn from all that can be made
    --room signal          only this room (more than once for several)
    --file gauge           only files with this in their names
    --known                instead the faults that once went unnoticed, by name
    --wide                 what survives its room's own tests meets those of the other rooms as well, and what
                           survives node's tests those in a browser that open this part of the page

Every fault goes into a copy of the package, whose tests then run until the first failure; the working tree stays as it
is. Faults are one comparison, sign, number, ``and``, ``not``, ``min`` or ``max`` changed, one condition turned round,
one call left out. Browser, board and network tests are left out, so a survivor of the web room may still be noticed.

Goal: at least 95 % of the meaningful faults noticed. What is known to change nothing is told with its reason.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

ROOT = Path(__file__).resolve().parents[2]
GOAL_PERCENT = 95.0
TIMEOUT_S = 420.0
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
class Fault:
    """``old`` at byte ``at`` of ``file`` (relative to the repository) becomes ``new``."""

    room: str
    file: str
    at: int
    old: str
    new: str
    line: int
    text: str
    tests: tuple[str, ...] = ()  # that notice it; empty: the room's

    def __str__(self) -> str:
        return f"{self.file}:{self.line}  {self.old.strip()} -> {self.new.strip() or '(gone)'}  in  {self.text[:90]}"


# Faults that the tests once did not notice: file, what stood there, what it became.
KNOWN: tuple[tuple[str, str, str], ...] = (
    ("storage/imported.py", '"lbf": ("N", 4.4482216152605)', '"lbf": ("N", 3.7)'),
    ("storage/imported.py", '"lbf": ("N", 4.4482216152605)', '"lb": ("N", 4.4482216152605)'),
    ("calibration/units.py", '"lbf": KG_PER_LB * STANDARD_GRAVITY_M_PER_S2', '"lbf": KG_PER_LB'),
    ("calibration/relaxed.py", "UNUSABLE = int(Flag.MISSING | Flag.CLIPPED", "UNUSABLE = int(Flag.MISSING"),
    ("calibration/relaxed.py", "Flag.CLIPPED | Flag.SETTLING)", "Flag.CLIPPED)"),
    ("calibration/relaxed.py", "EMG_DOUBTFUL = int(Flag.HUM | Flag.ELECTRODE)", "EMG_DOUBTFUL = int(Flag.ELECTRODE)"),
    ("calibration/relaxed.py", "return max((mean for mean in means", "return min((mean for mean in means"),
    ("calibration/relaxed.py", "percent, flags = percent[-n_look:], flags[-n_look:]", "pass"),
    ("calibration/relaxed.py", "< level_rate_hz:\n            continue", "< 0:\n            continue"),
    ("calibration/polynomial.py", "len(np.unique(x)) > fit.degree + 1", "len(np.unique(x)) > fit.degree"),
    ("calibration/passive.py", "EXPECTED_FALL = 0.33", "EXPECTED_FALL = 0.0"),
    ("calibration/passive.py", "MODEL_DOUBT * max(abs(mean), abs(usual))", "MODEL_DOUBT * abs(mean)"),
    ("calibration/effort.py", "and not np.any(self._flags[:, index] & UNUSABLE)", ""),
    ("calibration/effort.py", "and not self._is_emg_active()", ""),
    ("analysis/holds.py", "measured_s=min(held) if held", "measured_s=max(held) if held"),
    ("analysis/response.py", "given = np.array([p.rating is not None for p in phases])", "given = np.full(11, True)"),
    ("session/hold.py", "return max(0, self._phase_end - level) / ", "return max(0, self._phase_end - level) * "),
    ("session/hold.py", "return (self._ask_closes - level) / ", "return (self._ask_closes - level) * "),
    ("session/hold.py", "self._ask_opens = max(level, self._ask_opens + end - self._phase_end)", "pass"),
    ("session/hold.py", "self._ask_closes += end - self._phase_end", "pass"),
    ("session/watch.py", "percent[:, column] += 100.0 * baseline", "percent[:, column] += 0.0 * baseline"),
    ("session/state.py", "n = max(1, min(n, self.activity.boundary - self.level))", "n = max(1, n)"),
    ("session/state.py", "self.level >= self.activity.boundary", "self.level > self.activity.boundary"),
    ("session/plan.py", "MOST_DRAWN = 60", "MOST_DRAWN = 61"),
    ("session/plan.py", "len(bands) == 1 or len(bands) > 10", "len(bands) > 10"),
    ("session/plan.py", "len(bands) == 1 or len(bands) > 10", "len(bands) == 1 or len(bands) > 11"),
    ("session/plan.py", "MOST_PHASES = 500", "MOST_PHASES = 600"),
    ("storage/disk.py", "path.unlink(missing_ok=True)", "pass"),
    ("storage/csv_import.py", "return sidecar if is_ours else {}", "return sidecar"),
    ("signal/emg.py", "NOTCH_SETTLING_S = 0.75", "NOTCH_SETTLING_S = 0.0"),
    ("signal/quality.py", "max(n_frames, self._n_stretch)", "n_frames"),
)  # fmt: skip

# Which tests notice them: running these alone is quick.
NOTICED_BY = {
    "storage/imported.py": ("tests/storage/test_import.py",),
    "calibration/units.py": ("tests/calibration/test_units.py",),
    "calibration/relaxed.py": ("tests/calibration/test_relaxed.py", "tests/calibration/test_effort.py"),
    "calibration/polynomial.py": ("tests/calibration/test_polynomial.py",),
    "calibration/passive.py": ("tests/calibration/test_passive.py",),
    "calibration/effort.py": ("tests/calibration/test_effort.py",),
    "analysis/holds.py": ("tests/analysis/test_holds.py",),
    "analysis/response.py": ("tests/analysis/test_response.py",),
    "session/hold.py": ("tests/session/test_watch.py",),
    "session/watch.py": ("tests/session/test_watch.py",),
    "session/state.py": ("tests/session/test_watch.py", "tests/session/test_engine.py"),
    "session/plan.py": ("tests/session/test_plan.py",),
    "storage/disk.py": ("tests/storage/test_check.py",),
    "storage/csv_import.py": ("tests/storage/test_import.py",),
    "signal/emg.py": ("tests/signal/test_quality.py",),
    "signal/quality.py": ("tests/signal/test_quality.py",),
}

# What changes nothing that anybody could see: file and line of code, with the reason.
HARMLESS: dict[tuple[str, str], str] = {}


def find_faults(path: Path, room: str) -> list[Fault]:
    """Every fault that can be made in one file."""
    source = path.read_bytes()
    name = path.relative_to(ROOT).as_posix()
    edits = find_js_edits(source) if path.suffix == ".js" else find_python_edits(source)
    faults = []
    for at, old, new in edits:
        line = source.count(b"\n", 0, at) + 1
        text = source.splitlines()[line - 1].decode().strip()
        faults.append(Fault(room, name, at, old, new, line, text))
    return faults


SWAPS = {"<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==", "in": "not in", "is": "is not",
         "not in": "in", "is not": "is", "+": "-", "-": "+", "*": "/", "/": "*", "//": "/", "%": "*",
         "and": "or", "or": "and", "&": "|", "|": "&"}  # fmt: skip


class _Finder(ast.NodeVisitor):
    """Collects ``(at, old, new)`` in bytes; texts, annotations and what is raised are left alone."""

    def __init__(self, source: bytes) -> None:
        self.source = source
        self.edits: list[tuple[int, str, str]] = []
        self._starts = [0]
        for line in source.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def start(self, node: ast.AST) -> int:
        return self._starts[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined]

    def end(self, node: ast.AST) -> int:
        return self._starts[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined]

    def text(self, node: ast.AST) -> str:
        return self.source[self.start(node) : self.end(node)].decode()

    def swap_between(self, left: ast.AST, right: ast.AST) -> None:
        begin = self.end(left)
        between = self.source[begin : self.start(right)].decode()
        found = re.search(r"not in|is not|\bin\b|\bis\b|\band\b|\bor\b|//|[<>=!]=|[-+*/%<>&|]", between)
        if found and found[0] in SWAPS:
            self.edits.append((begin + found.start(), found[0], SWAPS[found[0]]))

    def visit_Compare(self, node: ast.Compare) -> None:
        for left, right in zip([node.left, *node.comparators], node.comparators, strict=False):
            self.swap_between(left, right)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        is_text = any(isinstance(each, ast.JoinedStr) or is_string(each) for each in (node.left, node.right))
        if not is_text:
            self.swap_between(node.left, node.right)
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        self.swap_between(node.values[0], node.values[1])
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not | ast.USub):
            begin = self.start(node)
            self.edits.append((begin, self.source[begin : self.start(node.operand)].decode(), ""))
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, bool):
            self.edits.append((self.start(node), self.text(node), str(not node.value)))
        elif isinstance(node.value, int):
            self.edits.append((self.start(node), self.text(node), str(node.value + 1)))
        elif isinstance(node.value, float):
            self.edits.append((self.start(node), self.text(node), repr(node.value * 1.3 + (node.value == 0))))

    def visit_Call(self, node: ast.Call) -> None:
        if isinstance(node.func, ast.Name) and node.func.id in ("min", "max", "any", "all"):
            other = {"min": "max", "max": "min", "any": "all", "all": "any"}[node.func.id]
            self.edits.append((self.start(node), node.func.id, other))
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        self.edits.append((self.start(node.test), self.text(node.test), f"not ({self.text(node.test)})"))
        self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Call):
            self.edits.append((self.start(node), self.text(node), "pass"))
        if not is_string(node.value):
            self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value:
            self.visit(node.value)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for default in (*node.args.defaults, *node.args.kw_defaults):
            if default is not None:
                self.visit(default)
        for statement in node.body:
            self.visit(statement)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        """Not whether it is frozen or has slots, which is how it is kept and not what it does."""
        for statement in node.body:
            self.visit(statement)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Words."""

    def visit_Raise(self, node: ast.Raise) -> None:
        """Words."""


def is_string(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def find_python_edits(source: bytes) -> list[tuple[int, str, str]]:
    finder = _Finder(source)
    finder.visit(ast.parse(source))
    return finder.edits


JS_SWAPS = (
    (r"(?<= )(<=|>=|<|>|===|!==|\+|-|\*|/|&&|\|\|)(?= )",
     {"<": "<=", "<=": "<", ">": ">=", ">=": ">", "===": "!==", "!==": "===", "+": "-", "-": "+", "*": "/", "/": "*",
      "&&": "||", "||": "&&"}),
    (r"\bMath\.(?:min|max)\b", {"Math.min": "Math.max", "Math.max": "Math.min"}),
    (r"\b(?:true|false)\b", {"true": "false", "false": "true"}),
    (r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", None),
)  # fmt: skip


# How thick a line or how long a dash is, is taste: that thick stays thicker than thin, a test of its own holds.
JS_TASTE = re.compile(r"lineWidth|setLineDash|font|heavy|Math\.min\(3, window")


def find_js_edits(source: bytes) -> list[tuple[int, str, str]]:
    """Outside comments, texts and what is taste."""
    text = source.decode("latin-1")  # one character for each byte
    masked = re.sub(
        r"//[^\n]*|/\*.*?\*/|\"[^\"\n]*\"|'[^'\n]*'|`[^`]*`",
        lambda found: "\0" * len(found[0]),
        text,
        flags=re.DOTALL,
    )
    edits = []
    for pattern, swaps in JS_SWAPS:
        for found in re.finditer(pattern, masked):
            old = found[0]
            line = text[text.rfind("\n", 0, found.start()) + 1 : text.find("\n", found.start())]
            if not swaps and JS_TASTE.search(line):
                continue
            edits.append((found.start(), old, swaps[old] if swaps else another_number(old)))
    return edits


def another_number(old: str) -> str:
    """One more, where numbers count; a third more where they measure."""
    return f"{int(old) + 1}" if old.isdigit() and int(old) < 10 else f"{float(old) * 1.3:g}"


def list_files(room: str) -> list[Path]:
    """The code of a room."""
    package = ROOT / "biofeedback"
    if room == "page":
        return sorted((package / "web" / "static").rglob("*.js"))
    return sorted(path for path in (package / room).rglob("*.py") if path.name != "__init__.py")


def draw_faults(rooms: Sequence[str], n_sample: int, seed: int, *, part: str = "") -> list[Fault]:
    """``n_sample`` of each room, the same for the same seed and code."""
    chosen = []
    for room in rooms:
        faults = [fault for path in list_files(room) if part in path.name for fault in find_faults(path, room)]
        chosen += random.Random(f"{seed} {room}").sample(faults, min(n_sample, len(faults)))
    return chosen


def list_known() -> list[Fault]:
    """The known ones that still have their place; where code has moved on, that is told."""
    faults = []
    for name, old, new in KNOWN:
        path = ROOT / "biofeedback" / name
        source = path.read_bytes() if path.exists() else b""
        at = source.find(old.encode())
        if at < 0:
            print(f"moved on: {name}: {old}")
            continue
        line = source.count(b"\n", 0, at) + 1
        faults.append(Fault(name.split("/")[0], f"biofeedback/{name}", at, old, new, line, old, NOTICED_BY[name]))
    return faults


@contextlib.contextmanager
def planted(copy: Path, fault: Fault) -> Iterator[None]:
    """The copy with this fault in it."""
    path = copy / fault.file
    sound = path.read_bytes()
    end = fault.at + len(fault.old.encode())
    assert sound[fault.at : end] == fault.old.encode()
    path.write_bytes(sound[: fault.at] + fault.new.encode() + sound[end:])
    try:
        yield
    finally:
        path.write_bytes(sound)


def is_noticed(copy: Path, fault: Fault, *, wide: bool) -> bool:
    """Whether a test fails with the fault in place; one that makes them hang is noticed as well."""
    with planted(copy, fault):
        own = pytest_words(copy, fault.tests) if fault.tests else find_command(copy, fault.room)
        if not passes(own, copy):
            return True
        if not wide:
            return False
        if fault.room != "page":
            return not passes(pytest_words(copy, WIDE), copy)
        part = Path(fault.file).parent.name
        return not passes(pytest_words(copy, BROWSER_TESTS.get(part, SEEN), marked=""), copy)


def find_command(copy: Path, room: str) -> list[str]:
    """How the room's own tests are run."""
    if room == "page":
        return ["node", "--test", *sorted(str(path) for path in (copy / "tests/web/page").rglob("*.test.mjs"))]
    return pytest_words(copy, TESTS[room])


def pytest_words(copy: Path, folders: Sequence[str], marked: str = QUICK) -> list[str]:
    there = [folder for folder in folders if (copy / folder).exists()]
    return [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-m", marked or "not long", *there]


def passes(command: Sequence[str], copy: Path) -> bool:
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1", "MPLBACKEND": "agg"}
    environment.pop("BIOFEEDBACK_REQUIRE_ALL", None)
    try:
        done = subprocess.run(command, cwd=copy, env=environment, capture_output=True, timeout=TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


def make_copy(folder: Path) -> Path:
    """What the tests need of the repository."""
    for name in ("biofeedback", "tests", "firmware-notes", "recordings-demo"):
        ignored = shutil.ignore_patterns("__pycache__", "corpus")
        shutil.copytree(ROOT / name, folder / name, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE"):
        shutil.copy(ROOT / name, folder / name)
    return folder


def main() -> int:
    """Print a table and the survivors; exit code 1 below the goal."""
    parser = argparse.ArgumentParser(description="faults that the tests notice")
    parser.add_argument("--sample", type=int, default=2, help="faults for each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--room", action="append", choices=list(TESTS), default=[])
    parser.add_argument("--file", default="", metavar="PART", help="only files whose names have this in them")
    parser.add_argument("--known", action="store_true")
    parser.add_argument("--wide", action="store_true")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    rooms = args.room or list(TESTS)
    drawn = list_known() if args.known else draw_faults(rooms, args.sample, args.seed, part=args.file)
    faults = [fault for fault in drawn if fault.room in rooms]
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(args.jobs) as pool:
        copies: SimpleQueue[Path] = SimpleQueue()
        for k in range(args.jobs):
            copies.put(make_copy(Path(folder) / str(k)))

        copy = copies.get()
        commands = {
            f.tests or f.room: pytest_words(copy, f.tests) if f.tests else find_command(copy, f.room) for f in faults
        }
        unsound = [str(whose) for whose, command in commands.items() if not passes(command, copy)]
        copies.put(copy)
        if unsound:
            print(f"the tests of {', '.join(unsound)} fail without any fault: nothing can be said")
            return 1

        def judge(fault: Fault) -> bool:
            copy = copies.get()
            try:
                noticed = is_noticed(copy, fault, wide=args.wide)
            finally:
                copies.put(copy)
            print("noticed " if noticed else "SURVIVES", fault, flush=True)
            return noticed

        noticed = list(pool.map(judge, faults))
    return print_table(faults, noticed)


def print_table(faults: Sequence[Fault], noticed: Sequence[bool]) -> int:
    """Room by room, then what survived."""
    print(f"\n{'room':12} {'faults':>7} {'noticed':>8} {'harmless':>9}")
    left = [fault for fault, is_seen in zip(faults, noticed, strict=True) if not is_seen]
    harmless = [fault for fault in left if (fault.file, fault.text) in HARMLESS]
    for room in dict.fromkeys(fault.room for fault in faults):
        n = sum(fault.room == room for fault in faults)
        n_left, n_harmless = (sum(fault.room == room for fault in some) for some in (left, harmless))
        print(f"{room:12} {n:7} {n - n_left:8} {n_harmless:9}")
    meaningful = len(faults) - len(harmless)
    percent = 100 * (len(faults) - len(left)) / max(1, meaningful)
    print(f"{percent:.1f} % of {meaningful} meaningful faults noticed, goal {GOAL_PERCENT:g} %")
    for fault in left:
        print(f"survives: {fault}  ({HARMLESS.get((fault.file, fault.text), 'no reason known')})")
    return int(percent < GOAL_PERCENT)


if __name__ == "__main__":
    sys.exit(main())
