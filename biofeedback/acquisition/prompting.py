"""A board that prints a prompt and waits: the key that somebody has named is sent, and only while it waits. Pure."""

from __future__ import annotations

from biofeedback.acquisition.layout import ANSI
from biofeedback.errors import SourceError

WAITS_S = 0.5  # without a byte after words: it waits
STARTS_S = 2.5  # without any byte at all: boards that reset when a port is opened need up to 2 s
AGAIN_S = 3.0
MOST_TRIES = 3  # in a row: a key may do something else than was thought
ENTER, LONGEST = "enter", 16
_CURE = "write one of a board's own keys, for example key=s, key=enter, or key=start enter for a word and Enter"


def read_key(text: str | None) -> bytes | None:
    """What ``key=`` sends: its characters as they are; the word enter, alone or at the end, is a line end."""
    if text is None:
        return None
    word, _, last = text.rpartition(" ")
    typed, end = (word, b"\r\n") if last.lower() == ENTER else (text, b"")
    if not typed.isascii() or not (typed.isprintable()) or len(typed) > LONGEST or not (typed or end):
        raise SourceError(f"key={text[:40]} cannot be sent", _CURE)
    return typed.encode("ascii") + end


class Prompt:
    """Says when to send ``key``: when the last that came is words and nothing has come since.

    Readings are never answered: a wire that stalls is not a board that waits.
    """

    def __init__(self, now_s: float) -> None:
        self._tail = b""
        self._came_s: float | None = None
        self._opened_s, self._sent_s, self._n_sent = now_s, -AGAIN_S, 0

    def is_due(self, data: bytes, now_s: float) -> bool:
        """With what has come just now, b"" for nothing; True at most ``MOST_TRIES`` times between readings."""
        if data:
            self._came_s = now_s
            self._tail = (self._tail + data)[-400:]
            if self._ends_in_readings():
                self._n_sent = 0
            return False
        since_s = now_s - (self._opened_s if self._came_s is None else self._came_s)
        waits_s = WAITS_S if self._tail.strip() and not _has_number(self._lines()[-1]) else STARTS_S
        if since_s < waits_s or self._n_sent >= MOST_TRIES or now_s - self._sent_s < AGAIN_S:
            return False
        if self._ends_in_readings():
            return False
        self._sent_s, self._n_sent = now_s, self._n_sent + 1
        return True

    def _ends_in_readings(self) -> bool:
        """Whether lines with numbers have come one after the other, as those of a prompt hardly do.

        A wire may stall in the middle of a line: what the line before began with too is the beginning of a reading.
        """
        lines = self._lines()
        if len(lines) > 2 and not _has_number(lines[-1]) and lines[-2].startswith(lines[-1]):
            lines = lines[:-1]
        return len(lines) > 1 and all(map(_has_number, lines[-2:]))

    def _lines(self) -> list[bytes]:
        return [line for line in ANSI.sub(b"", self._tail).replace(b"\r", b"\n").split(b"\n") if line.strip()]


def _has_number(line: bytes) -> bool:
    return any(48 <= byte < 58 for byte in line)
