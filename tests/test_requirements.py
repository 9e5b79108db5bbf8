"""Where everything is required nothing is left out without a failure: no test, and no module either."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).with_name("conftest.py")
SKIPPED_TEST = "import pytest\ndef test_one(): pytest.skip('no such tool')\ndef test_two(): pass\n"
SKIPPED_MODULE = "import pytest\npytest.skip('no such bus', allow_module_level=True)\ndef test_one(): pass\n"
SKIPPED_IMPORT = "import pytest\npytest.importorskip('no_such_module')\ndef test_one(): pass\n"


SIDE_BY_SIDE = ("-p", "xdist.plugin", "-n", "1", "--dist", "loadgroup", "--no-loadscope-reorder", "-W", "ignore")


def run(folder: Path, *words: str, required: str) -> subprocess.CompletedProcess[str]:
    """What pytest says; looking for everything that extends it would take most of the time."""
    environment = {**os.environ, "BIOFEEDBACK_REQUIRE_ALL": required, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    command = [sys.executable, "-m", "pytest", "-c", os.devnull, "--rootdir", str(folder), str(folder), *words]
    return subprocess.run(command, capture_output=True, text=True, env=environment, check=False, cwd=folder)


@pytest.mark.parametrize(
    ("text", "reason"),
    [(SKIPPED_TEST, "no such tool"), (SKIPPED_MODULE, "no such bus"), (SKIPPED_IMPORT, "no_such_module")],
)
def test_what_skips_is_a_failure_where_all_is_required(tmp_path, text, reason):
    shutil.copy(CONFTEST, tmp_path)
    (tmp_path / "test_it.py").write_text(text, encoding="utf-8")
    (tmp_path / "test_other.py").write_text("def test_one(): pass\n", encoding="utf-8")
    there = run(tmp_path, required="1")
    assert there.returncode != 0
    assert "required here, but" in there.stdout
    assert reason in there.stdout
    elsewhere = run(tmp_path, required="0")
    assert elsewhere.returncode == 0, elsewhere.stdout
    assert "1 skipped" in elsewhere.stdout


def test_no_property_fails_for_a_slow_machine(tmp_path):
    shutil.copy(CONFTEST, tmp_path)
    text = "import time\nfrom hypothesis import given, settings, strategies as st\n"
    text += "@settings(max_examples=2)\n@given(st.integers())\ndef test_one(n): time.sleep(0.25)\n"
    (tmp_path / "test_it.py").write_text(text, encoding="utf-8")
    assert run(tmp_path, required="1").returncode == 0


def test_what_is_compiled_is_kept_for_the_other_workers_and_programs(tmp_path, monkeypatch):
    """Where PYTHONDONTWRITEBYTECODE is set nothing is left beside the code, and all is compiled once all the same."""
    folder = tmp_path / "tests"
    folder.mkdir()
    shutil.copy(CONFTEST, folder)
    (folder / "helping.py").write_text("ANSWER = 42\n", encoding="utf-8")
    text = (
        "import subprocess, sys\ndef test_it():\n    subprocess.check_call([sys.executable, '-c', 'import helping'])\n"
    )
    (folder / "test_it.py").write_text(text, encoding="utf-8")
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    monkeypatch.delenv("PYTHONPYCACHEPREFIX", raising=False)
    done = run(folder, required="1")
    assert done.returncode == 0, done.stdout
    paths = list((tmp_path / ".cache").rglob("*.pyc"))
    assert {"helping", "test_it"} <= {path.name.partition(".")[0] for path in paths}
    assert any("hypothesis" in path.parts for path in paths)  # what all tests share is there before
    assert list(folder.rglob("*.pyc")) == []


def test_those_that_wait_go_first_side_by_side_only(tmp_path):
    shutil.copy(CONFTEST, tmp_path)
    (tmp_path / "test_it.py").write_text(
        "import pytest\ndef test_quick(): pass\n@pytest.mark.waits(5)\ndef test_some(): pass\n"
        "@pytest.mark.waits(60)\ndef test_long(): pass\n",
        encoding="utf-8",
    )
    alone = run(tmp_path, "-v", "-W", "ignore", required="1").stdout
    assert alone.index("test_quick") < alone.index("test_some") < alone.index("test_long")
    beside = run(tmp_path, "-v", *SIDE_BY_SIDE, required="1")
    assert beside.stdout.index("test_long") < beside.stdout.index("test_some") < beside.stdout.index("test_quick")


@pytest.mark.skipif(shutil.which("timeout") is None, reason="coreutils are for Linux")
def test_a_run_that_hangs_ends_and_says_so(tmp_path):
    """A stand-in for Python that never comes back, in the last lines of what CI runs."""
    script = (Path(__file__).parents[1] / ".ci" / "run").read_text("utf-8")
    stand_in = tmp_path / ".venv" / "bin" / "python"
    stand_in.parent.mkdir(parents=True)
    for text, said, code in (("exec sleep 60", True, 124), ('[ "$4" = auto ] && exit 1; exit 0', False, 0)):
        stand_in.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
        stand_in.chmod(0o755)
        command = ["bash", "-c", "set -euo pipefail\n" + script[script.index("most_minutes=") :]]
        environment = {**os.environ, "BIOFEEDBACK_TEST_MINUTES": "0.005"}
        done = subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=50, check=False
        )
        assert done.returncode == code, done.stderr
        assert ("did not end within 0.005 minutes" in done.stderr) is said


PAGES = """import pytest
@pytest.fixture
def browser(): pass
def test_first(browser): pass
def test_second(browser): assert False
@pytest.mark.waits(5)
def test_waits(browser): pass
"""


def test_pages_come_spread_and_one_that_failed_beside_others_is_found_again_alone(tmp_path):
    shutil.copy(CONFTEST, tmp_path)
    for name in ("c", "d"):
        (tmp_path / f"test_{name}.py").write_text(PAGES, encoding="utf-8")
    (tmp_path / "test_a.py").write_text("".join(f"def test_{k}(): pass\n" for k in range(10)), encoding="utf-8")
    beside = run(tmp_path, "-v", *SIDE_BY_SIDE, required="1").stdout
    order = ["test_waits", "c.py::test_first", "c.py::test_second", "test_0 ", "test_4 ", "d.py::test_first", "test_5 "]
    places = [beside.index(f"{name}") for name in order]
    assert places == sorted(places)
    assert "14 passed, 2 failed" in beside or "2 failed, 14 passed" in beside
    again = run(tmp_path, "--last-failed", "--last-failed-no-failures", "none", required="1").stdout
    assert "2 failed" in again
    assert "passed" not in again
