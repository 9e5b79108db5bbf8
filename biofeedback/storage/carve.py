"""Rows of a recording that SQLite can no longer open, found page by page; their checksums tell them from chance.

The layout of pages, cells and records: SQLite file format, sections 1.6, 2.1 and 4.1 (write-ahead log).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.storage.log import FRAME_HEADER_BYTES, LOG_HEADER_BYTES, USUAL_PAGE_BYTES, read_log_bytes
from biofeedback.storage.schema import COLUMNS, checksum

TABLE_LEAF = 0x0D
MAX_CARVED_BYTES = 2**32  # held in memory; 8 channels at 1 kHz fill them in 37 h
INTEGER_BYTES = (0, 1, 2, 3, 4, 6, 8)
Pages: TypeAlias = dict[int, list[bytes]]
SHAPES: dict[tuple[type, ...], str] = {
    (str, str, int): "meta",  # or its copy: the rows are the same
    (type(None), int, str, bytes, int): "chunks",
    (type(None), int, int, str, int): "gaps",
    (type(None), int, str, int): "notes",
    (type(None), int, str, str, str, int): "events",
}


COST_OF_A_CELL = 256  # bytes that could be read in the time it takes to see that there is no row


def carve_rows(path: Path) -> Iterator[tuple[str, int, tuple[Any, ...]]]:
    """``(table, key, values)`` of every row that is as it was written, some perhaps twice, the newest of a page last.

    Ends, with what was found so far, when it takes more reading than a file of its size can need.
    """
    return ((table, key, values) for table, key, values, _, is_sound in _walk(path) if is_sound)


def carve_torn_settings(path: Path) -> Iterator[tuple[str, str, int]]:
    """``(key, value, stored checksum)`` of settings that are otherwise than their checksum says.

    Bytes that are no text come as surrogates (``surrogateescape``).
    """
    return ((*values, crc) for table, _, values, crc, is_sound in _walk(path) if table == "meta" and not is_sound)


def _walk(path: Path) -> Iterator[tuple[str, int, tuple[Any, ...], int, bool]]:
    """``(table, key, values, stored checksum, is_sound)`` of whatever has the shape of a row of ours."""
    pages = _read_pages(path)
    budget = _Budget(4 * sum(len(page) for versions in pages.values() for page in versions) + 2**26)
    seen: set[bytes] = set()
    for number, versions in pages.items():
        start = 100 if number == 1 else 0
        for page in versions:
            if len(page) < start + 8 or page[start] != TABLE_LEAF:
                continue
            n_cells = min(_unsigned(page, start + 3, 2), (len(page) - start - 8) // 2)
            for k in range(n_cells):
                if budget.n_left < 0:
                    return
                try:
                    cell = _read_cell(page, _unsigned(page, start + 8 + 2 * k, 2))
                except IndexError:  # damaged: no cell
                    budget.n_left -= COST_OF_A_CELL
                    continue
                if cell.local in seen:
                    continue
                row = _read_row(pages, cell, budget)
                if row:
                    if row[-1]:
                        seen.add(cell.local)
                    yield row
                else:
                    budget.n_left -= COST_OF_A_CELL


@dataclass(slots=True)
class _Budget:
    """Bytes that may still be read."""

    n_left: int


def count_cells(path: Path) -> int:
    """How many rows stand in the leaf pages of a file without a log, as their headers say; reads no row."""
    if path.stat().st_size > MAX_CARVED_BYTES:
        raise RecordingError(f"{path} is too large to be read page by page", "move it, or restore it from a backup")
    content = np.fromfile(path, np.uint8)
    n_bytes = _find_page_bytes(content[:100].tobytes(), b"")
    pages = content[: len(content) // n_bytes * n_bytes].reshape(-1, n_bytes)
    if not len(pages):
        return 0
    heads = pages[:, :5].astype(np.int64)
    heads[0] = pages[0, 100:105]  # behind the file's own header
    leaves = heads[heads[:, 0] == TABLE_LEAF]
    return int((leaves[:, 3] * 256 + leaves[:, 4]).sum())


@dataclass(frozen=True, slots=True)
class _Cell:
    """A row's key and size, and what of it stands on its own page, the number of its first overflow page at the end."""

    key: int
    n_payload: int
    n_local: int
    local: bytes


def _read_row(pages: Pages, cell: _Cell, budget: _Budget) -> tuple[str, int, tuple[Any, ...], int, bool] | None:
    """The row, its overflow pages taken from the newest versions or else the oldest."""
    found = None
    for version in (-1, 0):
        try:
            row = _recognise(cell.key, _read_record(_collect(pages, cell, version, budget)))
        except (IndexError, KeyError, ValueError):
            row = None
        found = row or found
        if (row and row[-1]) or cell.n_payload == cell.n_local:
            break
    return found


