"""The learning curve of each lesson: every repeat's error, the curve fitted to them, and how sure it is."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator

from biofeedback.account.kinds import RepeatMade
from biofeedback.account.lessons import LESSONS
from biofeedback.analysis.learning import fit_learning
from biofeedback.calibration.learning import N_LAST, Repeat, list_repeats
from biofeedback.report.figures import PALETTE, STYLE, set_margins

LEARNING_CAPTION = (
    "Error of every repeat, oldest first: filled kept, open not kept. Line: the curve fitted to them; shaded: where it "
    "may lie by 95 %. Flat with a wide shade is no learning shown."
)
PANEL_INCH = 1.5


def list_drawn(repeats: Sequence[RepeatMade]) -> list[str]:
    """The lessons with repeats enough to look at, in the order of the course."""
    return [lesson for lesson in LESSONS if count_measured(list_repeats(repeats, lesson)) >= N_LAST]


def count_measured(repeats: Sequence[Repeat]) -> int:
    """Repeats whose error is known."""
    return sum(one.error is not None for one in repeats)


def draw_learning(figure: Figure | SubFigure, repeats: Sequence[RepeatMade]) -> None:
    """One panel below the other, a lesson each."""
    lessons = list_drawn(repeats)
    with mpl.rc_context(STYLE):
        axes = figure.subplots(len(lessons), 1, squeeze=False, gridspec_kw={"hspace": 0.62})[:, 0]
        for axis, lesson in zip(axes, lessons, strict=True):
            _draw_lesson(axis, lesson, list_repeats(repeats, lesson))
        axes[-1].set_xlabel("repeat")
        set_margins(figure, left=0.9, right=0.2, bottom=0.48, top=0.3)


def _draw_lesson(axis: Axes, lesson: str, repeats: Sequence[Repeat]) -> None:
    curve = fit_learning([one.error for one in repeats])
    places = np.arange(1, len(repeats) + 1)
    if curve.band:
        low, high = np.array(curve.band).T
        axis.fill_between(places, low, high, color=PALETTE["band"], linewidth=0, zorder=1)
        axis.plot(
            places, [curve.at(n) or 0.0 for n in range(len(repeats))], color=PALETTE["edge"], linewidth=1.6, zorder=2
        )
    for kept, face in ((True, PALETTE["effort"]), (False, PALETTE["paper"])):
        alike = [(k, one.error) for k, one in enumerate(repeats, 1) if one.kept == kept]
        own = [(k, error) for k, error in alike if error is not None]
        if own:
            axis.plot(
                *zip(*own, strict=True),
                marker="o",
                markersize=5,
                linestyle="none",
                markerfacecolor=face,
                markeredgecolor=PALETTE["effort"],
                zorder=3,
            )
    axis.set_title(LESSONS[lesson].title, loc="left", fontsize=9.0, color=PALETTE["ink"])
    axis.set_ylabel("seconds" if not LESSONS[lesson].needs_maximum else "error\n(% of maximum)")
    axis.set_xlim(0.5, len(repeats) + 0.5)
    highest = max(one.error for one in repeats if one.error is not None)
    axis.set_ylim(0, 1.25 * max(highest, 1e-6))
    axis.yaxis.set_major_locator(MaxNLocator(3))
    axis.xaxis.set_major_locator(MaxNLocator(10, integer=True))
    axis.grid(axis="y", color=PALETTE["line"], linewidth=0.6)
    axis.set_axisbelow(True)


def find_height_inch(repeats: Sequence[RepeatMade]) -> float:
    """Of the whole figure."""
    return 0.6 + PANEL_INCH * len(list_drawn(repeats))
