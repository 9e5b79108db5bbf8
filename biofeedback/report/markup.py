"""HTML by construction: everything is escaped unless it was built here."""

from __future__ import annotations

import html


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


def tag(name: str, /, *children: str, **attributes: str) -> Markup:
    """An element; children that are not Markup are escaped; a trailing or inner ``_`` in an attribute is ``-``."""
    given = "".join(f' {key.strip("_").replace("_", "-")}="{html.escape(value)}"' for key, value in attributes.items())
    if name in ("meta", "br", "hr"):
        return Markup(f"<{name}{given}>")
    return Markup(f"<{name}{given}>{join(*children)}</{name}>")


def join(*children: str) -> Markup:
    """Several children one after the other."""
    return Markup("".join(child if isinstance(child, Markup) else html.escape(child) for child in children))


def table(head: list[str], rows: list[list[str]], *, text_columns: tuple[int, ...] = (0,)) -> Markup:
    """A table in its own scrolling box; numbers to the right, ``text_columns`` to the left."""

    def cells(kind: str, row: list[str]) -> list[Markup]:
        return [tag(kind, cell, class_="text" if place in text_columns else "number") for place, cell in enumerate(row)]

    body = tag("tbody", *(tag("tr", *cells("td", row)) for row in rows))
    return tag("div", tag("table", tag("thead", tag("tr", *cells("th", head))), body), class_="scroll")
