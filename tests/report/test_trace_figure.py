"""The figures of a session as data, beyond the plain check: doubt, two channels, angles, crowded labels, odd ends."""

from __future__ import annotations

from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from biofeedback.account.records import StopOnRecord
from biofeedback.analysis.answer import SessionAnalysis, analyse_recording
from biofeedback.calibration.effort import UNCERTAIN_PERCENT
from biofeedback.model import Band, Channel
from biofeedback.report.answer_figures import draw_contrasts, draw_dose, draw_ratings
from biofeedback.report.figures import PALETTE, STYLE, count_panels, draw_trace, set_margins, thin_out

from ..analysis.made_session import FORCE, MadeSession, make_check
from .test_figures import drawn, lines_of, marks_of

ANGLE = Channel(name="knee", kind="position", unit="deg")


def change(analysis: SessionAnalysis, **trace) -> SessionAnalysis:
    """The same with something else in its trace."""
    return replace(analysis, trace=replace(analysis.trace, **trace))


def end_of(axis) -> tuple[float, float]:
    return axis.get_xlim()


# -- what part is shown -----------------------------------------------------------------------------------------------


def test_the_trace_runs_from_the_first_phase_to_three_seconds_after_the_last_or_its_rating(check) -> None:
    phases, ratings = check.trace.phases, check.trace.ratings
    assert end_of(drawn(draw_trace, check)[0]) == (phases[0].start_s, phases[-1].end_s + 3.0)
    later = replace(ratings[-1], time_s=phases[-1].end_s + 10)
    assert end_of(drawn(draw_trace, change(check, ratings=(*ratings, later)))[0])[1] == phases[-1].end_s + 13
    assert end_of(drawn(draw_trace, change(check, ratings=()))[0])[1] == phases[-1].end_s + 3
    nothing = change(check, phases=(), ratings=())
    assert end_of(drawn(draw_trace, replace(nothing, phases=()))[0]) == (0.0, check.trace.duration_s)


@pytest.mark.parametrize(
    ("window_s", "step_s"),
    [(50, 5), (60, 5), (61, 10), (120, 10), (121, 20), (240, 20), (241, 30), (360, 30), (361, 60), (720, 60),
     (721, 120), (1440, 120), (1441, 300), (3600, 300), (3601, 600), (9000, 600)],
)  # fmt: skip
def test_ticks_are_whole_steps_of_which_twelve_at_most_fit(check, window_s: float, step_s: float) -> None:
    (phase, *_) = check.trace.phases
    phase = replace(phase, start_s=0.0, end_s=window_s - 3.0)
    axis = drawn(draw_trace, replace(change(check, phases=(phase,), ratings=()), phases=()))[-1]
    ticks = axis.get_xticks()
    assert np.diff(ticks) == pytest.approx(step_s)
    formatter = axis.xaxis.get_major_formatter()
    assert [formatter(x, 0) for x in (0, 59.6, 65.2, 600)] == ["0:00", "1:00", "1:05", "10:00"]


def test_channels_without_a_known_percentage_in_the_window_have_no_panel() -> None:
    session = MadeSession(channels=(FORCE, Channel(name="emg", kind="emg", unit="uV", envelope=True)))
    session.calibrate()
    session.phase("passive", 6.0, rating=5)
    session.phase("contract", 6.0, 70.0, rating=5)
    session.end()
    both = analyse_recording(session)
    assert (count_panels(both), len(drawn(draw_trace, both))) == (2, 3)
    percent = both.trace.percent.copy()
    start = both.trace.time_s >= both.trace.phases[0].start_s
    percent[start, 1] = np.nan
    assert count_panels(change(both, percent=percent)) == 1
    percent[np.flatnonzero(start)[0], 1] = 3.0
    assert count_panels(change(both, percent=percent)) == 2
    only_guide = change(both, percent=np.full_like(percent, np.nan))
    assert count_panels(only_guide) == 1, "what leads is shown all the same"
    effort, emg, _ = drawn(draw_trace, both)
    assert (effort.get_ylabel(), emg.get_ylabel()) == ("effort\n(% of maximum)", "emg\n(%)")
    assert [line for line in emg.lines if line.get_color() == PALETTE["effort"]]
    assert effort.get_position().height > 2 * emg.get_position().height
    assert not [text for text in emg.texts if "unknown" in text.get_text()]
    assert effort.get_ylim()[1] == pytest.approx(80 * 1.08, abs=2.0)
    bands = change(both, phases=tuple(replace(p, band=Band(60, 200)) for p in both.trace.phases))
    effort, emg, _ = drawn(draw_trace, bands)
    assert effort.get_ylim()[1] == pytest.approx(200 * 1.08)
    assert emg.get_ylim()[1] < 100, "the band is that of the channel that leads"


