import binascii
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.codecs import (
    compute_crc8,
    compute_crc8_rows,
    compute_crc16,
    compute_crc16_rows,
    decode_cobs,
    decode_cobs_rows,
    decode_sfloat,
    decode_weight,
    encode_cobs,
)

PUBLISHED = Path(__file__).parents[1] / "published"
CRC = json.loads((PUBLISHED / "crc_catalogue.json").read_text())
COBS = json.loads((PUBLISHED / "cobs_cheshire_baker_1999.json").read_text())
SFLOAT = json.loads((PUBLISHED / "sfloat_ieee_11073_20601.json").read_text())
WEIGHT = json.loads((PUBLISHED / "bluetooth_weight_measurement.json").read_text())
blocks = st.lists(st.sampled_from([b"\x00", b"\x01" * 253, b"\x02" * 254, b"\x03", b"\xff" * 255]), max_size=6)


def test_crc_check_values():
    text = CRC["text"].encode()
    assert compute_crc16(text) == int(CRC["crc16_ccitt_false"], 16)
    assert compute_crc16(b"") == int(CRC["crc16_ccitt_false_of_nothing"], 16)
    assert compute_crc8(text) == int(CRC["crc8_smbus"], 16)
    assert compute_crc16(text + compute_crc16(text).to_bytes(2, "big")) == 0  # residue


@given(st.one_of(st.integers(0, 10), st.just(400)), st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_rows_at_once_are_the_same_as_one_by_one(n, size, seed):
    rows = np.random.default_rng(seed).integers(0, 256, (n, size), dtype=np.uint8)
    assert compute_crc8_rows(rows).tolist() == [compute_crc8(row.tobytes()) for row in rows]
    assert compute_crc16_rows(rows).tolist() == [binascii.crc_hqx(row.tobytes(), 0xFFFF) for row in rows]


@pytest.mark.parametrize(("data", "encoded"), COBS["vectors"])
def test_cobs_vectors(data, encoded):
    assert encode_cobs(bytes.fromhex(data)) == bytes.fromhex(encoded)
    assert decode_cobs(bytes.fromhex(encoded)) == bytes.fromhex(data)


@pytest.mark.parametrize("case", COBS["ranges"])
def test_cobs_long_vectors(case):
    data = bytes(range(case["data"][0], case["data"][1] + 1))
    first, last = case["encoded_range"]
    encoded = bytes.fromhex(case["encoded_head"]) + bytes(range(first, last + 1)) + bytes.fromhex(case["encoded_tail"])
    assert encode_cobs(data) == encoded
    assert decode_cobs(encoded) == data


@pytest.mark.parametrize("wrong", COBS["wrong"])
def test_cobs_refuses_what_is_no_encoding(wrong):
    assert decode_cobs(bytes.fromhex(wrong)) is None


@given(st.one_of(st.binary(max_size=600), blocks.map(b"".join)))
def test_cobs_round_trip_without_zeros_and_within_the_promised_overhead(data):
    encoded = encode_cobs(data)
    assert 0 not in encoded
    assert len(encoded) <= len(data) + max(1, -(-len(data) // 254))
    assert decode_cobs(encoded) == data


@given(st.binary(max_size=300))
def test_arbitrary_bytes_are_decoded_or_refused(data):
    decoded = decode_cobs(data)
    assert decoded is None or decode_cobs(encode_cobs(decoded)) == decoded


@given(st.integers(1, 253), st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=12), st.floats(0, 1))
def test_cobs_rows_are_the_same_as_one_by_one(size, seeds, zeros):
    """Also for rows that are not whole."""
    rows = []
    for seed in seeds:
        random = np.random.default_rng(seed)
        data = random.integers(0, 256, size, dtype=np.uint8) * (random.random(size) > zeros)
        encoded = bytearray(encode_cobs(data.tobytes()))
        if seed % 3 == 0:
            encoded[seed % len(encoded)] = 1 + seed % 255
        rows.append(bytes(encoded))
    packets, good = decode_cobs_rows(np.frombuffer(b"".join(rows), dtype=np.uint8).reshape(len(rows), -1))
    for row, packet, is_good in zip(rows, packets, good, strict=True):
        decoded = decode_cobs(row)
        assert is_good == (decoded is not None and len(decoded) == size)
        if is_good:
            assert packet.tobytes() == decoded


@pytest.mark.parametrize(("word", "value"), SFLOAT["values"].items())
def test_sfloat_values(word, value):
    assert decode_sfloat(np.array([int(word, 16)])).tolist() == [value]


@pytest.mark.parametrize("word", SFLOAT["special"])
def test_sfloat_special_values_are_no_number(word):
    assert np.isnan(decode_sfloat(np.array([int(word, 16)]))).all()


@pytest.mark.parametrize("example", WEIGHT["examples"])
def test_weight_measurement(example):
    mass_kg = decode_weight(bytes.fromhex(example["bytes"]))
    assert mass_kg == (None if example["mass_kg"] is None else pytest.approx(example["mass_kg"], rel=1e-12))


def test_largest_weight():
    assert decode_weight(b"\x00\xfe\xff") == WEIGHT["largest_kg"]


@given(st.binary(max_size=20))
def test_weight_of_arbitrary_bytes_never_raises(data):
    assert decode_weight(data) is None or len(data) >= 3
