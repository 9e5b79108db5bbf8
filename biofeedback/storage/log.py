"""The write-ahead log beside a recording that was interrupted, read without SQLite: is all of it as it was written?

SQLite takes a log up to its first bad frame and drops the rest in silence, as after a crash. But every commit is
flushed before the next one begins, so whole frames of the same log behind a bad one are no crash: they are damage.

Layout and checksums: SQLite file format, sections 4.1 and 4.2.
"""

from __future__ import annotations

import errno
import os
import stat
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LOG_HEADER_BYTES, FRAME_HEADER_BYTES = 32, 24
MAGIC = 0x377F0682  # the last bit tells the order of bytes in the checksums
USUAL_PAGE_BYTES = 4096  # SQLite's default, where the header is lost
MAX_EARLIER = 2**16  # the first salt grows by one each time the log restarts
FRAMES_AT_ONCE = 256
MAX_LOG_BYTES = 2**31  # SQLite restarts the log about every 4 MB, as soon as nobody reads

Words = NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class Frame:
    """One page as it was when it was written; ``n_pages`` is above 0 where a commit ends."""

    page: int
    n_pages: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Log:
    """What stands in a log. ``frames`` are all that belong to it, bad ones too, in the order of writing.

    ``n_sound`` of them, from the first on, are as they were written; ``n_committed`` of those belong to whole commits.
    ``n_odd`` frames, and ``n_tail_bytes`` behind the last whole frame, are neither this log's nor an earlier one's.
    """

    frames: tuple[Frame, ...]
    n_sound: int
    n_committed: int
    n_odd: int
    n_tail_bytes: int
    has_header: bool

    @property
    def n_lost(self) -> int:
        """Frames that SQLite drops although they may hold what was committed."""
        return len(self.frames) - self.n_sound + self.n_odd

    @property
    def is_damaged(self) -> bool:
        """Whether anything is otherwise than a writer that was cut off leaves it."""
        return self.n_lost > 0 or not self.has_header

    @property
    def is_unfinished(self) -> bool:
        """Whether a write was under way when it was cut off."""
        return self.n_committed < self.n_sound or self.n_tail_bytes > 0


def read_log(path: Path) -> Log | None:
    """The log beside a recording; None where there is none, or an empty one. OSError when it cannot be read."""
    content = read_log_bytes(path)
    return parse_log(content) if content else None


def read_log_bytes(path: Path) -> bytes:
    """What stands in the log beside a recording, if there is one. OSError when it is no plain file, or too large."""
    log = Path(f"{path}-wal")
    try:
        status = log.lstat()
    except FileNotFoundError:
        return b""
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "not a regular file", str(log))
    if status.st_size > MAX_LOG_BYTES:
        raise OSError(errno.EFBIG, os.strerror(errno.EFBIG), str(log))
    return log.read_bytes()


def parse_log(content: bytes) -> Log:
    """See `Log`."""
    header = content[:LOG_HEADER_BYTES]
    has_header = _is_sound_header(header)
    n_bytes = _unsigned(header, 8, 4) if has_header else USUAL_PAGE_BYTES
    step = FRAME_HEADER_BYTES + n_bytes
    starts = range(LOG_HEADER_BYTES, len(content) - step + 1, step)
    salts = header[16:24] if has_header else _guess_salts(content, starts)
    ours = [at for at in starts if content[at + 8 : at + 16] == salts]
    n_sound = _count_sound(content, n_bytes, header) if has_header else 0
    frames = tuple(
        Frame(_unsigned(content, at, 4), _unsigned(content, at + 4, 4), content[at + FRAME_HEADER_BYTES : at + step])
        for at in ours
    )
    n_committed = max((k + 1 for k in range(n_sound) if frames[k].n_pages), default=0)
    others = [at for at in starts if content[at + 8 : at + 16] != salts]
    first_salt = int.from_bytes(salts[:4], "big")
    n_odd = sum(not _is_earlier(_unsigned(content, at + 8, 4), first_salt) for at in others)
    n_tail = max(0, len(content) - LOG_HEADER_BYTES) % step
    is_of_ours = not others  # behind frames of an earlier log, a cut is an old one
    return Log(frames, n_sound, n_committed, n_odd, n_tail if is_of_ours else 0, has_header)


