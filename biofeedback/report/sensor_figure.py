"""Ten seconds of a sensor in one picture: each channel over time and frequency, and how evenly readings came."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from biofeedback.model import FloatArray
from biofeedback.report.figures import PALETTE, STYLE

N_COLUMNS = 900
HUM_TOLD_PERCENT = 20.0
GOOD, TROUBLE = "Fit for use", "Look at this first"
MOST_WORDS = 5


def draw_sensor(figure: Figure, portrait: Any, trouble: Sequence[str], *, title: str) -> None:
    """``portrait`` as made by the acquisition room; ``trouble``: what is not good, worst first, in words."""
    n = len(portrait.channels)
    with mpl.rc_context(STYLE):
        high = figure.get_size_inches()[1]  # margins in inches by hand: a layout engine takes twice as long to draw
        grid = figure.add_gridspec(
            n + 1,
            2,
            width_ratios=(2.3, 1.0),
            height_ratios=[1.0] * n + [0.75],
            left=0.075,
            right=0.985,
            bottom=0.5 / high,
            top=1.0 - 0.6 / high,
            hspace=0.62,
            wspace=0.23,
        )
        first: Axes | None = None
        for row, channel in enumerate(portrait.channels):
            axes = figure.add_subplot(grid[row, 0], sharex=first)
            first = first or axes
            _draw_trace(axes, portrait, channel)
            axes.set_xlabel("s" if row == n - 1 else "")
            _draw_spectrum(figure.add_subplot(grid[row, 1]), channel)
        _draw_intervals(figure.add_subplot(grid[n, 1]), portrait)
        _write_verdict(figure.add_subplot(grid[n, 0]), trouble)
        figure.suptitle(title, x=0.01, y=1.0 - 0.1 / high, ha="left", va="top", fontsize=11, weight="bold")


def write_sensor_picture(path: Path, portrait: Any, trouble: Sequence[str], *, title: str) -> None:
    """The same as a file; its ending says which kind: .png, .svg or .pdf."""
    figure = Figure(figsize=(10.5, 2.3 + 2.0 * len(portrait.channels)), dpi=100)
    FigureCanvasAgg(figure)
    draw_sensor(figure, portrait, trouble, title=title)
    figure.savefig(path, facecolor=PALETTE["paper"])


def _draw_trace(axes: Axes, portrait: Any, channel: Any) -> None:
    time_s, counts = portrait.time_s, channel.counts
    name = channel.channel.name
    axes.set_title(name, loc="left", fontsize=9.5, weight="bold")
    axes.set_ylabel("counts")
    known = np.isfinite(counts)
    if not known.any():
        axes.text(0.5, 0.5, "no data", transform=axes.transAxes, ha="center", fontsize=13, weight="bold")
        return
    at_s, low, high = _reduce(time_s, counts)
    axes.fill_between(at_s, low, high, color=PALETTE["effort"], lw=0.8, step=None)
    notes = []
    for start_s, end_s in portrait.gaps:
        axes.axvspan(start_s, end_s, facecolor=PALETTE["band"], edgecolor=PALETTE["ink"], hatch="////", lw=1.0)
    if portrait.gaps:
        lost_s = sum(end_s - start_s for start_s, end_s in portrait.gaps)
        notes.append(f"hatched: {len(portrait.gaps)} gap{'s' * (len(portrait.gaps) != 1)}, {lost_s:.2g} s")
    if channel.clipped.any():
        _mark_clipped(axes, time_s, counts, channel.clipped)
        notes.append(f"crosses: {100 * channel.clipped[known].mean():.2g} % clipped")
    if counts[known].min() == counts[known].max():
        axes.text(0.5, 0.62, "never changes", transform=axes.transAxes, ha="center", fontsize=13, weight="bold")
    axes.set_title(", ".join(notes), loc="right", fontsize=9.0, color=PALETTE["rating"], weight="bold")
    axes.margins(x=0.0, y=0.12)
    axes.ticklabel_format(axis="y", useOffset=False)


def _mark_clipped(axes: Axes, time_s: FloatArray, counts: FloatArray, clipped: Any) -> None:
    at = np.flatnonzero(clipped)
    at = at[:: max(1, len(at) // 60)]  # enough crosses to see where
    axes.plot(time_s[at], counts[at], ls="", marker="x", ms=6, mew=1.4, color=PALETTE["rating"], zorder=5)
    for level in np.unique(counts[at]):
        axes.axhline(level, color=PALETTE["rating"], lw=0.9, ls=(0, (4, 3)), zorder=4)


def _draw_spectrum(axes: Axes, channel: Any) -> None:
    axes.set_title("over frequency", loc="left", fontsize=9.0)
    frequency_hz, amplitude = channel.frequency_hz[1:], channel.amplitude[1:]
    shown = amplitude > 0
    axes.set_xlabel("Hz")
    if not shown.any():
        axes.text(0.5, 0.5, "nothing to show", transform=axes.transAxes, ha="center", color=PALETTE["soft"])
        axes.set(xticks=[], yticks=[])
        return
    axes.semilogy(frequency_hz[shown], amplitude[shown], color=PALETTE["effort"], lw=1.1)
    axes.set_ylabel("counts/√Hz")
    axes.set_xlim(0, frequency_hz[-1])
    if channel.hum is None:
        return
    hum_hz, percent = channel.hum
    is_strong = percent > HUM_TOLD_PERCENT
    axes.axvline(hum_hz, color=PALETTE["rating"], lw=1.4 if is_strong else 0.8, ls="--" if is_strong else ":", zorder=0)
    words = f"{hum_hz} Hz hum: {percent:.0f} % of the power"
    weight, colour = ("bold", PALETTE["rating"]) if is_strong else ("normal", PALETTE["soft"])
    axes.set_title(words, loc="right", fontsize=8.5, weight=weight, color=colour)
    axes.set_title("", loc="left")


def _draw_intervals(axes: Axes, portrait: Any) -> None:
    axes.set_title("from reading to reading", loc="left", fontsize=9.0)
    axes.set_xlabel(f"ms, {portrait.clock}", fontsize=8.0)
    axes.set_yticks([])
    declared = portrait.declared_ms
    seen = portrait.intervals_ms
    if len(seen):
        edge = max(2.5 * declared, float(np.quantile(seen, 0.99)) * 1.1)
        heights, *_ = axes.hist(np.minimum(seen, edge), bins=60, range=(0.0, edge), color=PALETTE["effort"])
        axes.set(xlim=(0.0, edge), ylim=(0.0, 1.35 * float(np.max(heights))))
        n_beyond = int(np.count_nonzero(seen > edge))
        if n_beyond:
            axes.text(0.99, 0.6, f"{n_beyond} longer, to {seen.max():.0f} ms", transform=axes.transAxes, ha="right")
    axes.axvline(declared, color=PALETTE["ink"], lw=1.2, ls="--")
    axes.text(
        declared, 0.98, f" declared {declared:.3g} ms", transform=axes.get_xaxis_transform(), va="top", fontsize=8.5
    )


def _write_verdict(axes: Axes, trouble: Sequence[str]) -> None:
    axes.set_axis_off()
    axes.text(0.0, 1.0, TROUBLE if trouble else GOOD, transform=axes.transAxes, va="top", fontsize=12, weight="bold")
    left = len(trouble) - MOST_WORDS
    words = [*trouble[:MOST_WORDS], *([f"and {left} more"] if left > 0 else [])]
    text = "\n".join(f"•  {line}" for line in words) or "nothing stands out in what was seen"
    axes.text(0.0, 0.72, text, transform=axes.transAxes, va="top", fontsize=9.0, linespacing=1.5)


def _reduce(time_s: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lowest and highest of each pixel column, so that nothing is smoothed away."""
    n = max(1, -(-len(x) // N_COLUMNS))
    padded = np.concatenate((x, np.full(-len(x) % n, np.nan))).reshape(-1, n)
    is_known = np.isfinite(padded).any(axis=1)
    low, high = np.full(len(padded), np.nan), np.full(len(padded), np.nan)
    low[is_known], high[is_known] = np.nanmin(padded[is_known], axis=1), np.nanmax(padded[is_known], axis=1)
    return time_s[::n], low, high
