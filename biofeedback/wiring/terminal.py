"""What is said on a terminal is text and nothing else, and saying it never ends a session.

Codes, names and reasons come out of files that anybody may have made: a control sequence among them must not clear a
line or colour a verdict. A terminal that knows few letters, was closed, or writes to a full disk is no reason to stop.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO

# all that moves, hides or turns round what stands beside it: C0 and C1 controls, directions, joiners, lone surrogates
CONTROL = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]"
)
UNDECODABLE = range(0xDC80, 0xDD00)  # a byte of a file name that is no text (PEP 383)


def plain(text: object) -> str:
    """One line: what is neither visible nor a space stands there as an escape, ``\\x1b``."""
    return CONTROL.sub(_escape, str(text)).replace("\n", "\\n").replace("\t", "\\t")


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    return f"\\x{code - 0xDC00:02x}" if code in UNDECODABLE else match[0].encode("unicode_escape").decode("ascii")


class PlainStream:
    """Standard output or error as `plain_output` puts it in place. ``failure``: what became of it, None while well."""

    def __init__(self, stream: TextIO | None, *, is_patient: bool) -> None:
        self._stream = stream
        self._is_patient = is_patient
        self.failure: OSError | None = None

    def write(self, text: str) -> int:
        """Write it as far as the other end takes it. BrokenPipeError when nobody reads, unless it is to be patient."""
        kept = text[: len(text) - len(text.lstrip("\r"))]  # a bar that redraws itself; never from inside a text
        shown = kept + CONTROL.sub(_escape, text[len(kept) :])
        if not shown.isascii():
            encoding = getattr(self._stream, "encoding", None) or "utf-8"
            shown = shown.encode(encoding, "backslashreplace").decode(encoding)
        self._try("write", shown)
        return len(text)

    def flush(self) -> None:
        """Hand on what was written."""
        self._try("flush")

    def isatty(self) -> bool:
        """Whether somebody looks on."""
        return self._stream is not None and not self._stream.closed and self._stream.isatty()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def _try(self, act: str, *given: str) -> None:
        if self._stream is None or self._stream.closed:
            return
        try:
            getattr(self._stream, act)(*given)
        except BrokenPipeError as error:
            self.failure = error
            if not self._is_patient:
                raise
        except OSError as error:
            self.failure = error


@contextmanager
def plain_output(*, is_patient: bool) -> Iterator[PlainStream]:
    """Standard output and error are `PlainStream` inside; yields the former. ``is_patient``: also without a reader."""
    before = sys.stdout, sys.stderr
    out = PlainStream(before[0], is_patient=is_patient)
    sys.stdout, sys.stderr = out, PlainStream(before[1], is_patient=True)
    try:
        yield out
    finally:
        sys.stdout, sys.stderr = before
