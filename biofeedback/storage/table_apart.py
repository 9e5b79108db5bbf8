"""Tables with more than one clock: rows of several loggers, or a column of times for each sensor."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, FloatArray
from biofeedback.storage import table_clock as clock
from biofeedback.storage.table_text import Layout
from biofeedback.storage.together import Column

MOST_SHARED = 0.1  # of the rows of two loggers
OWN_TIME = re.compile(r"(?:time|x|t|zeit|timestamp)(?:[ _].*)?", re.IGNORECASE)  # of a sensor: "X (2)", "time_emg"


def group_rows(values: FloatArray, chosen: Mapping[int, Channel]) -> list[list[int]]:
    """Columns that have numbers in the same rows."""
    groups: dict[bytes, list[int]] = {}
    for k in chosen:
        groups.setdefault(np.packbits(np.isfinite(values[:, k])).tobytes(), []).append(k)
    return list(groups.values())


def take_turns(values: FloatArray, groups: Sequence[Sequence[int]]) -> bool:
    """Whether hardly any row holds numbers of two groups: rows of several loggers, put in the order of their times."""
    known = [np.isfinite(values[:, columns[0]]) for columns in groups]
    return any(
        np.count_nonzero(one & other) < MOST_SHARED * min(np.count_nonzero(one), np.count_nonzero(other))
        for one, other in combinations(known, 2)
    )


def find_own_times(values: FloatArray, layout: Layout, chosen: Mapping[int, Channel]) -> dict[int, list[int]]:
    """Columns of times and the channels behind each, where there are several: every sensor with its own, ``X, EMG, X``.

    Empty where one column is the time of all rows.
    """
    owners: dict[int, list[int]] = {}
    latest = None
    for k, name in enumerate(layout.names):
        if k not in chosen and OWN_TIME.fullmatch(name) and _rises(values[:, k]):
            latest = k
        elif k in chosen:
            if latest is None:
                return {}
            owners.setdefault(latest, []).append(k)
    is_one_clock = len({np.isfinite(values[:, k]).sum() for k in owners}) == 1 and all(
        np.allclose(values[:, k], values[:, next(iter(owners))], equal_nan=True) for k in owners
    )
    return owners if len(owners) > 1 and not is_one_clock else {}


def _rises(column: FloatArray) -> bool:
    known = column[np.isfinite(column)]
    return len(known) > 2 and bool((np.diff(known) > 0).all())


def read_own_times(
    column: FloatArray, unit: str, said_unit: str | None, *, where: str, remarks: list[str]
) -> tuple[NDArray[np.int64], FloatArray]:
    """The rows of a sensor with a column of times of its own, and their seconds."""
    times = clock.read_time_numbers(column, unit, said_unit, where)
    remarks += times.told
    rows = np.flatnonzero(np.isfinite(column))
    return rows, column[rows] * clock.TIME_UNITS[times.unit]


def place_apart(
    parts: Sequence[tuple[Sequence[int], NDArray[np.int64], FloatArray]],
    values: FloatArray,
    *,
    chosen: Mapping[int, Channel],
    where: str,
    remarks: list[str],
) -> tuple[float, list[Column], int]:
    """Rows of several loggers in one table: each channel by the times of its own rows."""
    placed = []
    for columns, rows, time_s in parts:
        names = " and ".join(chosen[k].name for k in columns)
        placing = clock.place_by_times(time_s, f"{where} of {names}")
        remarks += [f"{names}: {text}" for text in placing.told]
        placed.append((columns, rows, placing))
    finest = max(placing.rate_hz for _, _, placing in placed)
    start_s = min(placing.first_s for _, _, placing in placed)
    found: dict[int, Column] = {}
    n_frames = 0
    for columns, rows, placing in placed:
        is_kept = placing.frames >= 0
        at_s = placing.first_s - start_s + placing.frames[is_kept] / placing.rate_hz
        frames = np.round(at_s * finest).astype(np.int64)
        is_new = np.diff(frames, prepend=-1) > 0
        n_frames = max(n_frames, int(frames[-1]) + 1)
        for k in columns:
            counts = values[rows[is_kept][is_new], k]
            is_known = np.isfinite(counts)
            found[k] = Column(chosen[k], frames[is_new][is_known], counts[is_known])
    return finest, [found[k] for k in chosen], n_frames
