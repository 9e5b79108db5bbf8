"""How a board's lines are laid out, and what was understood of them. Values only."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from biofeedback.model import Kind

Role: TypeAlias = Literal["value", "counter", "time", "same"]
ANSI = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]|\x1b[()][A-Z0-9]")  # colours for a terminal


@dataclass(frozen=True, slots=True)
class Column:
    """One number of a line. ``start`` and ``end``: where it stands in the example of its kind of line, ``line``.

    ``name`` may stand in a template; ``label`` and ``unit`` as the board prints them, "" where it does not. ``kind`` is
    a guess by the words, None without; ``role``: "counter" rises by one, "time" evenly by more, "same" never changes.
    """

    name: str
    label: str
    unit: str
    kind: Kind | None
    role: Role
    line: int
    start: int
    end: int
    value: float


@dataclass(frozen=True, slots=True)
class Layout:
    """How to read lines: one template per kind of line, more than one where they take turns.

    In a template ``{name}`` is a number, ``{name:hex}`` one in hexadecimal, ``{-}`` a number that is not used,
    ``{clock}`` a time of day, ``{*}`` a word that changes; a space stands for any white space, ``{{`` for a brace.
    ``decimal`` is what begins a fraction: "." or ",", or ",." where commas group thousands.
    """

    templates: tuple[str, ...]
    decimal: str = "."

    def rename(self, names: Sequence[str]) -> Layout:
        """The same with other names for its numbers, in order; "-" for those that are not used."""
        left = list(names)

        def put(match: re.Match[str]) -> str:
            if match["name"] in (None, "clock", "*"):
                return match.group()
            return f"{{{left.pop(0)}{match['form'] or ''}}}"

        return replace(self, templates=tuple(PLACEHOLDER.sub(put, template) for template in self.templates))


PLACEHOLDER = re.compile(r"\{\{|\}\}|\{(?P<name>[A-Za-z_][A-Za-z0-9_]*|-|\*)(?P<form>:hex)?\}")


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read an example: ``decimal`` to ask for it, what it would be in words, and its numbers."""

    decimal: str
    words: str
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Understanding:
    """What was understood of some lines, for a person to agree to.

    ``examples`` are the board's own last line of each kind, ``columns`` say what stands where. ``readings`` is what
    has to be asked, the layout then None. ``texts`` are lines that were no reading; ``prompt`` is what stands last
    without a line end when nothing else comes. ``problem`` says why there is no layout; ``n_odd`` of ``n_lines`` lines
    with numbers do not fit.
    """

    layout: Layout | None = None
    examples: tuple[str, ...] = ()
    columns: tuple[Column, ...] = ()
    readings: tuple[Reading, ...] = ()
    texts: tuple[str, ...] = ()
    prompt: str = ""
    problem: str = ""
    n_lines: int = 0
    n_odd: int = 0
