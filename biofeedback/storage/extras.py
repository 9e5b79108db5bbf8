"""Libraries that only some people need, and how to get one into the very place where this program is installed."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

from biofeedback.errors import RecordingError

EXTRAS = {"export": "edfio", "xdf": "pyxdf", "c3d": "ezc3d", "parquet": "pyarrow", "cluster": "dask[distributed]"}


def import_extra(library: str, what: str, extra: str) -> Any:
    """The library, or RecordingError with the way to get it."""
    try:
        return importlib.import_module(library)
    except ImportError as error:
        raise RecordingError(f"{what} need the package {library}", tell_install(extra)) from error


def tell_install(extra: str) -> str:
    """The command that puts the extra's library beside this program: the library itself, never something else that
    happens to bear this program's name; by the tool that made this place, where it can be told.
    """
    library = EXTRAS[extra]
    quoted = f"'{library}'" if "[" in library else library
    place = Path(sys.prefix)
    if place.parent.name == "venvs" and "pipx" in place.parts:
        return f"install it: pipx inject {place.name} {quoted}"
    if (place / "uv-receipt.toml").exists():
        return f"install it: uv tool install --with {quoted} {place.name}"
    python = sys.executable
    python = f'"{python}"' if " " in python else python
    return f"install it: {python} -m pip install {quoted}"