def _is_earlier(salt: int, now: int) -> bool:
    """Whether a frame is left of the log as it was before it was restarted."""
    return 0 < (now - salt) % 2**32 <= MAX_EARLIER


def _guess_salts(content: bytes, starts: range) -> bytes:
    counted = Counter(content[at + 8 : at + 16] for at in starts)
    counted.pop(bytes(8), None)
    return counted.most_common(1)[0][0] if counted else bytes(8)


def _is_sound_header(header: bytes) -> bool:
    n_bytes = _unsigned(header, 8, 4)
    if len(header) < LOG_HEADER_BYTES or _unsigned(header, 0, 4) & ~1 != MAGIC:
        return False
    if not 512 <= n_bytes <= 65536 or n_bytes & (n_bytes - 1):
        return False
    first, second = _sum_up(np.frombuffer(header[:24], _order_of(header)).astype(np.uint32)[None])[0]
    return (int(first), int(second)) == (_unsigned(header, 24, 4), _unsigned(header, 28, 4))


def _count_sound(content: bytes, n_bytes: int, header: bytes) -> int:
    """Frames from the first on whose salts and running checksums are right."""
    step = FRAME_HEADER_BYTES + n_bytes
    n_frames = (len(content) - LOG_HEADER_BYTES) // step
    stored = _unsigned(header, 24, 4), _unsigned(header, 28, 4)
    n_words = (8 + n_bytes) // 4
    after = _powers(n_words // 2)[0].astype(object)
    for number, (frame, (first, second)) in enumerate(_sum_frames(content, n_frames, step, _order_of(header))):
        running = after @ np.array(stored, dtype=object)
        stored = _unsigned(frame, 16, 4), _unsigned(frame, 20, 4)
        computed = tuple(int(part + own) % 2**32 for part, own in zip(running, (int(first), int(second)), strict=True))
        if frame[8:16] != header[16:24] or computed != stored or _unsigned(frame, 0, 4) == 0:
            return number
    return n_frames


def _sum_frames(content: bytes, n_frames: int, step: int, order: str) -> Iterator[tuple[bytes, Words]]:
    """Header of each frame, and what its bytes add to the running checksum."""
    for first in range(0, n_frames, FRAMES_AT_ONCE):
        n = min(FRAMES_AT_ONCE, n_frames - first)
        at = LOG_HEADER_BYTES + first * step
        table = np.frombuffer(content, np.uint8, n * step, at).reshape(n, step)
        checked = np.concatenate([table[:, :8], table[:, FRAME_HEADER_BYTES:]], axis=1)
        for row, sums in zip(table, _sum_up(checked.view(order).astype(np.uint32)), strict=True):
            yield row[:FRAME_HEADER_BYTES].tobytes(), sums


def _sum_up(words: Words) -> Words:
    """SQLite's checksum of each row of an even number of words, begun at zero: ``(n, 2)``.

    For every pair ``s0 += x0 + s1; s1 += x1 + s0``, modulo 2^32: linear, so each word has a weight.
    """
    weights = _powers(words.shape[1] // 2)[1]
    return np.stack([(words * weights[:, k]).sum(axis=1, dtype=np.uint32) for k in (0, 1)], axis=1)


@lru_cache(maxsize=8)
def _powers(n_pairs: int) -> tuple[NDArray[np.int64], Words]:
    """What ``n_pairs`` steps make of the sums before them, (2, 2), and the weight of each word, (2 n_pairs, 2)."""
    power = [[1, 0], [0, 1]]
    weights = np.empty((2 * n_pairs, 2), np.uint32)
    for k in reversed(range(n_pairs)):
        for row in (0, 1):
            weights[2 * k, row] = (power[row][0] + power[row][1]) % 2**32
            weights[2 * k + 1, row] = power[row][1]
        power = [[(row[0] + row[1]) % 2**32, (row[0] + 2 * row[1]) % 2**32] for row in power]
    return np.array(power, np.int64), weights


def _order_of(header: bytes) -> str:
    return ">u4" if header[3] & 1 else "<u4"


def _unsigned(data: bytes, at: int, n_bytes: int) -> int:
    return int.from_bytes(data[at : at + n_bytes], "big")
