"""The figures of the answer: ratings in order, each contraction against its neighbours, change over effort."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator

from biofeedback.account.words import describe_phase
from biofeedback.analysis.answer import PhaseRow, SessionAnalysis
from biofeedback.analysis.phases import Phase
from biofeedback.report.figures import MOST_LABELS, PALETTE, STYLE, mark_rating, set_margins, style_rating_axis


def draw_ratings(figure: Figure | SubFigure, analysis: SessionAnalysis) -> None:
    """Ratings in the order of the phases: circles relaxed, diamonds contracting, hollow when marked."""
    rows = [row for row in analysis.phases if row.rating is not None and row.rating.value is not None]
    with mpl.rc_context(STYLE):
        axis = figure.subplots()
        places = np.arange(1, len(rows) + 1)
        values = [row.rating.value for row in rows if row.rating is not None and row.rating.value is not None]
        axis.plot(places, values, color=PALETTE["line"], linewidth=1.2, zorder=1)
        for place, row in zip(places, rows, strict=True):
            mark_rating(axis, float(place), row, with_value=len(rows) <= MOST_LABELS)
        step = -(-len(rows) // MOST_LABELS) | 1  # odd, so that both kinds are named
        axis.set_xticks(places[::step], [_short_label(row.phase, rows) for row in rows[::step]], fontsize=8)
        axis.set_xlim(0.4, len(rows) + 0.6)
        axis.set_xlabel("phase, in order")
        style_rating_axis(axis)
        set_margins(figure, left=0.65, right=0.08, bottom=0.48, top=0.1)


def draw_contrasts(figure: Figure | SubFigure, analysis: SessionAnalysis) -> None:
    """Each contraction's rating minus the mean of its relaxed neighbours, with the mean and its 95 % interval."""
    response = analysis.response
    contrasts = [c for c in response.contrasts if c.change is not None]
    with mpl.rc_context(STYLE):
        axis = figure.subplots()
        axis.axvline(0.0, color=PALETTE["soft"], linewidth=1.0)
        for place, contrast in enumerate(contrasts, start=1):
            axis.plot(
                contrast.change or 0.0, place, marker="D", markersize=6, linestyle="none",
                markerfacecolor=PALETTE["paper"] if contrast.marks else PALETTE["rating"],
                markeredgecolor=PALETTE["rating"], markeredgewidth=1.3,
            )  # fmt: skip
        labels = [str(contrast.cycle) for contrast in contrasts]
        mean_at = len(contrasts) + 1.4
        if response.mean_change is not None:
            labels.append("mean")
            if response.low is not None and response.high is not None:
                axis.plot([response.low, response.high], [mean_at] * 2, color=PALETTE["ink"], linewidth=2.0)
                for end in (response.low, response.high):
                    axis.plot(end, mean_at, marker="|", markersize=9, markeredgewidth=2.0, color=PALETTE["ink"])
            axis.plot(response.mean_change, mean_at, marker="s", markersize=8, color=PALETTE["ink"])
        ticks = [*range(1, len(contrasts) + 1), mean_at][: len(labels)]
        axis.set_yticks(ticks, labels)
        axis.set_ylim(mean_at + 0.7, 0.3)
        reach = (
            max([3.0, *(abs(c.change or 0.0) for c in contrasts), abs(response.low or 0), abs(response.high or 0)])
            * 1.15
        )
        axis.set_xlim(-reach, reach)
        axis.xaxis.set_major_locator(MaxNLocator(7, integer=True))
        axis.set_ylabel("contraction")
        axis.set_xlabel("change in discomfort, points of 10\n← less when contracting   |   more →")
        axis.grid(axis="x", color=PALETTE["line"], linewidth=0.6)
        axis.set_axisbelow(True)
        set_margins(figure, left=0.7, right=0.12, bottom=0.62, top=0.1)


def draw_dose(figure: Figure | SubFigure, analysis: SessionAnalysis) -> None:
    """Expected change over effort with its 95 % interval, each contraction as a diamond, the wanted change dashed."""
    curve = analysis.dose.curve
    efforts = [level.effort_percent for level in curve]
    efforts_of = [row.summary.mean_percent for row in analysis.phases if row.phase.meaning.contracts]
    with mpl.rc_context(STYLE):
        axis = figure.subplots()
        low, high = [v.low for v in curve], [v.high for v in curve]
        axis.fill_between(efforts, low, high, facecolor=PALETTE["band"], edgecolor="none")
        axis.plot(efforts, [v.change for v in curve], color=PALETTE["ink"], linewidth=1.6)
        axis.axhline(0.0, color=PALETTE["soft"], linewidth=1.0)
        axis.axhline(-analysis.dose.wanted_points, color=PALETTE["edge"], linewidth=1.0, linestyle=(0, (4, 2)))
        for effort, contrast in zip(efforts_of, analysis.response.contrasts, strict=True):
            if effort is not None and contrast.change is not None:
                axis.plot(
                    effort, contrast.change, marker="D", markersize=5, linestyle="none",
                    markerfacecolor=PALETTE["paper"] if contrast.marks else PALETTE["rating"],
                    markeredgecolor=PALETTE["rating"],
                )  # fmt: skip
        axis.set_xlim(0, max([*efforts, 20.0, *(e or 0.0 for e in efforts_of)]) * 1.03 + 1)
        axis.set_xlabel("effort, % of maximum")
        axis.set_ylabel("change in discomfort,\npoints of 10")
        axis.yaxis.set_major_locator(MaxNLocator(6, integer=True))
        set_margins(figure, left=0.72, right=0.1, bottom=0.48, top=0.1)


def _short_label(phase: Phase, rows: Sequence[PhaseRow]) -> str:
    same = [row.phase.number for row in rows if row.phase.kind == phase.kind]
    return f"{describe_phase(phase.kind, short=True)[0].upper()}{same.index(phase.number) + 1}"
