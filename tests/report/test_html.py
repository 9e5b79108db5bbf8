"""The HTML report stands alone, tells the truth of the analysis, and trusts no text."""

from __future__ import annotations

import html
import re
import time
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser

import numpy as np
import pytest

from biofeedback.account.kinds import PlanBegun
from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.response_words import describe_response
from biofeedback.cautions import CAUTIONS
from biofeedback.model import Chunk
from biofeedback.report.figuring import number, signed
from biofeedback.report.html import build_report, write_report
from biofeedback.report.markup import Markup, tag
from biofeedback.report.words import CAPTIONS

from ..analysis.made_session import make_check

EVIL = '<script>alert("x")</script> & \'"><img src=//x onerror=y>'
VOID = {"meta", "br", "hr"}
show = cache(build_report)  # an analysis is its own key


class Balance(HTMLParser):
    """Every opened element is closed, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def parse(text: str) -> Balance:
    parser = Balance()
    parser.feed(text)
    parser.close()
    assert parser.open == []
    return parser


def test_nothing_is_fetched_from_anywhere(any_analysis) -> None:
    page = show(any_analysis)
    parser = parse(page)
    assert not [tag for tag, _ in parser.seen if tag in ("script", "link", "img", "iframe", "object")]
    for _, attributes in parser.seen:
        for name, value in attributes.items():
            if name in ("src", "href", "xlink:href", "data"):
                assert (value or "").startswith("#")
    style = re.findall(r"<style.*?</style>", page, re.DOTALL)
    assert not any("@import" in part or re.search(r"url\((?!#)", part) for part in style)


def test_every_text_is_escaped(check) -> None:
    settings = dict.fromkeys(("athlete", "exercise", "side", "position", "joint", "source", "software"), EVIL)
    page = build_report(
        replace(check, settings={**check.settings, **settings}, warnings=(EVIL,), plans=(PlanBegun(title=EVIL),))
    )
    assert "<script" not in page
    assert "<img" not in page
    assert html.escape(EVIL) in page
    parse(page)


def test_a_stop_s_reason_is_told_and_escaped(troubled) -> None:
    page = show(troubled)
    assert "cramp &lt;b&gt;" in page
    assert "cramp <b>" not in page


def test_all_cautions_stand_on_the_first_page(any_analysis) -> None:
    page = show(any_analysis)
    first = page[: page.index("<h2>Details</h2>")]
    for caution in CAUTIONS:
        assert html.escape(caution) in first


def test_numbers_in_the_page_are_those_of_the_analysis(check) -> None:
    page = show(check)
    cells = re.findall(r"<td[^>]*>(.*?)</td>", page)
    for row in check.phases:
        assert number(row.summary.mean_percent, 1) in cells
    assert signed(check.response.mean_change, 2) in page
    assert html.escape(describe_response(check.response)[0]) in page
    assert f"{check.response.nap:.2f}" in page


def test_the_page_is_the_athlete_s_and_the_rest_is_folded(check) -> None:
    page = show(check)
    front, fold = page.split("<details>")
    assert "What to do next" in front
    assert len(re.findall("<svg", front)) == 1
    assert "<table" not in front
    assert "Phase by phase" in fold
    assert "<details open" in build_report(check, full=True)


def test_the_time_is_that_of_the_place(check, monkeypatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Vienna")
    time.tzset()
    try:
        assert "2026-01-05 19:00 UTC+01:00" in build_report(check)
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_coach_s_note_is_on_the_first_page() -> None:
    session = make_check()
    session.happen("note", text="knee felt fine", by="coach")
    front = build_report(analyse_recording(session)).split("<details>")[0]
    assert "Coach’s notes" in front
    assert "knee felt fine" in front


def test_contractions_are_drawn_as_soon_as_one_could_be_compared(check, empty) -> None:
    def has_figure(analysis):
        return html.escape(CAPTIONS["contrasts"][1:]) in show(analysis)

    first, *others = check.response.contrasts
    unknown = [replace(one, change=None, reason="not rated") for one in (first, *others)]
    one_known, none_known = (
        replace(check, response=replace(check.response, contrasts=tuple(contrasts)))
        for contrasts in ([first, *unknown[1:]], unknown)
    )
    assert [has_figure(each) for each in (check, one_known, none_known, empty)] == [True, True, False, False]


def test_no_column_holds_only_dashes(any_analysis) -> None:
    for body in re.findall(r"<tbody>(.*?)</tbody>|<table.*?</table>", show(any_analysis), re.DOTALL):
        rows = [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in body.split("<tr>")]
        columns = list(zip(*[row for row in rows if row], strict=True))
        assert not any(set(column) <= {"–", ""} for column in columns[1:])


def test_troubles_are_told(troubled) -> None:
    page = html.unescape(show(troubled))
    assert "1 without an answer" in page
    assert "1 corrected later" in page
    assert "6.5 (was 6)" in page
    assert "out of band" in page
    assert "25 % would become 23 %" in page
    assert "nothing was filled in" in page
    assert "shortened for trying out" in page
    assert "Too few ratings to say" in page
    assert "Simulated athlete" not in page


def test_simulated_is_said_where_it_cannot_be_missed(check) -> None:
    page = show(check)
    assert page.index("Simulated athlete and sensors") < page.index("What was done")


def test_light_dark_and_print(check) -> None:
    page = show(check)
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert len(drawings) == 4
    for drawing in drawings:
        assert "var(--ink)" in drawing
        assert not set(re.findall(r"(?:fill|stroke): (#[0-9a-f]{6})", drawing)) - {"#000000", "#ffffff"}


def test_the_same_recording_gives_the_same_page(check) -> None:
    assert build_report(check) == show(check)


def test_written_as_utf8(check, tmp_path) -> None:
    path = tmp_path / "report.html"
    write_report(check, path)
    assert path.read_text("utf-8") == show(check)


@pytest.mark.parametrize(
    ("value", "digits", "text"), [(None, 1, "–"), (-0.01, 1, "0.0"), (-2.25, 1, "−2.2"), (69.36, 0, "69")]
)
def test_numbers_have_a_real_minus_and_no_negative_zero(value, digits, text) -> None:
    assert number(value, digits) == text


def test_markup_escapes_children_and_attributes_but_not_itself() -> None:
    inner = tag("b", "a<b")
    assert inner == "<b>a&lt;b</b>"
    assert tag("p", inner, title='"') == '<p title="&quot;"><b>a&lt;b</b></p>'
    assert tag("p", Markup("&amp;")) == "<p>&amp;</p>"


def test_the_methods_name_the_resampling_of_an_uneven_board() -> None:
    session = make_check()
    start_s = 0.0
    for k, item in enumerate(session.chunks):  # 8 and 12 ms in turn, at 100 Hz
        assert isinstance(item, Chunk)
        times_s = start_s + np.cumsum(np.tile([0.008, 0.012], item.n_frames))[: item.n_frames]
        start_s = times_s[-1]
        session.chunks[k] = Chunk(item.first_frame, item.counts, 1e6 * times_s)
    page = build_report(analyse_recording(session))
    assert "8.0 to 12.0 ms apart (SD 2.00 ms)" in page
    assert "resampled to even spacing, linearly between readings" in page
