"""Who may import whom, in no circle, and what start-up may cost. The table is the one in DEVELOPERS.md."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from biofeedback.account.words import PHASES, SCALE

PACKAGE = Path(__file__).resolve().parents[1] / "biofeedback"
OURS = {
    "errors": set(),
    "model": set(),
    "cautions": set(),
    "toml_file": set(),
    "joints": set(),
    "account": {"model"},
    "acquisition": {"model", "toml_file", "joints"},
    "signal": {"model"},
    "calibration": {"model", "signal", "account", "joints"},
    "session": {"model", "toml_file", "cautions", "signal", "calibration", "account", "joints"},
    "storage": {"model", "account"},
    "analysis": {"model", "signal", "calibration", "account", "joints"},
    "report": {"model", "cautions", "analysis", "calibration", "signal", "account", "joints"},
    "web": {"model", "cautions", "session", "storage", "report", "account"},
}
OURS["wiring"] = {*OURS}
OURS["notebook"] = {*OURS} - {"wiring"}
OURS["commands"] = {*OURS} - {"notebook"}
OURS["cli"] = {"commands", "wiring"}  # commands by name, only the one that was chosen; how it is printed
OURS["__main__"] = {"cli"}
OURS["__init__"] = {"notebook"}
THEIRS = {  # libraries that only one room may import
    "serial": {"acquisition"},
    "bleak": {"acquisition"},
    "pylsl": {"acquisition"},
    "scipy": {"signal", "calibration", "analysis", "storage"},  # storage: its reader of MAT files
    "matplotlib": {"report"},
    "sqlite3": {"storage"},
    "edfio": {"storage"},
    "cryptography": {"web"},
    "pyxdf": {"storage"},
    "ezc3d": {"storage"},
    "starlette": {"web"},
    "uvicorn": {"web"},
    "websockets": {"web"},
}
PURE = {"account", "signal", "calibration", "analysis", "session", "model", "errors", "cautions", "joints"}
IMPURE = {"asyncio", "time", "threading", "socket", "sqlite3", "subprocess"}
EDGES = {"session/run.py", "session/updates.py"}  # where a pure room meets the clock and the event loop


@cache
def find_imports(path: Path) -> list[ast.Import | ast.ImportFrom]:
    nodes = ast.walk(ast.parse(path.read_text("utf-8")))
    return [node for node in nodes if isinstance(node, ast.Import | ast.ImportFrom)]


def imports_of(path: Path) -> set[str]:
    names: set[str] = set()
    for node in find_imports(path):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            names.add(node.module)
            if node.module == "biofeedback":
                names |= {f"biofeedback.{alias.name}" for alias in node.names}
    return names


FILES = sorted(path.relative_to(PACKAGE) for path in PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("file", FILES, ids=str)
def test_a_room_imports_only_what_the_table_allows(file):
    room = file.parts[0].removesuffix(".py")
    imported = imports_of(PACKAGE / file)
    ours = {name.split(".")[1] for name in imported if name.startswith("biofeedback.")}
    ours -= {"__version__"}
    assert ours <= OURS[room] | {room, "errors"}
    for library, rooms in THEIRS.items():
        if library in {name.split(".")[0] for name in imported}:
            assert room in rooms, f"{library} belongs to {rooms}"
    if room in PURE and file.as_posix() not in EDGES:
        assert not {name.split(".")[0] for name in imported} & IMPURE


def test_only_one_module_opens_databases():
    assert [file.as_posix() for file in FILES if "sqlite3" in imports_of(PACKAGE / file)] == ["storage/database.py"]


def test_every_room_is_in_the_table():
    rooms = {file.parts[0].removesuffix(".py") for file in FILES}
    assert rooms == set(OURS)


@pytest.mark.parametrize("arguments", [["--help"], ["demo", "--help"], ["report", "--help"]])
def test_help_imports_neither_scipy_nor_matplotlib(arguments):
    code = (
        "import sys\n"
        "from biofeedback.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('scipy', 'matplotlib', 'starlette', 'bleak') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    heavy = done.stdout.splitlines()[-1]
    assert "scipy" not in heavy
    assert "matplotlib" not in heavy
    if arguments == ["--help"]:
        assert heavy == "[]"


def import_graph() -> dict[str, set[str]]:
    """Who imports whom among our modules, inside functions and for types alone included."""
    modules = {".".join(("biofeedback", *file.with_suffix("").parts)).removesuffix(".__init__") for file in FILES}
    graph: dict[str, set[str]] = {}
    for file in FILES:
        name = ".".join(("biofeedback", *file.with_suffix("").parts)).removesuffix(".__init__")
        found: set[str] = set()
        for node in find_imports(PACKAGE / file):
            if isinstance(node, ast.ImportFrom):
                found |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
        graph[name] = (found & modules) - {name, "biofeedback"}
    return graph


def test_no_helper_and_no_command_imports_another_command() -> None:
    """What two commands share stands in ``wiring``; only the command line picks a command, by its name."""
    graph = import_graph()
    commands = {name for name in graph if name.startswith("biofeedback.commands.")}
    assert len(commands) >= 15
    assert {name: found for name in graph if (found := sorted(graph[name] & commands))} == {}


def find_circle(graph: dict[str, set[str]]) -> list[str]:
    """Some chain of imports that ends where it began; [] when there is none."""
    done: set[str] = set()

    def walk(name: str, path: list[str]) -> list[str]:
        if name in path:
            return [*path[path.index(name) :], name]
        if name in done:
            return []
        for imported in sorted(graph[name]):
            if circle := walk(imported, [*path, name]):
                return circle
        done.add(name)
        return []

    return next((circle for name in sorted(graph) if (circle := walk(name, []))), [])


def test_no_import_goes_round_in_a_circle():
    assert find_circle({"a": {"b"}, "b": {"c"}, "c": {"a"}}) == ["a", "b", "c", "a"]
    assert find_circle({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []
    assert find_circle(import_graph()) == []


def test_only_the_account_looks_into_an_event() -> None:
    """What carries payloads unread may name them: the recorder, the exports, whoever stores them."""
    carriers = {"storage/tables.py", "storage/amend.py", "storage/recorder.py"}
    texts = {file.as_posix(): (PACKAGE / file).read_text("utf-8") for file in FILES if file.parts[0] != "account"}
    assert {name for name, text in texts.items() if re.search(r"\b(event|e)\.data\b", text)} <= carriers


def test_phases_and_the_ends_of_the_scale_are_worded_in_one_place() -> None:
    """The page's own copy holds until a session has said its words; the next test compares both."""
    once = [PHASES["passive"].say, PHASES["rest"].say, SCALE.high_label, SCALE.question]
    texts = {
        path: path.read_text("utf-8") for end in ("py", "js", "html", "toml") for path in PACKAGE.rglob(f"*.{end}")
    }
    told = {path.relative_to(PACKAGE).as_posix() for path, text in texts.items() if any(say in text for say in once)}
    assert told == {"account/words.py", "web/static/shared/words.js"}


def test_the_page_begins_with_the_same_words() -> None:
    text = (PACKAGE / "web/static/shared/words.js").read_text("utf-8")
    written = dict(re.findall(r'^ +(\w+): \{ say: "([^"]+)", short: "\w+"', text, re.MULTILINE))
    assert len(written) == 3
    assert written == {kind: PHASES[kind].say for kind in written}  # type: ignore[index]
