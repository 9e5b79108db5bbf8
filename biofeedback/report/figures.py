"""The figures of a report. Every mark differs in shape or text, not only in colour, so that greyscale print works."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator
from numpy.typing import NDArray

from biofeedback.account.words import describe_phase
from biofeedback.analysis.answer import PhaseRow, SessionAnalysis
from biofeedback.analysis.phases import Phase
from biofeedback.analysis.sliding import find_slider
from biofeedback.analysis.trace import Trace
from biofeedback.calibration.effort import UNCERTAIN_PERCENT
from biofeedback.model import FloatArray
from biofeedback.report.figuring import format_clock

# Names for the page's stylesheet: each colour is replaced by a variable there, for light and dark.
PALETTE = {
    "ink": "#243240",
    "soft": "#66727e",
    "line": "#d5dadd",
    "effort": "#2b6682",
    "band": "#ecdfbe",
    "edge": "#8f7430",
    "contract": "#f1f4f3",
    "rating": "#7d3f27",
    "paper": "#fdfdfb",
}
STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.edgecolor": PALETTE["soft"],
    "axes.labelcolor": PALETTE["ink"],
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.facecolor": "none",
    "xtick.color": PALETTE["soft"],
    "ytick.color": PALETTE["soft"],
    "xtick.labelcolor": PALETTE["ink"],
    "ytick.labelcolor": PALETTE["ink"],
    "text.color": PALETTE["ink"],
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "svg.fonttype": "path",
    "svg.hashsalt": "biofeedback",
    "pdf.fonttype": 42,
}
MARGIN_S = 3.0
N_COLUMNS = 1000
LABEL_INCH = 0.45  # from the axes to the middle of a label on two lines
MOST_LABELS = 13  # side by side in the small figure without touching


def draw_trace(figure: Figure | SubFigure, analysis: SessionAnalysis) -> None:
    """Effort over the plan with its bands and phases; below it the other channels and the discomfort ratings."""
    trace = analysis.trace
    start_s, end_s = _find_window(analysis)
    shown = _find_shown_channels(analysis, start_s, end_s)
    heights = [3.2] + [1.3] * (len(shown) - 1) + [1.5]
    with mpl.rc_context(STYLE):
        axes = figure.subplots(
            len(heights), 1, sharex=True, gridspec_kw={"height_ratios": heights, "hspace": 0.04}, squeeze=False
        )[:, 0]
        for axis, column in zip(axes, shown, strict=False):
            _shade_phases(axis, trace.phases)
            _draw_effort(axis, analysis, column, start_s, end_s)
            for stop in trace.stops:
                axis.axvline(stop.frame / trace.rate_hz, color=PALETTE["ink"], linewidth=1.4, linestyle=(0, (1, 1)))
        _draw_ratings_over_time(axes[-1], analysis)
        axes[-1].set_xlim(start_s, end_s)
        axes[-1].set_xlabel("time from the start of the recording (min:s)")
        axes[-1].xaxis.set_major_locator(MultipleLocator(_choose_step(end_s - start_s)))
        axes[-1].xaxis.set_major_formatter(FuncFormatter(lambda x, _: format_clock(x)))
        _label_phases(axes[0], trace.phases, end_s - start_s, 0.85 * 72.0 * figure.bbox.width / figure.dpi)
        for stop in trace.stops:
            word = "Pause" if stop.is_pause else "Stop"
            axes[0].annotate(
                word, (stop.frame / trace.rate_hz, 0.97), xycoords=("data", "axes fraction"), xytext=(4, 0),
                textcoords="offset points", fontsize=8, fontweight="bold", va="top",
            )  # fmt: skip
        align_labels(figure, list(axes))
        set_margins(figure, left=0.85, right=0.35, bottom=0.5, top=0.28)


def count_panels(analysis: SessionAnalysis) -> int:
    """How many channels `draw_trace` shows, one above the other."""
    return len(_find_shown_channels(analysis, *_find_window(analysis)))


def align_labels(figure: Figure | SubFigure, axes: Sequence[Axes]) -> None:
    """Labels of the vertical axes one under the other."""
    width = figure.bbox.width / figure.dpi
    for axis in axes:
        axis.yaxis.set_label_coords(-LABEL_INCH / (width - 1.2), 0.5)


def set_margins(figure: Figure | SubFigure, *, left: float, right: float, bottom: float, top: float) -> None:
    """Room around the axes in inches. Fixed, because a layout engine draws every figure twice over to find out."""
    width, height = figure.bbox.width / figure.dpi, figure.bbox.height / figure.dpi
    figure.subplots_adjust(left=left / width, right=1 - right / width, bottom=bottom / height, top=1 - top / height)


def thin_out(time_s: FloatArray, values: FloatArray, n_columns: int = N_COLUMNS) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest value of each of ``n_columns`` columns, so that a peak never disappears; NaN stays a break."""
    n = values.size
    if n <= 2 * n_columns:
        return time_s, values
    starts = np.linspace(0, n, n_columns, endpoint=False).astype(int)
    low, high = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
    return np.repeat(time_s[starts], 2), np.column_stack([low, high]).ravel()


