"""Bytes to frames, for text lines of numbers as hobby sketches print them. Pure; what the wire brings never raises."""

from __future__ import annotations

import binascii
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import FloatArray

IntArray: TypeAlias = NDArray[np.int64]
MAX_LINE_BYTES = 4096
MAX_TEXT_CHARACTERS = 1000  # a board of 8 channels describes itself in 290
SEQUENCE, TIME_US, TIME_MS, CHECK, IGNORED = "seq", "t_us", "t_ms", "check", "-"
NOT_CHANNELS = (SEQUENCE, TIME_US, TIME_MS, CHECK, IGNORED)

# Possessive quantifiers: a run of good lines is recognised in one pass, a bad one cannot make the pattern backtrack.
_NUMBER = rb"[+-]?(?:\d{1,20}+(?:\.\d{0,20}+)?|\.\d{1,20}+)(?:[eE][+-]?\d{1,2}+)?"
_WHOLE = rb"[+-]?\d{1,18}+"  # fits 64 bits
_LABEL = rb"[A-Za-z_][A-Za-z0-9_]{0,31}+[ \t]?[:=][ \t]?"
_SEPARATOR = rb"(?:[ \t]{0,8}+[,;][ \t]{0,8}+|[ \t]{1,8}+)"
_VALUE = rb"(?:" + _LABEL + rb")?" + _NUMBER
_ANY_LINE = re.compile(rb"[ \t]{0,8}+" + _VALUE + rb"(?:" + _SEPARATOR + _VALUE + rb")*+[,;]?[ \t]{0,8}+")
_LABELS = re.compile(_LABEL)
_VALUES = re.compile(_VALUE)
_STARTS_LIKE_VALUES = re.compile(rb"[ \t]*(?:" + _LABEL + rb")?(?:[+-]?[.\d]|[+-]?(?:nan|inf|ovf)\b)", re.IGNORECASE)
_LETTERS = re.compile(rb"[A-Za-z]{3}")
_PRINTABLE = re.compile(rb"[\t\x20-\x7e]*+")
_TOO_LONG = f"line longer than {MAX_LINE_BYTES} bytes"
_WRONG_CHECK = "its check does not fit"
NOT_NUMBER, OTHER_LAYOUT, EXPECTED = "not a number", "another layout", "expected"
_TO_SPACES = bytes.maketrans(b",;\t\n", b"    ")


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Readable frames in a row: ``counts`` (n_frames, n_channels); sequence numbers and device time as sent or None."""

    counts: FloatArray
    sequence: IntArray | None = None
    device_us: FloatArray | None = None

    def cut(self, start: int, stop: int) -> Frames:
        """Some of them, without their sequence numbers."""
        times = self.device_us
        return Frames(self.counts[start:stop], device_us=None if times is None else times[start:stop])


@dataclass(frozen=True, slots=True)
class BadLines:
    """``n_lines`` in a row that should have been a frame and were not readable."""

    n_lines: int
    reason: str


@dataclass(frozen=True, slots=True)
class Text:
    """A line that never was a frame: a header, a boot message, an answer to a command."""

    text: str


Decoded: TypeAlias = Frames | BadLines | Text


def split_columns(columns: str | Sequence[str]) -> tuple[str, ...]:
    """Column names from ``"seq,t_us,force,emg"``, or from those names one by one.

    ``seq`` (or ``sequence``) is a sequence number, ``t_us`` and ``t_ms`` device time, ``check`` the CRC-16/CCITT-FALSE
    of every byte before the last comma, in decimal; ``-`` is ignored; the rest are channels.

    Raises
    ------
    ValueError
        If a name is empty, a name other than ``-`` comes twice, ``check`` is not the last, or no channel is left.
    """
    given = columns.split(",") if isinstance(columns, str) else columns
    names = tuple(SEQUENCE if name.strip() == "sequence" else name.strip() for name in given)
    named = [name for name in names if name != IGNORED]
    if not all(names):
        raise ValueError(f"columns {columns!r}: a name is empty")
    if len(set(named)) != len(named) or {TIME_US, TIME_MS} <= set(named):
        raise ValueError(f"columns {columns!r}: a name comes twice")
    if CHECK in names[:-1]:
        raise ValueError(f"columns {columns!r}: check must be the last")
    if not channel_columns(names):
        raise ValueError(f"columns {columns!r}: no channel among them")
    return names


def channel_columns(names: tuple[str, ...]) -> tuple[str, ...]:
    """The columns that are channels, in order."""
    return tuple(name for name in names if name not in NOT_CHANNELS)


def is_readable_text(reason: str) -> bool:
    """Whether bad lines of this reason are plain text all the same, so that no other baud rate would help."""
    return reason.startswith((NOT_NUMBER, OTHER_LAYOUT)) or reason.endswith(EXPECTED)


def find_runs(values: NDArray[Any]) -> list[tuple[int, int]]:
    """Start and stop of every stretch of equal neighbours in ``values`` (n,)."""
    if not len(values):
        return []
    edges = (np.flatnonzero(values[1:] != values[:-1]) + 1).tolist()
    return list(zip((0, *edges), (*edges, len(values)), strict=True))


class LineDecoder:
    """Lines of numbers to frames.

    Parameters
    ----------
    n_channels
        Numbers per line when ``columns`` is not given, else channels among them; one of the two has to be there.
    columns
        What each number is, see `split_columns`.
    starts_mid_line
        True for a wire that was opened while the device was already talking: everything up to the first line end is
        a fragment, neither used nor counted (a fragment of ``1234`` may look like a good ``34``).
    """

    def __init__(
        self,
        n_channels: int | None = None,
        columns: str | Sequence[str] | None = None,
        *,
        starts_mid_line: bool = False,
    ) -> None:
        names = split_columns(columns) if columns else ("",) * (n_channels or 0)
        if not names:
            raise ValueError(f"n_channels {n_channels}: at least 1")
        if n_channels is not None and len(channel_columns(names)) != n_channels:
            raise ValueError(f"columns {columns!r} hold {len(channel_columns(names))} channels, not {n_channels}")
        self.n_lines = 0
        self.n_bad_lines = 0
        self._tail = b""
        self._skipping = starts_mid_line
        self._names = names
        line = rb"[ \t]{0,8}+%b(?:%b%b){%d}[,;]?[ \t]{0,8}+\n++" % (_VALUE, _SEPARATOR, _VALUE, len(names) - 1)
        self._run = re.compile(rb"(?:" + line + rb")++")
        self._plain_run = re.compile(rb"(?:" + rb"[ ,;\t]".join([_WHOLE] * len(names)) + rb"\n++)++")
        self._channels = [i for i, name in enumerate(names) if name not in NOT_CHANNELS]
        self._all_channels = len(self._channels) == len(names)
        self._sequence = names.index(SEQUENCE) if SEQUENCE in names else None
        self._time = next((i for i, name in enumerate(names) if name in (TIME_US, TIME_MS)), None)
        self._time_factor = 1000.0 if TIME_MS in names else 1.0

    def resync(self) -> None:
        """The wire was interrupted: forget the unfinished line and skip to the next line end."""
        self._tail, self._skipping = b"", True

    def feed(self, data: bytes) -> list[Decoded]:
        """Frames, unreadable lines and text in the order they came; an unfinished line waits for the next call."""
        data = data.replace(b"\r", b"\n")
        if self._skipping:
            end = data.find(b"\n") + 1
            if not end:
                return []
            data, self._skipping = data[end:], False
        decoded: list[Decoded] = []
        end = data.rfind(b"\n") + 1
        if end:
            self._decode_block(self._tail + data[:end], decoded)
            self._tail = data[end:]
        else:
            self._tail += data
        if len(self._tail) > MAX_LINE_BYTES:
            self._tail, self._skipping = b"", True
            self._add_bad(_TOO_LONG, decoded)
        return decoded

    def _decode_block(self, block: bytes, decoded: list[Decoded]) -> None:
        """Runs of good lines at once; whatever stops a run is looked at as a single line."""
        if self._plain_run.fullmatch(block):  # as converters send them: much faster
            whole = np.fromstring(block.translate(_TO_SPACES), dtype=np.int64, sep=" ")
            self._read_values(whole.astype(np.float64), block, decoded)
            return
        at = 0
        while at < len(block):
            if match := self._run.match(block, at):
                self._read_run(block[at : match.end()], decoded)
                at = match.end()
                continue
            end = block.index(b"\n", at)
            line = block[at:end]
            if line.strip():
                self._judge_line(line, decoded)
            at = end + 1

    def _read_run(self, run: bytes, decoded: list[Decoded]) -> None:
        plain = _LABELS.sub(b"", run) if b":" in run or b"=" in run else run
        self._read_values(np.fromstring(plain.translate(_TO_SPACES), sep=" "), run, decoded)

    def _read_values(self, numbers: FloatArray, run: bytes, decoded: list[Decoded]) -> None:
        """The numbers of a run of good lines."""
        values = numbers.reshape(-1, len(self._names))
        if CHECK not in self._names:
            self._add_frames(values, decoded)
            return
        sums = [binascii.crc_hqx(line.rpartition(b",")[0], 0xFFFF) for line in run.split(b"\n") if line]
        good = values[:, -1] == sums
        for start, stop in find_runs(good):
            if good[start]:
                self._add_frames(values[start:stop], decoded)
            else:
                self._add_bad(_WRONG_CHECK, decoded, n=stop - start)

    def _add_frames(self, values: FloatArray, decoded: list[Decoded]) -> None:
        self.n_lines += len(values)
        frames = Frames(values)
        if not self._all_channels:
            sequence, time = self._sequence, self._time
            frames = Frames(
                values[:, self._channels],
                None if sequence is None else np.clip(values[:, sequence], -(2.0**53), 2.0**53).astype(np.int64),
                None if time is None else values[:, time] * self._time_factor,
            )
        decoded.append(frames)

    def _judge_line(self, line: bytes, decoded: list[Decoded]) -> None:
        """A line that is no frame: text if it reads like text, else unreadable."""
        if len(line) > MAX_LINE_BYTES:
            self._add_bad(_TOO_LONG, decoded)
        elif not _PRINTABLE.fullmatch(line):
            self._add_bad("not plain text", decoded)
        elif line[:1] == b"#" and CHECK in self._names:
            text, _, check = line.rpartition(b",")
            if check == b"%d" % binascii.crc_hqx(text, 0xFFFF):
                self._add_text(text, decoded)
            else:
                self._add_bad(_WRONG_CHECK, decoded)
        elif line.lstrip()[:1] == b"#" or (_LETTERS.search(line) and not _STARTS_LIKE_VALUES.match(line)):
            self._add_text(line, decoded)
        elif _ANY_LINE.fullmatch(line):
            n = len(_VALUES.findall(line))
            self._add_bad(f"{n} number{'s' * (n != 1)} where {len(self._names)} are {EXPECTED}", decoded)
        else:
            self._add_bad(NOT_NUMBER, decoded)

    def _add_text(self, line: bytes, decoded: list[Decoded]) -> None:
        self.n_lines += 1
        decoded.append(Text(line.decode("ascii").strip()[:MAX_TEXT_CHARACTERS]))

    def _add_bad(self, reason: str, decoded: list[Decoded], n: int = 1) -> None:
        self.n_lines += n
        self.n_bad_lines += n
        if decoded and isinstance(last := decoded[-1], BadLines) and last.reason == reason:
            decoded[-1] = BadLines(last.n_lines + n, reason)
        else:
            decoded.append(BadLines(n, reason))
