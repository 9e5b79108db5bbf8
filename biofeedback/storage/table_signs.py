"""What the signs in numbers mean, judged over whole columns, and the numbers that they make."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray
from biofeedback.storage.table_text import is_missing, is_number

BLANKS_IN_NUMBERS = re.compile(r"(?<=\d)['’\xa0\u202f ](?=\d{3})")
GROUPED = {
    sign: re.compile(rf"[-+]?[1-9]\d{{0,2}}(?:{re.escape(sign)}\d{{3}})+(?![\d{sign}])(?:{re.escape(other)}\d*)?")
    for sign, other in (",.", ".,")
}
SURE = {  # what cannot be a thousands sign
    sign: re.compile(
        rf"(?<![\d.,])(?:0\d*|\d{{4,}}){s}\d|(?<![\d.,]){s}\d|\d{s}(?:\d{{1,2}}|\d{{4,}})(?![\d.,])|\d{s}\d+[eE]"
    )
    for sign, s in ((",", ","), (".", r"\."))
}
DECIMALS = {"comma": ",", "point": "."}


def find_sure_sign(blocks: Sequence[str], separator: str, decimal: str | None) -> bool | None:
    """Whether decimals are written with a comma; None where that takes looking at whole columns."""
    if any(mark in block for block in blocks for mark in "\"'’\xa0\u202f"):
        return None
    if separator != "," and any("," in block for block in blocks):
        is_comma = decimal == "comma" or any(SURE[","].search(block) for block in blocks)
        return True if is_comma and not any("." in block for block in blocks) else None
    if decimal == "comma":
        return None
    is_point_doubtful = any(GROUPED["."].search(block) for block in blocks)
    return None if is_point_doubtful and not any(SURE["."].search(block) for block in blocks) else False


def judge_signs(
    path: Path, columns: Mapping[str, Sequence[str]], decimal: str | None, needed: set[str]
) -> tuple[str, list[str]]:
    """The decimal sign of the table, "." or ",", and what was assumed; from everything that its numbers show."""
    if decimal is not None:
        return DECIMALS[decimal], []
    is_sure = {",": False, ".": False}
    is_there = {",": False, ".": False}
    doubtful: dict[str, str] = {}  # columns whose commas could be either, with an example
    told = []
    for name, cells in columns.items():
        text = "\n".join(cells)
        if "," not in text and "." not in text:
            continue
        numbers = [cell for cell in cells if is_number(cell)]
        text = "\n".join(numbers)
        both = re.search(r"\d([.,])\d+([.,])\d+(?![\d.,])", text)
        if both and both[1] != both[2]:
            is_sure[both[2]] = True
            continue
        for sign in ",.":
            if sign not in text:
                continue
            is_there[sign] = True
            if SURE[sign].search(text):
                is_sure[sign] = True
                continue
            grouped = [cell for cell in numbers if sign in cell]
            if any(cell.count(sign) > 1 for cell in grouped) or _is_grouped(numbers, grouped, sign):
                is_sure["." if sign == "," else ","] = True
            elif sign == ",":
                doubtful[name] = grouped[0]
    if is_sure[","] and is_sure["."]:
        raise RecordingError(
            f"{path} writes decimals with a comma here and with a point there", "use --decimal comma or --decimal point"
        )
    sign = "," if is_sure[","] else "."
    if doubtful and not is_sure[","] and not is_sure["."] and needed & doubtful.keys():
        name, example = next((name, example) for name, example in doubtful.items() if name in needed)
        whole, part = example.replace(",", ""), example.replace(",", ".")
        raise RecordingError(
            f"{path}: {name} {example} could be {part} or {whole}", "use --decimal comma or --decimal point"
        )
    other = "." if sign == "," else ","
    if is_there[other]:
        told.append(f"{'a comma' if other == ',' else 'a point'} is read as thousands sign")
    return sign, told


def _is_grouped(numbers: Sequence[str], grouped: Sequence[str], sign: str) -> bool:
    """Whether whole numbers without the sign, all below 1000, stand among such with it: 950 and 1,050."""
    without = [cell for cell in numbers if sign not in cell and cell.lstrip("+-").isdigit()]
    if not without or len(without) + len(grouped) < len(numbers):
        return False
    ends_in_zero = any(cell.endswith("0") for cell in grouped)  # no program that drops zeros writes 1.050
    return ends_in_zero and all(len(cell.lstrip("+-")) <= 3 for cell in without)


def to_numbers(cells: Sequence[str], decimal: str) -> tuple[FloatArray, list[int]]:
    """Numbers, NaN where empty or none; which cells are neither empty nor numbers."""
    values = np.full(len(cells), math.nan)
    odd = []
    grouped = GROUPED["." if decimal == "," else ","]
    other = "." if decimal == "," else ","
    for k, cell in enumerate(cells):
        if is_missing(cell):
            continue
        text = BLANKS_IN_NUMBERS.sub("", cell.strip())
        if other in text and grouped.fullmatch(text):
            text = text.replace(other, "")
        elif other in text:
            text = "?"
        number = _to_number(text.replace(",", ".") if decimal == "," else text)
        if number is None:
            odd.append(k)
        else:
            values[k] = number
    return values, odd


def _to_number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) and "_" not in text else None
