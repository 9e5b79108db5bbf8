"""The history page says which changes are real, in words, figure and table."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from itertools import pairwise

import numpy as np
import pytest

from biofeedback.account.kinds import RepeatMade
from biofeedback.analysis.history import compare_sessions, summarise_session
from biofeedback.cautions import CAUTIONS
from biofeedback.report.history import build_history, describe_history, draw_history, tabulate_measures
from biofeedback.report.learning_figure import LEARNING_CAPTION

from .test_figures import overlapping, texts_of
from .test_html import EVIL, parse


@pytest.fixture(scope="module")
def history(check):
    point = summarise_session(check, "a")
    points = [
        replace(
            point, name=str(n), started_utc=f"2026-01-{1 + 2 * n:02d}T18:00:00+00:00", maximum=400.0 + 10 * n,
            maximum_unit="N", side="right" if n > 8 else "left", in_band_percent=80.0 + n % 3,
        )
        for n in range(11)
    ]  # fmt: skip
    return compare_sessions("A01", points)


def test_words_say_what_is_real_and_what_is_not_known(history) -> None:
    text = "\n".join(describe_history(history))
    assert "maximum: 400.0 to 480.0 N: higher" in text
    assert "2 sessions; 7 are needed to tell a trend" in text  # right side
    assert "2 measures were judged side by side, and more is asked of each" in text
    assert "simulated: read them as an example" in text
    assert "left is" in text


def test_what_is_not_decided_says_why_and_draws_no_trend(check) -> None:
    point = summarise_session(check, "a")
    order = [2.0, 0, 5, 3, 1, 8, 4, 7, 11, 6, 10, 9]
    points = [
        replace(point, name=str(n), started_utc=f"2026-02-{1 + n:02d}T18:00:00+00:00", maximum=400 + 5 * rank,
                maximum_unit="N")
        for n, rank in enumerate(order)
    ]  # fmt: skip
    history = compare_sessions("A01", points)
    text = "\n".join(describe_history(history))
    assert "maximum: 410.0 to 445.0 N: not decided yet (the order of all 12 sessions would be a change if" in text
    rows = {row[0]: row for row in tabulate_measures(history.groups[0]).rows}
    assert rows["maximum, N"][-1] == "not decided yet"
    assert "not decided yet" in build_history(history)


def test_a_trend_is_told_with_its_interval_and_one_digit_more_than_what_it_is_of(history) -> None:
    (group, _) = history.groups
    rows = {row[0]: row for row in tabulate_measures(group).rows}
    trend = next(measure for measure in group.measures if measure.name == "maximum").trend_per_week
    assert trend.slope == pytest.approx(35.0)  # 10 N every other day
    slope, ends = rows["maximum, N"][6:8]
    assert slope == "+35.00"
    assert ends == f"{trend.low:+.2f} to {trend.high:+.2f}"


def test_one_session_says_so_in_a_line(check) -> None:
    one = compare_sessions("A01", [replace(summarise_session(check, "a"), simulated=False)])
    text = describe_history(one)
    assert text[1:] == ("  One session so far: a history begins with the second.",)
    page = build_history(one)
    assert "One session so far" in page
    assert "<table" not in page


def test_the_page_stands_alone_and_trusts_no_text(history, check) -> None:
    page = build_history(history)
    parser = parse(page)
    assert not [tag for tag, _ in parser.seen if tag in ("script", "link", "img")]
    assert "Simulated athlete" in page
    assert all(caution.split(".")[0].split("'")[0] in page for caution in CAUTIONS)
    evil = replace(summarise_session(check, EVIL), exercise=EVIL, position=EVIL, started_utc="2026-01-05T18:00:00")
    page = build_history(compare_sessions(EVIL, [evil, replace(evil, started_utc="")]))
    assert "<script" not in page
    parse(page)


def read_figure(page: str) -> list[dict]:
    """What each row of a figure shows, as an eye reads it off: dots and dashed ends by the ticks beside them."""
    rows = []
    for part in re.split(r'<g id="axes_\d+">', page)[1:]:
        ticks: dict[str, list[tuple[float, str]]] = {"x": [], "y": []}
        for axis, inside in re.findall(r'<g id="([xy])tick_\d+">(.*?)(?=<g id="[xy]tick_|<g id="patch|$)', part, re.S):
            at = dict(re.findall(r' ([xy])="([-\d.]+)"', re.search(r"<use [^>]*>", inside)[0]))
            if word := re.search(r"<!-- (.+?) -->", inside):
                ticks[axis].append((float(at[axis]), word[1].replace("−", "-")))
        dots = re.findall(r'<use [^>]*x="([\d.]+)" y="([\d.]+)" style="fill: var\(--effort\)', part)
        lines = {}
        for path, style in re.findall(r'<path d="([^"]*)"[^>]*style="(fill: none; [^"]*)"', part):
            colour = re.search(r"stroke: var\(--(\w+)\)", style)[1]
            lines.setdefault(
                colour, ([tuple(map(float, each)) for each in re.findall(r"[ML] (\S+) (\S+)", path)], style)
            )  # the frame around them comes last
        rows.append({"ticks": ticks, "dots": [tuple(map(float, dot)) for dot in dots], "lines": lines})
    return rows


def find_scale(ticks):
    """From the page's units to the numbers at the ticks, by the first and the last of them."""
    (a, first), (b, last) = ticks[0], ticks[-1]
    return lambda at: first + (at - a) / (b - a) * (last - first)


