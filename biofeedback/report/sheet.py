"""A4 pages written from top to bottom with matplotlib: text, tables and figures where the cursor stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cache, lru_cache

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure, SubFigure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.gridspec import GridSpec
from matplotlib.patches import Rectangle

from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.report.figures import PALETTE, STYLE
from biofeedback.report.table import Table

WIDTH_PT, HEIGHT_PT = 595.3, 841.9  # A4
MARGIN_PT = 46.0
BODY_PT = 9.0
LEADING = 1.42
MOST_STRETCH = 1.4  # a narrow table does not need the whole page
NAMES_PT = 122.0
Draw = Callable[[Figure | SubFigure, SessionAnalysis], None]


class Sheet:
    """A pile of A4 pages written from top to bottom; ``y`` is what is left of the present page, in points."""

    def __init__(self, pages: PdfPages, head: str, foot: str) -> None:
        self._pages, self._head, self._foot = pages, head, foot
        self._n_pages = 0
        self._figure = Figure()
        self._start()

    def turn(self) -> None:
        """Finish this page and begin the next."""
        self._end()
        self._start()

    def finish(self) -> None:
        """Finish the last page."""
        self._end()

    def space(self, points: float) -> None:
        """Leave a gap."""
        self.y -= points

    def heading(self, text: str) -> None:
        """A heading that does not stay behind alone at the foot of a page."""
        if self.y < MARGIN_PT + 80:
            self.turn()
        self.space(9.0)
        self.paragraph(text, size=10.5, bold=True)

    def paragraph(
        self, text: str, *, size: float = BODY_PT, bold: bool = False, colour: str = PALETTE["ink"], indent: float = 0.0
    ) -> None:
        """Text, wrapped to the page's width."""
        for line in wrap(text, WIDTH_PT - 2 * MARGIN_PT - indent, size, bold=bold):
            self._line(line, MARGIN_PT + indent, size, bold=bold, colour=colour)
        self.space(0.25 * size)

    def bullets(self, texts: Iterable[str], *, size: float = BODY_PT) -> None:
        """A list."""
        for text in texts:
            self._need(size * LEADING)
            self._put("•", MARGIN_PT + 2.0, size)
            self.paragraph(text, size=size, indent=11.0)

    def definitions(self, pairs: Iterable[tuple[str, str]]) -> None:
        """Names in a narrow column, explanations beside them."""
        for name, text in pairs:
            lines = wrap(text, WIDTH_PT - 2 * MARGIN_PT - NAMES_PT, 8.0)
            self._need(8.0 * LEADING * len(lines))
            self._put(name, MARGIN_PT, 8.0, bold=True)
            for line in lines:
                self._line(line, MARGIN_PT + NAMES_PT, 8.0)
            self.space(2.5)

    def figures(self, draws: Sequence[Draw], analysis: SessionAnalysis, height: float, *, share: float = 1.0) -> None:
        """One or several figures side by side, ``height`` points high, on ``share`` of the width."""
        self._need(height)
        inner = share * (WIDTH_PT - 2 * MARGIN_PT) / len(draws)
        heights = [HEIGHT_PT - self.y, height, self.y - height]
        widths = [MARGIN_PT, *[inner] * len(draws), WIDTH_PT - MARGIN_PT - inner * len(draws)]
        grid = GridSpec(3, len(draws) + 2, self._figure, height_ratios=heights, width_ratios=widths)
        for column, draw in enumerate(draws, start=1):
            draw(self._figure.add_subfigure(grid[1, column]), analysis)
        self.space(height + 4.0)

    def table(self, table: Table) -> None:
        """A table as wide as the page; its head is repeated on a new page."""
        size = 6.3 if len(table.head) > 8 else 8.0
        self.heading(table.title)
        widths = _share_width(table, size, WIDTH_PT - 2 * MARGIN_PT)
        head = [wrap(cell, width - 7, size, bold=True) for cell, width in zip(table.head, widths, strict=True)]
        self._row(head, widths, table.text_columns, size, bold=True)
        for row in table.rows:
            cells = [wrap(cell, width - 8, size) for cell, width in zip(row, widths, strict=True)]
            if self.y < MARGIN_PT + size * LEADING * max(map(len, cells)) + 6:
                self.turn()
                self._row(head, widths, table.text_columns, size, bold=True)
            self._row(cells, widths, table.text_columns, size)
        if table.note:
            self.space(2.0)
            self.paragraph(table.note, size=7.5, colour=PALETTE["soft"])

    def _row(
        self,
        cells: Sequence[Sequence[str]],
        widths: Sequence[float],
        left: Sequence[int],
        size: float,
        *,
        bold: bool = False,
    ) -> None:
        height = size * LEADING * max(1, *(len(cell) for cell in cells)) if cells else 0.0
        self._need(height)
        x = MARGIN_PT
        for place, (lines, width) in enumerate(zip(cells, widths, strict=True)):
            top = self.y - (height - size * LEADING * len(lines) if bold else 0.0)
            for number, line in enumerate(lines):
                at = x if place in left else x + width - 4
                self._text(
                    line, at, top - size * LEADING * number, size, bold=bold, align="left" if place in left else "right"
                )
            x += width
        self.y -= height
        self._rule(self.y + size * 0.15, sum(widths))
        self.space(1.5)

    def _line(self, text: str, x: float, size: float, *, bold: bool = False, colour: str = PALETTE["ink"]) -> None:
        self._need(size * LEADING)
        self._put(text, x, size, bold=bold, colour=colour)
        self.space(size * LEADING)

    def _put(self, text: str, x: float, size: float, *, bold: bool = False, colour: str = PALETTE["ink"]) -> None:
        self._text(text, x, self.y, size, bold=bold, colour=colour)

    def _text(
        self, text: str, x: float, top: float, size: float, *, bold: bool = False, align: str = "left",
        colour: str = PALETTE["ink"],
    ) -> None:  # fmt: skip
        self._figure.text(
            x / WIDTH_PT, (top - size * 1.05) / HEIGHT_PT, text, fontsize=size, ha=align, va="baseline", color=colour,
            fontweight="bold" if bold else "normal", parse_math=False,
        )  # fmt: skip

    def _rule(self, y: float, width: float) -> None:
        self._figure.add_artist(
            Rectangle(
                (MARGIN_PT / WIDTH_PT, y / HEIGHT_PT), width / WIDTH_PT, 0.4 / HEIGHT_PT,
                facecolor=PALETTE["line"], edgecolor="none", transform=self._figure.transFigure,
            )
        )  # fmt: skip

    def _need(self, height: float) -> None:
        if self.y - height < MARGIN_PT:
            self.turn()

    def _start(self) -> None:
        self._n_pages += 1
        self._figure = Figure(figsize=(WIDTH_PT / 72, HEIGHT_PT / 72))
        self.y = HEIGHT_PT - MARGIN_PT

    def _end(self) -> None:
        self._text(f"{self._head}   ·   {self._foot}", MARGIN_PT, MARGIN_PT - 14, 6.5, colour=PALETTE["soft"])
        page = f"page {self._n_pages}"
        self._text(page, WIDTH_PT - MARGIN_PT, MARGIN_PT - 14, 6.5, align="right", colour=PALETTE["soft"])
        self._pages.savefig(self._figure)  # type: ignore[no-untyped-call]


