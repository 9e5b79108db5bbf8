"""Small faults that can be made in a file of Python or JavaScript, for ``bench_mutants.py``."""

from __future__ import annotations

import ast
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from known_faults import HARMLESS, KNOWN, NOTICED_BY

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True)
class Fault:
    """``old`` at byte ``at`` of ``file`` (relative to ``root``) becomes ``new``, in ``function`` (empty: none)."""

    room: str
    file: str
    at: int
    old: str
    new: str
    line: int
    column: int
    text: str
    function: str = ""
    tests: tuple[str, ...] = ()  # that notice it; empty: the room's

    def __str__(self) -> str:
        return f"{self.file}:{self.line}  {self.old.strip()} -> {self.new.strip() or '(gone)'}  in  {self.text[:90]}"

    @property
    def key(self) -> str:
        """The same while its function and its line of code are."""
        return f"{self.file} {self.function}: {self.text} [{self.column}: {self.old} -> {self.new}]"

    def plant(self, sound: bytes) -> bytes:
        """The file with this fault in it."""
        end = self.at + len(self.old.encode())
        if sound[self.at : end] != self.old.encode():
            raise ValueError(f"{self.file} has changed since {self.old!r} was found in it")
        return sound[: self.at] + self.new.encode() + sound[end:]


SWAPS = {"<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==", "in": "not in", "is": "is not",
         "not in": "in", "is not": "is", "+": "-", "-": "+", "*": "/", "/": "*", "//": "/", "%": "*",
         "and": "or", "or": "and", "&": "|", "|": "&"}  # fmt: skip


# How thick a line, how large a mark or a letter and how wide a margin is, is taste: tests hold that no text lies on
# another or leaves the paper, that thick is thicker than thin, and that what lies below a shade is seen.
TASTE = frozenset(
    {"linewidth", "lw", "markersize", "ms", "markeredgewidth", "mew", "fontsize", "alpha", "hspace", "wspace"}
)
ROOM = frozenset({"space", "set_margins"})  # calls that leave so many points or inches free

Edit = tuple[int, str, str, str]  # at which byte, what stands there, what it becomes, in which function


