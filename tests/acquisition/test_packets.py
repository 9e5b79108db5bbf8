import dataclasses
import itertools
import json
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.codecs import compute_crc8, compute_crc16, encode_cobs
from biofeedback.acquisition.decoder import BadLines, Frames, Text
from biofeedback.acquisition.packets import PacketDecoder, PacketLayout

PUBLISHED_SFLOAT = json.loads(
    (Path(__file__).parents[1] / "published" / "sfloat_ieee_11073_20601.json").read_text(encoding="utf-8")
)
TWIN = PacketLayout(  # the compact twin of the line protocol in firmware-notes/protocol.md
    framing="cobs",
    tag=0x46,
    text_tag=0x23,
    head=(("seq", "u16"), ("t_us", "u32")),
    frame=(("emg_1", "u16"), ("emg_2", "u16"), ("force", "i32")),
    n_frames=30,
    crc="crc16",
)
SENT = bytes.fromhex("03 46 07 03 58 1b 01 01 12 02 f2 01 2e fb ff ff 01 02 f1 01 32 fb ff ff ca d9 00")
SYNCED = PacketLayout(
    framing="sync",
    sync=b"\xa5\x5a",
    head=(("seq", "u8"),),
    frame=(("force", "i24"), ("emg", "u16")),
    n_frames=3,
    endian="big",
    crc="crc8",
    sequence_counts="packets",
)


def twin_packet(seq, rows, *, t_us=0):
    body = b"F" + struct.pack("<HI", seq, t_us) + b"".join(struct.pack("<HHi", *row) for row in rows)
    return encode_cobs(body + struct.pack("<H", compute_crc16(body))) + b"\0"


def synced_packet(seq, rows, *, crc16=False):
    body = bytes([seq]) + b"".join(struct.pack(">i", force)[1:] + struct.pack(">H", emg) for force, emg in rows)
    check = struct.pack(">H", compute_crc16(body)) if crc16 else bytes([compute_crc8(body)])
    return b"\xa5\x5a" + body + check


def fold(decoded):
    rows, others = [], []
    for piece in decoded:
        if isinstance(piece, Frames):
            sequence = [None] * len(piece.counts) if piece.sequence is None else piece.sequence.tolist()
            rows += [(number, *row) for number, row in zip(sequence, piece.counts.tolist(), strict=True)]
        elif isinstance(piece, BadLines):
            others += [piece.reason] * piece.n_lines
        else:
            others.append(piece)
    return rows, others


def test_the_documented_packet():
    [frames] = PacketDecoder(TWIN, 1000.0).feed(SENT)
    assert frames.counts.tolist() == [[512, 498, -1234], [513, 497, -1230]]
    assert frames.sequence.tolist() == [7, 8]
    assert frames.device_us.tolist() == [7000.0, 8000.0]


def test_words_come_as_packets_too():
    body = b"#ok start binary"
    data = b"\0" + encode_cobs(body + struct.pack("<H", compute_crc16(body))) + b"\0" + SENT
    rows, others = fold(PacketDecoder(TWIN, 1000.0).feed(data))
    assert [row[0] for row in rows] == [7, 8]
    assert others == [Text("#ok start binary")]


def test_sequence_wraps_inside_a_packet():
    [frames] = PacketDecoder(TWIN, 1000.0).feed(twin_packet(65535, [(1, 2, 3), (4, 5, 6)]))
    assert frames.sequence.tolist() == [65535, 0]
    assert TWIN.sequence_modulus == 65536


def test_big_endian_24_bits_counted_by_packets():
    data = synced_packet(255, [(-8388608, 0), (8388607, 65535), (-1, 1)]) + synced_packet(0, [(0, 7)] * 3)
    rows, others = fold(PacketDecoder(SYNCED, 100.0).feed(data))
    assert rows == [
        (765, -8388608, 0),
        (766, 8388607, 65535),
        (767, -1, 1),
        (0, 0, 7),
        (1, 0, 7),
        (2, 0, 7),
    ]
    assert others == []
    assert SYNCED.sequence_modulus == 768


