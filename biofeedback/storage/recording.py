"""The read-only view of a recording, finished, interrupted or still being written."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cached_property
from heapq import merge
from itertools import groupby
from operator import itemgetter
from os import PathLike
from pathlib import Path
from typing import Any, TypeAlias
from zlib import crc32

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.fold import fold
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, Chunk, Event, FloatArray, Gap, Item, Note
from biofeedback.storage import database
from biofeedback.storage.database import CHECK, Connection
from biofeedback.storage.schema import (
    COLUMNS,
    KINDS,
    TIMED,
    check_packed,
    join_texts,
    read_json,
    sum_chunk,
    unpack_counts,
    unpack_times,
)

N_ROWS_PER_CHUNK = 64  # 16 s at a time keeps memory small and the filters busy
MAX_CHANNELS, MAX_RATE_HZ = 64, 1e6
MAX_GAPS_S = 31 * 86400.0  # readings need room in the file, gaps do not: a sensor that was left switched off
LONGEST_SILENCE_S = 48 * 3600.0  # that anything is computed of
MAX_GAP_VALUES = 2**27  # 1 GB of numbers that are none
LOST = "lost: missing in the file"
LONGEST_NAME = 200  # characters
TEXTS = ("started_utc", "athlete", "exercise", "side", "position", "source")  # settings that are texts everywhere
UNUSABLE = (
    AttributeError,
    KeyError,
    TypeError,
    ValueError,
    OverflowError,
    RecursionError,
    MemoryError,
)  # what odd contents end in


_FrameRow: TypeAlias = tuple[int, int, str, bytes]  # first frame, how many, their format and the bytes


def open_recording(path: str | PathLike[str]) -> Recording:
    """Open a recording for reading; nothing in the file changes, and a writer is not disturbed.

    Raises RecordingError when there is no such file, when it is no recording or damaged, or when it is from a
    newer version.
    """
    return Recording(Path(path))


@contextmanager
def problems_of(path: str | PathLike[str]) -> Iterator[None]:
    """Whatever goes wrong inside is a problem of this one file: RecordingError, so that the next file has its turn.

    Contents can be odd in more ways than anybody lists. What the disk says (OSError) stays as it is.
    """
    try:
        yield
    except (BiofeedbackError, OSError):
        raise
    except Exception as error:
        what = f"{type(error).__name__}: {error}"
        cure = f"{CHECK.format(path=path)}; if this program recorded it, please report this"
        raise RecordingError(f"{path} holds something that cannot be used ({what:.200})", cure) from error


class Recording:
    """What was recorded up to the moment of opening.

    ``settings``, ``channels``, ``rate_hz``, ``n_frames`` (gaps included), ``events``, ``gaps`` and ``notes`` in the
    order in which they happened; the signals through `items` or `counts`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with database.connect(path) as (connection, n_bytes):
            try:
                self._read(connection, n_bytes)
            except database.Error as error:
                raise RecordingError(f"{path} cannot be read ({database.explain(error)})", self._cure) from error
            except UNUSABLE as error:
                raise RecordingError(f"{path} has no usable settings or events ({error!r})", self._cure) from error

    @property
    def _cure(self) -> str:
        return CHECK.format(path=self.path)

    def _read(self, connection: Connection, n_most: int) -> None:
        rows = {
            table: _read_rows(connection, self.path, table, n_most) for table in ("meta", "gaps", "notes", "events")
        }
        self.settings: dict[str, Any] = {key: read_json(value) for key, value in rows["meta"]}
        self.channels, self.rate_hz = read_channels(self.settings)
        self.gaps = sorted((Gap(*row) for row in rows["gaps"]), key=_first_frame)
        self.notes = [Note(*row) for row in rows["notes"]]
        self.events = [_read_event(*row) for row in rows["events"]]
        last = "SELECT first_frame, n_frames, length(data) FROM chunks ORDER BY first_frame DESC LIMIT 1"
        end = 0
        for first, n_frames, n_bytes in connection.execute(last):
            if first < 0 or n_frames < 1 or 4 * n_frames * len(self.channels) > n_bytes:
                raise ValueError(f"{n_frames} frames from {first} on in {n_bytes} bytes")
            end = first + n_frames
        self.n_frames: int = max([gap.end_frame for gap in self.gaps] + [end])
        self._check_tiling(n_most)

    def _check_tiling(self, n_most: int) -> None:
        """Gaps one after the other, and no frame beyond what bytes and gaps can account for."""
        end = 0
        for gap in self.gaps:
            if gap.n_frames < 1 or gap.first_frame < end:
                raise ValueError(f"a gap of {gap.n_frames} frames at frame {gap.first_frame}")
            end = gap.end_frame
        most = self.rate_hz * MAX_GAPS_S + n_most
        frames = [self.n_frames, *(event.frame for event in self.events), *(note.frame for note in self.notes)]
        n_gap_frames = sum(gap.n_frames for gap in self.gaps)
        n_most_read = n_most // (4 * len(self.channels))  # readings, also those that are lost, have or had their bytes
        if min(frames) < 0 or max(frames) > most or self.n_frames - n_gap_frames > n_most_read:
            raise ValueError("frames beyond what a file of its size can hold")
        self._gap_starts = [gap.first_frame for gap in self.gaps]

    @cached_property
    def account(self) -> Account:
        """What the events mean together."""
        return fold(self.events, channels=self.channels, settings=self.settings)

    @property
    def duration_s(self) -> float:
        """Length in seconds, gaps included."""
        return self.n_frames / self.rate_hz

    def items(self) -> Iterator[Item]:
        """Chunks of at most 16 s, gaps and notes in the order of their first frames. RecordingError when damaged.

        Frames that the file has lost come as gaps too.
        """
        gaps_s = sum(gap.n_frames for gap in self.gaps) / self.rate_hz
        if gaps_s > LONGEST_SILENCE_S:
            raise RecordingError(f"{self.path} holds gaps of {gaps_s / 3600:.0f} h", "it is too long to be used")
        others: list[Item] = sorted([*self.notes, *self.gaps], key=_first_frame)
        end = 0
        for item in merge(others, self._chunks(), key=_first_frame):
            if not isinstance(item, Note):
                if end < item.first_frame:
                    yield Gap(end, item.first_frame - end, LOST)
                end = item.end_frame
            yield item

    def counts(self) -> FloatArray:
        """All frames as sent, shape ``(n_frames, n_channels)``, NaN in gaps. RecordingError when damaged."""
        n_values = sum(gap.n_frames for gap in self.gaps) * len(self.channels)
        if n_values > MAX_GAP_VALUES:
            hours = n_values / len(self.channels) / self.rate_hz / 3600
            raise RecordingError(f"{self.path} holds gaps of {hours:.0f} h", "too long to hold in memory")
        counts = np.empty((self.n_frames, len(self.channels)))
        end = 0
        for chunk in self._chunks():
            counts[end : chunk.first_frame] = np.nan
            end = chunk.end_frame
            counts[chunk.first_frame : end] = chunk.counts
        counts[end:] = np.nan
        return counts

    def _chunks(self) -> Iterator[Chunk]:
        """Rows that follow each other, unpacked together: thousands of small arrays cost more than their numbers."""
        rows: list[_FrameRow] = []
        end = 0
        for row in self._rows():
            if rows and (row[0] != end or len(rows) == N_ROWS_PER_CHUNK):
                yield _unpack(rows, len(self.channels))
                rows = []
            rows.append(row)
            end = row[0] + row[1]
        if rows:
            yield _unpack(rows, len(self.channels))

    def _rows(self) -> Iterator[_FrameRow]:
        """``(first_frame, n_frames, dtype, data)``, each checked against its checksum and its place."""
        with database.connect(self.path) as (connection, n_bytes):
            query = "SELECT first_frame, n_frames, dtype, data, crc32 FROM chunks WHERE first_frame < ? ORDER BY 1"
            end, n_left, n_channels = 0, n_bytes, len(self.channels)
            try:
                for first, n_frames, dtype, data, crc in connection.execute(query, (self.n_frames,)):
                    if sum_chunk(first, n_frames, dtype, data) != crc:
                        raise ValueError("checksum differs")
                    check_packed(dtype, data, n_frames, n_channels)
                    n_left -= len(data)
                    if (
                        n_frames < 1
                        or first < end
                        or (self.gaps and self._is_gap(first, first + n_frames))
                        or n_left < 0
                    ):
                        raise ValueError(f"frames from {first} on are recorded twice")
                    end = first + n_frames
                    yield first, n_frames, dtype, data
            except (database.Error, *UNUSABLE) as error:
                what = database.explain(error)
                raise RecordingError(f"{self.path} is damaged: {what}", self._cure) from error

    def _is_gap(self, first: int, end: int) -> bool:
        """Whether a gap holds any of the frames from ``first`` to before ``end``."""
        after = bisect_right(self._gap_starts, first)
        return (after > 0 and self.gaps[after - 1].end_frame > first) or (
            after < len(self.gaps) and self._gap_starts[after] < end
        )


