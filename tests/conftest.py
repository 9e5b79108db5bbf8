"""Where everything is required (BIOFEEDBACK_REQUIRE_ALL=1) a skipped test is a failed one: nothing hides."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and os.environ.get("BIOFEEDBACK_REQUIRE_ALL") == "1" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"required here, but skipped: {report.longrepr}"
    return report
