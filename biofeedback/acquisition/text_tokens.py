"""A line of text to tokens: numbers, clock times, words and marks; and what a comma between digits means. Pure."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

Decimal: TypeAlias = Literal[".", ","]
TokenKind: TypeAlias = Literal["number", "hex", "clock", "word", "mark", "space"]
_GROUPED = re.compile(r"(?<![\d.,:])(?P<first>[1-9]\d{0,2})(?P<mark>[ '\u00a0\u202f])(?P<second>\d{3})(?![\d.,:])")
NUMBER_KINDS = ("number", "hex")
_UNIT_WORDS = (
    *("N", "kN", "mN", "kg", "g", "mg", "t", "lb", "lbs", "lbf", "oz", "kgf", "gf", "Nm"),
    *("V", "mV", "uV", "µV", "μV", "A", "mA"),
    *("%", "deg", "°", "rad", "mm", "cm", "m", "in", "ms", "us", "µs", "s", "Hz", "counts", "count"),
)
UNITS = {unit.lower(): unit for unit in _UNIT_WORDS}

_CLOCK = (
    r"\d{8}T\d{4}(?:\d{2}(?:[.,]\d+)?)?Z?"
    r"|\d{4}-\d{2}-\d{2}(?:[T ]\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?(?:Z|[+-]\d{2}:?\d{2})?)?"
    r"|\d{1,2}[./]\d{1,2}[./]\d{4}(?:[T ]\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?)?"
    r"|\d{1,2}:\d{2}:\d{2}(?:[.,:]\d+)?|\d{1,3}:\d{2}\.\d+"
)
_BEFORE = r"(?<![A-Za-z_\d.])"  # the 1 of emg_1 belongs to the name
_SIGN = r"(?:[+-][ ]{0,6}|(?<![\d.,])[+-])?"
_WORD = r"[^\W\d]\w*(?:[²³]|/[^\W\d]\w*)?|[%°]\w*"
_POINT = r"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_COMMA = r"(?:\d{1,3}(?:\.\d{3})+,\d+|\d+(?:,\d+)?|,\d+)(?:[eE][+-]?\d{1,3})?"
_THOUSANDS = r"(?:\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?)"
NUMBERS = {".": _POINT, ",": _COMMA, ",.": _THOUSANDS}
_HEX = r"0[xX][0-9A-Fa-f]{1,8}(?![0-9A-Za-z])"
_ONLY_HEX = r"(?<![0-9A-Za-z])(?:0[xX])?[0-9A-Fa-f]{1,8}(?![0-9A-Za-z])"


@dataclass(frozen=True, slots=True)
class Token:
    """One piece of a line and where it stands, first and last character + 1."""

    kind: TokenKind
    text: str
    start: int
    end: int


def _compile(decimal: str, *, is_hex: bool) -> re.Pattern[str]:
    number = rf"(?P<hex>{_ONLY_HEX})" if is_hex else rf"(?P<hex>{_HEX})|(?P<number>{_BEFORE}{_SIGN}{NUMBERS[decimal]})"
    clock = "" if is_hex else rf"(?P<clock>(?<![\w.]){_CLOCK})(?![\d])|"
    return re.compile(rf"{clock}{number}|(?P<space>[ \t]+)|(?P<word>{_WORD})|(?P<mark>.)")


_TOKENS = {(decimal, is_hex): _compile(decimal, is_hex=is_hex) for decimal in NUMBERS for is_hex in (False, True)}


_SPACES_AND_SIGNS = str.maketrans({"\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2212": "-"})
_DASH_MINUS = re.compile(r"(?<![\w.])\u2013(?=[\d.])")


def to_text(line: bytes) -> str:
    """A line as text of as many characters, with plain spaces and a plain minus for those that only print so."""
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    return text if text.isascii() else _DASH_MINUS.sub("-", text.translate(_SPACES_AND_SIGNS))


def tokenise(line: str, decimal: str = ".", *, is_hex: bool = False) -> list[Token]:
    """Tokens of one line in order; every character belongs to one. ``decimal`` ",." groups thousands by commas."""
    tokens: list[Token] = []
    for match in _TOKENS[decimal, is_hex].finditer(line):
        kind: TokenKind = match.lastgroup  # type: ignore[assignment]  # every alternative is named by its kind
        tokens.append(Token(kind, match.group(), match.start(), match.end()))
    return _join_index(tokens)


def _join_index(tokens: list[Token]) -> list[Token]:
    """A short whole number with a colon before another number, at the start of a line, numbers a channel."""
    seen = [k for k, token in enumerate(tokens) if token.kind != "space"][:3]
    if len(seen) == 3 and [tokens[k].kind for k in seen] == ["number", "mark", "number"]:
        first, mark = tokens[seen[0]], tokens[seen[1]]
        if mark.text in ":=" and first.text.isdigit() and len(first.text) <= 2:
            tokens[seen[0]] = Token("word", first.text, first.start, first.end)
    return tokens


def read_number(text: str, decimal: str) -> float:
    """The number that a token holds."""
    text = text.replace(" ", "")
    if decimal == ",":
        text = text.replace(".", "").replace(",", ".") if "," in text else text
    elif decimal == ",.":
        text = text.replace(",", "")
    return float(text)


ANY_CLOCK = re.compile(rf"(?<![\w.])(?:{_CLOCK})(?!\d)")
_QUOTED = re.compile(r'"[+-]?\d*,\d+"')
_PARTED_PAIRS = re.compile(r"\d,\d+, +[+-]?\d+,\d")  # 12,5, 3,7
_DIGITS_COMMA = re.compile(r"(?<=\d),(?=\d)")
_PAIR = re.compile(r"(?<![\d,.])[+-]?\d*,\d+(?![\d,.])")
_POINT_NUMBER = re.compile(r"\d\.\d")
_THOUSAND = re.compile(r"(?<![\d,.])[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?(?![\d,.])")
_THOUSAND_POINT = re.compile(r"(?<![\d,.])[1-9]\d{0,2}(?:\.\d{3})+,\d+(?![\d,.])")
ENOUGH = 12  # different readings without a leading zero: one in four of real fractions of two digits


def judge_comma(lines: Sequence[str]) -> Literal["decimal", "column", "thousands", "unknown"]:
    """What a comma between two digits is in these lines, by structure alone; "column" where there is none."""
    is_json = any(_is_json(line) for line in lines[-3:])  # there it parts columns by its standard, but for quoted ones
    is_json = is_json and not any(_QUOTED.search(line) for line in lines)
    lines = [ANY_CLOCK.sub("", line) for line in lines]
    with_comma = [line for line in lines if _DIGITS_COMMA.search(line)]
    if not with_comma or is_json:
        return "column"
    return _judge_commas(lines, with_comma)


def _judge_commas(
    lines: Sequence[str], with_comma: Sequence[str]
) -> Literal["decimal", "column", "thousands", "unknown"]:
    if any(_POINT_NUMBER.search(line) for line in with_comma):
        return _judge_with_points(lines, with_comma)
    groups = [re.findall(r"[\d,]*\d,[\d,]*\d", line) for line in with_comma]
    most = max(group.count(",") for line in groups for group in line)
    if most > 1:
        return _judge_runs([group.split(",") for line in groups for group in line])
    if _is_parted_otherwise(with_comma):
        return "decimal"
    is_parted = all(_PARTED_PAIRS.search(line) for line in with_comma)
    if not is_parted and any(re.search(r"\d,[+-]", line) or re.search(r"\d, +[+-]?\d", line) for line in lines):
        return "column"
    return _judge_fractions([pair.split(",") for line in with_comma for pair in _PAIR.findall(line)])


def _is_parted_otherwise(lines: Sequence[str]) -> bool:
    """Whether something else ends the numbers: another separator, a unit, quotes."""
    has_other = any(re.search(r"\d,\d+(?:\s*[^\W\d]\w*|\")?[ \t]*[;|\t]", line) for line in lines)
    has_quotes = all(_QUOTED.search(line) for line in lines)
    return has_other or has_quotes or all(_has_unit(line) for line in lines)


def _judge_with_points(
    lines: Sequence[str], with_comma: Sequence[str]
) -> Literal["decimal", "column", "thousands", "unknown"]:
    """Points and commas between digits in one line: one of them may group thousands, which small numbers do without."""
    pointed = [line for line in with_comma if _POINT_NUMBER.search(line)]
    if all(_POINT_NUMBER.search(_THOUSAND_POINT.sub("", line)) is None for line in pointed):
        plain = [line for line in with_comma if line not in pointed]
        return "decimal" if plain and not any(re.search(r"\d{4},", line) for line in plain) else "unknown"
    if all(_DIGITS_COMMA.search(_THOUSAND.sub("", line)) is None for line in with_comma):
        plain = [line for line in lines if any(map(str.isdigit, line)) and not _DIGITS_COMMA.search(line)]
        return "thousands" if plain else "unknown"
    return "column"


def _judge_fractions(pairs: Sequence[Sequence[str]]) -> Literal["decimal", "column", "unknown"]:
    """Digits before and after commas: printed fractions have one length and, sooner or later, a leading zero."""
    after = [pair[1] for pair in pairs]
    if not after:
        return "column"
    lengths = {len(text) for text in after}
    has_leading_zero = any(text[0] == "0" and len(text) > 1 for text in after)
    if has_leading_zero:
        return "decimal" if len(lengths) == 1 else "unknown"
    if len(lengths) > 1:
        return "column" if len(set(after)) >= ENOUGH else "unknown"
    return "unknown"


def _judge_runs(runs: Sequence[Sequence[str]]) -> Literal["decimal", "column"]:
    """Several commas, no space: every second part is a fraction where only these have leading zeros, and one length."""
    if any(len(run) % 2 for run in runs):
        return "column"
    whole, after = ([part for run in runs for part in run[k::2]] for k in (0, 1))
    has_zero = [any(text[:1] == "0" and len(text) > 1 for text in parts) for parts in (whole, after)]
    return "decimal" if has_zero == [False, True] and len({len(text) for text in after}) == 1 else "column"


def _has_unit(line: str) -> bool:
    found = re.findall(r"\d,\d+ ?([^\W\d]\w*|[%°])", line)
    return bool(found) and all(unit.lower() in UNITS for unit in found)


def _is_json(line: str) -> bool:
    try:
        return isinstance(json.loads(line), dict | list)
    except (ValueError, RecursionError):
        return False


def groups_by_space(lines: Sequence[str]) -> bool:
    """Whether numbers such as 18 621 or 18'621 are one number each, though they look like two columns.

    An apostrophe parts no columns. A space groups thousands where the three digits behind it begin with a zero, or
    where every fall and rise by more than half of them is carried over into what stands before it.
    """
    found = [_GROUPED.search(line) for line in lines]
    whole = [match for match in found if match]
    if len(whole) < max(3, 0.8 * len(lines)):  # below 1000 nothing is grouped
        return False
    if sum(match["mark"] == "'" for match in whole) > 0.5 * len(whole):
        return True
    first, second = ([int(match[part]) for match in whole] for part in ("first", "second"))
    steps = [(b - a, d - c) for a, b, c, d in zip(first, first[1:], second, second[1:], strict=False)]
    carried = [(up, by) for up, by in steps if abs(by) > 500 or up]
    has_zero = any(match["second"][0] == "0" for match in whole)
    return has_zero or (len(carried) > 1 and all(abs(1000 * up + by) <= 500 for up, by in carried))
