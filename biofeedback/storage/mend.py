"""Settings of which every copy is damaged, put right where the checksum proves it.

Without channels and rate all else would be numbers without meaning. A CRC-32 tells every single flipped bit from every
other over any length of ours (common practice: it is the remainder of a division; two single flips with one remainder
would need a row of 2^31 bits), and two copies that were hit at different places have the true one between them.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from itertools import combinations, product

from biofeedback.storage.schema import read_json

MAX_BYTES = 8192  # of a setting that is tried bit by bit; ours have some hundreds
MAX_BITS = 12  # that differ between two copies: 4096 mixtures of them

Torn = tuple[bytes, int]  # a row's bytes as they are summed up, and the checksum that stands beside them


def mend_settings(torn: Iterable[tuple[str, str, int]]) -> dict[str, str]:
    """Values, as JSON texts, of settings of which only damaged copies ``(key, value, checksum)`` are there."""
    rows = [(_join(key, value), crc) for key, value, crc in torn]
    mended: dict[str, str] = {}
    for content in (*_mend_alone(rows), *_mend_together(rows)):
        setting = _split(content)
        if setting:
            mended.setdefault(*setting)
    return mended


def _join(key: str, value: str) -> bytes:
    return f"{key}\0{value}\0".encode("utf-8", "surrogateescape")


def _split(content: bytes) -> tuple[str, str] | None:
    """Key and value, if this can be a setting."""
    try:
        key, value, rest = content.decode().split("\0")
        read_json(value)
    except (ValueError, RecursionError):
        return None
    return (key, value) if not rest and key.isidentifier() else None


def _mend_alone(rows: list[Torn]) -> Iterator[bytes]:
    """One bit of the row, or of its checksum, is wrong."""
    for content, crc in rows:
        if (zlib.crc32(content) ^ crc).bit_count() == 1:
            yield content
        if len(content) > MAX_BYTES:
            continue
        changed = bytearray(content)
        for at, bit in product(range(len(content)), (1 << k for k in range(8))):
            changed[at] ^= bit
            if zlib.crc32(changed) == crc:
                yield bytes(changed)
            changed[at] ^= bit


def _mend_together(rows: list[Torn]) -> Iterator[bytes]:
    """Each of two copies is wrong where the other is right."""
    for (first, crc), (second, other_crc) in combinations(rows, 2):
        if len(first) != len(second):
            continue
        bits = [8 * at + bit for at in range(len(first)) for bit in range(8) if (first[at] ^ second[at]) >> bit & 1]
        for choice in product((0, 1), repeat=len(bits)) if 0 < len(bits) <= MAX_BITS else ():
            mixed = bytearray(first)
            for bit, is_second in zip(bits, choice, strict=True):
                mixed[bit // 8] ^= is_second << bit % 8
            if zlib.crc32(mixed) in (crc, other_crc):
                yield bytes(mixed)