class _Finder(ast.NodeVisitor):
    """Collects edits of what the code does.

    Left alone is what cannot be told from outside (words, annotations, decorators, whether ``zip`` fails or cuts short)
    and what would be noticed without a test (assertions, a union of types, code for type checkers only).
    """

    def __init__(self, source: bytes) -> None:
        self.source = source
        self.edits: list[Edit] = []
        self._scope: list[str] = []
        self._function = ""
        self._starts = [0]
        for line in source.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def start(self, node: ast.expr | ast.stmt) -> int:
        return self._starts[node.lineno - 1] + node.col_offset

    def end(self, node: ast.expr | ast.stmt) -> int:
        return self._starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)

    def text(self, node: ast.expr | ast.stmt) -> str:
        return self.source[self.start(node) : self.end(node)].decode()

    def add(self, at: int, old: str, new: str) -> None:
        self.edits.append((at, old, new, self._function))

    def swap_between(self, left: ast.expr, right: ast.expr) -> None:
        begin = self.end(left)
        between = self.source[begin : self.start(right)].decode()
        found = re.search(r"not in|is not|\bin\b|\bis\b|\band\b|\bor\b|//|\*\*|<<|>>|[<>=!]=|[-+*/%<>&|]", between)
        if found and found[0] in SWAPS:
            self.add(begin + found.start(), found[0], SWAPS[found[0]])

    def visit_Compare(self, node: ast.Compare) -> None:
        for left, right in zip([node.left, *node.comparators], node.comparators, strict=False):
            self.swap_between(left, right)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        is_text = any(isinstance(each, ast.JoinedStr) or is_string(each) for each in (node.left, node.right))
        if not is_text and not is_union(node):
            self.swap_between(node.left, node.right)
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        self.swap_between(node.values[0], node.values[1])
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not | ast.USub):
            self.add(self.start(node), "-" if isinstance(node.op, ast.USub) else "not", "")
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, bool):
            self.add(self.start(node), self.text(node), str(not node.value))
        elif isinstance(node.value, int):
            self.add(self.start(node), self.text(node), str(node.value + 1))
        elif isinstance(node.value, float):
            self.add(self.start(node), self.text(node), repr(node.value * 1.3 + (node.value == 0)))

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.id if isinstance(node.func, ast.Name) else ""
        if name in ("min", "max", "any", "all"):
            self.add(self.start(node), name, {"min": "max", "max": "min", "any": "all", "all": "any"}[name])
        unseen = {"zip": ("strict",), "field": ("repr", "compare", "hash")}.get(name, ())
        is_room = (name or getattr(node.func, "attr", "")) in ROOM
        self.visit(node.func)
        for value in node.args:
            if not (is_room and isinstance(value, ast.Constant)):
                self.visit(value)
        for word in node.keywords:
            is_taste = (is_room or word.arg in TASTE) and isinstance(word.value, ast.Constant)
            if word.arg not in unseen and not is_taste:
                self.visit(word)

    def visit_If(self, node: ast.If) -> None:
        if self.text(node.test).endswith("TYPE_CHECKING"):
            return
        self.add(self.start(node.test), self.text(node.test), f"not ({self.text(node.test)})")
        self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Call):
            self.add(self.start(node), self.text(node), "pass")
        if not is_string(node.value):
            self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value:
            self.visit(node.value)

    def visit_FunctionDef(self, node: ast.FunctionDef | ast.AsyncFunctionDef) -> None:
        for default in (*node.args.defaults, *node.args.kw_defaults):
            if default is not None:
                self.visit(default)
        outer = self._function
        self._function = ".".join([*self._scope, node.name])
        self.visit_inside(node, node.name, "<locals>")
        self._function = outer

    visit_AsyncFunctionDef = visit_FunctionDef  # noqa: N815

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.visit_inside(node, node.name)

    def visit_inside(self, node: ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef, *names: str) -> None:
        self._scope += names
        for statement in node.body:
            self.visit(statement)
        del self._scope[-len(names) :]

    def visit_Assert(self, node: ast.Assert) -> None:
        """What the author knows; it does nothing."""

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Words."""

    def visit_Raise(self, node: ast.Raise) -> None:
        """Words."""


def is_string(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def is_union(node: ast.expr) -> bool:
    """Whether these are types joined by ``|``; flags, in capitals throughout, are none."""
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitOr):
        return is_union(node.left) and is_union(node.right)
    if isinstance(node, ast.Subscript):
        return is_union(node.value)
    name = node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""
    is_none = isinstance(node, ast.Constant) and node.value is None
    return (
        is_none
        or name in ("int", "float", "str", "bytes", "bool", "list", "dict", "tuple", "set")
        or (name[:1].isupper() and not name.isupper())
    )


def find_python_edits(source: bytes) -> list[Edit]:
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


# On the page too how thick a line or how long a dash is, is taste: that thick stays thicker than thin, a test of its
# own holds. So is how high, long and loud a note is: which tones rise, which fall and that all are heard, another too.
JS_TASTE = re.compile(r"lineWidth|setLineDash|font|heavy|Math\.min\(3, window|^  \w+: \[\[\d+, 0, ")


def find_js_edits(source: bytes) -> list[Edit]:
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
            edits.append((found.start(), old, swaps[old] if swaps else another_number(old), ""))
    return edits


def another_number(old: str) -> str:
    """One more, where numbers count; a third more where they measure."""
    return f"{int(old) + 1}" if old.isdigit() and int(old) < 10 else f"{float(old) * 1.3:g}"


def find_faults(path: Path, room: str, root: Path = ROOT) -> list[Fault]:
    """Every fault that can be made in one file."""
    source = path.read_bytes()
    name = path.relative_to(root).as_posix()
    edits = find_js_edits(source) if path.suffix == ".js" else find_python_edits(source)
    faults = []
    for at, old, new, function in edits:
        begin = source.rfind(b"\n", 0, at) + 1
        text = source[begin:].partition(b"\n")[0].decode()
        column = at - begin - (len(text) - len(text.lstrip()))
        line = source.count(b"\n", 0, at) + 1
        faults.append(Fault(room, name, at, old, new, line, column, text.strip(), function))
    return faults


def list_files(room: str, root: Path = ROOT) -> list[Path]:
    """The code of a room."""
    package = root / "biofeedback"
    if room == "page":
        return sorted((package / "web" / "static").rglob("*.js"))
    return sorted(path for path in (package / room).rglob("*.py") if path.name != "__init__.py")


def draw_faults(rooms: Sequence[str], n_sample: int, seed: int, *, part: str = "") -> list[Fault]:
    """``n_sample`` of each room: the same for the same seed, but for those whose line of code has changed."""

    def draw(fault: Fault) -> bytes:
        return hashlib.sha256(f"{seed} {fault.key}".encode()).digest()

    chosen: list[Fault] = []
    for room in rooms:
        faults = [fault for path in list_files(room) if part in path.name for fault in find_faults(path, room)]
        chosen += sorted(faults, key=draw)[:n_sample]
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
        faults.append(
            Fault(name.split("/")[0], f"biofeedback/{name}", at, old, new, line, 0, old, tests=NOTICED_BY[name])
        )
    return faults


def find_reason(fault: Fault, harmless: Sequence[tuple[str, str, str, str]] = HARMLESS, root: Path = ROOT) -> str:
    """Why this fault changes nothing; empty where nobody has said so."""
    sound = (root / fault.file).read_bytes()
    planted = fault.plant(sound)
    for name, old, new, reason in harmless:
        is_here = f"biofeedback/{name}" == fault.file and sound.count(old.encode()) == 1
        if is_here and sound.replace(old.encode(), new.encode()) == planted:
            return reason
    return ""


def list_moved_on(harmless: Sequence[tuple[str, str, str, str]] = HARMLESS, root: Path = ROOT) -> list[str]:
    """Entries that mean nothing in the code as it is."""
    files = {name: root / "biofeedback" / name for name, *_ in harmless}
    sources = {name: path.read_text(encoding="utf-8") if path.exists() else "" for name, path in files.items()}
    return [f"{name}: {old}" for name, old, _, _ in harmless if sources[name].count(old) != 1]
