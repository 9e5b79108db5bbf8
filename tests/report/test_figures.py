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
from biofeedback.analysis.people import compare_people, gather_people
from biofeedback.report.answer_figures import draw_contrasts, draw_dose, draw_ratings
from biofeedback.report.figures import PALETTE, STYLE, draw_trace, thin_out
from biofeedback.report.people_figure import draw_people

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


def drawn(draw, analysis, size=(8.6, 3.9)):
    """The axes of a figure, to be asked for what they hold."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=size)
        FigureCanvasAgg(figure)
        draw(figure, analysis)
    return figure.axes


def marks_of(axis, marker):
    """``(x, y, is_hollow)`` of single marks, in the order drawn."""
    marks = [line for line in axis.lines if line.get_marker() == marker]
    return [(*line.get_xydata()[0], line.get_markerfacecolor() == PALETTE["paper"]) for line in marks]


def lines_of(axis, colour, *, dashed):
    """Ends of the lines of one colour."""
    lines = [line for line in axis.lines if line.get_color() == PALETTE[colour] and line.get_marker() == "None"]
    return [line.get_xydata()[[0, -1]].tolist() for line in lines if line.is_dashed() == dashed]


def test_each_contraction_stands_at_its_change_and_the_mean_with_its_interval_below() -> None:
    analysis = analyse_recording(make_check(contract=(4, 3, 3, 5, 4)))
    (axis,) = drawn(draw_contrasts, analysis)
    assert marks_of(axis, "D") == [(-2, 1, False), (-3, 2, False), (-3, 3, False), (-1, 4, False), (-2, 5, False)]
    assert marks_of(axis, "s") == [(analysis.response.mean_change, 6.4, False)]
    low, high = analysis.response.low, analysis.response.high
    assert lines_of(axis, "ink", dashed=False) == [[[low, 6.4], [high, 6.4]]]
    assert [x for x, _, _ in marks_of(axis, "|")] == [low, high]
    assert [label.get_text() for label in axis.get_yticklabels()] == ["1", "2", "3", "4", "5", "mean"]
    assert axis.get_ylim()[0] > axis.get_ylim()[1]
    assert axis.get_xlabel().startswith("change in discomfort, points of 10\n← less when contracting")
    left, right = axis.get_xlim()
    assert left == -right
    assert left < min(low, -3.0)


def test_what_is_marked_is_drawn_hollow() -> None:
    session = MadeSession()
    session.calibrate()
    session.happen("plan", title="Response check")
    for number in range(4):
        session.phase("passive", 6.0, rating=6)
        if number < 3:
            session.phase("contract", 6.0, 110.0 if number == 1 else 70.0, rating=4)  # the second out of its band
    session.end()
    analysis = analyse_recording(session)
    hollow = [False, True, False]
    for draw in (draw_contrasts, draw_dose, draw_ratings):
        assert [is_hollow for *_, is_hollow in marks_of(drawn(draw, analysis)[0], "D")] == hollow
    assert [is_hollow for *_, is_hollow in marks_of(drawn(draw_trace, analysis)[1], "D")] == hollow


def test_the_dose_figure_shows_curve_interval_and_the_change_that_is_wanted(check) -> None:
    (axis,) = drawn(draw_dose, check)
    curve = check.dose.curve
    assert lines_of(axis, "ink", dashed=False) == [[[v.effort_percent, v.change] for v in (curve[0], curve[-1])]]
    (wanted,) = lines_of(axis, "edge", dashed=True)
    assert [y for _, y in wanted] == [-check.dose.wanted_points] * 2
    assert [y for line in lines_of(axis, "soft", dashed=False) for _, y in line] == [0, 0]
    (band,) = axis.collections
    edges = band.get_paths()[0].get_extents()
    assert (edges.y0, edges.y1) == (min(v.low for v in curve), max(v.high for v in curve))
    places = [(round(x), y) for x, y, _ in marks_of(axis, "D")]
    assert places == [(70, -2), (70, -2), (70, -3), (70, -2), (70, -2)]
    assert axis.get_xlim()[1] > max(70, *(v.effort_percent for v in curve))
    assert (axis.get_xlabel(), axis.get_ylabel()) == ("effort, % of maximum", "change in discomfort,\npoints of 10")


def test_the_trace_shows_effort_band_phases_and_ratings_where_they_were(check) -> None:
    effort, ratings = drawn(draw_trace, check)
    contracting = [p for p in check.trace.phases if p.meaning.contracts]
    bands = [c for c in effort.collections if c.get_facecolor().tolist() and c.get_zorder() == 1]
    extents = [c.get_paths()[0].get_extents() for c in bands]
    assert [(e.x0, e.x1, e.y0, e.y1) for e in extents] == [(p.start_s, p.end_s, 60, 80) for p in contracting]
    assert [[y for _, y in ends] for ends in lines_of(effort, "edge", dashed=True)] == [[60, 60], [80, 80]] * 5
    line = next(line for line in effort.lines if line.get_color() == PALETTE["effort"])
    low, high = effort.get_ylim()
    assert -0.1 * high < low <= -0.05 * 80  # some room below nothing
    assert low < np.nanmin(line.get_ydata())
    assert 80 < high < 90
    for phase in check.trace.phases:
        inside = (line.get_xdata() > phase.start_s + 0.2) & (line.get_xdata() < phase.end_s - 0.2)
        mean = 70 if phase.meaning.contracts else 0
        assert np.nanmean(line.get_ydata()[inside]) == pytest.approx(mean, abs=1.0)
    bars = [li for li in effort.lines if li.get_transform() == effort.get_xaxis_transform() and not li.get_clip_on()]
    assert [(*li.get_xdata(), li.get_linewidth() > 1) for li in bars] == [
        (p.start_s, p.end_s, p.meaning.contracts) for p in check.trace.phases
    ]
    named = [t for t in effort.texts if t.get_text() in ("relax", "contract")]
    assert [(t.get_text(), t.xy[0]) for t in named] == [
        ("contract" if p.meaning.contracts else "relax", (p.start_s + p.end_s) / 2) for p in check.trace.phases
    ]
    assert [(y, hollow) for _, y, hollow in marks_of(ratings, "o")] == [(6, False)] * 6
    assert [y for _, y, _ in marks_of(ratings, "D")] == [4, 4, 3, 4, 4]
    for (x, _, _), phase in zip(marks_of(ratings, "D"), contracting, strict=True):
        assert x == pytest.approx(phase.end_s - 0.5, abs=0.02)


def test_the_group_figure_shows_each_athlete_the_mean_and_what_the_next_may_expect() -> None:
    persons = [("A01", -2.0, 0.4), ("A02", -1.0, 0.5), ("A03", 0.5, 0.3), ("A04", -1.5, 0.6)]
    people = compare_people(gather_people(persons))
    (axis,) = drawn(lambda figure, _: draw_people(figure, people), None, (6.4, 3.0))
    assert [person.change for person in people.persons] == pytest.approx([-2.0, -1.0, 0.5, -1.5])
    assert [(x, y) for x, y, _ in marks_of(axis, "D")] == [(one.change, k) for k, one in enumerate(people.persons, 1)]
    assert lines_of(axis, "rating", dashed=False) == [
        [[person.low, place], [person.high, place]] for place, person in enumerate(people.persons, 1)
    ]
    assert [(x, y) for x, y, _ in marks_of(axis, "s")] == [(people.mean, 5.4)]
    assert lines_of(axis, "ink", dashed=False) == [[[people.low, 5.4], [people.high, 5.4]]]
    assert lines_of(axis, "ink", dashed=True) == [[[people.next_low, 6.4], [people.next_high, 6.4]]]
    named = dict(zip([label.get_text() for label in axis.get_yticklabels()], axis.get_yticks(), strict=True))
    assert named == {"A01": 1, "A02": 2, "A03": 3, "A04": 4, "mean": 5.4, "next": 6.4}
    assert axis.get_ylim()[0] > 6.4  # from above to below
    left, right = axis.get_xlim()
    assert left == -right
    assert -10 < left < min(people.next_low, *(person.low for person in people.persons))


def test_a_stop_stands_in_the_trace_where_it_came(troubled) -> None:
    effort = drawn(draw_trace, troubled)[0]
    (stop,) = troubled.trace.stops
    at_s = stop.frame / troubled.trace.rate_hz
    assert [[x for x, _ in ends] for ends in lines_of(effort, "ink", dashed=True)].count([at_s, at_s]) == 1
    assert [text.xy[0] for text in effort.texts if text.get_text() == "Stop"] == [at_s]