@pytest.mark.parametrize("kind", ["u8", "i8", "u16", "i16", "u24", "i24", "u32", "i32", "f32"])
@pytest.mark.parametrize("endian", ["little", "big"])
def test_every_type_against_struct(kind, endian):
    layout = PacketLayout(framing="sync", sync=b"\xaa", frame=(("force", kind),), endian=endian)
    bits = int(kind[1:])
    values = {"u": [0, 1, 2**bits - 1], "i": [0, -1, 2 ** (bits - 1) - 1, -(2 ** (bits - 1))], "f": [0.0, -1.5, 3e38]}[
        kind[0]
    ]
    data = b""
    for value in values:
        if kind == "f32":
            data += b"\xaa" + struct.pack("<f" if endian == "little" else ">f", value)
        else:
            data += b"\xaa" + value.to_bytes(bits // 8, endian, signed=kind[0] == "i")
    [frames] = PacketDecoder(layout, 1.0).feed(data)
    assert frames.counts[:, 0].tolist() == (np.float32(values).tolist() if kind == "f32" else values)


@pytest.mark.parametrize("endian", ["little", "big"])
def test_medical_short_floats_are_a_type_and_their_special_values_are_missing(endian):
    layout = PacketLayout(framing="sync", sync=b"\xaa", frame=(("force", "sfloat"),), endian=endian)
    words = [*PUBLISHED_SFLOAT["values"], *PUBLISHED_SFLOAT["special"]]
    data = b"".join(b"\xaa" + int(word, 16).to_bytes(2, endian) for word in words)
    frames, bad = PacketDecoder(layout, 1.0).feed(data)
    assert frames.counts[:, 0].tolist() == list(PUBLISHED_SFLOAT["values"].values())
    assert bad == BadLines(5, "not a number")


def test_not_a_number_is_no_frame():
    layout = PacketLayout(framing="sync", sync=b"\xaa", frame=(("force", "f32"),))
    assert fold(PacketDecoder(layout, 1.0).feed(b"\xaa" + struct.pack("<f", np.nan))) == ([], ["not a number"])


def test_only_the_frame_that_is_no_number_is_missing():
    layout = PacketLayout(framing="sync", sync=b"\xaa", frame=(("force", "f32"),), n_frames=3)
    data = b"\xaa" + struct.pack("<f", 1.0) + bytes.fromhex("0100807f") + struct.pack("<f", 3.0)  # signalling NaN
    one, bad, three = PacketDecoder(layout, 1.0).feed(data)
    assert (one.counts.tolist(), bad, three.counts.tolist()) == ([[1.0]], BadLines(1, "not a number"), [[3.0]])


def test_a_sync_word_inside_the_data_does_not_confuse():
    rows = [(0x5AA55A, 0xA55A)] * 3
    decoded = fold(PacketDecoder(SYNCED, 1.0).feed(b"".join(synced_packet(k, rows) for k in range(20))))
    assert len(decoded[0]) == 60
    assert decoded[1] == []


def test_fragment_after_opening_is_not_counted():
    for layout, packet in ((TWIN, SENT), (SYNCED, synced_packet(1, [(1, 1)] * 3))):
        decoder = PacketDecoder(layout, 1.0, starts_mid_line=True)
        rows, others = fold(decoder.feed(packet[5:] + packet + packet))
        assert len(rows) in (4, 6)
        assert others == []
        assert decoder.n_bad_lines == 0


SYNCED_16 = dataclasses.replace(SYNCED, crc="crc16")  # 8 bits of check let one misaligned packet in 256 through


@pytest.mark.parametrize("layout", [TWIN, SYNCED_16], ids=["cobs", "sync"])
@given(data=st.data())
def test_no_changed_lost_or_added_byte_makes_a_wrong_frame(layout, data):
    """Of the untouched packets all arrive, unless their neighbour swallowed their beginning."""
    width = 3 if layout is TWIN else 2
    packets, truth = [], []
    for k in range(6):
        rows = [tuple(1000 * k + 10 * i + j for j in range(width)) for i in range(3)]
        packets.append(twin_packet(3 * k, rows) if layout is TWIN else synced_packet(k, rows, crc16=True))
        truth += [(3 * k + i, *map(float, row)) for i, row in enumerate(rows)]
    stream = bytearray(b"".join(packets))
    at = data.draw(st.integers(0, len(stream) - 1))
    change = data.draw(st.sampled_from(["change", "lose", "add"]))
    if change == "change":
        stream[at] ^= data.draw(st.integers(1, 255))
    elif change == "lose":
        del stream[at]
    else:
        stream.insert(at, data.draw(st.integers(0, 255)))
    cut = data.draw(st.integers(0, len(stream)))
    decoder = PacketDecoder(layout, 1.0)
    rows, _ = fold(decoder.feed(bytes(stream[:cut])) + decoder.feed(bytes(stream[cut:])))
    assert [row for row in truth if row in rows] == rows
    assert len(rows) >= len(truth) - 2 * 3


@pytest.mark.parametrize("layout", [TWIN, SYNCED], ids=["cobs", "sync"])
@given(pieces=st.lists(st.one_of(st.binary(max_size=60), st.just(SENT), st.just(synced_packet(1, [(5, 5)] * 3)))))
def test_arbitrary_bytes_never_raise_and_chunks_do_not_matter(layout, pieces):
    whole, parts = PacketDecoder(layout, 1.0), PacketDecoder(layout, 1.0)
    data = b"".join(pieces)
    one = fold(whole.feed(data))
    many = fold([piece for part in pieces for piece in parts.feed(part)])
    assert one[0] == many[0]


def test_memory_stays_bounded():
    for layout in (TWIN, SYNCED):
        decoder = PacketDecoder(layout, 1.0)
        for _ in range(1000):
            decoder.feed(b"\x01" * 1000)
        assert len(decoder._waiting) <= 8192


def test_packets_longer_than_a_cobs_block():
    rows = [(k, k, -k) for k in range(30)] * 2
    layout = dataclasses.replace(TWIN, n_frames=60)
    decoded, others = fold(PacketDecoder(layout, 1.0).feed(twin_packet(0, rows)))
    assert [row[1:] for row in decoded] == [tuple(map(float, row)) for row in rows]
    assert others == []


def test_batches_of_different_lengths_keep_their_order():
    stream = b"".join(
        twin_packet(seq, [(seq, 0, 0)] * n)
        for seq, n in itertools.accumulate([(0, 3), (3, 3), (6, 1), (7, 2), (9, 3)], lambda _, new: new)
    )
    rows, others = fold(PacketDecoder(TWIN, 1.0).feed(stream))
    assert [row[0] for row in rows] == list(range(12))
    assert others == []
