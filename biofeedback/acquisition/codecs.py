"""Open wire codecs: CRC-8, CRC-16, COBS, the medical short float, the Bluetooth Weight Measurement. Pure."""

from __future__ import annotations

import binascii
import struct

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray

ByteArray = NDArray[np.uint8]
SFLOAT_SPECIAL = (0x07FF, 0x0800, 0x07FE, 0x0802, 0x0801)  # no number, not at this resolution, infinities, reserved
WEIGHT_STEP_KG = 0.005
WEIGHT_STEP_LB = 0.01
KG_PER_LB = 0.45359237  # exact, international yard and pound agreement (1959)
_WEIGHT_FAILED = 0xFFFF
FEW_ROWS = 8  # below this a loop over rows costs less than one over columns


def _make_crc8_table() -> ByteArray:
    table = np.arange(256, dtype=np.uint8)
    for _ in range(8):
        table = (table << np.uint8(1)) ^ (table >> np.uint8(7)) * np.uint8(0x07)
    return table


def _make_crc16_table() -> NDArray[np.uint16]:
    return np.array([binascii.crc_hqx(bytes([i]), 0) for i in range(256)], dtype=np.uint16)


_CRC8_TABLE = _make_crc8_table()
_CRC16_TABLE = _make_crc16_table()


def compute_crc8(data: bytes) -> int:
    """CRC-8/SMBUS: polynomial 0x07, start 0, not reflected (System Management Bus specification)."""
    crc = 0
    for byte in data:
        crc = int(_CRC8_TABLE[crc ^ byte])
    return crc


def compute_crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE: polynomial 0x1021, start 0xFFFF, not reflected."""
    return binascii.crc_hqx(data, 0xFFFF)


def compute_crc8_rows(rows: ByteArray) -> ByteArray:
    """``compute_crc8`` of every row of ``(n, size)`` at once."""
    if len(rows) < FEW_ROWS:
        return np.array([compute_crc8(row.tobytes()) for row in rows], dtype=np.uint8)
    crc = np.zeros(len(rows), dtype=np.uint8)
    for column in rows.T:
        crc = _CRC8_TABLE[crc ^ column]
    return crc


def compute_crc16_rows(rows: ByteArray) -> NDArray[np.uint16]:
    """``compute_crc16`` of every row of ``(n, size)`` at once."""
    if len(rows) < 8 * rows.shape[1]:  # the library's loop over bytes is that much faster than ours over columns
        return np.array([compute_crc16(row.tobytes()) for row in rows], dtype=np.uint16)
    crc = np.full(len(rows), 0xFFFF, dtype=np.uint16)
    for column in rows.T:
        crc = (crc << np.uint16(8)) ^ _CRC16_TABLE[(crc >> np.uint16(8)) ^ column]
    return crc


def encode_cobs(data: bytes) -> bytes:
    """Consistent overhead byte stuffing, without the closing zero (Cheshire & Baker 1999)."""
    out = bytearray()
    for at, block in enumerate(blocks := data.split(b"\x00")):
        while len(block) >= 254:
            # A full block closes itself; only if data end with it does nothing follow.
            out += b"\xff" + block[:254]
            block = block[254:]  # noqa: PLW2901
            if not block and at == len(blocks) - 1:
                return bytes(out)
        out += bytes([len(block) + 1]) + block
    return bytes(out)


def decode_cobs(data: bytes) -> bytes | None:
    """The inverse; None if ``data``, without its closing zero, is no encoding of anything."""
    if not data or 0 in data:
        return None
    out, at = bytearray(), 0
    while at < len(data):
        code = data[at]
        block = data[at + 1 : at + code]
        if len(block) != code - 1:
            return None
        out += block
        at += code
        if code < 255 and at < len(data):
            out.append(0)
    return bytes(out)


def decode_cobs_rows(rows: ByteArray) -> tuple[ByteArray, NDArray[np.bool_]]:
    """Packets of one length below 254 at once.

    Parameters
    ----------
    rows
        ``(n, size + 1)`` encoded packets without their closing zero, no zero inside.

    Returns
    -------
    packets, good
        ``(n, size)`` bytes, and which rows were whole.
    """
    n, width = rows.shape
    packets = rows.copy()
    if n < FEW_ROWS:
        whole = np.zeros(n, dtype=np.bool_)
        for i, row in enumerate(rows):
            decoded = decode_cobs(row.tobytes())
            if decoded is not None and len(decoded) == width - 1:
                packets[i, 1:] = np.frombuffer(decoded, dtype=np.uint8)
                whole[i] = True
        return packets[:, 1:], whole
    at = np.zeros(n, dtype=np.intp)
    alive = np.arange(n)
    while len(alive):
        code = rows[alive, at[alive]]
        packets[alive, at[alive]] = 0  # a code byte stands where a zero was, or before the packet
        at[alive] += code
        alive = alive[at[alive] < width]
    return packets[:, 1:], at == width


def decode_sfloat(words: NDArray[np.uint16]) -> FloatArray:
    """IEEE 11073-20601 SFLOAT, 16 bits, any shape: exponent s4, mantissa s12. NaN for special values and infinities."""
    words = np.asarray(words, dtype=np.uint16)
    exponent = (words >> 12).astype(np.int64)
    mantissa = (words & 0x0FFF).astype(np.float64)
    exponent -= 16 * (exponent >= 8)
    mantissa -= 0x1000 * (mantissa >= 0x800)
    power = 10.0 ** np.abs(exponent)  # exact, unlike its inverse
    values = np.where(exponent >= 0, mantissa * power, mantissa / power)
    return np.where(np.isin(words, SFLOAT_SPECIAL), np.nan, values)


def decode_weight(data: bytes) -> float | None:
    """Kilograms of a Weight Measurement, Bluetooth SIG characteristic 0x2A9D of the Weight Scale Service.

    None if the scale says that it could not measure, or if ``data`` is too short for its flags: bit 0 pounds (0.01 lb)
    instead of kilograms (0.005 kg), bit 1 time stamp, bit 2 user, bit 3 BMI and height.
    """
    if not data or len(data) < 3 + 7 * bool(data[0] & 2) + bool(data[0] & 4) + 4 * bool(data[0] & 8):
        return None
    flags, steps = struct.unpack_from("<BH", data)
    if steps == _WEIGHT_FAILED:
        return None
    return float(steps * WEIGHT_STEP_LB * KG_PER_LB if flags & 1 else steps / 200)
