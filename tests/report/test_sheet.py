"""A printed page as data: where each text, rule and figure stands, against what can be worked out from the paper."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import matplotlib as mpl
import pytest
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.patches import Rectangle

from biofeedback.report.figures import PALETTE, STYLE
from biofeedback.report.sheet import MOST_STRETCH, Sheet, measure, wrap
from biofeedback.report.table import Table

WIDTH_PT, HEIGHT_PT = 595.3, 841.9  # ISO 216: A4 is 210 mm by 297 mm, at 72 points for 25.4 mm
MARGIN_PT = 46.0
INNER_PT = WIDTH_PT - 2 * MARGIN_PT
FOX = "the quick brown fox jumps over the lazy dog near the river bank while nobody looks on and the day is long "


@dataclass(frozen=True)
class Put:
    """One text on a page: its left and right end and its line, in points from the lower left corner."""

    text: str
    left: float
    right: float
    y: float
    size: float
    bold: bool
    colour: str
    align: str

    @property
    def anchor(self) -> float:
        return self.left if self.align == "left" else self.right


class Pages:
    """What ``PdfPages`` would have written."""

    def __init__(self) -> None:
        self.figures: list[Figure] = []

    def savefig(self, figure: Figure) -> None:
        self.figures.append(figure)


def put_texts(figure: Figure) -> list[Put]:
    texts = []
    for one in figure.texts:
        x, y = one.get_position()
        bold = one.get_fontweight() == "bold"
        width = measure(one.get_text(), one.get_fontsize(), bold=bold)
        left = x * WIDTH_PT - (width if one.get_ha() == "right" else 0.0)
        texts.append(Put(one.get_text(), left, left + width, y * HEIGHT_PT, one.get_fontsize(), bold, one.get_color(),
                         one.get_ha()))  # fmt: skip
    return texts


def write(fill) -> list[list[Put]]:
    """The texts of each page; the last two of a page are its foot."""
    return [put_texts(figure) for figure in write_figures(fill)]


def write_figures(fill) -> list[Figure]:
    pages = Pages()
    with mpl.rc_context(STYLE):
        sheet = Sheet(pages, "A01 at the wall", "program 1.2")
        fill(sheet)
        sheet.finish()
    return pages.figures


def body(page: list[Put]) -> list[Put]:
    return page[:-2]


def test_a_page_is_a4_with_a_foot_below_the_text_that_counts() -> None:
    def fill(sheet):
        for _ in range(3):
            sheet.paragraph("here")
            sheet.turn()
        sheet.paragraph("last")

    figures = write_figures(fill)
    assert len(figures) == 4
    for number, figure in enumerate(figures, start=1):
        assert figure.get_size_inches() * 72 == pytest.approx([WIDTH_PT, HEIGHT_PT])
        head, count = put_texts(figure)[-2:]
        assert (head.text, count.text) == ("A01 at the wall   ·   program 1.2", f"page {number}")
        assert (head.left, count.right) == pytest.approx((MARGIN_PT, WIDTH_PT - MARGIN_PT))
        assert head.y == count.y
        assert 14 < head.y < MARGIN_PT - head.size
        assert head.colour == count.colour == PALETTE["soft"]


def test_lines_of_a_paragraph_are_full_and_evenly_apart_and_begin_at_the_margin() -> None:
    for indent in (0.0, 11.0):
        (page,) = write(lambda sheet, indent=indent: sheet.paragraph(8 * FOX, indent=indent, colour="#123456"))
        lines = body(page)
        assert " ".join(line.text for line in lines) == " ".join((8 * FOX).split())
        room = INNER_PT - indent
        for line, following in pairwise(lines):
            assert line.left == pytest.approx(MARGIN_PT + indent)
            assert line.right <= WIDTH_PT - MARGIN_PT
            assert measure(f"{line.text} {following.text.split()[0]}", 9.0) > room, "the next word had fitted"
            assert line.y - following.y == pytest.approx(9.0 * 1.42)
        assert {(line.size, line.bold, line.colour) for line in lines} == {(9.0, False, "#123456")}
        top = lines[0].y + lines[0].size
        assert HEIGHT_PT - MARGIN_PT - 2 < top <= HEIGHT_PT - MARGIN_PT


def test_nothing_but_the_foot_stands_below_the_margin_and_nothing_on_anything() -> None:
    """Everything a page can hold, again and again, over many page ends."""

    def fill(sheet):
        for k in range(40):
            sheet.heading(f"Heading {k}")
            sheet.paragraph((1 + k % 3) * FOX)
            sheet.bullets([FOX, "short", (k % 2) * FOX + "x"])
            sheet.definitions([("name", FOX * (k % 4)), ("other", "a word")])
            sheet.space(3.0 * (k % 5))

    pages = write(fill)
    assert len(pages) > 8
    for page in pages:
        for one in body(page):
            assert one.y >= MARGIN_PT - 0.05 * one.size, one
            assert one.y + one.size <= HEIGHT_PT - MARGIN_PT
            assert one.left >= MARGIN_PT
            assert one.right <= WIDTH_PT - MARGIN_PT + 0.01
        by_line: dict[float, list[Put]] = {}
        for one in body(page):
            by_line.setdefault(round(one.y, 3), []).append(one)
        for line in by_line.values():
            for left, right in pairwise(sorted(line, key=lambda one: one.left)):
                assert left.right < right.left
        for low, high in pairwise(sorted(by_line)):
            assert high - low >= 0.99 * min(one.size for one in by_line[low])
        lowest = min(one.y for one in body(page))
        assert page is pages[-1] or lowest < MARGIN_PT + 100, "a page is filled before the next is begun"
        assert not body(page)[-1].text.startswith("Heading"), "a heading does not stay behind alone"


@pytest.mark.parametrize(("left_pt", "turns"), [(79.9, True), (80.1, False)])
def test_a_heading_wants_room_below_it(left_pt: float, turns: bool) -> None:
    def fill(sheet):
        sheet.paragraph("above")
        sheet.space(sheet.y - MARGIN_PT - left_pt)
        sheet.heading("Below")

    pages = write(fill)
    assert len(pages) == 1 + turns
    heading = body(pages[-1])[-1]
    assert (heading.text, heading.bold, heading.size) == ("Below", True, 10.5)
    assert heading.left == MARGIN_PT


def test_a_heading_stands_apart_from_what_is_above_it() -> None:
    (page,) = write(lambda sheet: (sheet.paragraph("above"), sheet.heading("Title"), sheet.paragraph("below")))
    above, title, below = body(page)
    assert above.y - title.y - title.size > title.y - below.y - below.size > 0


def test_a_bullet_stands_beside_the_first_line_of_its_text_also_at_the_end_of_a_page() -> None:
    for left_pt in (12.0, 12.7, 13.0, 30.0):

        def fill(sheet, left_pt=left_pt):
            sheet.paragraph("above")
            sheet.space(sheet.y - MARGIN_PT - left_pt)
            sheet.bullets([3 * FOX, "two"], size=9.0)

        pages = write(fill)
        dots = [(page, one) for page in pages for one in body(page) if one.text == "•"]
        assert len(dots) == 2
        for (page, dot), first in zip(dots, ("the quick", "two"), strict=True):
            (line,) = [one for one in body(page) if one.text.startswith(first) and one.y == dot.y]
            assert MARGIN_PT < dot.left < dot.right < line.left
            assert line.size == dot.size == 9.0
        texts = [one for page in pages for one in body(page) if one.text not in ("•", "above")]
        assert {one.left for one in texts} == {texts[0].left}, "what follows stands below the first line"


def test_a_name_stands_beside_the_first_line_of_what_explains_it_on_one_page_where_that_fits() -> None:
    for left_pt in (15.0, 22.0, 23.0, 60.0):

        def fill(sheet, left_pt=left_pt):
            sheet.paragraph("above")
            sheet.space(sheet.y - MARGIN_PT - left_pt)
            sheet.definitions([("Sensor", FOX + "and over"), ("Rate", "100 Hz")])

        pages = write(fill)
        (where,) = [page for page in pages if any(one.text == "Sensor" for one in page)]
        name = next(one for one in where if one.text == "Sensor")
        lines = [one for one in body(where) if one.left > MARGIN_PT + 1 and one.text != "100 Hz"]
        assert " ".join(one.text for one in lines) == FOX + "and over"
        assert len(lines) == 2
        assert lines[0].y == name.y
        assert (name.left, name.bold, lines[0].bold) == (MARGIN_PT, True, False)
        assert name.right < lines[0].left
        rate = next(one for page in pages for one in page if one.text == "Rate")
        if any(one is rate for one in where):
            assert lines[-1].y - rate.y > lines[0].y - lines[1].y, "some room between two of them"


def table_of(*rows, head=("phase", "mean", "remark"), text_columns=(0, 2), note="") -> Table:
    return Table("What was held", head, tuple(rows), text_columns, note)


def find_columns(page: list[Put], head) -> list[list[Put]]:
    """The cells of each column, by the anchor of its head."""
    anchors = [next(one.anchor for one in page if one.bold and name.startswith(one.text)) for name in head]
    return [[one for one in body(page) if abs(one.anchor - anchor) < 0.01] for anchor in anchors]


def test_texts_of_a_table_stand_to_the_left_and_numbers_to_the_right_of_their_column() -> None:
    head = ("phase", "mean", "remark")
    table = table_of(("1 relax", "0.4", "none"), ("2 contract", "70.1", "left the band"), head=head, note="Effort.")
    (figure,) = write_figures(lambda sheet: sheet.table(table))
    page = put_texts(figure)
    title, note = page[0], body(page)[-1]
    assert (title.text, title.bold) == ("What was held", True)
    assert (note.text, note.size, note.colour) == ("Effort.", 7.5, PALETTE["soft"])
    names, numbers, remarks = find_columns(page[1:], head)
    assert [one.text for one in names] == ["phase", "1 relax", "2 contract", "Effort."]
    assert [one.text for one in numbers] == ["mean", "0.4", "70.1"]
    assert [one.text for one in remarks] == ["remark", "none", "left the band"]
    assert [one.bold for one in numbers] == [True, False, False]
    assert {one.align for one in numbers} == {"right"}
    assert {one.align for one in (*names, *remarks)} == {"left"}
    assert max(one.right for one in names) < min(one.left for one in numbers)
    assert max(one.right for one in numbers) + 3 < min(one.left for one in remarks)
    assert note.y < names[-2].y - 8.0
    for row in zip(names[:-1], numbers, remarks, strict=True):
        assert len({one.y for one in row}) == 1
    rules = [one for one in figure.findobj(Rectangle) if one is not figure.patch]
    assert len(rules) == 3, "below the head and each row"
    for rule, row, following in zip(rules, numbers, [*numbers[1:], note], strict=True):
        x, y = rule.get_x() * WIDTH_PT, rule.get_y() * HEIGHT_PT
        assert following.y + following.size * 0.7 < y < row.y - 0.5
        assert x == pytest.approx(MARGIN_PT)
        assert remarks[0].left < x + rule.get_width() * WIDTH_PT <= WIDTH_PT - MARGIN_PT
        assert 0 < rule.get_height() * HEIGHT_PT < 1
        assert rule.get_facecolor() == mpl.colors.to_rgba(PALETTE["line"])


def test_the_end_of_a_rule_is_the_end_of_the_table() -> None:
    """A narrow table is stretched by 1.4 at most: its numbers end 4 points before its own end."""
    table = table_of(("1", "2"), head=("W", "M"), text_columns=(0,))
    (figure,) = write_figures(lambda sheet: sheet.table(table))
    least = [measure("W", 8.0, bold=True) + 8, measure("M", 8.0, bold=True) + 8]
    (rule, _) = [one for one in figure.findobj(Rectangle) if one is not figure.patch]
    assert rule.get_width() * WIDTH_PT == pytest.approx(MOST_STRETCH * sum(least))
    number = next(one for one in put_texts(figure) if one.text == "2")
    assert number.right == pytest.approx(MARGIN_PT + MOST_STRETCH * sum(least) - 4)


def test_a_long_table_repeats_its_head_on_every_page_and_loses_no_row() -> None:
    head = ("phase", "mean", "remark")
    rows = [(f"row{n:03d}", f"{n}.5", FOX if n % 7 == 0 else "none") for n in range(70)]
    pages = write(lambda sheet: sheet.table(table_of(*rows, head=head, note="The end.")))
    assert len(pages) > 1
    seen = []
    for page in pages:
        names, numbers, remarks = find_columns(page, head)
        assert [one.text for one in names].count("phase") == 1
        own = [one.text for one in names if one.text.startswith("row")]
        assert [one.text for one in numbers] == ["mean", *(f"{int(name[3:])}.5" for name in own)]
        first_lines = {one.y for one in names if one.text.startswith("row")}
        assert first_lines <= {one.y for one in remarks}, "a row begins on one line"
        assert all(one.y >= MARGIN_PT for one in body(page))
        assert page is pages[-1] or min(one.y for one in body(page)) < MARGIN_PT + 50
        for high, low in pairwise(sorted({one.y for one in body(page)}, reverse=True)):
            assert high - low >= 8.0
        seen += own
    assert seen == [name for name, *_ in rows]
    assert body(pages[-1])[-1].text == "The end."


def test_the_head_of_a_table_stands_at_the_foot_of_its_row() -> None:
    """Names of columns of one line beside one of three: all end on the same line."""
    head = ("phase", "a very long name of a column that takes lines", "b")
    columns = [("1", "2.5", FOX + FOX)]
    (page,) = write(lambda sheet: sheet.table(table_of(*columns, head=head)))
    heads = [one for one in body(page)[1:] if one.bold]
    assert len({one.y for one in heads}) > 1
    lowest = min(one.y for one in heads)
    for name in ("phase", "b"):
        assert next(one.y for one in heads if one.text == name) == pytest.approx(lowest)
    cells = [one for one in body(page)[1:] if not one.bold]
    first = max(one.y for one in cells)
    assert {one.text for one in cells if one.y == first} >= {"1", "2.5"}, "what follows stands at the head of its row"


def test_a_wide_table_is_set_in_small_type_and_fits_the_page() -> None:
    for n, size in ((8, 8.0), (9, 6.3), (15, 6.3)):
        head = tuple(f"name {k}" for k in range(n))
        row = tuple(f"{k}.25" for k in range(n))
        (page,) = write(lambda sheet, head=head, row=row: sheet.table(table_of(row, head=head, text_columns=(0,))))
        assert {one.size for one in body(page)[1:]} == {size}
        assert max(one.right for one in body(page)) <= WIDTH_PT - MARGIN_PT
        for k, text in enumerate(row):
            assert [one.text for one in body(page)].count(text) == 1, k


def test_no_word_of_a_table_is_cut_where_all_of_them_fit() -> None:
    head = ("contraction", "changed", "remark")
    rows = [("1", "−2.00", "held for a while; the band was left"), ("2", "−1.50", FOX + FOX), ("10", "+0.25", "")]
    (page,) = write(lambda sheet: sheet.table(table_of(*rows, head=head)))
    words = {word for cell in (*head, *(cell for row in rows for cell in row)) for word in cell.split()}
    shown = {word for one in body(page)[1:] for word in one.text.split()}
    assert shown == words
    names, changes, remarks = find_columns(page[1:], head)
    assert [one.text for one in names] == ["contraction", "1", "2", "10"]
    assert [one.text for one in changes] == ["changed", "−2.00", "−1.50", "+0.25"]
    assert max(one.right for one in remarks) > 0.9 * (WIDTH_PT - MARGIN_PT), "the long one has what is left"


def test_figures_side_by_side_fill_their_share_of_the_width_and_begin_where_the_text_ends() -> None:
    places: list[tuple[float, ...]] = []

    def draw(figure, told):
        assert told == "analysis"
        box = figure.bbox
        dots = figure.figure.dpi / 72
        places.append(tuple(edge / dots for edge in (box.x0, box.x1, box.y0, box.y1)))

    for n, share in ((1, 1.0), (1, 0.5), (2, 1.0)):
        places.clear()
        left_at = []

        def fill(sheet, n=n, share=share, left_at=left_at):
            sheet.paragraph(FOX)
            left_at.append(sheet.y)
            sheet.figures([draw] * n, "analysis", 145.0, share=share)
            left_at.append(sheet.y)

        write(fill)
        width = share * INNER_PT / n
        for k, (x0, x1, y0, y1) in enumerate(places):
            assert (x0, x1) == pytest.approx((MARGIN_PT + k * width, MARGIN_PT + (k + 1) * width), abs=0.01)
            assert (y1, y0) == pytest.approx((left_at[0], left_at[0] - 145.0), abs=0.01)
        assert len(places) == n
        assert left_at[1] < left_at[0] - 145.0


@pytest.mark.parametrize(("left_pt", "turns"), [(144.9, True), (145.1, False)])
def test_a_figure_that_does_not_fit_is_put_on_the_next_page(left_pt: float, turns: bool) -> None:
    def fill(sheet):
        sheet.paragraph("above")
        sheet.space(sheet.y - MARGIN_PT - left_pt)
        sheet.figures([lambda figure, told: None], None, 145.0)

    assert len(write(fill)) == 1 + turns


@pytest.mark.parametrize("size", [6.3, 9.0, 15.0])
@pytest.mark.parametrize("bold", [False, True])
def test_the_width_of_a_text_is_the_advances_of_its_letters(size: float, bold: bool) -> None:
    """By the font's own table of advances (OpenType hmtx), with its kerning left out."""
    font = get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    for text in ("Response check", "i", "mmmm", "12.5 % of 400 N", "a  b"):
        font.set_size(size, 72.0)
        letters = [font.load_char(ord(letter)) for letter in text]
        width = sum(letter.linearHoriAdvance for letter in letters) / 65536  # 16.16 fixed point
        assert measure(text, size, bold=bold) == pytest.approx(width, rel=0.03, abs=0.4)


def test_a_word_longer_than_the_line_is_cut_where_the_line_is_full() -> None:
    lines = wrap("ab " + 60 * "x" + " cd", 100.0, 9.0)
    assert lines[0] == "ab"
    assert "".join(lines).replace(" ", "") == "ab" + 60 * "x" + "cd"
    whole = [line for line in lines[1:] if line == line[0] * len(line)]
    for line in whole[:-1]:
        assert measure(line, 9.0) <= 100.0 < measure(line + "x", 9.0)
    assert lines[-1].endswith("x cd")
    assert wrap("", 100.0, 9.0) == wrap("   ", 100.0, 9.0) == [""]
    assert wrap("xyz", 0.5, 9.0) == ["x", "y", "z"], "one letter a line where not even one fits"
