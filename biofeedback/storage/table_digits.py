"""Plain decimal numbers of a table, many at once: what ``float`` makes of each text, bit for bit, or nothing at all.

A whole number of at most 2**53 and a power of ten of at most 10**22 are both exact as floats; one division then rounds
once, as the value of the text itself would be rounded (W. D. Clinger, How to read floating point numbers accurately,
1990; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray

MINUS, POINT, BREAK, LINE_END, ODD = 16, 32, 33, 34, 255  # digits are 0 to 9
WORD = 8  # digits that are worked out together
MOST_DIGITS = 2 * WORD  # on either side of the point
MOST_TOGETHER = 18  # of both sides: they fit into 64 bits
LARGEST_EXACT = 2**53
TENS = 10 ** np.arange(MOST_TOGETHER + 1, dtype=np.uint64)
LAST_BYTES = np.array([2**64 - 2 ** (8 * (WORD - n)) for n in range(WORD + 1)], dtype=np.uint64)
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]
Words = NDArray[np.uint64]


def read_decimals(text: str, separator: str, decimal: str, n_columns: int) -> FloatArray | None:
    """The cells of ``text``, ``(n_rows, n_columns)``, NaN where one is empty; each line ends in a line feed.

    ``decimal`` is the sign before decimals. None where a cell is anything but an optional minus and digits (an
    exponent, a blank, a quote, more digits than a float holds exactly), or a row has other cells.
    """
    codes = _encode(text, separator, decimal)
    marks = np.flatnonzero(codes >= POINT)
    kinds = codes[marks]
    is_point = kinds == POINT
    which = np.flatnonzero(~is_point)
    if (kinds == ODD).any() or (is_point[1:] & is_point[:-1]).any() or not _is_even(kinds[which], n_columns):
        return None
    ends = marks[which]
    has_point = is_point[which - 1] & (which > 0)
    points = np.where(has_point, marks[which - 1], ends)
    starts = np.concatenate([[MOST_DIGITS], ends[:-1] + 1])
    is_minus = codes[starts] == MINUS
    n_before, n_after = points - starts - is_minus, np.where(has_point, ends - points - 1, 0)
    n_digits, is_empty = n_before + n_after, ends == starts
    if (
        np.count_nonzero(is_minus) != np.count_nonzero(codes == MINUS)
        or max(n_before.max(initial=0), n_after.max(initial=0)) > MOST_DIGITS
        or n_digits.max(initial=0) > MOST_TOGETHER
        or (~is_empty & (n_digits == 0)).any()
    ):
        return None
    whole = _join(codes, points, n_before) * TENS[n_after] + _join(codes, ends, n_after)
    if (whole > LARGEST_EXACT).any():
        return None
    values = whole.astype(np.float64) / TENS[n_after].astype(np.float64)
    values[is_minus] *= -1.0
    values[is_empty] = np.nan
    return values.reshape(-1, n_columns)


def _encode(text: str, separator: str, decimal: str) -> Codes:
    """A code for each byte of the text, after room for as many digits as may stand before the first end."""
    table = bytearray([ODD]) * 256
    for digit in range(10):
        table[ord("0") + digit] = digit
    for sign, code in (("-", MINUS), (separator, BREAK), (decimal, POINT), ("\n", LINE_END)):
        table[ord(sign)] = code
    return np.frombuffer(bytes(MOST_DIGITS) + text.encode("utf-8").translate(table), dtype=np.uint8)


def _is_even(ends: Codes, n_columns: int) -> bool:
    """Whether the last of ``n_columns`` cells of each row, and no other, ends its line."""
    if len(ends) % n_columns:
        return False
    rows = ends.reshape(-1, n_columns)
    return bool((rows[:, -1] == LINE_END).all() and (rows[:, :-1] == BREAK).all())


def _join(codes: Codes, ends: Places, n_digits: Places) -> Words:
    """The whole number that the ``n_digits`` digits before each of ``ends`` are."""
    words: Words = np.ndarray((len(codes) - WORD + 1,), "<u8", codes, strides=(1,))  # the eight bytes from each on
    low = _join_word(words[ends - WORD] & LAST_BYTES[np.minimum(n_digits, WORD)])
    if n_digits.max(initial=0) <= WORD:
        return low
    high = _join_word(words[ends - 2 * WORD] & LAST_BYTES[np.maximum(n_digits - WORD, 0)])
    both: Words = high * TENS[WORD] + low
    return both


def _join_word(word: Words) -> Words:
    """Eight digits, the first lowest: joined to pairs, those to fours, those to one, each by one multiplication."""
    word = (word * np.uint64(10 * 2**8 + 1) >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    word = (word * np.uint64(100 * 2**16 + 1) >> np.uint64(16)) & np.uint64(0x0000FFFF0000FFFF)
    joined: Words = word * np.uint64(10_000 * 2**32 + 1) >> np.uint64(32)
    return joined