def _recognise(key: int, record: list[Any]) -> tuple[str, int, tuple[Any, ...], int, bool] | None:
    table = SHAPES.get(tuple(type(value) for value in record))
    if table is None:
        return None
    values = tuple(record[:-1] if table == "meta" else record[1:-1])
    values = (key, *values) if table == "chunks" else values
    if len(values) != len(COLUMNS[table]):
        return None
    try:
        is_sound = checksum(values) == record[-1]
    except UnicodeEncodeError:  # bytes that are no text
        is_sound = False
    return table, key, values, record[-1], is_sound


def _read_pages(path: Path) -> Pages:
    """Pages by number, every version that there is, the oldest first: those of the file before those of its log."""
    if path.stat().st_size > MAX_CARVED_BYTES:
        raise RecordingError(f"{path} is too large to be read page by page", "move it, or restore it from a backup")
    content = path.read_bytes()
    try:
        log = read_log_bytes(path)
    except OSError:  # told by whoever judges the log
        log = b""
    n_bytes = _find_page_bytes(content, log)
    pages = {k + 1: [content[k * n_bytes : (k + 1) * n_bytes]] for k in range(len(content) // n_bytes)}
    salts = log[16:24]
    step = FRAME_HEADER_BYTES + n_bytes
    starts = range(LOG_HEADER_BYTES, len(log) - step + 1, step)
    for at in sorted(starts, key=lambda at: log[at + 8 : at + 16] == salts):  # what is left of an earlier log first
        pages.setdefault(_unsigned(log, at, 4), []).append(log[at + FRAME_HEADER_BYTES : at + step])
    return pages


def _find_page_bytes(content: bytes, log: bytes) -> int:
    """What the file's header says, or its log's, or what is usual."""
    told = _unsigned(content, 16, 2) if content.startswith(b"SQLite format 3\0") else 0
    for n_bytes in (65536 if told == 1 else told, _unsigned(log, 8, 4)):
        if 512 <= n_bytes <= 65536 and n_bytes & (n_bytes - 1) == 0:
            return n_bytes
    return USUAL_PAGE_BYTES


def _read_cell(page: bytes, at: int) -> _Cell:
    """A cell of a leaf."""
    n_payload, at = _varint(page, at)
    key, at = _varint(page, at)
    n_most = len(page) - 35
    n_least = (len(page) - 12) * 32 // 255 - 23
    n_local = n_payload
    if n_payload > n_most:
        n_local = n_least + (n_payload - n_least) % (len(page) - 4)
        n_local = n_local if n_local <= n_most else n_least
    n_shown = n_local + (4 if n_payload > n_local else 0)
    return _Cell(key, n_payload, n_local, page[at : at + n_shown])


def _collect(pages: Pages, cell: _Cell, version: int, budget: _Budget) -> bytes:
    """The record of a cell, from its page and its overflow pages."""
    n_left = cell.n_payload - cell.n_local
    if n_left > sum(len(versions[0]) for versions in pages.values()):
        raise ValueError("larger than the file")
    parts = [cell.local[: cell.n_local]]
    following = _unsigned(cell.local, cell.n_local, 4) if n_left > 0 else 0
    budget.n_left -= cell.n_local
    while n_left > 0 and budget.n_left > 0:
        overflow = pages[following][version]
        budget.n_left -= len(overflow)
        parts.append(overflow[4 : 4 + min(n_left, len(overflow) - 4)])
        n_left -= len(overflow) - 4
        following = _unsigned(overflow, 0, 4)
    return b"".join(parts)


def _read_record(record: bytes) -> list[Any]:
    n_header, at = _varint(record, 0)
    kinds = []
    while at < n_header:
        kind, at = _varint(record, at)
        kinds.append(kind)
    values: list[Any] = []
    for kind in kinds:
        if kind in (0, 8, 9):
            values.append(None if kind == 0 else kind - 8)
            continue
        n_bytes = INTEGER_BYTES[kind] if kind < 7 else (kind - 12) // 2
        piece = record[at : at + n_bytes]
        if len(piece) != n_bytes or kind in (7, 10, 11):
            raise ValueError("not a record of this program")
        at += n_bytes
        is_number = kind < 7
        values.append(int.from_bytes(piece, "big", signed=True) if is_number else _decode(piece) if kind % 2 else piece)
    return values


def _decode(piece: bytes) -> str:
    return piece.decode("utf-8", "surrogateescape")


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of 1 to 9 bytes, seven bits in each but the ninth, and where it ends."""
    value = 0
    for k in range(8):
        value = value << 7 | data[at + k] & 0x7F
        if data[at + k] < 0x80:
            return value, at + k + 1
    return value << 8 | data[at + 8], at + 9


def _unsigned(data: bytes, at: int, n_bytes: int) -> int:
    return int.from_bytes(data[at : at + n_bytes], "big")
