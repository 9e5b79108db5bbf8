"""Bytes to frames by a layout that was learnt or is written in a profile. Pure; what the wire brings never raises."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import cast

import numpy as np

from biofeedback.acquisition.decoder import (
    IGNORED,
    MAX_LINE_BYTES,
    MAX_TEXT_CHARACTERS,
    NOT_CHANNELS,
    OTHER_LAYOUT,
    SEQUENCE,
    TIME_MS,
    TIME_US,
    BadLines,
    Decoded,
    Frames,
    Text,
)
from biofeedback.acquisition.layout import ANSI, PLACEHOLDER, Layout
from biofeedback.acquisition.text_tokens import NUMBERS, read_number, to_text

SHOWN = 60  # characters of a line that does not fit
_CLOCK = r"[0-9][0-9:.,/TZ +-]*[0-9Z]"
_SIGN = r"(?:[+-][ ]{0,6})?"
_HEX = r"(?:0[xX])?[0-9A-Fa-f]{1,8}"
_WORD = r"[^\s\d,;|:=][^\s,;|:=]*"


def find_names(layout: Layout) -> tuple[str, ...]:
    """The names in the templates, in order, ignored numbers included."""
    found = (match for template in layout.templates for match in PLACEHOLDER.finditer(template))
    return tuple(match["name"] for match in found if match["name"] not in (None, "clock", "*"))


def compile_template(template: str, decimal: str) -> tuple[re.Pattern[str], tuple[bool, ...]]:
    """A pattern for whole lines, a group for every number, and which of them are hexadecimal.

    Raises
    ------
    ValueError
        A brace that belongs to no placeholder.
    """
    parts, is_hex, at = [], [], 0
    for match in PLACEHOLDER.finditer(template):
        parts.append(_literal(template[at : match.start()]))
        at = match.end()
        if match["name"] is None:
            parts.append(re.escape(match.group()[0]))
        elif match["name"] in ("clock", "*"):
            parts.append(_CLOCK if match["name"] == "clock" else _WORD)
        else:
            is_hex.append(match["form"] is not None)
            parts.append(f"({_HEX})" if is_hex[-1] else f"({_SIGN}{NUMBERS[decimal]})")
    parts.append(_literal(template[at:]))
    pattern = re.compile(rf"[ \t]*{''.join(parts)}[ \t,;|]*")
    return pattern, tuple(is_hex)


def _literal(text: str) -> str:
    """Words as they are; white space may be wider, and may be missing beside a mark."""
    if "{" in text or "}" in text:
        raise ValueError(f"{text!r}: a brace that belongs to no name; write two for one in the line")
    parts = []
    for piece in re.findall(r"[ ]+|\t+|\w+|[^\w \t]", text):
        if piece[0] in " \t":
            parts.append("[ ]*\t[ \t]*" if "\t" in piece else "[ ]*" if _beside_mark(text, piece) else "[ ]+")
        else:
            parts.append(re.escape(piece) if piece.isalnum() else rf"[ ]*{re.escape(piece)}[ ]*")
    return "".join(parts) or "[ ]*"


def _beside_mark(text: str, piece: str) -> bool:
    return text != piece


class LayoutDecoder:
    """Lines to frames by templates; see ``Layout``.

    Parameters
    ----------
    layout : its names say what each number is: a channel, ``seq``, ``t_us``, ``t_ms`` or ``-``.
    channels : names of the channels in the order of the frames.
    starts_mid_line : everything up to the first line end is a fragment, neither used nor counted.

    Attributes
    ----------
    last_line : the last line that came, as it came, for a person to look at.

    Raises
    ------
    ValueError
        Templates and channels do not fit each other.
    """

    def __init__(self, layout: Layout, channels: Sequence[str], *, starts_mid_line: bool = False) -> None:
        names = find_names(layout)
        named = [name for name in names if name not in NOT_CHANNELS]
        if sorted(named) != sorted(channels) or not named:
            raise ValueError(f"{', '.join(named) or 'nothing'} in the templates, {', '.join(channels)} as channels")
        compiled = [compile_template(template, layout.decimal) for template in layout.templates]
        self._patterns = [pattern for pattern, _ in compiled]
        self._is_hex = [is_hex for _, is_hex in compiled]
        self._is_point = layout.decimal == "." and not any(map(any, self._is_hex))
        self._decimal = layout.decimal
        self._columns = [names.index(channel) for channel in channels]
        self._sequence = names.index(SEQUENCE) if SEQUENCE in names else None
        time = next((name for name in (TIME_US, TIME_MS) if name in names), None)
        self._time = None if time is None else names.index(time)
        self._time_factor = 1000.0 if time == TIME_MS else 1.0
        self.n_lines = self.n_bad_lines = 0
        self.last_line = ""
        self._tail, self._skipping = b"", starts_mid_line
        self._part: list[float] = []  # of a reading whose lines take turns
        self._next = 0
        self._has_begun = len(self._patterns) == 1
        self._odd = ""

    def resync(self) -> None:
        """The wire was interrupted: forget the unfinished line and skip to the next line end."""
        self._tail, self._skipping = b"", True
        self._part, self._next, self._has_begun = [], 0, len(self._patterns) == 1

    def feed(self, data: bytes) -> list[Decoded]:
        """Frames, unreadable lines and text in the order they came; an unfinished line waits for the next call."""
        data = data.replace(b"\r", b"\n")
        if self._skipping:
            end = data.find(b"\n") + 1
            if not end:
                return []
            data, self._skipping = data[end:], False
        *whole, self._tail = (self._tail + data).split(b"\n")
        decoded: list[Decoded] = []
        rows: list[list[float]] = []
        for line in whole:
            if not line.strip():
                continue
            row = self._read(line, decoded, rows)
            if row is not None:
                rows.append(row)
        self._flush(rows, decoded)
        if len(self._tail) > MAX_LINE_BYTES:
            self._tail, self._skipping = b"", True
            self._add_bad(f"line longer than {MAX_LINE_BYTES} bytes", decoded, rows)
        return decoded

    def _read(self, line: bytes, decoded: list[Decoded], rows: list[list[float]]) -> list[float] | None:
        """The numbers of a whole reading, once its last line has come."""
        if b"\x1b" in line:
            line = ANSI.sub(b"", line)
        if len(line) > MAX_LINE_BYTES:
            self._add_bad(f"line longer than {MAX_LINE_BYTES} bytes", decoded, rows)
            return None
        text = to_text(line)
        self.last_line = text
        self.n_lines += 1
        order = range(self._next, self._next + len(self._patterns))
        for which in (k % len(self._patterns) for k in order):
            match = self._patterns[which].fullmatch(text)
            if match is not None:
                return self._take(which, cast("tuple[str, ...]", match.groups()), decoded, rows)
        if line.lstrip()[:1] == b"#" or not any(map(str.isdigit, text)):
            self._flush(rows, decoded)
            decoded.append(Text(text.strip()[:MAX_TEXT_CHARACTERS]))
            return None
        self.n_lines -= 1
        self._odd = self._odd or f"{OTHER_LAYOUT}, for example {text.strip()[:SHOWN]!r}"
        self._add_bad(self._odd, decoded, rows)
        return None

    def _take(
        self, which: int, groups: tuple[str, ...], decoded: list[Decoded], rows: list[list[float]]
    ) -> list[float] | None:
        self._odd = ""
        values = self._to_numbers(which, groups)
        if which != self._next:
            if self._has_begun:
                self.n_lines -= 1
                self._add_bad("a part of a reading is missing", decoded, rows)
            if which:
                self._part, self._next = [], 0
                return None
            self._part = []
        self._has_begun = True
        self._part += values
        self._next = (which + 1) % len(self._patterns)
        if self._next:
            return None
        row, self._part = self._part, []
        return row

    def _to_numbers(self, which: int, groups: tuple[str, ...]) -> list[float]:
        if self._is_point:
            return [float(text) if " " not in text else read_number(text, ".") for text in groups]
        pairs = zip(groups, self._is_hex[which], strict=True)
        return [float(int(text, 16)) if is_hex else read_number(text, self._decimal) for text, is_hex in pairs]

    def _flush(self, rows: list[list[float]], decoded: list[Decoded]) -> None:
        if not rows:
            return
        values = np.array(rows, dtype=np.float64)
        rows.clear()
        sequence, time = self._sequence, self._time
        decoded.append(
            Frames(
                values[:, self._columns],
                None if sequence is None else np.clip(values[:, sequence], -(2.0**53), 2.0**53).astype(np.int64),
                None if time is None else values[:, time] * self._time_factor,
            )
        )

    def _add_bad(self, reason: str, decoded: list[Decoded], rows: list[list[float]]) -> None:
        self._flush(rows, decoded)
        self.n_lines += 1
        self.n_bad_lines += 1
        if decoded and isinstance(last := decoded[-1], BadLines) and last.reason == reason:
            decoded[-1] = BadLines(last.n_lines + 1, reason)
        else:
            decoded.append(BadLines(1, reason))


__all__ = ["IGNORED", "LayoutDecoder", "compile_template", "find_names"]
