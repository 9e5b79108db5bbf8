"""Numbers that may mean something else than they look: told, with what the board should print, and never read. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence

from biofeedback.acquisition.line_columns import Line
from biofeedback.acquisition.text_tokens import ANY_CLOCK

STATUS = frozenset(
    {
        *(
            "st",
            "us",
            "s",
            "u",
            "d",
            "sd",
            "stable",
            "unstable",
            "dynamic",
            "gs",
            "nt",
            "ol",
            "ok",
            "on",
            "off",
            "true",
        ),
        *("false", "yes", "no", "info", "warn", "warning", "debug", "error", "err", "idle", "run", "running", "busy"),
        *("ready", "hold", "live", "low", "full", "charging"),
    }
)
_OPPOSITE = (
    {"push", "pull"},
    {"tension", "compression"},
    {"tens", "comp"},
    {"t", "c"},
    {"pos", "neg"},
    {"positive", "negative"},
    {"plus", "minus"},
    {"zug", "druck"},
    {"p", "n"},
)
_CURE = "or say by a pattern in a profile what it is"
_DOUBTS: tuple[tuple[re.Pattern[str], bool, str], ...] = (  # what is seen, whether it has to change, in words
    (
        re.compile(r"\d[·．٫]\d|(?<![A-Za-z_\d])[+-]?\d+_\d|\d['’]\d{1,2}(?!\d)"),
        False,
        "a mark between digits that is neither point nor comma: let the board print a point",
    ),
    (re.compile(r"\d[dD][+-]\d"), False, "an exponent with D: let the board print e"),
    (
        re.compile(r"(?<![\d.][eE])(?<=[\w.])[+-]\d+"),
        True,
        f"its + or - may be a sign or a dash: let the board print a space or a comma before it, {_CURE}",
    ),
    (
        re.compile(r"\d+-(?=\s*$|\s+[A-Za-z]|[A-Za-z%])"),
        True,
        f"a minus behind the number: let the board print it before, {_CURE}",
    ),
    (
        re.compile(r"^[^\d()]*\(\s*\d+(?:[.,]\d+)?\s*\)[^\d()]*$"),
        False,
        f"round brackets around a number may mean minus: let the board print a sign, {_CURE}",
    ),
)
_BITS = re.compile(r"(?<![\w.,])[01]{8,}(?![\w.,])")
BITS_WORDS = "only zeros and ones: let the board print decimal numbers"
ENOUGH = 2  # lines


def find_doubt(lines: Sequence[str]) -> str:
    """What some of the lines hold that can be read in two ways by a person too; "" where nothing is."""
    lines = [ANY_CLOCK.sub("", line) for line in lines]
    for pattern, has_to_change, words in _DOUBTS:
        seen = [tuple(pattern.findall(line)) for line in lines]
        seen = [each for each in seen if each]
        if len(seen) >= max(ENOUGH, len(lines) // 20) and (not has_to_change or len(set(seen)) > 1):
            return words
    return BITS_WORDS if are_bits(lines) else ""


def are_bits(lines: Sequence[str]) -> bool:
    """Whether numbers are written in the binary system."""
    numbers = [tuple(_BITS.findall(line)) for line in lines]
    return len(lines) >= ENOUGH and all(numbers) and len(set(numbers)) > 1


def find_direction(parsed: Sequence[Line]) -> str:
    """Words in one place of the lines that hold the sign of their number; "" for none."""
    heard: dict[int, set[str]] = {}
    for line in parsed:
        for k, (kind, text) in enumerate(line.shape):
            if kind == "word":
                heard.setdefault(k, set()).add(text.lower())
    words = next((words for words in heard.values() if words in _OPPOSITE), None)
    told = f"a word seems to hold the sign ({', '.join(sorted(words or ()))}): let the board print a minus"
    return told if words else ""
