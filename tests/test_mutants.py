"""The faults that ``benchmarks/bench_mutants.py`` puts into the package: which it can make, and how it judges them."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import bench_mutants
import faults
from bench_mutants import Bench, list_test_files, print_table
from faults import Fault, draw_faults, find_faults, find_js_edits, find_python_edits, find_reason, list_moved_on


def edit(source: str, language: str = "python") -> set[str]:
    """Every version of a source with one fault in it."""
    find = find_python_edits if language == "python" else find_js_edits
    whole = source.encode()
    return {(whole[:at] + new.encode() + whole[at + len(old.encode()) :]).decode() for at, old, new, _ in find(whole)}


@pytest.mark.parametrize(
    ("sound", "faulty"),
    [
        ("a < b", {"a <= b"}),
        ("a <= b < c", {"a < b < c", "a <= b <= c"}),
        ("a is not None", {"a is None"}),
        ("a not in b", {"a in b"}),
        ("a - b", {"a + b"}),
        ("a // b", {"a / b"}),
        ("a ** b", set()),
        ("FIRST | SECOND", {"FIRST & SECOND"}),
        ("a and b", {"a or b"}),
        ("x = not a", {"x =  a"}),
        ("x = not (a)", {"x =  (a)"}),
        ("x = -(a * b)", {"x = (a * b)", "x = -(a / b)"}),
        ("x[-a:]", {"x[a:]"}),
        ("x = 3", {"x = 4"}),
        ("x = 2.0", {"x = 2.6"}),
        ("x = 0.0", {"x = 1.0"}),
        ("x = True", {"x = False"}),
        ("x: float = 2.0", {"x: float = 2.6"}),
        ("min(a, b)", {"max(a, b)", "pass"}),
        ("x = axis.plot(2.0, width=1.0)", {"x = axis.plot(2.6, width=1.0)", "x = axis.plot(2.0, width=1.3)"}),
        ("x = axis.plot(lw=2.0 if a else b)", {"x = axis.plot(lw=2.6 if a else b)"}),
        ("sheet.space(9.0)", {"pass"}),
        ("x = sheet.space(2 * a)", {"x = sheet.space(3 * a)", "x = sheet.space(2 / a)"}),
        ("x = any(a)", {"x = all(a)"}),
        ("save(a)", {"pass"}),
        ("if a:\n    b = c", {"if not (a):\n    b = c"}),
        ("def f(a: int = 2) -> int | None:\n    return a", {"def f(a: int = 3) -> int | None:\n    return a"}),
        ("async def f(a=2):\n    return -a", {"async def f(a=3):\n    return -a", "async def f(a=2):\n    return a"}),
        ("ä = '–', a < b", {"ä = '–', a <= b"}),
    ],
)
def test_each_fault_is_one_small_change(sound: str, faulty: set[str]) -> None:
    assert edit(sound) == faulty


@pytest.mark.parametrize(
    "source",
    [
        "@dataclass(frozen=True, slots=True)\nclass A:\n    a: int",  # how it is kept
        "@lru_cache(maxsize=4)\ndef f():\n    return a",
        "x = f'{a + 1:.2f}' + 'b'",  # words
        "raise TooMuch(f(a) + 1)",
        "'''What this is about.'''",
        "x = zip(a, b, strict=True)",
        "x: list = field(repr=False, compare=True)",
        "assert a < 3",  # noticed, or changing nothing, without a test
        "Payload = Rating | Phase | None",
        "x = isinstance(a, int | dict[str, float])",
        "if TYPE_CHECKING:\n    x = 3",
        "x = axis.plot(a, linewidth=2.0, alpha=0.5)",  # taste
        "x = set_margins(figure, left=0.5)",
    ],
)
def test_what_no_test_could_tell_is_not_changed(source: str) -> None:
    assert edit(source) == set()


def test_scripts_of_the_page_are_changed_outside_words_and_comments() -> None:
    assert edit('const x = a < 3 ? "a < b" : `${1 + 2}`; // a < b', "js") == {
        'const x = a <= 3 ? "a < b" : `${1 + 2}`; // a < b',
        'const x = a < 4 ? "a < b" : `${1 + 2}`; // a < b',
    }
    assert edit("x = Math.min(a, true);", "js") == {"x = Math.max(a, true);", "x = Math.min(a, false);"}
    assert edit("x = 20;", "js") == {"x = 26;"}
    assert edit("pen.lineWidth = 3;", "js") == set()


TOY = """
LIMIT = 3


class Half:
    def take(self, x):
        if x > LIMIT:
            return x / 2
        return 0 * x


def never():
    return 1 + 1
"""
TOY_TESTS = """
import pytest
from biofeedback.signal.half import Half


@pytest.fixture(scope="module")
def half():
    return Half().take(8)


def test_above(half):
    assert half == 4


def test_below():
    assert Half().take(2) == 0


