"""Settings for small recordings of a simulated athlete."""

from __future__ import annotations

import importlib
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.model import Channel, FloatArray
from biofeedback.storage.recorder import Recorder

from ..requirements import need


def make_settings(n_channels: int = 2, rate_hz: float = 100.0, **more: Any) -> dict[str, Any]:
    kinds = ("force", "emg")
    channels = [Channel(name=f"{kinds[i % 2]}{i}", kind=kinds[i % 2]).to_dict() for i in range(n_channels)]
    return {"format": 1, "channels": channels, "rate_hz": rate_hz, "athlete": "A01", "simulated": True, **more}


def make_counts(n_frames: int, n_channels: int = 2, first: int = 0) -> FloatArray:
    """Every number tells its frame and channel, so that a lost or moved one is seen."""
    frames = np.arange(first, first + n_frames, dtype=np.float64)[:, None]
    return frames * 16 + np.arange(n_channels)


def wait_until(condition: Callable[[], bool], timeout_s: float = 5.0) -> None:
    """The writer has its own thread: look until it is done, fail after a generous time."""
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, "the writer thread did not get there"
        time.sleep(0.005)


def wait_until_saved(recorder: Recorder) -> None:
    """Everything handed over is on disk, but for a row that is not complete."""
    wait_until(lambda: not recorder._queue and not recorder._unsaved)


def execute(path: Path, statement: str) -> None:
    connection = sqlite3.connect(path)
    with connection:
        connection.execute(statement)
    connection.close()


def need_module(name: str) -> Any:
    """Another people's library that a test compares with."""
    try:
        return importlib.import_module(name)
    except ImportError:
        need(False, f"{name} is not installed")
