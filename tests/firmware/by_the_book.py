"""What the protocol says, read by nothing of ours: the standard library's CRC, COBS from its definition."""

import binascii
import struct

import numpy as np


def check(data):
    """CRC-16/CCITT-FALSE by the standard library."""
    return binascii.crc_hqx(data, 0xFFFF)


def read_lines(received):
    """Frames and words of whole text lines, every check held."""
    frames, words = [], []
    for line in bytes(received).split(b"\n")[1:-1]:
        body, comma, tail = line.rpartition(b",")
        if not comma:
            assert line == b""
            continue
        assert check(body) == int(tail), line
        if body.startswith(b"#"):
            words.append(body.decode())
        else:
            frames.append([int(column) for column in body.split(b",")])
    return np.array(frames, dtype=np.int64), words


def read_good_lines(received):
    """Frames by sequence number of the lines whose check holds."""
    frames = {}
    for line in bytes(received).split(b"\n")[1:-1]:
        body, _, tail = line.rpartition(b",")
        if tail.isdigit() and check(body) == int(tail) and not body.startswith(b"#"):
            frame = [int(column) for column in body.split(b",")]
            frames[frame[0]] = frame
    return frames


def unstuff(block):
    """COBS (Cheshire & Baker 1999), written here from its definition."""
    body = bytearray()
    while block:
        n, block = block[0], block[1:]
        assert 1 <= n <= len(block) + 1
        body += block[: n - 1]
        block = block[n - 1 :]
        if block and n < 255:
            body.append(0)
    return bytes(body)


def read_packets(received):
    """Frames ``(seq, t_us of the packet, emg_1, emg_2, force)`` and words of whole packets, every check held."""
    frames, words = [], []
    for block in bytes(received).split(b"\0")[1:-1]:
        if not block:
            continue
        body = unstuff(block)
        assert check(body[:-2]) == struct.unpack("<H", body[-2:])[0]
        if body[:1] == b"#":
            words.append(body[:-2].decode())
            continue
        kind, seq, t_us = struct.unpack_from("<cHI", body)
        assert kind == b"F"
        for i, values in enumerate(struct.iter_unpack("<HHi", body[7:-2])):
            frames.append([(seq + i) % 65536, t_us + 1000 * i, *values])
    return np.array(frames, dtype=np.int64), words


def count_lines(n):
    return lambda received: received.count(b"\n") > n
