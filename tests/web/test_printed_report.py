"""A report printed by a browser: one sheet for the athlete, tagged, so that a screen reader reads it in order."""

from __future__ import annotations

import re

import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.report.html import build_report

from ..analysis.made_session import make_check

pytestmark = pytest.mark.browser


@pytest.fixture
def print_report(browser):
    def print_it(*, full: bool) -> bytes:
        page = browser.new_page()
        try:
            page.set_content(build_report(analyse_recording(make_check()), full=full))
            data: bytes = page.pdf(prefer_css_page_size=True, tagged=True)
        finally:
            page.close()
        return data

    return print_it


def count_tags(data: bytes) -> dict[str, int]:
    names = [name.decode() for name in re.findall(rb"/S /(\w+)", data)]
    return {name: names.count(name) for name in set(names)}


def test_the_athlete_s_page_is_one_tagged_sheet_of_a4(print_report) -> None:
    """Structure types of ISO 32000-1, 14.8.4: headings, lists and the figure with its caption, and the language."""
    data = print_report(full=False)
    assert len(re.findall(rb"/Type /Page\b", data)) == 1
    (box,) = re.findall(rb"/MediaBox \[([\d. ]+)\]", data)
    assert [float(side) for side in box.split()] == pytest.approx([0, 0, 595.3, 841.9], abs=0.5)  # ISO 216 A4
    assert b"/MarkInfo" in data
    assert b"/StructTreeRoot" in data
    assert b"/Lang (en)" in data
    tags = count_tags(data)
    assert tags["H1"] == 1
    assert tags["H2"] == 2  # what to do next, cautions
    assert tags["Figure"] == tags["Caption"] == 1
    assert tags["L"] == 2
    assert "Table" not in tags  # the details stay folded


def test_the_details_are_printed_as_tables_with_heads(print_report) -> None:
    tags = count_tags(print_report(full=True))
    assert tags["Table"] >= 4
    assert tags["TH"] >= 20
    assert tags["TD"] > tags["TH"]
