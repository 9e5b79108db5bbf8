"""A table as a file: whether it is text at all, its encoding, and its contents some at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from biofeedback.errors import RecordingError

BLOCK_BYTES = 2**20
MOST_BYTES = 2 * 2**30
OTHER_FILES = {  # first bytes, by the formats' own texts
    b"\x89PNG": "a picture", b"\xff\xd8\xff": "a picture", b"GIF8": "a picture", b"BM": "a picture",
    b"%PDF": "a PDF", b"\x1f\x8b": "a compressed file", b"SQLite format 3\0": "a database",
}  # fmt: skip
UNPACK = "unpack it first, as gunzip does, and convert what is in it"
WRITE_AGAIN = "open it in the program that made it and save it as CSV"


def read_head(path: Path) -> bytes:
    """The first megabyte. RecordingError for what is no text, or too much of it."""
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(2**20)
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({error.strerror})", "check the name") from error
    if size > MOST_BYTES:
        raise RecordingError(f"{path} has {size / 2**30:.1f} GiB", "cut it into files below 2 GiB, the header in each")
    if head[:4] == b"PK\3\4":
        raise RecordingError(f"{path} is a spreadsheet or another packed file, not text", WRITE_AGAIN)
    for mark, what in OTHER_FILES.items():
        if head.startswith(mark):
            cure = UNPACK if what == OTHER_FILES[b"\x1f\x8b"] else WRITE_AGAIN
            raise RecordingError(f"{path} is {what}, not a table", cure)
    return head


def find_encoding(head: bytes, path: Path) -> str:
    """How the bytes are meant; Latin-1 takes whatever is nothing else."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    odd, even = head[1:2000:2].count(0), head[0:2000:2].count(0)
    if max(odd, even) > 0.4 * len(head[0:2000:2]) and min(odd, even) < 0.1 * len(head[0:2000:2]):
        return "utf-16-le" if odd > even else "utf-16-be"
    if b"\0" in head:
        raise RecordingError(f"{path} is not text, and so not a table", WRITE_AGAIN)
    try:
        head[: len(head) - 4 if len(head) == 2**20 else None].decode("utf-8-sig")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8-sig"


def decode_head(head: bytes, encoding: str) -> str:
    """The text of the first bytes; the last sign may be half of one."""
    return head.decode(encoding, "ignore").lstrip("\ufeff")


def make_plain(text: str) -> str:
    """One line end and one minus for every kind that files have; other signs that could break a line break none."""
    text = text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
    return text.replace("\u2212", "-") if "\u2212" in text else text  # the sign that typesetters write for minus


def read_bytes(path: Path) -> Iterator[bytes]:
    """The file, about a megabyte at a time, cut at line feeds."""
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            yield block + file.readline()


def read_wide(path: Path, encoding: str) -> Iterator[str]:
    """The same of a file whose signs have two bytes."""
    with path.open(encoding=encoding, newline=None) as file:
        while block := file.read(BLOCK_BYTES):
            yield make_plain(block + file.readline())
