"""The history page says which changes are real, in words, figure and table."""

from __future__ import annotations

from dataclasses import replace

import pytest

from biofeedback.analysis.history import compare_sessions, summarise_session
from biofeedback.cautions import CAUTIONS
from biofeedback.report.history import build_history, describe_history, draw_history

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
    assert "2 sessions; 6 are needed to tell a trend" in text  # right side
    assert "measures were judged" in text
    assert "simulated: read them as an example" in text
    assert "left is" in text


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
