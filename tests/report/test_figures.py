"""Figures keep every peak, and no text lies on another or outside the paper."""

from __future__ import annotations

from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from biofeedback.analysis.answer import analyse_recording
from biofeedback.report.answer_figures import draw_contrasts, draw_dose, draw_ratings
from biofeedback.report.figures import PALETTE, STYLE, draw_trace, thin_out

from ..analysis.made_session import MadeSession, make_check


def texts_of(draw, analysis, size):
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=size)
        FigureCanvasAgg(figure)
        draw(figure, analysis)
        figure.canvas.draw()
        beyond = set()  # ticks outside the limits exist but are not drawn
        for axis in (part for ax in figure.findobj(Axes) for part in (ax.xaxis, ax.yaxis)):
            low, high = sorted(axis.get_view_interval())
            beyond |= {tick.label1 for tick in axis.get_major_ticks() if not low <= tick.get_loc() <= high}
        texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip() and t not in beyond]
        shown = [(text.get_text(), text.get_window_extent()) for text in texts]
        return figure, shown


def overlapping(shown):
    return [(a, b) for (a, box_a), (b, box_b) in combinations(shown, 2) if box_a.padded(-1).overlaps(box_b.padded(-1))]


@pytest.mark.parametrize(
    ("draw", "size"),
    [(draw_trace, (8.6, 3.9)), (draw_ratings, (4.3, 3.0)), (draw_contrasts, (4.3, 3.0)), (draw_dose, (4.3, 3.0))],
)
def test_no_text_lies_on_another_or_off_the_paper(draw, size, any_analysis) -> None:
    figure, shown = texts_of(draw, any_analysis, size)
    assert overlapping(shown) == []
    for text, box in shown:
        assert box.x0 >= -1, text
        assert box.y0 >= -1, text
        assert box.x1 <= figure.bbox.x1 + 1, text
        assert box.y1 <= figure.bbox.y1 + 1, text


def test_twenty_cycles_still_have_readable_labels() -> None:
    many = analyse_recording(make_check(passive=(6,) * 21, contract=(4,) * 20))
    for draw, size in ((draw_trace, (8.6, 3.9)), (draw_ratings, (4.3, 3.0))):
        assert overlapping(texts_of(draw, many, size)[1]) == []


def test_axes_say_what_they_show_and_in_which_unit(check) -> None:
    words = " ".join(text for text, _ in texts_of(draw_trace, check, (8.6, 3.9))[1])
    for word in ("effort", "% of maximum", "min:s", "discomfort", "0-10", "relax", "contract", "60", "80"):
        assert word in words


def test_unknown_effort_says_why(empty) -> None:
    assert any("no maximum" in text for text, _ in texts_of(draw_trace, empty, (8.6, 3.9))[1])


def test_thinning_keeps_the_highest_and_lowest_of_every_column() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(0, 1, 120_000)
    values[77_777] = 99.0
    values[33_333] = -99.0
    values[50_000:52_000] = np.nan
    time_s, thinned = thin_out(np.arange(values.size) / 100, values, 1000)
    assert thinned.size == time_s.size == 2000
    assert np.nanmax(thinned) == 99.0
    assert np.nanmin(thinned) == -99.0
    assert np.isnan(thinned).sum() >= 2 * 15
    short = np.arange(100.0)
    assert thin_out(short, short)[1] is short


def test_colours_differ_in_lightness_too() -> None:
    """Effort line, band and rating on paper: distinguishable in greyscale (relative luminance, ITU-R BT.709)."""

    def lightness(name: str) -> float:
        red, green, blue = (int(PALETTE[name][i : i + 2], 16) / 255 for i in (1, 3, 5))
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    assert lightness("band") - lightness("effort") > 0.4
    assert lightness("paper") - lightness("band") > 0.1
    assert lightness("paper") - lightness("rating") > 0.5


def test_second_channel_gets_its_own_panel() -> None:
    from biofeedback.model import Channel

    from ..analysis.made_session import FORCE

    session = MadeSession(channels=(FORCE, Channel(name="emg", kind="emg", unit="uV", envelope=True)))
    session.calibrate()
    session.phase("passive", 6.0, rating=5)
    session.phase("contract", 6.0, 70.0, rating=5)
    session.end()
    _, shown = texts_of(draw_trace, analyse_recording(session), (8.6, 5.0))
    assert any(text.startswith("emg") for text, _ in shown)
    assert overlapping(shown) == []
