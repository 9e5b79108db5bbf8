"""What holds for every room: nothing hides where everything is required, and nobody fails for a busy machine."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Generator
from pathlib import Path
from typing import Any

import pytest
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
    """Half as many again as there are cores: much of the time goes in waiting for sensors, pages and clocks."""
    n_cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(2, 3 * n_cores // 2)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Side by side, those that live through real time go first: begun last they would be waited for alone."""
    for item in items:
        if item.get_closest_marker("long"):
            item.add_marker(pytest.mark.timeout(0))  # they take minutes, and are started by hand
    if hasattr(config, "workerinput"):
        items.sort(key=find_wait_s, reverse=True)  # stable: the others keep their order


def find_wait_s(item: pytest.Item) -> float:
    marker = item.get_closest_marker("waits")
    return float(marker.args[0]) if marker else 0.0
