"""The frame of every page: one HTML file, no request to anywhere, light or dark as the reader's device is."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable
from importlib.resources import files

import matplotlib as mpl
from matplotlib.figure import Figure

from biofeedback.report.figures import PALETTE, STYLE
from biofeedback.report.markup import Markup, join, tag
from biofeedback.report.markup import table as build_table
from biofeedback.report.table import Table


def build_page(title: str, body: Markup) -> str:
    """A whole HTML document."""
    style = (files("biofeedback.report") / "report.css").read_text("utf-8")
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="robots", content="noindex"),
        tag("title", title),
        tag("style", Markup(style)),
    )
    return "<!doctype html>\n" + tag("html", head, tag("body", tag("main", body)), lang="en")


def draw_svg(draw: Callable[[Figure], None], size_inch: tuple[float, float]) -> Markup:
    """A figure as inline SVG that takes its colours from the page."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=size_inch)
        draw(figure)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg)
    for name, colour in PALETTE.items():
        svg = svg.replace(colour, f"var(--{name})")
    return Markup(svg)


def frame_figure(svg: Markup, caption: str, class_: str) -> Markup:
    """A figure with its caption, which is also what a screen reader says."""
    picture = tag("div", svg, class_="picture", role="img", aria_label=caption)
    return tag("figure", picture, tag("figcaption", caption), class_=class_, aria_label=caption)


def list_section(title: str, sentences: Iterable[str], *, class_: str = "plain") -> Markup:
    """A heading and a list."""
    return tag("section", tag("h2", title), tag("ul", *(tag("li", text) for text in sentences)), class_=class_)


def show_table(table: Table) -> Markup:
    """A table with its heading and note."""
    note = tag("p", table.note, class_="note") if table.note else Markup()
    rows = [list(row) for row in table.rows]
    return tag(
        "section", tag("h3", table.title), build_table(list(table.head), rows, text_columns=table.text_columns), note
    )


def define(pairs: Iterable[tuple[str, str]]) -> Markup:
    """Names beside their explanations."""
    return tag("dl", *(join(tag("dt", name), tag("dd", text)) for name, text in pairs))
