"""The numbers of lines of one shape: what each is called, its unit, what it seems to be, and the template. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from biofeedback.acquisition.layout import Column, Role
from biofeedback.acquisition.text_tokens import NUMBER_KINDS, UNITS, Token, read_number
from biofeedback.model import FloatArray, Kind

Shape: TypeAlias = tuple[tuple[str, str], ...]  # kind and, but for numbers and clocks, text of each token
OpenWords: TypeAlias = set[tuple[tuple[str, ...], int]]  # (kinds of a line's tokens, index) of words that change
SEPARATORS = set(",;|{}[]()\t<>")
_DEGREES = re.compile(r"°\s*[cf]\b")  # a temperature is no angle
_KINDS: tuple[tuple[Kind, str], ...] = (
    ("emg", r"emg|muscle|muskel|electro|[mµμu]v\b"),
    ("position", r"angle|winkel|pos|pitch|roll|deg|°|\bcm\b|\bmm\b|dist"),
    ("force", r"force|kraft|weight|gewicht|load|last|gross|net|pull|zug|\bk?n\b|\bkgf?\b|\blbf?s?\b|\bg\b"),
)


@dataclass(frozen=True, slots=True)
class Line:
    """One line with numbers; tokens without those at the ends that say nothing."""

    text: str
    tokens: tuple[Token, ...]
    shape: Shape


def kinds_of(shape: Shape) -> tuple[str, ...]:
    """Kinds of a shape's tokens, marks by themselves."""
    return tuple(text if kind == "mark" else kind for kind, text in shape)


def find_header(texts: Sequence[str], groups: Sequence[Sequence[Line]]) -> list[tuple[str, str]]:
    """Names and units from a line of words with as many parts as there are numbers."""
    n = sum(kind in (*NUMBER_KINDS, "clock") for kind, _ in groups[0][0].shape)
    for text in texts if len(groups) == 1 else ():
        for separator in (";", "\t", "|", ",", None):
            parts = [part.strip(" \"'") for part in text.lstrip("# ").split(separator)]
            if len(parts) == n and n > 1 and all(parts):
                found = [re.fullmatch(r"(.*?)\s*(?:[\[(]([^\])]*)[\])])?", part) for part in parts]
                return [(match[1], match[2] or "") for match in found if match]
    return []


def describe_columns(
    groups: Sequence[Sequence[Line]],
    open_words: OpenWords,
    decimal: str,
    header: Sequence[tuple[str, str]],
) -> tuple[tuple[Column, ...], tuple[str, ...]]:
    """Columns and templates of the kinds of lines."""
    columns: list[Column] = []
    templates = []
    for index, group in enumerate(groups):
        last, taken = group[-1], {column.name for column in columns}
        values = [[_value(token, decimal) for token in line.tokens if token.kind in NUMBER_KINDS] for line in group]
        table = np.array(values, dtype=np.float64)
        labels = _find_labels(last.tokens)
        new: list[Column] = []
        spot = 0  # among numbers and clocks, as the header counts
        for token in last.tokens:
            if token.kind not in (*NUMBER_KINDS, "clock"):
                continue
            if token.kind != "clock":
                label, unit = labels[len(new)]
                if header and not label:
                    label, unit = header[spot][0], unit or header[spot][1]
                name = _make_name(label or f"column_{len(columns) + len(new) + 1}", taken)
                taken.add(name)
                role = _find_role(table[:, len(new)])
                kind = _guess_kind(label, unit)
                value = float(table[-1, len(new)])
                new.append(Column(name, label, unit, kind, role, index, token.start, token.end, value))
            spot += 1
        templates.append(_write_template(last, [column.name for column in new], open_words))
        columns += new
    return tuple(columns), tuple(templates)


def _value(token: Token, decimal: str) -> float:
    return float(int(token.text, 16)) if token.kind == "hex" else read_number(token.text, decimal)


def _find_labels(tokens: Sequence[Token]) -> list[tuple[str, str]]:
    """Label and unit of each number: the words before it since the number or separator before, the unit after it."""
    found: list[tuple[str, str]] = []
    words: list[str] = []
    waiting = ""  # a unit in brackets before its number
    is_after = False  # a number: a unit may follow
    for k, token in enumerate(tokens):
        is_label = next((each.text for each in tokens[k + 1 :] if each.kind != "space"), "") in ("=", ":")
        is_unit = token.kind == "word" and token.text.lower() in UNITS and not is_label
        if token.kind in NUMBER_KINDS:
            found.append((" ".join(words), waiting))
            words, waiting, is_after = [], "", True
        elif is_unit and is_after:
            found[-1] = (found[-1][0], UNITS[token.text.lower()])
            is_after = False
        elif is_unit and words and _is_bracketed(tokens, token):
            waiting = UNITS[token.text.lower()]
        elif token.kind == "word":
            words.append(token.text)
            is_after = False
        elif token.kind == "clock" or (token.kind == "mark" and token.text in SEPARATORS - set("[](){}")):
            words, is_after = [], False
        elif token.kind == "space" and "\t" in token.text:
            words = []
    return found


def _is_bracketed(tokens: Sequence[Token], token: Token) -> bool:
    at = next(k for k, each in enumerate(tokens) if each.start == token.start)
    return tokens[at - 1].text in "[("


def _make_name(label: str, taken: set[str]) -> str:
    plain = label.lower()
    for letter, ascii_letters in (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss"), ("µ", "u"), ("μ", "u")):
        plain = plain.replace(letter, ascii_letters)
    name = re.sub(r"[^a-z0-9]+", "_", plain).strip("_") or "column"
    name = name if name[0].isalpha() else f"channel_{name}"
    if name in ("clock", "seq", "check", "t_us", "t_ms") or name in taken:
        name = next(f"{name}_{n}" for n in range(2, 1000) if f"{name}_{n}" not in taken)
    return name


def _guess_kind(label: str, unit: str) -> Kind | None:
    for text in (_DEGREES.sub("", label.lower()), unit.lower()):
        for kind, pattern in _KINDS:
            if text and re.search(pattern, text):
                return kind
    return None


def _find_role(values: FloatArray) -> Role:
    if len(values) < 8:
        return "value"
    steps = np.diff(values)
    if not steps.any():
        return "same"
    usual = np.median(steps)
    if usual == 1 and np.mean(steps == 1) >= 0.95:
        return "counter"
    if usual > 1 and (values == np.round(values)).all() and np.mean(np.abs(steps - usual) <= 0.3 * usual) >= 0.95:
        return "time"
    return "value"


def _write_template(line: Line, names: Sequence[str], open_words: OpenWords) -> str:
    kinds, left, parts = kinds_of(line.shape), list(names), []
    place = 0
    for token in line.tokens:
        if token.kind == "space" and "\t" not in token.text:
            parts.append(" ")
            continue
        if token.kind == "number":
            parts.append(f"{{{left.pop(0)}}}")
        elif token.kind == "hex":
            parts.append(f"{{{left.pop(0)}:hex}}")
        elif token.kind == "clock":
            parts.append("{clock}")
        elif (kinds, place) in open_words:
            parts.append("{*}")
        else:
            parts.append("\t" if token.kind == "space" else token.text.replace("{", "{{").replace("}", "}}"))
        place += 1
    return "".join(parts)
