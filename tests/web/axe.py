"""The accessibility rule engine axe-core (Deque Systems, MPL-2.0), fetched once through npm and kept in .cache/."""

from __future__ import annotations

import shutil
import subprocess
import tarfile
from pathlib import Path

from ..requirements import need

VERSION = "4.10.3"
CACHE = Path(__file__).parents[2] / ".cache" / f"axe-core-{VERSION}"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def axe_script() -> Path:
    """Path of axe.min.js; skips with the reason when it can neither be found nor fetched."""
    script = CACHE / "package" / "axe.min.js"
    if script.exists():
        return script
    need(shutil.which("npm"), "npm is not installed, so axe-core cannot be fetched")
    CACHE.mkdir(parents=True, exist_ok=True)
    command = ["npm", "pack", f"axe-core@{VERSION}", "--pack-destination", str(CACHE), "--silent"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    need(done.returncode == 0, f"axe-core could not be fetched: {done.stderr.strip()[-200:]}")
    with tarfile.open(CACHE / f"axe-core-{VERSION}.tgz") as archive:
        archive.extract("package/axe.min.js", CACHE, filter="data")
    return script
