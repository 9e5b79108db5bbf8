"""Plain decimal numbers of a table, many at once: what ``float`` makes of each text, bit for bit, or nothing at all.

A whole number of at most 2**53 and a power of ten of at most 10**22 are both exact as floats; one division then rounds
once, as the value of the text itself would be rounded (W. D. Clinger, How to read floating point numbers accurately,
1990; from memory). So it is with 64 bits instead of 53 where the processor has such floats: rounded again to 53 it is
still right, unless it then lies half-way between two. Those cells, and those with an exponent, go to ``float``.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray

MINUS, EXPONENT, POINT, BREAK, LINE_END, ODD = 16, 17, 32, 33, 34, 255  # digits are 0 to 9
WORD = 8  # digits that are worked out together
MOST_DIGITS = 3 * WORD  # on either side of the point
MOST_AFTER = 19  # decimals beside digits before the point: both fit into 64 bits
LARGEST_EXACT = 2**53
TENS = 10 ** np.arange(MOST_AFTER + 1, dtype=np.uint64)
POWERS = np.array([10**n for n in range(MOST_DIGITS + 1)], dtype=np.longdouble)  # exact to 10**22, and to 10**27 in 64
LAST_BYTES = np.array([2**64 - 2 ** (8 * (WORD - n)) for n in range(WORD + 1)], dtype=np.uint64)
LEAST_ALONE, MOST_ALONE = 16, 0.02  # cells that are worked out one by one; with more the careful way is as quick
HAS_64_BITS = np.finfo(np.longdouble).nmant == 63 and np.longdouble().itemsize == 16 and sys.byteorder == "little"
HALF_WAY, BELOW_53 = np.uint64(0x400), np.uint64(0x7FF)
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]
Words = NDArray[np.uint64]
Cells = NDArray[np.bool_]


def read_decimals(text: str, separator: str, decimal: str, n_columns: int) -> FloatArray | None:
    """The cells of ``text``, ``(n_rows, n_columns)``, NaN where one is empty; each line ends in a line feed.

    ``decimal`` is the sign before decimals. None where a cell is anything but an optional minus and digits, perhaps
    with an exponent (a blank, a quote), too many have more digits than can be told at once, or a row has other cells.
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
    is_empty = ends == starts
    is_alone = _find_exponents(codes, starts, ends)
    if is_alone is None or (~is_empty & (n_before + n_after == 0)).any():
        return None
    is_alone |= (n_before > MOST_DIGITS) | (n_after > MOST_DIGITS)
    n_before, n_after = np.where(is_alone, 0, n_before), np.where(is_alone, 0, n_after)
    whole, fits = _join_sides(codes, points, n_before, ends, n_after)
    values = whole.astype(np.float64) / POWERS[n_after].astype(np.float64)
    is_alone |= ~fits | _take_long(values, whole, n_after)
    values[is_minus] *= -1.0
    values[is_empty] = np.nan
    alone = np.flatnonzero(is_alone)
    if len(alone) > max(LEAST_ALONE, MOST_ALONE * len(ends)):
        return None
    begins, ends = starts - MOST_DIGITS, ends - MOST_DIGITS  # in the text
    try:
        values[alone] = [float(text[begins[cell] : ends[cell]].replace(decimal, ".")) for cell in alone.tolist()]
    except ValueError:
        return None
    return values.reshape(-1, n_columns)


def _find_exponents(codes: Codes, starts: Places, ends: Places) -> Cells | None:
    """Cells with an exponent; None where a minus stands within another."""
    has_exponent = np.zeros(len(ends), dtype=bool)
    has_exponent[np.searchsorted(ends, np.flatnonzero(codes == EXPONENT))] = True
    minuses = np.flatnonzero(codes == MINUS)
    whose = np.searchsorted(ends, minuses)
    return None if (~has_exponent[whose] & (minuses != starts[whose])).any() else has_exponent


def _join_sides(codes: Codes, points: Places, n_before: Places, ends: Places, n_after: Places) -> tuple[Words, Cells]:
    """Digits before and after the point as one whole number, and whether it fits into 64 bits."""
    before, before_fits = _join(codes, points, n_before)
    after, after_fits = _join(codes, ends, n_after)
    fits = before_fits & after_fits & ((before == 0) | (n_before + n_after <= MOST_AFTER))
    whole: Words = before * TENS[np.minimum(n_after, MOST_AFTER)] + after
    return whole, fits


def _take_long(values: FloatArray, whole: Words, n_after: Places) -> Cells:
    """Put the values of long numbers in place; where that does not tell them."""
    is_long = (whole > LARGEST_EXACT) | (n_after > 22)
    if not HAS_64_BITS or not is_long.any():
        return is_long
    places = np.flatnonzero(is_long)
    quotient = whole[places].astype(np.longdouble) / POWERS[n_after[places]]
    values[places] = quotient.astype(np.float64)
    is_long[places] = (quotient.view(np.uint64)[::2] & BELOW_53) == HALF_WAY
    return is_long


def _encode(text: str, separator: str, decimal: str) -> Codes:
    """A code for each byte of the text, after room for as many digits as may stand before the first end."""
    table = bytearray([ODD]) * 256
    for digit in range(10):
        table[ord("0") + digit] = digit
    for sign, code in (
        ("-", MINUS),
        ("e", EXPONENT),
        ("E", EXPONENT),
        (separator, BREAK),
        (decimal, POINT),
        ("\n", LINE_END),
    ):
        table[ord(sign)] = code
    return np.frombuffer(bytes(MOST_DIGITS) + text.encode("utf-8").translate(table), dtype=np.uint8)


def _is_even(ends: Codes, n_columns: int) -> bool:
    """Whether the last of ``n_columns`` cells of each row, and no other, ends its line."""
    if len(ends) % n_columns:
        return False
    rows = ends.reshape(-1, n_columns)
    return bool((rows[:, -1] == LINE_END).all() and (rows[:, :-1] == BREAK).all())


def _join(codes: Codes, ends: Places, n_digits: Places) -> tuple[Words, Cells]:
    """The whole number that the ``n_digits`` digits before each of ``ends`` are, and whether it fits into 64 bits."""
    words: Words = np.ndarray((len(codes) - WORD + 1,), "<u8", codes, strides=(1,))  # the eight bytes from each on
    joined = _join_word(words[ends - WORD] & LAST_BYTES[np.minimum(n_digits, WORD)])
    fits = np.ones(len(ends), dtype=bool)
    if (most := n_digits.max(initial=0)) > WORD:
        joined += TENS[WORD] * _join_word(words[ends - 2 * WORD] & LAST_BYTES[np.clip(n_digits - WORD, 0, WORD)])
    if most > 2 * WORD:
        high = _join_word(words[ends - 3 * WORD] & LAST_BYTES[np.clip(n_digits - 2 * WORD, 0, WORD)])
        fits = high < TENS[3]  # 10**19 fits
        joined += TENS[2 * WORD] * high
    return joined, fits


def _join_word(word: Words) -> Words:
    """Eight digits, the first lowest: joined to pairs, those to fours, those to one, each by one multiplication."""
    word = (word * np.uint64(10 * 2**8 + 1) >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    word = (word * np.uint64(100 * 2**16 + 1) >> np.uint64(16)) & np.uint64(0x0000FFFF0000FFFF)
    joined: Words = word * np.uint64(10_000 * 2**32 + 1) >> np.uint64(32)
    return joined
