"""The learning curve as a figure: every repeat is there, the shade holds the truth, and nothing lies on anything."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

from biofeedback.account.kinds import RepeatMade
from biofeedback.account.lessons import LESSONS
from biofeedback.analysis.history import compare_sessions, summarise_session
from biofeedback.analysis.learning import fit_learning
from biofeedback.report.history import build_history
from biofeedback.report.html import build_report
from biofeedback.report.learning_figure import LEARNING_CAPTION, draw_learning, list_drawn
from biofeedback.report.pdf import write_pdf

from .test_figures import overlapping, texts_of


def errors_of(seed, *, rate, n=20, start=16.0, floor=4.0, scatter=0.15):
    true = floor + (start - floor) * np.exp(-rate * np.arange(n))
    return true, true * np.exp(scatter * np.random.default_rng(seed).standard_normal(n))


def learn(*lessons, n=20, rate=0.2):
    return [
        RepeatMade(lesson=lesson, phase_index=1, error=float(error), kept=error < 8)
        for seed, lesson in enumerate(lessons)
        for error in errors_of(seed, rate=rate, n=n)[1]
    ]


@pytest.mark.parametrize("rate", [0.0, 0.2])
def test_the_shade_holds_the_true_curve_nineteen_times_in_twenty(rate):
    held = []
    for seed in range(40):
        true, errors = errors_of(seed, rate=rate)
        low, high = np.array(fit_learning(errors.tolist()).band).T
        held.append(np.mean((low <= true) & (true <= high)))
    assert np.mean(held) >= 0.95 - 2 * np.sqrt(0.95 * 0.05 / 40)


def test_the_shade_is_as_long_as_the_repeats_and_around_the_line_and_narrows():
    errors = [float(one) for one in errors_of(3, rate=0.2, n=40)[1]]
    curve = fit_learning([None, *errors])
    assert len(curve.band) == 41
    assert all(low <= curve.at(n) <= high for n, (low, high) in enumerate(curve.band))
    short = fit_learning([None, *errors[:8]])
    assert short.band[5][1] / short.band[5][0] > curve.band[5][1] / curve.band[5][0]
    assert fit_learning([3.0, 2.0]).band == ()


def test_the_line_is_the_curve_and_the_shade_its_band():
    repeats = learn("light")
    curve = fit_learning([one.error for one in repeats])
    figure = Figure(figsize=(8.6, 2.1))
    draw_learning(figure, repeats)
    (axis,) = figure.axes
    assert axis.get_axisbelow() is True
    (line,) = [line for line in axis.lines if line.get_marker() == "None"]
    assert line.get_xydata().tolist() == [[n + 1.0, curve.at(n)] for n in range(len(repeats))]
    (shade,) = axis.collections
    corners = {tuple(corner) for corner in shade.get_paths()[0].vertices.tolist()}
    assert corners >= {(n + 1.0, edge) for n, band in enumerate(curve.band) for edge in band}


@pytest.mark.parametrize("lessons", [["light"], ["find", "steady", "ramp"], list(LESSONS)])
def test_no_text_lies_on_another_and_every_repeat_is_drawn(lessons):
    repeats = learn(*lessons)
    figure, shown = texts_of(draw_learning, repeats, (8.6, 0.6 + 1.5 * len(lessons)))
    assert overlapping(shown) == []
    assert [axis.get_title(loc="left") for axis in figure.axes] == [LESSONS[lesson].title for lesson in lessons]
    for axis, lesson in zip(figure.axes, lessons, strict=True):
        drawn = sorted(
            (float(x), float(y)) for line in axis.lines if line.get_marker() == "o" for x, y in line.get_xydata()
        )
        own = [one for one in repeats if one.lesson == lesson]
        assert drawn == [(k + 1.0, one.error) for k, one in enumerate(own)]


def test_what_was_not_measured_leaves_its_place_and_two_repeats_make_no_figure():
    repeats = learn("light", n=8)
    repeats[3] = replace(repeats[3], error=None)
    figure = Figure(figsize=(8.6, 2.1))
    draw_learning(figure, repeats)
    places = sorted(x for line in figure.axes[0].lines if line.get_marker() == "o" for x in line.get_xdata())
    assert places == [1, 2, 3, 5, 6, 7, 8]
    assert list_drawn(repeats[:2]) == []
    assert list_drawn([]) == []


def test_report_history_and_pdf_show_it_where_there_are_lessons(check, tmp_path, monkeypatch):
    learnt = replace(check, trace=replace(check.trace, account=replace(check.trace.account, repeats=learn("light"))))
    page = build_report(learnt, full=True)
    assert LEARNING_CAPTION in page
    assert LEARNING_CAPTION not in build_report(check, full=True)
    assert LEARNING_CAPTION in build_history(compare_sessions("A01", [summarise_session(learnt, "a")]))
    drawn = []
    monkeypatch.setattr("biofeedback.report.pdf.draw_learning", lambda figure, repeats: drawn.append(repeats))
    write_pdf(learnt, tmp_path / "a.pdf", full=True)
    assert drawn == [learn("light")]
