"""What a board prints, learnt from its first lines: which parts are numbers, what they are called, what stays. Pure.

Every line is reduced to its shape, numbers left open; lines of one shape are one kind of line. Words that change
without order are a status; lines whose labels take turns are the channels of one reading. What cannot be known is
asked: a layout is only there when there is one way to read it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from biofeedback.acquisition.layout import ANSI, Layout, Reading, Understanding
from biofeedback.acquisition.line_columns import Line, OpenWords, Shape, describe_columns, find_header, kinds_of
from biofeedback.acquisition.line_doubts import STATUS, find_direction, find_doubt
from biofeedback.acquisition.text_tokens import (
    NUMBER_KINDS,
    UNITS,
    Token,
    groups_by_space,
    judge_comma,
    to_text,
    tokenise,
)

MOST_LINES, MOST_CHARACTERS = 500, 4096
FITTING = 0.8  # of the lines with numbers
IN_TURN = 0.9
MOST_LABELS = 8
UNPRINTABLE = 0.1  # of the bytes: another baud rate makes a third and more of them
BLANKS = "\r\n\t\u00a0\u2009\u202f"
_FRAME = re.compile(rb"(?<![^\r\n])[\x00-\x06]{1,2}|[\x00-\x06\x0b\x0c]{1,2}(?=[\r\n])")  # start and end of text
_BAUD = "most of what comes is not text: check the baud rate"


def understand(received: bytes, *, decimal: str | None = None, is_hex: bool = False) -> Understanding:
    """Learn the layout of what has come so far.

    Parameters
    ----------
    received : as it came; the first line may be a fragment, the last one without its end does not count.
    decimal : "." or "," or ",." where the person has said it; None: by structure.
    is_hex : numbers are hexadecimal without saying so.
    """
    received = ANSI.sub(b"", received)
    if looks_unprintable(received):
        return Understanding(problem=_BAUD)
    whole, _, rest = received.replace(b"\r\n", b"\n").replace(b"\r", b"\n").rpartition(b"\n")
    lines = [line for line in (to_text(part) for part in whole.split(b"\n")[-MOST_LINES:]) if line.strip()]
    too_long = sum(len(line) > MOST_CHARACTERS for line in lines)
    lines = [line for line in lines if len(line) <= MOST_CHARACTERS]
    if not lines:
        problem = f"{too_long} lines longer than {MOST_CHARACTERS} characters" if too_long else "no whole line yet"
        return Understanding(prompt=to_text(rest).strip()[-200:], problem=problem)
    if not is_hex and groups_by_space(lines):
        problem = "its thousands are parted by a space or an apostrophe: let the board print plain digits"
        return Understanding(examples=(lines[-1],), problem=problem, n_lines=len(lines))
    doubt = "" if is_hex else find_doubt([line for line in lines if any(map(str.isdigit, line))])
    if doubt:
        return Understanding(examples=(lines[-1],), problem=doubt, n_lines=len(lines))
    if decimal is None:
        comma = "column" if is_hex else judge_comma([line for line in lines if any(map(str.isdigit, line))])
        if comma == "unknown":
            return _ask(lines, received)
        decimal = {"decimal": ",", "thousands": ",."}.get(comma, ".")
    found = _learn(lines, decimal, is_hex=is_hex)
    return replace(found, prompt=to_text(rest).strip()[-200:] if found.layout is None else "")


def looks_unprintable(received: bytes) -> bool:
    """Whether these bytes are no text, as at a wrong baud rate."""
    text = _FRAME.sub(b"", received).decode("utf-8", "replace")
    odd = sum(n for char, n in Counter(text).items() if char == "\ufffd" or not (char.isprintable() or char in BLANKS))
    latin = sum(map(received.count, b"\xb0\xb2\xb3\xb5"))  # degree, square, cube, micro in one byte
    return bool(received) and odd - latin > UNPRINTABLE * len(text)


def _ask(lines: Sequence[str], received: bytes) -> Understanding:
    """Both ways to read the comma."""
    is_grouped = any(re.search(r"\d,\d{3}\.\d", line) for line in lines)
    both = [(decimal, understand(received, decimal=decimal)) for decimal in (",." if is_grouped else ",", ".")]
    words = {",": "the comma begins a fraction", ",.": "the comma groups thousands", ".": "the comma parts two columns"}
    readings = tuple(
        Reading(decimal, words[decimal], tuple(column.value for column in one.columns)) for decimal, one in both
    )
    problem = "a comma between digits may begin a fraction or part two columns; the lines do not tell"
    return Understanding(examples=(lines[-1],), readings=readings, problem=problem, n_lines=len(lines))


def _learn(lines: Sequence[str], decimal: str, *, is_hex: bool) -> Understanding:
    parsed: list[Line] = []
    texts: list[str] = []
    n_unread = 0  # with digits and no number, once numbers have begun
    for line in lines:
        tokens = _strip(tokenise(line, decimal, is_hex=is_hex))
        if line.lstrip().startswith("#") or not any(token.kind in NUMBER_KINDS for token in tokens):
            texts.append(line.strip())
            n_unread += bool(parsed) and not line.lstrip().startswith("#") and any(map(str.isdigit, line))
        else:
            parsed.append(Line(line, tokens, _find_shape(tokens)))
    if len(parsed) < 2:
        what = f"only words so far: {texts[-1][:60]!r}" if texts else "too few lines so far"
        return Understanding(texts=tuple(texts), problem=what)
    parsed = _name_numbers_in_turn(parsed)
    open_words = _find_open_words(parsed)
    direction = find_direction(parsed)
    if direction:
        return Understanding(examples=(parsed[-1].text,), texts=tuple(texts), problem=direction, n_lines=len(parsed))
    shapes = [_blank(line.shape, open_words) for line in parsed]
    kinds = _find_kinds(shapes) if n_unread <= len(parsed) / 4 else []
    if not kinds or _change_order(kinds):
        examples = tuple(dict.fromkeys(line.text.strip() for line in parsed[-3:]))
        what = "its numbers change their order" if kinds else "the lines have no layout in common"
        problem = f"{what}, for example {examples[0][:60]!r}"
        return Understanding(examples=examples, texts=tuple(texts), problem=problem, n_lines=len(parsed))
    groups = [[line for line, shape in zip(parsed, shapes, strict=True) if shape == kind] for kind in kinds]
    columns, templates = describe_columns(groups, open_words, decimal, find_header(texts, groups))
    n_fitting = sum(map(len, groups))
    n_fragment = shapes[0] not in kinds
    return Understanding(
        layout=Layout(templates, decimal),
        examples=tuple(group[-1].text for group in groups),
        columns=columns,
        texts=tuple(texts),
        n_lines=len(parsed) - n_fragment,
        n_odd=len(parsed) - n_fragment - n_fitting,
    )


def _strip(tokens: list[Token]) -> tuple[Token, ...]:
    while tokens and tokens[0].kind == "space":
        tokens = tokens[1:]
    while tokens and (tokens[-1].kind == "space" or tokens[-1].text in ",;|"):
        tokens = tokens[:-1]
    return tuple(tokens)


def _find_shape(tokens: Sequence[Token]) -> Shape:
    """Words and marks as they are, numbers open; white space only where it parts what would run together."""
    shape: list[tuple[str, str]] = []
    for token in tokens:
        if token.kind == "space" and "\t" not in token.text:
            continue
        text = "" if token.kind in (*NUMBER_KINDS, "clock") else "\t" if token.kind == "space" else token.text
        shape.append((token.kind, text))
    return tuple(shape)


def _name_numbers_in_turn(parsed: Sequence[Line]) -> list[Line]:
    """Where the first number of every line takes turns, as 1, 2, 1, 2, it says which sensor the line is of."""
    found = [next((k for k, (kind, _) in enumerate(line.shape) if kind in NUMBER_KINDS), None) for line in parsed]
    numbers = [next((token for token in line.tokens if token.kind in NUMBER_KINDS), None) for line in parsed]
    texts = [token.text for token in numbers if token is not None and token.text.isdigit() and len(token.text) == 1]
    ids = sorted(map(int, set(texts)))
    n_numbers = min(sum(kind in NUMBER_KINDS for kind, _ in line.shape) for line in parsed)
    if len(texts) < len(parsed) or n_numbers < 2 or len(ids) < 2 or ids != list(range(ids[0], ids[0] + len(ids))):
        return list(parsed)
    turn = texts[: len(ids)]
    if not _takes_turns(texts) and (len(texts) < 2 * len(ids) or texts != (turn * len(texts))[: len(texts)]):
        return list(parsed)
    named = []
    for line, at, number in zip(parsed, found, numbers, strict=True):
        assert at is not None
        assert number is not None  # every line has one, above
        tokens = tuple(replace(token, kind="word") if token is number else token for token in line.tokens)
        named.append(Line(line.text, tokens, (*line.shape[:at], ("word", number.text), *line.shape[at + 1 :])))
    return named


def _find_open_words(parsed: Sequence[Line]) -> OpenWords:
    """Places, as (kinds of the line's tokens, index), of words that change without order: a status.

    A word that may name what the number is, or belongs to it, is none: what takes turns, a label before a colon, a
    unit, letters and digits that touch a number. Nor is any of few words that nobody knows as a status, since
    lines of two sensors would become one number.
    """
    places: dict[tuple[tuple[str, ...], int], list[str]] = {}
    touching: set[tuple[tuple[str, ...], int]] = set()
    for line in parsed:
        kinds = kinds_of(line.shape)
        place = -1
        before: Token | None = None
        for token in line.tokens:
            if token.kind == "space" and "\t" not in token.text:
                continue
            place += 1
            if token.kind == "word":
                places.setdefault((kinds, place), []).append(token.text)
                if before is not None and before.end == token.start and any(map(str.isdigit, token.text)):
                    touching |= {(kinds, place)} if before.kind in NUMBER_KINDS else set()
            before = token
    return {
        place
        for place, words in places.items()
        if len(set(words)) > 1
        and place not in touching
        and not _is_label(words, place)
        and not _is_unit(words, place)
        and (len(set(words)) > MOST_LABELS or all(word.lower() in STATUS for word in words))
    }


def _is_unit(words: Sequence[str], place: tuple[tuple[str, ...], int]) -> bool:
    kinds, k = place
    return k > 0 and kinds[k - 1] in NUMBER_KINDS and all(word.lower() in UNITS for word in words)


def _is_label(words: Sequence[str], place: tuple[tuple[str, ...], int]) -> bool:
    kinds, k = place
    after = [kind for kind in kinds[k + 1 : k + 3] if kind not in ("'", '"')]
    if after and after[0] in (":", "=") and len(set(words)) <= MOST_LABELS and not _is_rare(words):
        return True
    return _takes_turns(words)


def _change_order(kinds: Sequence[Shape]) -> bool:
    """Whether two kinds of line have the same words with the same number of numbers, elsewhere."""
    words = [tuple(sorted(text for kind, text in shape if kind == "word")) for shape in kinds]
    return any(a == b != () for k, a in enumerate(words) for b in words[k + 1 :])


def _is_rare(words: Sequence[str]) -> bool:
    """All but one word hardly ever come."""
    counts = Counter(words).most_common()
    return sum(n for _, n in counts[1:]) < 0.1 * len(words)


def _takes_turns(names: Sequence[object]) -> bool:
    period = len(set(names))
    if period < 2 or len(names) < 3 * period:
        return False
    same = sum(a == b for a, b in zip(names, names[period:], strict=False)) / (len(names) - period)
    different = sum(a != b for a, b in pairwise(names)) / (len(names) - 1)
    return same >= IN_TURN and different >= IN_TURN


def _blank(shape: Shape, open_words: OpenWords) -> Shape:
    kinds = kinds_of(shape)
    return tuple(("word", "*") if (kinds, k) in open_words else one for k, one in enumerate(shape))


def _find_kinds(shapes: Sequence[Shape]) -> list[Shape]:
    """The shape of the lines, or the shapes that take turns, in their order; none where most lines fit neither."""
    counts = Counter(shapes)
    most = counts.most_common(1)[0][1]
    if most >= FITTING * len(shapes):
        return [counts.most_common(1)[0][0]]
    often = [shape for shape, n in counts.items() if n >= most / 4 and n > 1]
    kept = [shape for shape in shapes if shape in often]
    if len(kept) < FITTING * len(shapes) or len(often) > 16 or not _takes_turns(kept):
        return []
    # whoever reads from the middle of a turn finds its beginning where the longest pause is; without times: first label
    first = min(range(len(often)), key=lambda k: kept.index(often[k]))
    return often[first:] + often[:first]
