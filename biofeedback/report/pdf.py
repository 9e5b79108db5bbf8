"""A report as PDF, A4, drawn by matplotlib alone. Same sentences, tables and figures as the HTML report."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure, SubFigure

from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.cautions import CAUTIONS
from biofeedback.report.answer_figures import draw_contrasts, draw_dose, draw_ratings
from biofeedback.report.answer_tables import DOSE_TITLE
from biofeedback.report.figures import PALETTE, STYLE, count_panels, draw_trace
from biofeedback.report.figuring import capitalise
from biofeedback.report.learning_figure import LEARNING_CAPTION, draw_learning, find_height_inch, list_drawn
from biofeedback.report.methods import LITERATURE, choose_methods
from biofeedback.report.sheet import Sheet
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
    title_answer,
)


def write_pdf(analysis: SessionAnalysis, path: Path, *, full: bool = False) -> None:
    """Write the report of one session to ``path`` as an A4 PDF: the athlete's page, with the details when ``full``."""
    with mpl.rc_context(STYLE), PdfPages(path, metadata={"Title": TITLE, "CreationDate": None}) as pages:
        sheet = Sheet(pages, describe_setting(analysis), f"biofeedback {analysis.settings.get('software', '')}")
        _write_first_page(sheet, analysis)
        if full:
            _write_details(sheet, analysis)
        sheet.finish()


def _write_details(sheet: Sheet, analysis: SessionAnalysis) -> None:
    sheet.turn()
    sheet.heading("Details")
    sheet.heading("What was done")
    sheet.bullets(describe_done(analysis))
    if any(c.change is not None for c in analysis.response.contrasts):
        sheet.figures([draw_contrasts], analysis, 145.0, share=0.5)
        sheet.paragraph(capitalise(CAPTIONS["contrasts"]), size=7.5, colour=PALETTE["soft"])
    sheet.figures([draw_trace], analysis, 230.0 + 62.0 * (count_panels(analysis) - 1))
    sheet.paragraph(CAPTIONS["said" if analysis.by_feel else "trace"], size=7.5, colour=PALETTE["soft"])
    for table in filter(None, map(trim, list_tables(analysis))):
        sheet.table(table)
        if table.title == DOSE_TITLE:
            sheet.figures([draw_dose], analysis, 165.0, share=0.5)
            sheet.paragraph(CAPTIONS["dose"], size=7.5, colour=PALETTE["soft"])
        if table.title == LESSONS_TITLE and list_drawn(repeats := analysis.trace.account.repeats):
            sheet.figures([_draw_lessons], analysis, 72 * find_height_inch(repeats))
            sheet.paragraph(LEARNING_CAPTION, size=7.5, colour=PALETTE["soft"])
    if not analysis.attempts:
        sheet.heading("Maximum")
        sheet.paragraph(describe_maximum(analysis))
    if analysis.warnings:
        sheet.heading("Warnings")
        sheet.bullets(analysis.warnings)
    sheet.heading("How each number was made")
    sheet.definitions(choose_methods(analysis.by_feel))
    sheet.heading("What the literature says")
    sheet.definitions(LITERATURE)
    sheet.heading("Settings")
    sheet.definitions(list_settings(analysis))


def _draw_lessons(figure: Figure | SubFigure, analysis: SessionAnalysis) -> None:
    draw_learning(figure, analysis.trace.account.repeats)


def _write_first_page(sheet: Sheet, analysis: SessionAnalysis) -> None:
    sheet.paragraph(describe_setting(analysis), size=8.0, colour=PALETTE["soft"])
    sheet.paragraph(TITLE, size=15.0, bold=True)
    if analysis.settings.get("simulated"):
        sheet.paragraph("Simulated athlete and sensors", size=8.0, bold=True, colour=PALETTE["edge"])
    sheet.space(6.0)
    sheet.paragraph(title_answer(analysis), size=13.0, bold=True, colour=PALETTE["effort"])
    for sentence in describe_effect(analysis):
        sheet.paragraph(sentence)
    if any(row.rating is not None and row.rating.value is not None for row in analysis.phases):
        sheet.figures([draw_ratings], analysis, 145.0)
        sheet.paragraph(capitalise(CAPTIONS["ratings"]), size=7.5, colour=PALETTE["soft"])
    sheet.heading("What to do next")
    sheet.bullets(describe_next(analysis))
    if notes := describe_notes(analysis):
        sheet.heading("Coach’s notes")
        sheet.bullets(notes)
    sheet.heading("Cautions")
    sheet.bullets(CAUTIONS, size=7.5)
