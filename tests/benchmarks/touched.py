"""A plugin of pytest for ``bench_mutants.py``: ``-p touched``, run where the package's folder is.

Told TOUCHED_WRITE=FILE it notes for each test which functions of the package it called, how long it took and whether it
passed. Told TOUCHED_RUN=FILE (names of tests, in order) it runs these alone. Told TOUCHED_FAILED=FILE it writes there
what failed first.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Generator
from pathlib import Path
from types import CodeType, FrameType

import pytest


class Noting:
    """Of each test the functions that it called; what a wider set-up or the file called counts for all."""

    def __init__(self, path: Path, package: str) -> None:
        self._path = path
        self._package = package
        self._codes: set[CodeType] = set()
        self._shared: set[str] = set()
        self._at_import: set[str] = set()
        self._tests: dict[str, dict[str, object]] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_collection(self) -> Generator[None, object, object]:
        self._trace(self._on_call)
        try:
            return (yield)
        finally:
            self._trace(None)
            self._at_import |= self._take()

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[object]) -> Generator[None, object, object]:
        if fixturedef.scope == "function":
            return (yield)
        before, self._codes = self._codes, set()
        try:
            return (yield)
        finally:
            self._shared |= self._take()
            self._codes = before

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        begun = time.process_time()
        note = self._tests.setdefault(item.nodeid, {"passes": False})
        self._trace(self._on_call)
        try:
            return (yield)
        finally:
            self._trace(None)
            note |= {"seconds": round(time.process_time() - begun, 3), "calls": sorted(self._take())}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call":
            self._tests[report.nodeid]["passes"] = report.passed

    def pytest_sessionfinish(self) -> None:
        notes = {"tests": self._tests, "shared": sorted(self._shared), "at_import": sorted(self._at_import)}
        self._path.write_text(json.dumps(notes))

    def _trace(self, function: object) -> None:
        sys.settrace(function)  # type: ignore[arg-type]
        threading.settrace(function)  # type: ignore[arg-type]

    def _on_call(self, frame: FrameType, _event: str, _arg: object) -> None:
        self._codes.add(frame.f_code)

    def _take(self) -> set[str]:
        """``session/hold.py:Hold.move_end``, and forget them."""
        codes, self._codes = self._codes, set()
        ours = [code for code in codes if code.co_filename.startswith(self._package)]
        return {f"{Path(code.co_filename[len(self._package) :]).as_posix()}:{code.co_qualname}" for code in ours}


class Running:
    """The named tests in their order."""

    def __init__(self, names: list[str]) -> None:
        self._rank = {name: rank for rank, name in enumerate(names)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = [item for item in items if item.nodeid in self._rank]
        items.sort(key=lambda item: self._rank[item.nodeid])


class Telling:
    """Which test, or file that cannot be read, failed first."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._tell(report)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        self._tell(report)

    def _tell(self, report: pytest.TestReport | pytest.CollectReport) -> None:
        if report.failed and not self._path.exists():
            self._path.write_text(report.nodeid)


def pytest_configure(config: pytest.Config) -> None:
    told = {name: os.environ.pop(f"TOUCHED_{name}", "") for name in ("WRITE", "RUN", "FAILED")}
    if told["WRITE"]:
        config.pluginmanager.register(Noting(Path(told["WRITE"]), str(Path.cwd() / "biofeedback") + os.sep))
    if told["RUN"]:
        config.pluginmanager.register(Running(json.loads(Path(told["RUN"]).read_text())))
    if told["FAILED"]:
        config.pluginmanager.register(Telling(Path(told["FAILED"])))
