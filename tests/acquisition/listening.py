"""Reading a source in tests, whatever its wire, and what a board of ours sends over radio."""

import struct

from biofeedback.acquisition.codecs import compute_crc16
from biofeedback.acquisition.sources import open_source
from biofeedback.model import Chunk


def opened(url):
    source = open_source(url)
    source.open()
    return source


def read_until(reader, enough, *, most=400):
    """Items up to where ``enough(items)``; a read takes at most some 50 ms."""
    items = []
    for _ in range(most):
        items += reader.read()
        if enough(items):
            return items
    raise AssertionError(f"not in {most} reads: {items[-3:]}")


def rows(items):
    return [row for item in items if isinstance(item, Chunk) for row in item.counts.tolist()]


def n_frames(items):
    return len(rows(items))


def radio_packet(seq, *rows, time_us=None):
    """A notification of profile frame-radio, as protocol.md has it."""
    time_us = 2000 * seq if time_us is None else time_us
    body = b"F" + struct.pack("<HI", seq, time_us) + b"".join(struct.pack("<Hi", *row) for row in rows)
    return body + struct.pack("<H", compute_crc16(body))
