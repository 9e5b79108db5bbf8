"""When each data record of an EDF+ or BDF+ file begins: files marked "D" have pauses between their records.

Layout of the header and of the first annotation of a record: Kemp & Olivan, Clin Neurophysiol 114 (2003) 1755.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray, Gap

ONSET = re.compile(rb"([+-]\d+(?:\.\d*)?)\x14\x14")
MOST_JITTER = 0.02  # of a record: stamps of a clock, no pause
PAUSE = "a pause in the file"


def read_record_onsets(path: Path) -> FloatArray | None:
    """Seconds from the first record to each, ``(n_records,)``; None where the file tells no times of its records."""
    with path.open("rb") as file:
        head = file.read(256)
        n_signals = int(head[252:256])
        signals = file.read(256 * n_signals)
        n_sample_bytes = 3 if head[:1] == b"\xff" else 2
        labels = [signals[16 * k : 16 * k + 16].strip() for k in range(n_signals)]
        sizes = [n_sample_bytes * int(signals[216 * n_signals + 8 * k :][:8]) for k in range(n_signals)]
        times = next((k for k, label in enumerate(labels) if label in (b"EDF Annotations", b"BDF Annotations")), None)
        if times is None:
            return None
        onsets = []
        file.seek(int(head[184:192]))
        while len(record := file.read(sum(sizes))) == sum(sizes) > 0:
            begin = sum(sizes[:times])
            match = ONSET.match(record[begin : begin + sizes[times]])
            if match is None:
                return None
            onsets.append(float(match[1]))
    found = np.array(onsets)
    return found - found[0] if len(found) else None


def find_pauses(
    onsets: FloatArray | None, record_s: float, rate_hz: float, own_hz: Sequence[float], where: str
) -> list[tuple[int, int]]:
    """``(frame, n_frames)`` of each pause, counted in frames of the file without pauses; empty when there is none.

    Raises RecordingError where records overlap, or a pause is no whole number of readings of every channel.
    """
    if onsets is None or not record_s > 0:
        return []
    late = onsets - np.arange(len(onsets)) * record_s
    steps: NDArray[np.float64] = np.diff(late, prepend=0.0)
    slack_s = max(1.5 / rate_hz, MOST_JITTER * record_s)
    if (steps < -slack_s).any():
        at = int(np.argmin(steps))
        raise RecordingError(
            f"{where}: its record {at + 1} begins at {onsets[at]:g} s, before the one before it ends",
            "write it again as a continuous file",
        )
    pauses = []
    taken = 0
    for record in np.flatnonzero(late - np.maximum.accumulate(np.concatenate([[0.0], late[:-1]])) > slack_s):
        n = round(float(late[record]) * rate_hz) - taken
        if any(abs(n * hz / rate_hz - round(n * hz / rate_hz)) > 1e-6 for hz in own_hz):
            raise RecordingError(
                f"{where}: the pause before {onsets[record]:g} s is no whole number of readings of every channel",
                "write its parts as files of their own",
            )
        pauses.append((round(int(record) * record_s * rate_hz), n))
        taken += n
    return pauses


def insert_pauses(table: FloatArray, pauses: Sequence[tuple[int, int]]) -> FloatArray:
    """``(n_frames, n_channels)`` with nothing known in each pause."""
    parts = []
    begin = 0
    for frame, n in pauses:
        parts += [table[begin:frame], np.full((n, table.shape[1]), np.nan)]
        begin = frame
    return np.concatenate([*parts, table[begin:]])


def list_pauses(pauses: Sequence[tuple[int, int]]) -> list[Gap]:
    """As gaps of the recording, counted with those before."""
    gaps = []
    before = 0
    for frame, n in pauses:
        gaps.append(Gap(frame + before, n, PAUSE))
        before += n
    return gaps
