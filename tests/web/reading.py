"""Reads an update in Python, for tests only: the product has one reader, the page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from biofeedback.web.layout import HEADER


@dataclass(frozen=True)
class ReadUpdate:
    band_state: int
    bits: int
    revision: int
    time_s: float
    level: int
    remaining_s: float
    first_level: int
    percent: tuple[float, ...]
    strip: NDArray[np.float32]
    levels: NDArray[np.float32]


def read_update(message: str | bytes) -> ReadUpdate:
    assert isinstance(message, bytes)
    _, band, bits, n, revision, time_s, level, remaining_s, _, _, first, rows, _, _ = HEADER.unpack_from(message)
    percent = tuple(np.frombuffer(message, "<f8", n, HEADER.size).tolist())
    strip = np.frombuffer(message, "<f4", rows * n, HEADER.size + 8 * n).reshape(rows, n)
    levels = np.frombuffer(message, "<f4", rows * n, HEADER.size + 8 * n + 4 * rows * n).reshape(rows, n)
    return ReadUpdate(band, bits, revision, time_s, level, remaining_s, first, percent, strip, levels)
