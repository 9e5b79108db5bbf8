"""A report as one HTML file: no request to anywhere, light or dark as the reader's device is, ready for the printer."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable
from importlib.resources import files
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.cautions import CAUTIONS
from biofeedback.report.figures import PALETTE, STYLE, count_panels, draw_contrasts, draw_ratings, draw_trace
from biofeedback.report.markup import Markup, join, tag
from biofeedback.report.markup import table as build_table
from biofeedback.report.tables import METHODS, Table, list_settings, list_tables
from biofeedback.report.words import (
    ANSWER_SIGNS,
    ANSWER_TITLES,
    TITLE,
    describe_done,
    describe_effect,
    describe_maximum,
    describe_next,
    describe_setting,
)


def write_report(analysis: SessionAnalysis, path: Path) -> None:
    """Write the report of one session to ``path`` as UTF-8 HTML."""
    path.write_text(build_report(analysis), encoding="utf-8")


def build_report(analysis: SessionAnalysis) -> str:
    """The report of one session as a whole HTML document."""
    simulated = (
        tag("p", "Simulated athlete and sensors", class_="badge") if analysis.settings.get("simulated") else Markup()
    )
    first_page = tag(
        "section",
        tag("header", tag("p", describe_setting(analysis), class_="setting"), tag("h1", TITLE), simulated),
        _show_answer(analysis),
        tag("div", _list_section("What was done", describe_done(analysis)),
            _list_section("What to do next", describe_next(analysis)), class_="pair"),
        _show_answer_figures(analysis),
        _list_section("Cautions", CAUTIONS, class_="cautions"),
        class_="first",
    )  # fmt: skip
    body = join(first_page, _show_details(analysis), _show_methods(analysis))
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="robots", content="noindex"),
        tag("title", f"Session report: {describe_setting(analysis)}"),
        tag("style", Markup(_read_style())),
    )
    return "<!doctype html>\n" + tag("html", head, tag("body", tag("main", body)), lang="en")


def draw_svg(
    draw: Callable[[Figure, SessionAnalysis], None], analysis: SessionAnalysis, size_inch: tuple[float, float]
) -> Markup:
    """A figure as inline SVG that takes its colours from the page."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=size_inch, layout="constrained")
        draw(figure, analysis)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    for name, colour in PALETTE.items():
        svg = svg.replace(colour, f"var(--{name})")
    return Markup(svg)


def _show_answer(analysis: SessionAnalysis) -> Markup:
    word = analysis.response.word
    title = tag(
        "p",
        tag("span", ANSWER_SIGNS[word], class_="sign", aria_hidden="true"),
        " ",
        ANSWER_TITLES[word],
        class_="answer",
    )
    return tag("section", title, *(tag("p", sentence) for sentence in describe_effect(analysis)), class_="effect")


def _show_answer_figures(analysis: SessionAnalysis) -> Markup:
    rated = [row for row in analysis.phases if row.rating is not None and row.rating.value is not None]
    if not rated:
        return Markup()
    figures = [
        _frame(
            draw_svg(draw_ratings, analysis, (4.3, 3.0)),
            "Discomfort in each phase, in order. Circles R: relaxed; diamonds C: contracting; hollow: doubtful.",
            "pair-figure",
        )
    ]
    if any(c.change is not None for c in analysis.response.contrasts):
        text = "Each contraction against the relaxed phases around it, and the mean with its 95 % interval."
        figures.append(_frame(draw_svg(draw_contrasts, analysis, (4.3, 3.0)), text, "pair-figure"))
    return tag("div", *figures, class_="pair")


def _show_details(analysis: SessionAnalysis) -> Markup:
    caption = (
        "Effort over the session. Thick bar above: contracting; thin: relaxed. Dashed lines: the edges of the band. "
        "Below: discomfort ratings, circles relaxed, diamonds contracting."
    )
    height_inch = 3.9 + 1.1 * (count_panels(analysis) - 1)
    parts = [_frame(draw_svg(draw_trace, analysis, (8.6, height_inch)), caption, "wide")]
    parts += [_show_table(table) for table in list_tables(analysis)]
    if not analysis.attempts:
        parts.append(tag("section", tag("h3", "Maximum"), tag("p", describe_maximum(analysis))))
    if analysis.warnings:
        parts.append(_list_section("Warnings", analysis.warnings))
    return tag("section", tag("h2", "Details"), *parts)


def _show_methods(analysis: SessionAnalysis) -> Markup:
    return tag(
        "section",
        tag("h2", "How each number was made"),
        _define(METHODS),
        tag("h2", "Settings"),
        _define(list_settings(analysis)),
    )


def _define(pairs: Iterable[tuple[str, str]]) -> Markup:
    return tag("dl", *(join(tag("dt", name), tag("dd", text)) for name, text in pairs))


def _show_table(table: Table) -> Markup:
    note = tag("p", table.note, class_="note") if table.note else Markup()
    rows = [list(row) for row in table.rows]
    return tag(
        "section", tag("h3", table.title), build_table(list(table.head), rows, text_columns=table.text_columns), note
    )


def _list_section(title: str, sentences: Iterable[str], *, class_: str = "plain") -> Markup:
    return tag("section", tag("h2", title), tag("ul", *(tag("li", text) for text in sentences)), class_=class_)


def _frame(svg: Markup, caption: str, class_: str) -> Markup:
    picture = tag("div", svg, class_="picture", role="img", aria_label=caption)
    return tag("figure", picture, tag("figcaption", caption), class_=class_)


def _read_style() -> str:
    return (files("biofeedback.report") / "report.css").read_text("utf-8")
