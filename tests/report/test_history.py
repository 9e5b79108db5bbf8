"""The history page says which changes are real, in words, figure and table."""

from __future__ import annotations

from dataclasses import replace

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
            point, name=str(n), started_utc=f"2026-0{1 + n}-05T18:00:00+00:00", maximum=400.0 + 10 * n,
            maximum_unit="N", side="right" if n > 6 else "left",
        )
        for n in range(9)
    ]  # fmt: skip
    return compare_sessions("A01", points)


def test_words_say_what_is_real_and_what_is_not_known(history) -> None:
    text = "\n".join(describe_history(history))
    assert "maximum: 400.0 to 460.0 N: higher" in text
    assert "2 sessions; 7 are needed to tell a trend" in text  # right side
    assert "measures were judged" in text
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
    """Seven sessions in which the first set lasts longer each time; nine repeats of a lesson over the first three."""
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
        for n in range(7)
    ]
    history = compare_sessions("A01", points)
    (group,) = history.groups
    rows = {row[0]: row for row in tabulate_measures(group).rows}
    assert rows["first set until the band was lost, s"][1:4] == ("7", "12.0", "24.0")
    assert rows["first set until the band was lost, s"][-1] == "higher"
    assert rows["last set against the first, %"][1:3] == ("7", "−30.0")
    assert rows["last set against the first, %"][-1] == "no real change"
    text = "\n".join(describe_history(history))
    assert "first set until the band was lost: 12.0 to 24.0 s: higher" in text
    assert "Hold it lightly (error: RMS error, % of maximum), 9 repeats: not passed yet" in text
    page = build_history(history)
    assert "first set until the band was lost" in page
    assert LEARNING_CAPTION in page
    assert "first set until" not in build_history(
        compare_sessions("A01", [point, replace(point, started_utc="2026-05-01")])
    )
