"""Runs JavaScript of the page outside a browser."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

from ..requirements import need

STATIC = Path(__file__).parents[2] / "biofeedback" / "web" / "static"


def run_module(source: str, data: Any) -> Any:
    """Run an ES module that gets ``data`` as ``input`` and prints JSON; imports are relative to the page's files."""
    need(shutil.which("node"), "node is not installed")
    text = f"const input = {json.dumps(data)};\n{source.replace('$STATIC', STATIC.as_uri())}"
    command = ["node", "--input-type=module", "-e", text]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return json.loads(done.stdout, parse_int=float)  # JavaScript prints whole numbers without a point


def run_tests(folder: Path) -> subprocess.CompletedProcess[str]:
    """``node --test`` over the test modules in ``folder``."""
    need(shutil.which("node"), "node is not installed")
    files = sorted(str(path) for path in folder.glob("*.test.mjs"))
    return subprocess.run(["node", "--test", *files], capture_output=True, text=True, timeout=240, check=False)
