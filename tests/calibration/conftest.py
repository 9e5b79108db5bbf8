import json
from pathlib import Path

import pytest

PUBLISHED = Path(__file__).parents[1] / "published"


@pytest.fixture
def published():
    """Numbers of one published source; each file names it."""
    return lambda name: json.loads((PUBLISHED / f"{name}.json").read_text())