def test_unsound():
    assert Half().take(4) == 1
"""


@pytest.fixture(scope="module")
def toy(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A package of one module and its tests, one of which fails without any fault."""
    copy, keep = tmp_path_factory.mktemp("copy"), tmp_path_factory.mktemp("keep")
    for name, text in {"biofeedback/signal/half.py": TOY, "tests/signal/test_half.py": TOY_TESTS}.items():
        (copy / name).parent.mkdir(parents=True)
        (copy / name).write_text(text)
    for package in ("biofeedback", "biofeedback/signal"):
        (copy / package / "__init__.py").touch()
    marks = "".join(f'  "{mark}",\n' for mark in ("slow", "browser", "network", "toolchain", "long"))
    (copy / "pyproject.toml").write_text(f"[tool.pytest.ini_options]\nmarkers = [\n{marks}]\n")
    return Bench(copy, keep)


def find(toy: Bench, text: str, old: str) -> Fault:
    made = find_faults(toy.copy / "biofeedback/signal/half.py", "signal", toy.copy)
    return next(fault for fault in made if fault.text == text and fault.old == old)


def test_a_fault_is_noticed_by_a_test_that_calls_its_function_and_fails_of_it_alone(toy: Bench) -> None:
    sound = (toy.copy / "biofeedback/signal/half.py").read_bytes()
    (file,) = list_test_files("signal", toy.copy)
    notes = toy.note(file)
    assert {name.partition("::")[2]: note.passes for name, note in notes.items()} == {
        "test_above": True,
        "test_below": True,
        "test_unsound": False,
    }
    assert all("signal/half.py:Half.take" in note.calls for note in notes.values()), "also by a wider set-up"

    halved = find(toy, "return x / 2", "/")
    assert halved.function == "Half.take"
    assert toy.find_noticing(halved, notes, near=True, wide=False) == f"{file}::test_above"
    limit = find(toy, "LIMIT = 3", "3")
    assert toy.find_noticing(limit, notes, near=False, wide=False) == "", "no test asks between two and eight"
    idle = find(toy, "return 1 + 1", "+")
    assert bench_mutants.find_near(idle, notes) == []
    assert toy.find_noticing(idle, notes, near=True, wide=False) == "", "nothing runs"
    assert (toy.copy / "biofeedback/signal/half.py").read_bytes() == sound


def test_every_fault_can_still_be_read() -> None:
    """One that cannot would be noticed without a test."""
    rooms = [room for room in bench_mutants.TESTS if room != "page"]
    for fault in draw_faults(rooms, 12, 1):
        ast.parse(fault.plant((faults.ROOT / fault.file).read_bytes()))


def test_what_is_harmless_is_told_by_its_text(toy: Bench) -> None:
    fault = find(toy, "return x / 2", "/")
    entry = ("signal/half.py", "x / 2", "x * 2", "two is one")
    assert find_reason(fault, [entry], toy.copy) == "two is one"
    assert find_reason(find(toy, "return 0 * x", "*"), [entry], toy.copy) == ""
    assert list_moved_on([entry], toy.copy) == []
    gone, twice = ("signal/half.py", "x / 3", "x * 3", "gone"), ("signal/half.py", "return", "yield", "not one place")
    assert list_moved_on([gone, twice], toy.copy) == ["signal/half.py: x / 3", "signal/half.py: return"]


def test_a_draw_stays_the_same_but_for_what_has_changed(toy: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(faults, "list_files", lambda room: [toy.copy / "biofeedback/signal/half.py"])
    monkeypatch.setattr(faults, "ROOT", toy.copy)
    monkeypatch.setattr(find_faults, "__defaults__", (toy.copy,))
    before = [fault.key for fault in draw_faults(["signal"], 4, 1)]
    assert before == [fault.key for fault in draw_faults(["signal"], 9, 1)][:4]
    assert before != [fault.key for fault in draw_faults(["signal"], 4, 2)]
    source = toy.copy / "biofeedback/signal/half.py"
    source.write_text("FIRST = 1\n" + TOY)
    try:
        after = [fault.key for fault in draw_faults(["signal"], 5, 1)]
    finally:
        source.write_text(TOY)
    assert [key for key in after if "FIRST" not in key][:4] == before


def test_the_share_leaves_out_the_harmless_and_what_was_not_judged(capsys: pytest.CaptureFixture[str]) -> None:
    drawn = draw_faults(["signal", "page"], 3, 1)
    outcome = print_table(drawn, ["tests/test_a.py::test_b", "", None, "tests/test_a.py::test_b", "node", "node"])
    told = capsys.readouterr().out
    assert "| signal | 3 | 1 | 0 | 1 | 1 |" in told
    assert "| page | 3 | 3 | 0 | 0 | 0 |" in told
    assert "80.0 % of 5 meaningful faults noticed" in told
    assert outcome == 1