def _unpack(rows: Sequence[_FrameRow], n_channels: int) -> Chunk:
    """Rows that follow each other as one chunk; those of one format at once."""
    parts = []
    for dtype, same in groupby(rows, key=itemgetter(2)):
        if dtype.endswith(TIMED):
            parts += [
                Chunk(first, unpack_counts(dtype, data, n, n_channels), unpack_times(dtype, data, n))
                for first, n, _, data in same
            ]
            continue
        first, lengths, _, pieces = zip(*same, strict=True)
        parts.append(Chunk(first[0], unpack_counts(dtype, b"".join(pieces), sum(lengths), n_channels)))
    counts = parts[0].counts
    if len(parts) == 1 and counts.dtype == np.float64:  # a copy, as bytes cannot be written to
        return Chunk(parts[0].first_frame, counts.copy(), parts[0].device_us)
    return Chunk.join(parts)


def read_channels(settings: Mapping[str, Any]) -> tuple[tuple[Channel, ...], float]:
    """Channels and rate of the settings. ValueError, KeyError or TypeError when they are none that can be read."""
    rate_hz = settings["rate_hz"]
    if isinstance(rate_hz, bool) or not isinstance(rate_hz, int | float) or not 0 < rate_hz <= MAX_RATE_HZ:
        raise ValueError(f"a rate of {rate_hz!r:.40}")
    for key in TEXTS:
        if not isinstance(settings.get(key) or "", str):
            raise ValueError(f"{key} is not a text")
    told = settings["channels"]
    if not isinstance(told, list) or not 1 <= len(told) <= MAX_CHANNELS:
        raise ValueError(f"not 1 to {MAX_CHANNELS} channels")
    channels = tuple(Channel.from_dict(each) for each in told)
    for channel in channels:
        texts = (channel.name, channel.unit)
        numbers = (channel.factor, channel.offset_counts, channel.rail_low_counts, channel.rail_high_counts)
        if not all(isinstance(text, str) and len(text) <= LONGEST_NAME for text in texts):
            raise ValueError("a channel's name or unit is not a short text")
        if not all(math.isfinite(number) for number in numbers if number is not None):
            raise ValueError("a channel's numbers are not finite")
    return channels, float(rate_hz)


def _read_event(frame: int, utc: str, kind: str, text: str) -> Event:
    data = read_json(text)
    if not isinstance(data, dict):
        raise TypeError(f"an event {kind[:20]!r} without fields")
    return Event(frame, kind, data, utc)


def _read_rows(connection: Connection, path: Path, table: str, n_left: int) -> list[tuple[Any, ...]]:
    """All rows of a small table, each checked against its checksum; ``n_left`` bytes are the most they can fill."""
    kinds = KINDS[table]
    columns = ", ".join(COLUMNS[table])
    rows = []
    for found in connection.execute(f"SELECT {columns}, crc32 FROM {table} ORDER BY rowid"):
        row = found[:-1]
        text = join_texts(row)
        if tuple(map(type, row)) != kinds or crc32(text.encode()) != found[-1]:
            raise RecordingError(f"{path} is damaged in its {table}", CHECK.format(path=path))
        n_left -= len(text)
        if n_left < 0:
            raise ValueError(f"more {table} than fit into the file")
        rows.append(row)
    return rows


def _first_frame(item: Item) -> int:
    return item.frame if isinstance(item, Note) else item.first_frame