def _find_window(analysis: SessionAnalysis) -> tuple[float, float]:
    trace = analysis.trace
    if not trace.phases:
        return 0.0, max(trace.duration_s, 1.0)
    last = (
        max(trace.phases[-1].end_s, *(r.time_s for r in trace.ratings), 0.0)
        if trace.ratings
        else trace.phases[-1].end_s
    )
    return trace.phases[0].start_s, last + MARGIN_S


def _find_shown_channels(analysis: SessionAnalysis, start_s: float, end_s: float) -> list[int]:
    trace = analysis.trace
    inside = (trace.time_s >= start_s) & (trace.time_s < end_s)
    others = [c for c in range(len(trace.channels)) if c != trace.guide and np.isfinite(trace.percent[inside, c]).any()]
    return [trace.guide, *others]


def _draw_effort(axis: Axes, analysis: SessionAnalysis, column: int, start_s: float, end_s: float) -> None:
    trace = analysis.trace
    if analysis.by_feel and column == trace.guide:
        _draw_said(axis, trace.phases)
        return
    channel = trace.channels[column]
    inside = (trace.time_s >= start_s) & (trace.time_s < end_s)
    values = trace.percent[inside, column]
    is_guide = column == trace.guide
    time_s, thinned = thin_out(trace.time_s[inside], values)
    axis.plot(time_s, thinned, color=PALETTE["effort"], linewidth=1.1, solid_joinstyle="round", zorder=3)
    if channel.kind == "force":
        _draw_doubt(axis, trace, column, inside)
    known = values[np.isfinite(values)]
    bands = [p.band for p in trace.phases if p.band is not None] if is_guide else []
    top = max([10.0, *(known.max() for _ in range(1) if known.size), *(b.high_percent for b in bands)])
    bottom = min([0.0, *(known.min() for _ in range(1) if known.size)])
    axis.set_ylim(min(-0.05 * top, bottom * 1.05), top * 1.08)
    if channel.kind == "position":
        reach = max(abs(bottom), top) * 1.08
        axis.set_ylim(-reach, reach)
    unit = channel.unit if channel.kind == "position" else "% of maximum"
    axis.set_ylabel(f"effort\n({unit})" if is_guide else f"{channel.name}\n({unit.split()[0]})")
    axis.axhline(0.0, color=PALETTE["line"], linewidth=0.8, zorder=1)
    axis.yaxis.set_major_locator(MaxNLocator(5 if is_guide else 3, integer=True))
    if not known.size:
        axis.text(0.5, 0.5, "effort unknown: no maximum was found", transform=axis.transAxes, ha="center", va="center")


def _draw_said(axis: Axes, phases: Sequence[Phase]) -> None:
    """Effort as the athlete said it, one bar for each contraction; a short line where it was asked for."""
    for phase in phases:
        if phase.said_effort is not None:
            axis.fill_between([phase.start_s, phase.end_s], 0, phase.said_effort, color=PALETTE["effort"], zorder=2)
        if phase.felt is not None:
            axis.plot([phase.start_s, phase.end_s], [phase.felt] * 2, color=PALETTE["edge"], linewidth=1.6, zorder=3)
    axis.set_ylim(-0.2, 10.6)
    axis.set_yticks([0, 5, 10])
    axis.set_ylabel("effort as said\n(0-10)")
    if not any(phase.said_effort is not None for phase in phases):
        axis.text(0.5, 0.5, "nobody said how hard it was", transform=axis.transAxes, ha="center", va="center")