def test_an_angle_is_drawn_around_its_start_in_its_unit(check) -> None:
    trace = check.trace
    angle = np.linspace(-12.0, 5.0, trace.n_levels)
    two = change(
        check, channels=(FORCE, ANGLE), percent=np.column_stack([trace.percent[:, 0], angle]),
        level=np.repeat(trace.level, 2, axis=1), baseline=np.repeat(trace.baseline, 2, axis=1),
        plus_minus_percent=np.repeat(trace.plus_minus_percent, 2, axis=1),
    )  # fmt: skip
    _, axis, _ = drawn(draw_trace, two, (8.6, 5.0))
    low, high = axis.get_ylim()
    start, end = end_of(axis)
    reach = np.abs(angle[(trace.time_s >= start) & (trace.time_s < end)]).max() * 1.08
    assert (low, high) == pytest.approx((-reach, reach))
    assert axis.get_ylabel() == "knee\n(deg)"
    assert not lines_of(axis, "ink", dashed=True), "no tension of a position"
    up = change(two, percent=np.column_stack([trace.percent[:, 0], -angle]))
    assert drawn(draw_trace, up, (8.6, 5.0))[1].get_ylim() == pytest.approx((-reach, reach))


@pytest.mark.parametrize(
    ("lowest", "highest", "bottom", "top"),
    [
        (0.0, 5.0, -0.5, 10.8),  # ten at least
        (0.0, 50.0, -2.5, 54.0),
        (-1.0, 50.0, -2.5, 54.0),
        (-20.0, 50.0, -21.0, 54.0),
        (4.0, 50.0, -2.5, 54.0),  # nothing is always shown
    ],
)
def test_the_axis_of_effort_holds_everything_with_a_little_room(check, lowest, highest, bottom, top) -> None:
    percent = np.full_like(check.trace.percent, lowest)
    middle = check.trace.phases[2]
    percent[middle.first_level : middle.first_level + 20] = highest
    plain = change(check, percent=percent, phases=tuple(replace(p, band=None) for p in check.trace.phases))
    assert drawn(draw_trace, plain)[0].get_ylim() == pytest.approx((bottom, top))


# -- tension and doubt ------------------------------------------------------------------------------------------------


def test_tension_is_dotted_and_doubt_is_shaded_two_standard_deviations_wide_where_it_matters(check) -> None:
    trace = check.trace
    spread = np.full_like(trace.plus_minus_percent, UNCERTAIN_PERCENT - 0.01)
    (_, contract, *_) = trace.phases
    spread[contract.first_level : contract.end_level] = UNCERTAIN_PERCENT
    axis = drawn(draw_trace, change(check, plus_minus_percent=spread))[0]
    (shade,) = [one for one in axis.collections if one.get_alpha() is not None]
    box = shade.get_paths()[0].get_extents()
    assert (box.x0, box.x1) == pytest.approx((contract.start_s, contract.end_s), abs=0.06)
    off = [
        round((y - trace.percent[np.searchsorted(trace.time_s, x), 0]) / UNCERTAIN_PERCENT, 6)
        for x, y in shade.get_paths()[0].vertices.tolist()
    ]
    assert set(off) == {-2.0, 2.0}
    assert off.count(-2.0) > 20 < off.count(2.0)
    assert 0 < shade.get_alpha() < 0.5, "what lies below is seen through it"
    assert shade.get_facecolor()[0, :3] == pytest.approx(mpl.colors.to_rgb(PALETTE["effort"]))
    (dotted,) = [line for line in axis.lines if line.get_color() == PALETTE["ink"] and line.is_dashed()]
    x, y = dotted.get_data()
    tension = trace.tension_percent(0)
    places = np.searchsorted(trace.time_s, x)
    assert y == pytest.approx(tension[places], nan_ok=True)
    assert dotted.get_linewidth() < 1 < max(line.get_linewidth() for line in axis.lines)
    none = change(check, plus_minus_percent=np.zeros_like(spread), baseline=np.full_like(trace.baseline, np.nan))
    axis = drawn(draw_trace, none)[0]
    assert not [line for line in axis.lines if line.get_color() == PALETTE["ink"] and line.is_dashed()]
    assert not [one for one in axis.collections if one.get_alpha() is not None and len(one.get_paths())]


