"""Fixtures shared by the tests of analysis."""

import importlib
import os
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

PUBLISHED = Path(__file__).parents[1] / "published"


@pytest.fixture
def reference() -> Callable[[str], ModuleType]:
    """A reference library of the ``crosscheck`` group: skipped when absent, required by BIOFEEDBACK_REQUIRE_ALL=1."""

    def load(name: str) -> ModuleType:
        try:
            return importlib.import_module(name)
        except ImportError:
            if os.environ.get("BIOFEEDBACK_REQUIRE_ALL") == "1":
                raise
            pytest.skip(f"{name} is not installed (dependency group crosscheck)")

    return load
