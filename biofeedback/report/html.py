"""A report as one HTML file: no request to anywhere, light or dark as the reader's device is, ready for the printer."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from matplotlib.figure import Figure

from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.cautions import CAUTIONS
from biofeedback.report.answer_figures import draw_contrasts, draw_dose, draw_ratings
from biofeedback.report.answer_tables import DOSE_TITLE
from biofeedback.report.figures import count_panels, draw_trace
from biofeedback.report.figuring import capitalise
from biofeedback.report.learning_figure import LEARNING_CAPTION, draw_learning, find_height_inch, list_drawn
from biofeedback.report.markup import Markup, join, tag
from biofeedback.report.methods import LITERATURE, choose_methods
from biofeedback.report.page import build_page, define, draw_svg, frame_figure, list_section, show_table
from biofeedback.report.table import trim
from biofeedback.report.tables import list_settings, list_tables
from biofeedback.report.training_tables import LESSONS_TITLE
from biofeedback.report.words import (
    CAPTIONS,
    TITLE,
    describe_done,
    describe_effect,
    describe_maximum,
    describe_next,
    describe_notes,
    describe_setting,
    sign_answer,
    title_answer,
)

Draw = Callable[[Figure, SessionAnalysis], None]


def write_report(analysis: SessionAnalysis, path: Path, *, full: bool = False) -> None:
    """Write the report of one session to ``path`` as UTF-8 HTML."""
    path.write_text(build_report(analysis, full=full), encoding="utf-8")


def build_report(analysis: SessionAnalysis, *, full: bool = False) -> str:
    """The report of one session as a whole HTML document: a page for the athlete, and a fold, open when ``full``.

    A browser prints what is unfolded, so that the page alone is one sheet of paper.
    """
    simulated = (
        tag("p", "Simulated athlete and sensors", class_="badge") if analysis.settings.get("simulated") else Markup()
    )
    first_page = tag(
        "section",
        tag("header", tag("p", describe_setting(analysis), class_="setting"), tag("h1", TITLE), simulated),
        _show_answer(analysis),
        _show_ratings(analysis),
        list_section("What to do next", describe_next(analysis)),
        list_section("Coach’s notes", notes) if (notes := describe_notes(analysis)) else Markup(),
        list_section("Cautions", CAUTIONS, class_="cautions"),
        class_="first",
    )  # fmt: skip
    fold = {"open": "open"} if full else {}
    body = join(first_page, tag("details", _show_details(analysis), _show_methods(analysis), **fold))
    return build_page(f"Session report: {describe_setting(analysis)}", body)


def _show_answer(analysis: SessionAnalysis) -> Markup:
    title = tag(
        "p",
        tag("span", sign_answer(analysis), class_="sign", aria_hidden="true"),
        " ",
        title_answer(analysis),
        class_="answer",
    )
    return tag("section", title, *(tag("p", sentence) for sentence in describe_effect(analysis)), class_="effect")


def _show_ratings(analysis: SessionAnalysis) -> Markup:
    """The one picture of the first page; empty without a rating."""
    rated = [row for row in analysis.phases if row.rating is not None and row.rating.value is not None]
    return _show_figure("ratings", draw_ratings, analysis, (8.6, 3.0)) if rated else Markup()


def _show_figure(
    name: str, draw: Draw, analysis: SessionAnalysis, size_inch: tuple[float, float] = (4.3, 3.0)
) -> Markup:
    svg = draw_svg(lambda figure: draw(figure, analysis), size_inch)
    caption = CAPTIONS["said"] if name == "trace" and analysis.by_feel else CAPTIONS[name]
    return frame_figure(svg, capitalise(caption), name)


def _show_details(analysis: SessionAnalysis) -> Markup:
    height_inch = 3.9 + 1.1 * (count_panels(analysis) - 1)
    parts = [list_section("What was done", describe_done(analysis))]
    parts.append(_show_figure("trace", draw_trace, analysis, (8.6, height_inch)))
    if any(c.change is not None for c in analysis.response.contrasts):
        parts.append(_show_figure("contrasts", draw_contrasts, analysis))
    for table in filter(None, map(trim, list_tables(analysis))):
        shown = show_table(table)
        if table.title == DOSE_TITLE:
            shown = tag("div", shown, _show_figure("dose", draw_dose, analysis), class_="pair")
        parts.append(shown)
        if table.title == LESSONS_TITLE and list_drawn(repeats := analysis.trace.account.repeats):
            svg = draw_svg(partial(draw_learning, repeats=repeats), (8.6, find_height_inch(repeats)))
            parts.append(frame_figure(svg, LEARNING_CAPTION, "trace"))
    if not analysis.attempts and not analysis.by_feel:
        parts.append(tag("section", tag("h3", "Maximum"), tag("p", describe_maximum(analysis))))
    if analysis.warnings:
        parts.append(list_section("Warnings", analysis.warnings))
    return join(tag("summary", tag("h2", "Details")), tag("section", *parts))


def _show_methods(analysis: SessionAnalysis) -> Markup:
    return tag(
        "section",
        tag("h2", "How each number was made"),
        define(choose_methods(analysis.by_feel)),
        tag("h2", "What the literature says"),
        define(LITERATURE),
        tag("h2", "Settings"),
        define(list_settings(analysis)),
    )
