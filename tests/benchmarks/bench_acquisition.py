"""What turning bytes into frames on the grid costs, for 8 channels at 1 kHz.

Run: python tests/benchmarks/bench_acquisition.py
Peer for text: ``float`` of every word of every line. Peer for packets: ``struct.unpack`` of every
packet, its CRC checked.
"""

from __future__ import annotations

import binascii
import struct
import time
from collections.abc import Callable

import numpy as np

from biofeedback.acquisition.codecs import compute_crc16, encode_cobs
from biofeedback.acquisition.decoder import LineDecoder
from biofeedback.acquisition.packets import PacketDecoder, PacketLayout
from biofeedback.acquisition.source import Decoder
from biofeedback.acquisition.timeline import Timeline

RATE_HZ, SECONDS, N_RUNS, N_CHANNELS, N_PACKED = 1000, 30, 3, 8, 10
NAMES = [f"emg_{k}" for k in range(N_CHANNELS)]
FRAME = tuple((name, "i16") for name in NAMES)
HEAD = (("seq", "u16"), ("t_us", "u32"))
COBS = PacketLayout(framing="cobs", tag=0x46, head=HEAD, frame=FRAME, n_frames=N_PACKED, crc="crc16")
SYNC = PacketLayout(framing="sync", sync=b"\xa5\x5a", head=HEAD, frame=FRAME, n_frames=N_PACKED, crc="crc16")


def make_lines(counts: np.ndarray, columns: str) -> list[bytes]:
    """One line per frame; ``columns`` "plain", "numbered" or "checked"."""
    lines = []
    for k, row in enumerate(counts.tolist()):
        line = b",".join(b"%d" % value for value in row)
        if columns != "plain":
            line = b"%d,%d,%b" % (k % 65536, k * 1000 % (1 << 32), line)
        if columns == "checked":
            line += b",%d" % binascii.crc_hqx(line, 0xFFFF)
        lines.append(line + b"\n")
    return lines


def make_packets(counts: np.ndarray, layout: PacketLayout) -> list[bytes]:
    """Ten frames each."""
    packets = []
    for k in range(0, len(counts), N_PACKED):
        head = struct.pack("<HI", k % 65536, k * 1000 % (1 << 32))
        body = (b"F" if layout.tag else b"") + head + counts[k : k + N_PACKED].astype("<i2").tobytes()
        body += struct.pack("<H", compute_crc16(body))
        packets.append(layout.sync + body if layout.sync else encode_cobs(body) + b"\0")
    return packets


def time_decoder(make: Callable[[], Decoder], pieces: list[bytes], batch_s: float) -> float:
    """Processor seconds from bytes to chunks, read in batches."""
    per = max(1, round(batch_s * len(pieces) / SECONDS))
    batches = [b"".join(pieces[at : at + per]) for at in range(0, len(pieces), per)]
    decoder, timeline = make(), Timeline(RATE_HZ, N_CHANNELS)
    start = time.process_time()
    for k, batch in enumerate(batches):
        timeline.place(decoder.feed(batch), k * batch_s)
    spent = time.process_time() - start
    assert timeline.next_frame == SECONDS * RATE_HZ, "frames were lost"
    return spent


def time_peer(read: Callable[[bytes], object], pieces: list[bytes]) -> float:
    """Processor seconds of ``read`` for every line or packet."""
    start = time.process_time()
    for piece in pieces:
        read(piece)
    return time.process_time() - start


def read_packet(packet: bytes) -> object:
    """Sync framing, by the standard library."""
    body = packet[2:]
    assert binascii.crc_hqx(body[:-2], 0xFFFF) == int.from_bytes(body[-2:], "little")
    return struct.unpack("<HI80hH", body)


def main() -> None:
    counts = np.random.default_rng(1).integers(-512, 512, (SECONDS * RATE_HZ, N_CHANNELS))
    numbered = ",".join(["seq", "t_us", *NAMES])
    cases: list[tuple[str, Callable[[], Decoder], list[bytes], Callable[[bytes], object]]] = [
        ("text", lambda: LineDecoder(N_CHANNELS), make_lines(counts, "plain"), split_line),
        ("text, seq and time", lambda: LineDecoder(columns=numbered), make_lines(counts, "numbered"), split_line),
        (
            "text with a check",
            lambda: LineDecoder(columns=numbered + ",check"),
            make_lines(counts, "checked"),
            split_line,
        ),
        ("packets, sync word", lambda: PacketDecoder(SYNC, RATE_HZ), make_packets(counts, SYNC), read_packet),
        ("packets, COBS", lambda: PacketDecoder(COBS, RATE_HZ), make_packets(counts, COBS), bytes),
    ]
    print(f"{'8 channels, 1 kHz':20}  {'live, 10 ms batches':>20}  {'1 s batches':>18}  {'peer':>18}")
    for name, make, pieces, peer in cases:
        live = min(time_decoder(make, pieces, 0.010) for _ in range(N_RUNS))
        bulk = min(time_decoder(make, pieces, 1.0) for _ in range(N_RUNS))
        plain = min(time_peer(peer, pieces) for _ in range(N_RUNS))
        shown = [f"{100 * live / SECONDS:.2f} % of a core", f"{SECONDS / bulk:.0f} x real time"]
        shown.append("-" if peer is bytes else f"{SECONDS / plain:.0f} x real time")
        print(f"{name:20}  {shown[0]:>20}  {shown[1]:>18}  {shown[2]:>18}")


def split_line(line: bytes) -> object:
    """As a hobby script would."""
    return [float(word) for word in line.split(b",")]


if __name__ == "__main__":
    main()
