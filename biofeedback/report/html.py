"""A report as one HTML file: no request to anywhere, light or dark as the reader's device is, ready for the printer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from matplotlib.figure import Figure

from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.cautions import CAUTIONS
from biofeedback.report.answer_figures import draw_contrasts, draw_dose, draw_ratings
from biofeedback.report.answer_tables import DOSE_TITLE
from biofeedback.report.figures import count_panels, draw_trace
from biofeedback.report.figuring import capitalise
from biofeedback.report.markup import Markup, join, tag
from biofeedback.report.methods import LITERATURE, METHODS
from biofeedback.report.page import build_page, define, draw_svg, frame_figure, list_section, show_table
from biofeedback.report.tables import list_settings, list_tables
from biofeedback.report.words import (
    ANSWER_SIGNS,
    ANSWER_TITLES,
    CAPTIONS,
    TITLE,
    describe_done,
    describe_effect,
    describe_maximum,
    describe_next,
    describe_setting,
)

Draw = Callable[[Figure, SessionAnalysis], None]


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
        tag("div", list_section("What was done", describe_done(analysis)),
            list_section("What to do next", describe_next(analysis)), class_="pair"),
        _show_answer_figures(analysis),
        list_section("Cautions", CAUTIONS, class_="cautions"),
        class_="first",
    )  # fmt: skip
    body = join(first_page, _show_details(analysis), _show_methods(analysis))
    return build_page(f"Session report: {describe_setting(analysis)}", body)


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
    figures = [_show_figure("ratings", draw_ratings, analysis)]
    if any(c.change is not None for c in analysis.response.contrasts):
        figures.append(_show_figure("contrasts", draw_contrasts, analysis))
    return tag("div", *figures, class_="pair")


def _show_figure(
    name: str, draw: Draw, analysis: SessionAnalysis, size_inch: tuple[float, float] = (4.3, 3.0)
) -> Markup:
    svg = draw_svg(lambda figure: draw(figure, analysis), size_inch)
    return frame_figure(svg, capitalise(CAPTIONS[name]), name)


def _show_details(analysis: SessionAnalysis) -> Markup:
    height_inch = 3.9 + 1.1 * (count_panels(analysis) - 1)
    parts = [_show_figure("trace", draw_trace, analysis, (8.6, height_inch))]
    for table in list_tables(analysis):
        shown = show_table(table)
        if table.title == DOSE_TITLE:
            shown = tag("div", shown, _show_figure("dose", draw_dose, analysis), class_="pair")
        parts.append(shown)
    if not analysis.attempts:
        parts.append(tag("section", tag("h3", "Maximum"), tag("p", describe_maximum(analysis))))
    if analysis.warnings:
        parts.append(list_section("Warnings", analysis.warnings))
    return tag("section", tag("h2", "Details"), *parts)


def _show_methods(analysis: SessionAnalysis) -> Markup:
    return tag(
        "section",
        tag("h2", "How each number was made"),
        define(METHODS),
        tag("h2", "What the literature says"),
        define(LITERATURE),
        tag("h2", "Settings"),
        define(list_settings(analysis)),
    )