def wrap(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """``text`` in lines of at most ``width`` points; a single longer word is cut."""
    lines, used = [""], 0.0
    space = measure(" ", size, bold=bold)
    for word in text.split():
        piece, length = word, measure(word, size, bold=bold)
        if lines[-1] and used + space + length <= width:
            lines[-1] += f" {word}"
            used += space + length
            continue
        while length > width and len(piece) > 1:
            n = next(n for n in range(len(piece) - 1, 0, -1) if n == 1 or measure(piece[:n], size, bold=bold) <= width)
            lines.append(piece[:n])
            piece = piece[n:]
            length = measure(piece, size, bold=bold)
        lines.append(piece)
        used = length
    return [line for line in lines if line] or [""]


@lru_cache(maxsize=8192)
def measure(text: str, size: float, *, bold: bool = False) -> float:
    """Width of ``text`` in points."""
    font = get_font(_find_font(bold))
    font.set_size(size, 720.0)  # ten times too large: hinting at small sizes makes letters too wide
    font.set_text(f"|{text}|", 0.0)  # the bars keep spaces at the ends, and are taken off again
    width, _ = font.get_width_height()
    font.set_text("||", 0.0)
    return float(width - font.get_width_height()[0]) / 640.0


@cache
def _find_font(bold: bool) -> str:
    return str(findfont(FontProperties(family=STYLE["font.family"], weight="bold" if bold else "normal")))


def _share_width(table: Table, size: float, width: float) -> list[float]:
    """Columns as wide as their longest entry needs, wide ones giving way where that is too much."""
    least, most = [], []
    for place, column in enumerate(zip(table.head, *table.rows, strict=True)):
        words = [word for cell in column for word in cell.split()]
        padding = 16.0 if place and place in table.text_columns else 8.0
        least.append(max((measure(word, size, bold=True) for word in words), default=0.0) + padding)
        longest = max((measure(cell, size) for cell in column[1:]), default=0.0) + padding
        most.append(max(least[-1], longest))
    spare, stretch = width - sum(least), sum(most) - sum(least)
    share = 1.0 if stretch <= 0 else max(0.0, min(1.0, spare / stretch))
    widths = [low + share * (high - low) for low, high in zip(least, most, strict=True)]
    return [w * min(width / sum(widths), MOST_STRETCH) for w in widths]