def test_dots_and_trend_stand_where_the_ticks_say_they_do(check) -> None:
    """A maximum that rises by 10 N a week; a range that goes up and down and has no trend."""
    point = replace(summarise_session(check, "a"), maximum_unit="N", reach_unit="cm")
    dates = [
        f"2026-{day}T00:00:00+00:00" for day in ("01-05", "01-12", "01-19", "01-26", "02-02", "02-09", "02-16", "02-23")
    ]
    reaches = [40.0, 47.0, 41.0, 46.0, 42.0, 45.0, 43.0, 44.0]
    points = [
        replace(point, name=str(n), started_utc=date, maximum=400.0 + 10 * n, reach=reaches[n])
        for n, date in enumerate(dates)
    ]
    (group,) = compare_sessions("A01", points).groups
    rows = read_figure(build_history(compare_sessions("A01", points)))
    assert len(rows) == len(group.measures)
    days = [datetime.fromisoformat(date).timestamp() / 86400 for date in dates]
    on_x = [
        (at, datetime.strptime(f"{word} +0000", "%d %b %y %z").timestamp() / 86400)
        for at, word in rows[-1]["ticks"]["x"]
    ]
    find_day = find_scale(on_x)
    shown = {measure.name: row for measure, row in zip(group.measures, rows, strict=True)}
    reach = next(name for name in shown if "range" in name or "reach" in name)
    for name, truth in (("maximum", [400.0 + 10 * n for n in range(8)]), (reach, reaches)):
        row = shown[name]
        find_value = find_scale([(at, float(word)) for at, word in row["ticks"]["y"]])
        assert [find_value(y) for _, y in row["dots"]] == pytest.approx(truth, abs=0.02)
        assert [find_day(x) for x, _ in row["dots"]] == pytest.approx(days, abs=1.0)  # a tick names a day, not an hour
        joined, _ = row["lines"]["soft"]
        assert np.array(joined) == pytest.approx(np.array(row["dots"]), abs=1e-3)
    ends, style = shown["maximum"]["lines"]["edge"]
    assert "stroke-dasharray" in style
    assert np.array(ends) == pytest.approx(np.array(shown["maximum"]["dots"]), abs=0.05), (
        "a straight rise is its own trend"
    )
    assert "edge" not in shown[reach]["lines"]
    assert all(a < b for a, b in pairwise(x for x, _ in shown["maximum"]["dots"]))


def test_no_text_lies_on_another(history) -> None:
    for group in history.groups:
        size = (8.6, 0.6 + 1.05 * len(group.measures))
        assert overlapping(texts_of(draw_history, group, size)[1]) == []


def test_no_date_lies_off_the_paper(check) -> None:
    point = replace(summarise_session(check, "a"), maximum=400.0, maximum_unit="N", reach=42.0, reach_unit="cm")
    dates = [f"2026-{1 + n // 4:02d}-{1 + 7 * (n % 4):02d}T18:00:00+00:00" for n in range(9)]
    (group,) = compare_sessions("A01", [replace(point, started_utc=date) for date in dates]).groups
    figure, shown = texts_of(draw_history, group, (8.6, 0.6 + 1.05 * len(group.measures)))
    for text, box in shown:
        assert 0 <= box.x0 < box.x1 <= figure.bbox.x1, text


def test_sets_and_lessons_have_their_rows_over_the_weeks(check) -> None:
    """Eight sessions in which the first set lasts longer each time; nine repeats of a lesson over the first three."""
    point = replace(summarise_session(check, "a"), simulated=False)
    points = [
        replace(
            point,
            name=str(n),
            started_utc=f"2026-02-{1 + 3 * n:02d}T18:00:00+00:00",
            lost_band_s=12.0 + 2 * n,
            set_decline_percent=-30.0 + n % 2,
            repeats=tuple(
                RepeatMade(lesson="light", phase_index=1, error=9.0 - n, kept=n > 1) for _ in range(3 * (n < 3))
            ),
        )
        for n in range(8)
    ]
    history = compare_sessions("A01", points)
    (group,) = history.groups
    rows = {row[0]: row for row in tabulate_measures(group).rows}
    assert rows["first set until the band was lost, s"][1:4] == ("8", "12.0", "26.0")
    assert rows["first set until the band was lost, s"][-1] == "higher"
    assert rows["last set against the first, %"][1:3] == ("8", "−30.0")
    assert rows["last set against the first, %"][-1] == "no real change"
    text = "\n".join(describe_history(history))
    assert "first set until the band was lost: 12.0 to 26.0 s: higher" in text
    assert "Hold it lightly (error: RMS error, % of maximum), 9 repeats: not passed yet" in text
    page = build_history(history)
    assert "first set until the band was lost" in page
    assert LEARNING_CAPTION in page
    assert "first set until" not in build_history(
        compare_sessions("A01", [point, replace(point, started_utc="2026-05-01")])
    )
