"""What a test needs beyond Python packages. On a user's machine it skips and says why; in CI the skip is a failure."""

from __future__ import annotations

import os
import shutil

import pytest

CHROMIUM_WITH_WINDOWS = shutil.which("chromium") or shutil.which("chromium-browser")  # knows a phone's sensors
# The same engine, built without windows, opens a page with a third of the work.
CHROMIUM = shutil.which("chromium-headless-shell") or CHROMIUM_WITH_WINDOWS
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def need(condition: object, reason: str) -> None:
    """Skip with ``reason`` unless ``condition``; with BIOFEEDBACK_REQUIRE_ALL=1 fail instead."""
    if condition:
        return
    if os.environ.get("BIOFEEDBACK_REQUIRE_ALL") == "1":
        pytest.fail(f"required here: {reason}")
    pytest.skip(reason)
