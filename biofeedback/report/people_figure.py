"""A group of athletes as a figure: who changed by how much, and what the next one may expect."""

from __future__ import annotations

import matplotlib as mpl
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator

from biofeedback.analysis.people import People
from biofeedback.report.figures import PALETTE, STYLE, set_margins

WHAT = "change in discomfort, points of 10, with its 95 % interval"
LEAST_REACH = 3.0  # points to each side
MOST_REACH = 10.0  # of the scale: an interval that leaves it is cut there, and says so by its open end


def draw_people(figure: Figure | SubFigure, people: People) -> None:
    """Each athlete's change with its 95 % interval, the group's mean, and the range for the next athlete."""
    rows = [(person.athlete, person.change, person.low, person.high) for person in people.persons]
    ends = [people.low, people.high, people.next_low, people.next_high]
    ends += [end for _, _, low, high in rows for end in (low, high)]
    shown = [abs(end) for end in ends if end is not None]
    reach = min(MOST_REACH, max(LEAST_REACH, *shown) * 1.1)
    with mpl.rc_context(STYLE):
        axis = figure.subplots()
        axis.axvline(0.0, color=PALETTE["soft"], linewidth=1.0)
        for place, (_, change, low, high) in enumerate(rows, start=1):
            axis.plot([low, high], [place] * 2, color=PALETTE["rating"], linewidth=1.2)
            axis.plot(change, place, marker="D", markersize=5, color=PALETTE["rating"])
        ticks: list[float] = [*range(1, len(rows) + 1)]
        labels = [code for code, *_ in rows]
        at = len(rows) + 1.4
        if people.mean is not None and people.low is not None and people.high is not None:
            axis.plot([people.low, people.high], [at] * 2, color=PALETTE["ink"], linewidth=2.0)
            axis.plot(people.mean, at, marker="s", markersize=7, color=PALETTE["ink"])
            ticks, labels = [*ticks, at], [*labels, "mean"]
            if people.next_low is not None and people.next_high is not None:
                at += 1.0
                axis.plot([people.next_low, people.next_high], [at] * 2, color=PALETTE["ink"], linestyle=(0, (4, 2)))
                ticks, labels = [*ticks, at], [*labels, "next"]
        axis.set_yticks(ticks, labels)
        axis.set_ylim(at + 0.7, 0.3)
        axis.set_xlim(-reach, reach)
        axis.xaxis.set_major_locator(MaxNLocator(7, integer=True))
        axis.set_xlabel(
            "change in discomfort, points of 10, with its 95 % interval\n← less when contracting   |   more →"
        )
        axis.grid(axis="x", color=PALETTE["line"], linewidth=0.6)
        axis.set_axisbelow(True)
        set_margins(figure, left=0.9, right=0.12, bottom=0.62, top=0.05)