def test_tension_and_doubt_are_thinned_to_a_thousand_places() -> None:
    long = analyse_recording(make_check(passive=(6,) * 11, contract=(4,) * 10))
    axis = drawn(draw_trace, long)[0]
    (dotted,) = [line for line in axis.lines if line.get_color() == PALETTE["ink"] and line.is_dashed()]
    shown = np.count_nonzero((long.trace.time_s >= end_of(axis)[0]) & (long.trace.time_s < end_of(axis)[1]))
    assert shown > 2000
    assert 1000 <= dotted.get_xdata().size < 2000
    assert np.ptp(np.diff(dotted.get_xdata())) < 1e-6
    short = analyse_recording(make_check(passive=(6,), contract=()))
    axis = drawn(draw_trace, short)[0]
    (dotted,) = [line for line in axis.lines if line.get_color() == PALETTE["ink"] and line.is_dashed()]
    start, end = end_of(axis)
    shown = np.count_nonzero((short.trace.time_s >= start) & (short.trace.time_s < end))
    assert dotted.get_xdata().size == shown < 1000, "of few, every one"


@pytest.mark.parametrize(("n", "is_thinned"), [(40, False), (41, True)])
def test_only_what_has_more_than_two_readings_a_column_is_thinned(n, is_thinned) -> None:
    values = np.random.default_rng(n).normal(size=n)
    time_s, thinned = thin_out(np.arange(n) / 100.0, values, 20)
    assert (thinned is not values) == is_thinned
    if is_thinned:
        starts = [n * k // 20 for k in range(20)]
        columns = np.split(values, starts[1:])
        assert thinned.tolist() == [edge for column in columns for edge in (column.min(), column.max())]
        assert time_s.tolist() == [k / 100 for k in starts for _ in range(2)]


# -- phases, bands and stops ------------------------------------------------------------------------------------------


def test_edges_of_bands_are_named_once_where_they_lie_apart(check) -> None:
    def named(*bands):
        phases = tuple(replace(p, band=b) for p, b in zip(check.trace.phases, bands, strict=False))
        axis = drawn(draw_trace, change(check, phases=phases))[0]
        labels = [text for text in axis.texts if text.get_color() == PALETTE["edge"]]
        assert all(text.xy == (1.0, float(text.get_text())) for text in labels)
        assert len(lines_of(axis, "edge", dashed=True)) == 2 * len(bands)
        return [text.get_text() for text in labels]

    assert named(Band(60, 80), Band(60, 80)) == ["60", "80"]
    assert named(Band(60, 80), Band(66, 87)) == ["60", "80", "87"]
    assert named(Band(60, 80), Band(66.5, 86)) == ["60", "80", "66.5"]


def test_names_of_phases_become_a_letter_and_then_nothing_where_there_is_no_room(check) -> None:
    """Width of the axes is 8.6 inches less 0.85; a word needs 5.6 points a letter, a letter 9."""
    width_pt = 72 * 8.6 * 0.85
    window_s = 100.0
    for room_pt, text in ((5.6 * 8 + 0.2, "contract"), (5.6 * 8 - 0.2, "C"), (9.2, "C"), (8.8, "")):
        length_s = room_pt * window_s / width_pt
        first = replace(check.trace.phases[1], start_s=0.0, end_s=length_s)
        last = replace(check.trace.phases[2], start_s=length_s, end_s=window_s - 3.0)
        axis = drawn(draw_trace, replace(change(check, phases=(first, last), ratings=()), phases=()))[0]
        names = [one for one in axis.texts if one.xy[1] == 1.0 and one.xy[0] == length_s / 2]
        assert [(one.get_text(), one.get_fontweight()) for one in names] == [(text, "bold")]


def test_contractions_are_shaded_in_every_panel_and_a_pause_is_named(check) -> None:
    pause = StopOnRecord(1500, "no data", "rule", is_pause=True)
    effort, ratings = drawn(draw_trace, change(check, stops=(pause,)))
    contracting = [p for p in check.trace.phases if p.meaning.contracts]
    for axis in (effort, ratings):
        spans = [patch.get_bbox() for patch in axis.patches]
        assert [(box.x0, box.x1) for box in spans] == [(p.start_s, p.end_s) for p in contracting]
        assert {patch.get_facecolor() for patch in axis.patches} == {mpl.colors.to_rgba(PALETTE["contract"])}
    (word,) = [text for text in effort.texts if text.get_text() == "Pause"]
    assert word.xy[0] == 15.0
    assert 0.9 < word.xy[1] < 1.0


# -- ratings ----------------------------------------------------------------------------------------------------------


def test_ratings_stand_on_a_whole_scale_with_their_number_above_or_below(check) -> None:
    rows = tuple(
        replace(row, rating=replace(row.rating, value=value))
        for row, value in zip(check.phases, [8.4, 8.5, None, 10, 0, 3.5], strict=False)
    )
    numbered = replace(check, phases=rows)
    for axis, places in (
        (drawn(draw_trace, numbered)[1], [row.rating.time_s for row in rows if row.rating.value is not None]),
        (drawn(draw_ratings, numbered)[0], [1, 2, 3, 4, 5]),
    ):
        assert axis.get_ylim() == (-0.4, 10.6)
        assert axis.get_yticks().tolist() == [0, 5, 10]
        assert axis.get_ylabel() == "discomfort\n(0-10)"
        assert axis.get_axisbelow() is True
        told = [text for text in axis.texts if text.get_text() != "no answer"]
        assert [text.get_text() for text in told] == ["8.4", "8.5", "10", "0", "3.5"]
        assert [text.xy for text in told] == list(zip(places, [8.4, 8.5, 10, 0, 3.5], strict=True))
        is_above = [text.get_va() == "bottom" and text.xyann[1] > 0 for text in told]
        is_below = [text.get_va() == "top" and text.xyann[1] < 0 for text in told]
        assert is_above == [not below for below in is_below] == [True, False, False, True, True]
    silent = [text for text in drawn(draw_trace, numbered)[1].texts if text.get_text() == "no answer"]
    assert [text.xy for text in silent] == [(rows[2].rating.time_s, 0.3)]


def test_a_rating_outside_the_plan_is_a_small_dot(check) -> None:
    used = {row.rating.number for row in check.phases}
    outside = replace(check.trace.ratings[0], number=max(used) + 1, time_s=20.0, value=9.0)
    silent = replace(outside, number=max(used) + 2, value=None)
    axis = drawn(draw_trace, change(check, ratings=(*check.trace.ratings, outside, silent)))[1]
    dots = [line.get_xydata().tolist() for line in axis.lines if line.get_marker() == "."]
    assert dots == [[[20.0, 9.0]]]
    assert not [line for line in drawn(draw_trace, check)[1].lines if line.get_marker() == "."]


@pytest.mark.parametrize(
    ("n", "small", "large"),
    [
        (13, True, True),
        (14, False, True),
        (39, False, True),
        (40, False, False),
    ],
)
def test_numbers_stand_beside_ratings_where_there_is_room_for_all(check, n, small, large) -> None:
    rows = tuple(replace(check.phases[k % 2], phase=replace(check.phases[k % 2].phase, number=k + 1)) for k in range(n))
    many = replace(check, phases=rows)
    assert len(drawn(draw_ratings, many)[0].texts) == n * small
    assert len(drawn(draw_trace, many)[1].texts) == n * large


@pytest.mark.parametrize(
    ("n", "labels"),
    [
        (3, ["R1", "C1", "R2"]),
        (13, [f"{'RC'[k % 2]}{k // 2 + 1}" for k in range(13)]),
        (14, [f"{'RC'[k % 2]}{k // 2 + 1}" for k in range(0, 14, 3)]),
        (39, [f"{'RC'[k % 2]}{k // 2 + 1}" for k in range(0, 39, 3)]),
        (40, [f"{'RC'[k % 2]}{k // 2 + 1}" for k in range(0, 40, 5)]),
    ],
)
def test_phases_are_named_by_kind_and_number_each_or_every_other_few(check, n, labels) -> None:
    rows = tuple(replace(check.phases[k % 2], phase=replace(check.phases[k % 2].phase, number=k + 1)) for k in range(n))
    (axis,) = drawn(draw_ratings, replace(check, phases=rows))
    assert [text.get_text() for text in axis.get_xticklabels()] == labels
    assert axis.get_xticks().tolist() == [1 + k * ((-(-n // 13)) | 1) for k in range(len(labels))]
    left, right = axis.get_xlim()
    assert 0 < left < 1
    assert n < right < n + 1
    (line,) = lines_of(axis, "line", dashed=False)
    assert line == [[1, rows[0].rating.value], [n, rows[-1].rating.value]]


# -- the answer -------------------------------------------------------------------------------------------------------


def test_a_mean_without_an_interval_and_contrasts_without_a_mean(check) -> None:
    bare = replace(check, response=replace(check.response, low=None))
    (axis,) = drawn(draw_contrasts, bare)
    assert [(x, y) for x, y, _ in marks_of(axis, "s")] == [(check.response.mean_change, 6.4)]
    assert marks_of(axis, "|") == []
    none = replace(check, response=replace(check.response, mean_change=None, low=None, high=None))
    (axis,) = drawn(draw_contrasts, none)
    assert [label.get_text() for label in axis.get_yticklabels()] == ["1", "2", "3", "4", "5"]
    assert marks_of(axis, "s") == []


@pytest.mark.parametrize(("low", "high", "changes", "reach"), [
    (-1.0, 1.0, [-2.0, 1.0], 3.0), (-4.0, 1.0, [-2.0, 1.0], 4.0), (-1.0, 5.0, [-2.0, 1.0], 5.0),
    (-1.0, 1.0, [-6.0, 1.0], 6.0),
])  # fmt: skip
def test_changes_are_drawn_to_both_sides_alike_three_points_at_least(check, low, high, changes, reach) -> None:
    contrasts = tuple(replace(one, change=c) for one, c in zip(check.response.contrasts, changes, strict=False))
    told = replace(check, response=replace(check.response, contrasts=contrasts, low=low, high=high))
    (axis,) = drawn(draw_contrasts, told)
    left, right = axis.get_xlim()
    assert left == -right
    assert reach < right < 1.3 * reach
    bottom, top = axis.get_ylim()
    assert top < 1
    assert 3.4 < bottom < 4.4
    assert axis.get_axisbelow() is True


@pytest.mark.parametrize(
    ("curve_to", "efforts", "least"),
    [
        (20, [5.0], 20.0),
        (60, [5.0], 60.0),
        (60, [118.0, None], 118.0),
    ],
)
def test_the_dose_figure_reaches_a_little_beyond_what_was_held(check, curve_to, efforts, least) -> None:
    contracting = iter(efforts)
    rows = []
    for row in check.phases[: 2 * len(efforts)]:
        if row.phase.meaning.contracts:
            row = replace(row, summaries=(replace(row.summary, mean_percent=next(contracting)),))  # noqa: PLW2901
        rows.append(row)
    level = check.dose.curve[0]
    curve = tuple(replace(level, effort_percent=float(e)) for e in range(5, curve_to + 1, 5))
    told = replace(
        check, phases=tuple(rows), dose=replace(check.dose, curve=curve),
        response=replace(check.response, contrasts=check.response.contrasts[: len(efforts)]),
    )  # fmt: skip
    (axis,) = drawn(draw_dose, told)
    left, right = axis.get_xlim()
    assert left == 0
    assert least < right < 1.1 * least + 3
    assert [x for x, _, _ in marks_of(axis, "D")] == [e for e in efforts if e is not None]


def test_margins_are_in_inches() -> None:
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(8.0, 4.0))
        FigureCanvasAgg(figure)
        axis = figure.subplots()
        set_margins(figure, left=0.8, right=0.4, bottom=0.5, top=0.2)
        box = axis.get_position()
    assert (box.x0, box.x1, box.y0, box.y1) == pytest.approx((0.1, 0.95, 0.125, 0.95))
