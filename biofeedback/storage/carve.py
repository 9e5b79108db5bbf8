"""Rows of a recording that SQLite can no longer open, found page by page; their checksums tell them from chance.

The layout of pages, cells and records: SQLite file format, sections 1.6, 2.1 and 4.1 (write-ahead log).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from biofeedback.storage.schema import COLUMNS, checksum

TABLE_LEAF = 0x0D
USUAL_PAGE_BYTES = 4096  # SQLite's default, for a file whose header is lost
LOG_HEADER_BYTES, FRAME_HEADER_BYTES = 32, 24
INTEGER_BYTES = (0, 1, 2, 3, 4, 6, 8)
SHAPES: dict[tuple[type, ...], str] = {
    (str, str, int): "meta",  # or its copy: the rows are the same
    (type(None), int, str, bytes, int): "chunks",
    (type(None), int, int, str, int): "gaps",
    (type(None), int, str, int): "notes",
    (type(None), int, str, str, str, int): "events",
}


def carve_rows(path: Path) -> Iterator[tuple[str, int, tuple[Any, ...]]]:
    """``(table, key, values)`` of every row that is as it was written, in no particular order, some perhaps twice."""
    pages = _read_pages(path)
    for number, page in pages.items():
        start = 100 if number == 1 else 0
        if len(page) < start + 8 or page[start] != TABLE_LEAF:
            continue
        for k in range(_unsigned(page, start + 3, 2)):
            try:
                key, record = _read_cell(pages, page, _unsigned(page, start + 8 + 2 * k, 2))
                row = _recognise(key, _read_record(record))
            except (IndexError, KeyError, ValueError):  # damaged: no row
                continue
            if row:
                yield row


def _recognise(key: int, record: list[Any]) -> tuple[str, int, tuple[Any, ...]] | None:
    table = SHAPES.get(tuple(type(value) for value in record))
    if table is None:
        return None
    values = tuple(record[:-1] if table == "meta" else record[1:-1])
    values = (key, *values) if table == "chunks" else values
    is_sound = len(values) == len(COLUMNS[table]) and checksum(values) == record[-1]
    return (table, key, values) if is_sound else None


def _read_pages(path: Path) -> dict[int, bytes]:
    """Pages by number, those of the log over those of the file."""
    content = path.read_bytes()
    n_bytes = _unsigned(content, 16, 2) if len(content) >= 18 else 0
    if n_bytes < 512 or n_bytes & (n_bytes - 1) or not content.startswith(b"SQLite format 3\0"):
        n_bytes = USUAL_PAGE_BYTES
    pages = {k + 1: content[k * n_bytes : (k + 1) * n_bytes] for k in range(len(content) // n_bytes)}
    log_path = Path(f"{path}-wal")
    log = log_path.read_bytes() if log_path.exists() else b""
    salts = log[16:24]
    for at in range(LOG_HEADER_BYTES, len(log) - FRAME_HEADER_BYTES - n_bytes + 1, FRAME_HEADER_BYTES + n_bytes):
        if log[at + 8 : at + 16] == salts:
            pages[_unsigned(log, at, 4)] = log[at + FRAME_HEADER_BYTES : at + FRAME_HEADER_BYTES + n_bytes]
    return pages


def _read_cell(pages: dict[int, bytes], page: bytes, at: int) -> tuple[int, bytes]:
    """Key and record of a cell, collected from its overflow pages."""
    n_payload, at = _varint(page, at)
    key, at = _varint(page, at)
    n_most = len(page) - 35
    n_least = (len(page) - 12) * 32 // 255 - 23
    n_local = n_payload
    if n_payload > n_most:
        n_local = n_least + (n_payload - n_least) % (len(page) - 4)
        n_local = n_local if n_local <= n_most else n_least
    parts, n_left = [page[at : at + n_local]], n_payload - n_local
    following = _unsigned(page, at + n_local, 4) if n_left > 0 else 0
    while n_left > 0:
        overflow = pages[following]
        parts.append(overflow[4 : 4 + min(n_left, len(overflow) - 4)])
        n_left -= len(overflow) - 4
        following = _unsigned(overflow, 0, 4)
    return key, b"".join(parts)


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
            raise ValueError("no record of ours")
        at += n_bytes
        is_number = kind < 7
        values.append(int.from_bytes(piece, "big", signed=True) if is_number else piece.decode() if kind % 2 else piece)
    return values


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
