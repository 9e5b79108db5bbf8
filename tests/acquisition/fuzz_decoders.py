"""Coverage-guided fuzzing of everything that bytes from a wire reach: decoders, timeline, identification, weights.

Run: python tests/acquisition/fuzz_decoders.py --minutes 10. Inputs that reach new lines of code, or reach them another
order of magnitude of times, are kept in ``corpus/``; ``test_corpus.py`` plays them all. A crash is kept too, and shown.
"""

import argparse
import contextlib
import hashlib
import random
import sys
import time
from pathlib import Path

import numpy as np

from biofeedback.acquisition.codecs import decode_cobs, decode_sfloat, decode_weight
from biofeedback.acquisition.decoder import Frames, LineDecoder, Text
from biofeedback.acquisition.identify import read_info
from biofeedback.acquisition.packets import MAX_WAITING_BYTES, PacketDecoder, PacketLayout
from biofeedback.acquisition.timeline import Timeline
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap

CORPUS = Path(__file__).parent / "corpus"
TWIN = PacketLayout(
    framing="cobs",
    tag=0x46,
    text_tag=0x23,
    head=(("seq", "u16"), ("t_us", "u32")),
    frame=(("emg_1", "u16"), ("force", "i32")),
    n_frames=30,
    crc="crc16",
)
SYNCED = PacketLayout(
    framing="sync",
    sync=b"\xa5\x5a",
    head=(("seq", "u8"),),
    frame=(("force", "f32"), ("emg", "i24")),
    n_frames=2,
    endian="big",
    sequence_counts="packets",
)
MAKERS = (
    lambda: LineDecoder(1),
    lambda: LineDecoder(2),
    lambda: LineDecoder(2, "seq,t_us,force,emg,check", starts_mid_line=True),
    lambda: LineDecoder(2, "t_ms,force,-,emg"),
    lambda: PacketDecoder(TWIN, 1000.0),
    lambda: PacketDecoder(SYNCED, 1000.0, starts_mid_line=True),
)
WORDS = (b"\n", b"\0", b",", b"9" * 8, b"9" * 30, b"\xa5\x5a", b"-", b"e9", b"#info ", b"#boot\n", b":", b".")
SEEDS = (
    b"\x02" + b"0,0,1,2,7264\n1,1000,3,4,55\n#info proto=1 fw=1 id=A rate=10 columns=seq,force rails=0..1,0\n",
    b"\x01" + b"1 2\n3,4\r\nnan 2\n\xff\n1_0 2\nforce:1 emg:2\n#boot\n",
    b"\x03" + b"1,2,3,4\n2,2,3,4\n400,2,3,4\n1,1,1,1\n",
    b"\x04" + bytes.fromhex("03 46 07 03 58 1b 01 01 12 02 f2 01 2e fb ff ff 01 02 f1 01 32 fb ff ff ca d9 00"),
    b"\x05" + (b"\xa5\x5a\x01" + bytes(14)) * 3,
    b"\x00",
)


def play(data):
    """One input: which decoder, then bytes in batches whose lengths the bytes say. Raises on any broken promise."""
    decoder = MAKERS[(data[0] if data else 0) % len(MAKERS)]()
    timeline, moment_s, position = None, 0.0, 1
    end = 0
    while position < len(data):
        length = 1 + data[position] % 64 if data[0] & 0x80 else 4096
        decoded = decoder.feed(data[position : position + length])
        position += length
        moment_s += (data[position - 1] if position <= len(data) else 7) / 100
        assert len(getattr(decoder, "_tail", b"")) <= 4096
        assert len(getattr(decoder, "_waiting", b"")) <= MAX_WAITING_BYTES
        frames = [piece for piece in decoded if isinstance(piece, Frames)]
        if timeline is None and frames:
            timeline = Timeline(100.0, frames[0].counts.shape[1])
        assert all(np.isfinite(piece.counts).all() for piece in frames)
        for piece in decoded:
            if isinstance(piece, Text):
                read_quietly(piece.text)
        if timeline is not None:
            for item in (*timeline.place(decoded, moment_s), *timeline.silence(moment_s + data[0] / 64)):
                if isinstance(item, Chunk | Gap):
                    assert item.first_frame == end
                    assert item.n_frames > 0
                    end = item.end_frame
    decode_cobs(data)
    decode_weight(data)
    decode_sfloat(np.frombuffer(data[: len(data) // 2 * 2], dtype="<u2"))
    assert 0 <= decoder.n_bad_lines <= decoder.n_lines


def read_quietly(text):
    with contextlib.suppress(SourceError):
        read_info(text)


def trace(data):
    """Lines reached by ``play``, with how often in powers of four."""
    reached = {}

    def on_line(frame, event, _):
        if event == "line":
            key = (frame.f_code.co_name, frame.f_lineno)
            reached[key] = reached.get(key, 0) + 1
        return on_line

    def on_call(frame, event, _):
        return (
            on_line if "/acquisition/" in frame.f_code.co_filename and "tests" not in frame.f_code.co_filename else None
        )

    sys.settrace(on_call)
    try:
        play(data)
    finally:
        sys.settrace(None)
    return {(*key, count.bit_length() // 2) for key, count in reached.items()}


def mutate(data, pool, rng):
    data = bytearray(data)
    for _ in range(1 << rng.randrange(4)):
        at = rng.randrange(len(data) + 1)
        what = rng.randrange(6)
        if what == 0 and data:
            data[at % len(data)] ^= 1 << rng.randrange(8)
        elif what == 1:
            data[at:at] = rng.choice(
                [b"\n", b"\0", b",", b"9" * rng.randrange(1, 40), b"\xa5\x5a", b"-", b"e9", b"#info "]
            )
        elif what == 2:
            del data[at : at + rng.randrange(1, 20)]
        elif what == 3:
            other = rng.choice(pool)
            start = rng.randrange(len(other) + 1)
            data[at:at] = other[start : start + rng.randrange(1, 60)]
        elif what == 4:
            data[at:at] = data[at : at + rng.randrange(1, 40)] * rng.randrange(1, 4)
        elif data:
            data[at % len(data)] = rng.randrange(256)
    return bytes(data[:3000])


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    CORPUS.mkdir(exist_ok=True)
    rng = random.Random(args.seed)
    pool = [*SEEDS, *(path.read_bytes() for path in sorted(CORPUS.glob("*.bin")))]
    seen = set().union(*(trace(data) for data in pool))
    started_s, n = time.monotonic(), 0
    while time.monotonic() - started_s < 60 * args.minutes:
        data = mutate(rng.choice(pool), pool, rng)
        name = CORPUS / f"{hashlib.sha1(data).hexdigest()[:12]}.bin"
        n += 1
        try:
            new = trace(data) - seen
        except Exception:
            name.write_bytes(data)
            print(f"crash after {n} inputs: {name}")
            raise
        if new:
            seen |= new
            pool.append(data)
            name.write_bytes(data)
    print(f"{n} inputs in {args.minutes:g} min, {len(seen)} states of coverage, {len(pool)} inputs kept, no exception")


if __name__ == "__main__":
    main()
