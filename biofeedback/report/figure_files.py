"""Figures as files of their own, for a text or a slide: SVG, PNG and PDF of each, with whose it is above it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from textwrap import wrap
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure, SubFigure
from matplotlib.gridspec import GridSpec

from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.analysis.people import People
from biofeedback.report.answer_figures import draw_contrasts, draw_dose, draw_ratings
from biofeedback.report.figures import PALETTE, STYLE, count_panels, draw_trace
from biofeedback.report.people_figure import draw_people
from biofeedback.report.words import describe_setting

NO_DATE: Mapping[str, Mapping[str, Any]] = {  # the same figure gives the same bytes
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}
DOTS_PER_INCH = 200  # of the PNG: sharp on paper at this size
LETTERS_PER_INCH, LINE_INCH = 14, 0.14  # of the head


@dataclass(frozen=True, slots=True)
class Picture:
    """One figure: ``draw`` fills it, ``head`` stands above it."""

    name: str
    head: str
    draw: Callable[[Figure | SubFigure], None]
    size_inch: tuple[float, float]


def list_pictures(analysis: SessionAnalysis) -> Iterator[Picture]:
    """The figures of a session's report that it has something for."""
    head = describe_setting(analysis)
    head += " · simulated" if analysis.settings.get("simulated") else ""
    make = partial(_of_session, head, analysis)
    if any(row.rating is not None and row.rating.value is not None for row in analysis.phases):
        yield make("ratings", draw_ratings, (8.6, 3.0))
    yield make("trace", draw_trace, (8.6, 3.9 + 1.1 * (count_panels(analysis) - 1)))
    if any(contrast.change is not None for contrast in analysis.response.contrasts):
        yield make("contrasts", draw_contrasts, (4.3, 3.0))
    if analysis.dose.n_points:
        yield make("dose", draw_dose, (4.3, 3.0))


def list_group_pictures(groups: Sequence[tuple[str, People]]) -> Iterator[Picture]:
    """One figure for each ``(title, people)`` with an athlete to show."""
    for number, (title, people) in enumerate(groups, start=1):
        if people.persons:
            height = 1.1 + 0.24 * (len(people.persons) + 3)
            yield Picture(f"responses-{number}", title, partial(draw_people, people=people), (6.4, height))


def write_picture(picture: Picture, path: Path) -> None:
    """As the ending of ``path`` says: .svg, .png or .pdf."""
    width, height = picture.size_inch
    lines = wrap(picture.head, width=round(LETTERS_PER_INCH * width))
    above = LINE_INCH * (len(lines) + 1)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width, height + above))
        grid = GridSpec(2, 1, figure, height_ratios=[above, height])
        at = 0.08 / width, 1 - 0.5 * LINE_INCH / (height + above)
        figure.text(*at, "\n".join(lines), fontsize=7.5, color=PALETTE["soft"], verticalalignment="top")
        picture.draw(figure.add_subfigure(grid[1]))
        kind = path.suffix.removeprefix(".")
        figure.savefig(path, format=kind, dpi=DOTS_PER_INCH, facecolor="white", metadata=NO_DATE[kind])


def _of_session(
    head: str,
    analysis: SessionAnalysis,
    name: str,
    draw: Callable[[Figure | SubFigure, SessionAnalysis], None],
    size_inch: tuple[float, float],
) -> Picture:
    return Picture(name, head, lambda figure: draw(figure, analysis), size_inch)
