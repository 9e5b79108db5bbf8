"""What holds for every room: nothing hides where everything is required, and nobody fails for a busy machine."""

from __future__ import annotations

import asyncio
import gc
import json
import os
import sys
from collections.abc import Callable, Generator
from pathlib import Path
from typing import Any

import pytest

if sys.dont_write_bytecode:
    # Else each worker, and each program that a test starts, compiles everything again: two thirds of the collecting.
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.pycache_prefix = os.environ["PYTHONPYCACHEPREFIX"] = str(Path(__file__).parents[1] / ".cache" / "compiled")

# After it, so that what this imports is kept compiled, too.
from hypothesis import settings

settings.register_profile("busy machine", deadline=None)  # how long an example takes is the benchmarks' business
settings.load_profile("busy machine")

IS_ALL_REQUIRED = os.environ.get("BIOFEEDBACK_REQUIRE_ALL") == "1"

PUBLISHED = Path(__file__).parent / "published"


@pytest.fixture
def published() -> Callable[[str], dict[str, Any]]:
    """Numbers of one published source; each file names it."""

    def read(name: str) -> dict[str, Any]:
        data: dict[str, Any] = json.loads((PUBLISHED / f"{name}.json").read_text(encoding="utf-8"))
        assert data["source"], f"{name} names no source"
        return data

    return read


LOOP = pytest.StashKey[asyncio.AbstractEventLoop | None]()  # of the browser, which stays open between tests on pages


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """The event loop of the browser counts as running in tests on pages only: others may run loops of their own."""
    if "browser" not in getattr(item, "fixturenames", ()):
        return (yield)
    asyncio._set_running_loop(item.config.stash.get(LOOP, None))
    try:
        return (yield)
    finally:
        item.config.stash[LOOP] = asyncio._get_running_loop()
        asyncio._set_running_loop(None)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """All tests and modules stay until the end: to look through them for rubbish again and again is in vain."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()
        gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where everything is required (BIOFEEDBACK_REQUIRE_ALL=1) a skipped test is a failed one."""
    report = yield
    if report.skipped and IS_ALL_REQUIRED and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"required here, but skipped: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """A module that skips itself takes all its tests with it, without a trace in the count."""
    report = yield
    if report.skipped and IS_ALL_REQUIRED:
        report.outcome = "failed"
        report.longrepr = f"required here, but the whole of {collector.nodeid} is skipped: {report.longrepr}"
    return report


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Twice as many as there are cores: much of the time goes in waiting for sensors, pages and clocks."""
    n_cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return 2 * n_cores


def pytest_configure(config: pytest.Config) -> None:
    if not hasattr(config, "workerinput"):
        config.pluginmanager.register(PlainNames())


class PlainNames:
    """A test's name without its group: one that failed side by side is found again alone (``--last-failed``)."""

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.nodeid.rfind("@") > report.nodeid.rfind("]"):
            report.nodeid = report.nodeid.rpartition("@")[0]


def pytest_itemcollected(item: pytest.Item) -> None:
    """A module's tests on pages stay on one worker: on each of them the module would start a browser of its own."""
    if is_on_a_page(item) and not item.get_closest_marker("xdist_group"):
        item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))


def is_on_a_page(item: pytest.Item) -> bool:
    return "browser" in getattr(item, "fixturenames", ()) and not find_wait_s(item)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Side by side, those that live through real time go first: begun last they would be waited for alone. Those on
    pages, which wait for it often, come spread among those that compute, so that the cores are never idle."""
    for item in items:
        if item.get_closest_marker("long"):
            item.add_marker(pytest.mark.timeout(0))  # they take minutes, and are started by hand
    if hasattr(config, "workerinput"):
        waiting = sorted(filter(find_wait_s, items), key=find_wait_s, reverse=True)
        computing = [item for item in items if not find_wait_s(item) and not is_on_a_page(item)]
        modules: dict[Path, list[pytest.Item]] = {}
        for item in filter(is_on_a_page, items):
            modules.setdefault(item.path, []).append(item)
        items[:] = waiting
        for number, module in enumerate(modules.values()):
            share = [len(computing) * k // len(modules) for k in (number, number + 1)]
            items += module + computing[slice(*share)]
        items += [] if modules else computing


def find_wait_s(item: pytest.Item) -> float:
    marker = item.get_closest_marker("waits")
    return float(marker.args[0]) if marker else 0.0
