"""TOML files written by people: parsed by the standard library, mistakes named by line with their cure."""

from __future__ import annotations

import errno
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from biofeedback.errors import PlanError

MAX_BYTES = 2**18  # the library of exercises, the largest of ours, has 30,000
_HEADER = re.compile(r"\s*(\[\[?)\s*([A-Za-z0-9_.\-]+)\s*\]\]?")
_KEY = re.compile(r"\s*([A-Za-z0-9_\-]+)\s*=")
Place = tuple[str | int, ...]


class MistakeError(PlanError):
    """A mistake at a ``place`` (keys and positions from the top), ``line`` of the file if known, ``wrong`` in words."""

    def __init__(self, name: str, place: Place, line: int | None, wrong: str, cure: str) -> None:
        super().__init__(f"{f'{name}, line {line}' if line else name}: {wrong}", cure)
        self.place, self.line, self.wrong = place, line, wrong


@dataclass(frozen=True, slots=True)
class TomlFile:
    """``data`` as parsed, ``name`` for messages, ``lines``: where each table and key stands (1-based)."""

    name: str
    data: dict[str, Any]
    lines: dict[Place, int]

    def find_line(self, place: Place) -> int | None:
        """The line of ``place``, or of the closest table around it."""
        while place and place not in self.lines:
            place = place[:-1]
        return self.lines.get(place)

    def refuse(self, place: Place, what: str, cure: str) -> NoReturn:
        """Raise MistakeError naming the line of ``place``."""
        raise MistakeError(self.name, place, self.find_line(place), what, cure)


def read_text_file(path: Path) -> str:
    """A small file that a person wrote: plan, exercises, certificate, profile.

    Raises OSError when it cannot be read or is larger than any of them (a device has no end), UnicodeDecodeError when
    it is no text.
    """
    with path.open("rb") as file:
        content = file.read(MAX_BYTES + 1)
    if len(content) > MAX_BYTES:
        raise OSError(errno.EFBIG, f"larger than {MAX_BYTES // 1024} KiB", str(path))
    return content.decode("utf-8").replace("\r\n", "\n")


def parse_toml(text: str, name: str) -> TomlFile:
    """Parse; PlanError with the parser's own line and column when the text is not TOML."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{name}: not valid TOML: {error}", "correct that line") from error
    except RecursionError as error:
        raise PlanError(f"{name}: nested too deeply", "use the form of the plans that come with the program") from error
    return TomlFile(name, data, _find_lines(text))


def _find_lines(text: str) -> dict[Place, int]:
    lines: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    table: Place = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = ()
            names = header.group(2).split(".")
            for depth, part in enumerate(names):
                table = (*table, part)
                if depth == len(names) - 1 and header.group(1) == "[[":
                    counts[table] = counts.get(table, -1) + 1
                    for deeper in [key for key in counts if key[: len(table)] == table and key != table]:
                        del counts[deeper]
                if table in counts:
                    table = (*table, counts[table])
            lines[table] = number
        elif key := _KEY.match(line):
            lines.setdefault((*table, key.group(1)), number)
    return lines