def _draw_doubt(axis: Axes, trace: Trace, column: int, inside: NDArray[np.bool_]) -> None:
    """The position's own tension, already taken out, as a thin dotted line; +-2 SD where they matter."""
    shown = np.flatnonzero(inside)
    shown = shown[:: max(1, len(shown) // N_COLUMNS)]
    time_s, tension = trace.time_s[shown], trace.tension_percent(column)[shown]
    if np.isfinite(tension).any():
        axis.plot(time_s, tension, color=PALETTE["ink"], linewidth=0.9, linestyle=(0, (1, 2)), zorder=2)
    percent, spread = trace.percent[shown, column], trace.plus_minus_percent[shown, column]
    matters = np.isfinite(percent) & (spread >= UNCERTAIN_PERCENT)
    axis.fill_between(
        time_s, percent - 2 * spread, percent + 2 * spread, where=matters, color=PALETTE["effort"], alpha=0.18, zorder=2
    )


def _shade_phases(axis: Axes, phases: Sequence[Phase]) -> None:
    for phase in phases:
        if phase.meaning.contracts:
            axis.axvspan(phase.start_s, phase.end_s, facecolor=PALETTE["contract"], edgecolor="none", zorder=0)


def _label_phases(axis: Axes, phases: Sequence[Phase], window_s: float, width_pt: float) -> None:
    """Bands, and the name of each phase above the axes where there is room for it."""
    labelled: set[float] = set()
    for phase in phases:
        span = [phase.start_s, phase.end_s]
        if phase.band is not None:
            low, high = phase.band.low_percent, phase.band.high_percent
            axis.fill_between(span, low, high, facecolor=PALETTE["band"], edgecolor="none", zorder=1)
            for edge in (low, high):
                axis.plot(span, [edge, edge], color=PALETTE["edge"], linewidth=0.9, linestyle=(0, (4, 2)), zorder=2)
                if all(abs(edge - other) > 6 for other in labelled):
                    labelled.add(edge)
                    axis.annotate(
                        f"{edge:g}", (1.0, edge), xycoords=("axes fraction", "data"), xytext=(3, 0),
                        textcoords="offset points", fontsize=8, va="center", color=PALETTE["edge"],
                    )  # fmt: skip
        room_pt = width_pt * phase.duration_s / window_s
        word = describe_phase(phase.kind, short=True)
        text = word if room_pt > 5.6 * len(word) else word[0].upper() if room_pt > 9 else ""
        axis.annotate(
            text, ((phase.start_s + phase.end_s) / 2, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color=PALETTE["ink"],
            fontweight="bold" if phase.meaning.contracts else "normal",
        )  # fmt: skip
        axis.plot(
            span, [1.0, 1.0], transform=axis.get_xaxis_transform(), clip_on=False, color=PALETTE["ink"],
            linewidth=3.0 if phase.meaning.contracts else 0.8, solid_capstyle="butt",
        )  # fmt: skip


def _draw_ratings_over_time(axis: Axes, analysis: SessionAnalysis) -> None:
    _shade_phases(axis, analysis.trace.phases)
    slid = find_slider(analysis.trace)
    if slid is not None:
        axis.plot(*thin_out(analysis.trace.time_s, slid), color=PALETTE["rating"], linewidth=1.0, zorder=3)
    rows = [row for row in analysis.phases if row.rating is not None]
    for row in rows:
        if row.rating is not None and row.rating.value is not None:
            mark_rating(axis, row.rating.time_s, row, with_value=len(rows) <= 3 * MOST_LABELS)
        elif row.rating is not None:
            axis.annotate("no answer", (row.rating.time_s, 0.3), fontsize=7, ha="center", va="bottom")
    used = {row.rating.number for row in rows if row.rating is not None}
    for rating in analysis.trace.ratings:  # given outside the plan, or corrected by a later one in the same phase
        if rating.number not in used and rating.value is not None:
            axis.plot(rating.time_s, rating.value, marker=".", color=PALETTE["soft"], markersize=5)
    style_rating_axis(axis)


def mark_rating(axis: Axes, place: float, row: PhaseRow, *, with_value: bool) -> None:
    """One phase's rating: a circle relaxed, a diamond contracting, hollow when marked as doubtful."""
    rating = row.rating
    if rating is None or rating.value is None:
        return
    marker = "D" if row.phase.meaning.contracts else "o"
    face = PALETTE["paper"] if row.marks else PALETTE["rating"]
    axis.plot(
        place, rating.value, marker=marker, markersize=7, linestyle="none", zorder=4,
        markerfacecolor=face, markeredgecolor=PALETTE["rating"], markeredgewidth=1.3, clip_on=False,
    )  # fmt: skip
    if not with_value:
        return
    axis.annotate(
        f"{rating.value:g}", (place, rating.value), xytext=(0, 7 if rating.value < 8.5 else -7),
        textcoords="offset points", ha="center", va="bottom" if rating.value < 8.5 else "top", fontsize=8,
    )  # fmt: skip


def style_rating_axis(axis: Axes) -> None:
    """The 0-10 scale, always whole."""
    axis.set_ylim(-0.4, 10.6)
    axis.set_yticks([0, 5, 10])
    axis.set_ylabel("discomfort\n(0-10)")
    axis.grid(axis="y", color=PALETTE["line"], linewidth=0.6)
    axis.set_axisbelow(True)


def _choose_step(window_s: float) -> float:
    return next((s for s in (5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0) if window_s / s <= 12), 600.0)
