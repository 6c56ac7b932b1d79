"""The night sheet: one printed page an object, and a night's pages with contents and packing list.

Draws plain records with matplotlib; what stands in them is put together by others. Lengths are
millimetres from the page's upper left corner.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.find.chart import Chart, wrap
from slowglass.find.picture import paint_sky
from slowglass.find.svg import STYLES, Style, StyleName
from slowglass.frame.atomic import replacing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PaperName = Literal["a4", "letter"]
PAPERS_MM: dict[PaperName, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""ISO 216 and ANSI/ASME Y14.1."""
EDGE_MM = 12.0
GAP_MM = 4.0
POINT_MM = 25.4 / 72.0
LINE_RATIO = 1.28
SMALLEST_PT = 4.8
LETTER_RATIO = 0.53
"""Mean width of a letter over its size, of the serif in use."""


@dataclass(frozen=True)
class Block:
    """A heading with its paragraphs."""

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Sheet:
    """One object's page.

    ``charts`` are by eye, the hop and the field; ``steps`` the way in short lines; ``picture``
    the forecast frame as 8-bit (rows, columns, 3) or None; ``beside`` stands under the way;
    ``left`` and ``right`` are the columns of facts below.
    """

    title: str
    subtitle: str
    charts: tuple[Chart, Chart, Chart] | None
    chart_words: tuple[str, str, str]
    steps: tuple[str, ...]
    picture: npt.NDArray[np.uint8] | None
    picture_words: str
    beside: tuple[Block, ...]
    left: tuple[Block, ...]
    right: tuple[Block, ...]
    credit: str = ""


@dataclass(frozen=True)
class ContentsRow:
    """One line of the contents: when, what, and how."""

    page: int
    time: str
    name: str
    place: str
    exposures: str
    hop: str


@dataclass(frozen=True)
class Contents:
    """The first page of a night: a line for each object, the night's facts, what to pack."""

    title: str
    subtitle: str
    rows: tuple[ContentsRow, ...]
    facts: tuple[Block, ...]
    packing: tuple[Block, ...]


def write_sheets(
    sheets: Sequence[Sheet],
    path: Path,
    *,
    contents: Contents | None = None,
    paper: PaperName = "a4",
    style: StyleName = "paper",
) -> Path:
    """Write pages as one .pdf, or a single sheet as .svg or .png; returns the path."""
    suffix = page_format(path, len(sheets) + (contents is not None))
    look = STYLES[style]
    with replacing(path) as temporary:
        if suffix != ".pdf":
            page = sheet_page(sheets[0], paper, look)
            page.savefig(temporary, format=suffix[1:], dpi=150, facecolor=look.page)
            return path
        from matplotlib.backends.backend_pdf import PdfPages

        title = contents.title if contents is not None else sheets[0].title
        with PdfPages(temporary, metadata={"Title": title, "Creator": "Slowglass"}) as pdf:
            if contents is not None:
                pdf.savefig(contents_page(contents, paper, look), facecolor=look.page)
            for number, sheet in enumerate(sheets, 2 if contents is not None else 1):
                folio = f"{number}" if contents is not None else ""
                pdf.savefig(sheet_page(sheet, paper, look, folio=folio), facecolor=look.page)
    return path


def page_format(path: Path, pages: int) -> str:
    """The ending of a file that can hold so many pages; ``UsageError`` for another."""
    suffix = path.suffix.lower()
    if suffix not in {".pdf", ".svg", ".png"}:
        raise UsageError(
            f"{path.name}: a night sheet cannot be written as {suffix or 'that'}",
            "end the name in .pdf, or for one object .svg or .png",
        )
    if suffix != ".pdf" and pages > 1:
        raise UsageError(f"{path.name}: several pages need a .pdf", "end the name in .pdf")
    return suffix


def sheet_page(sheet: Sheet, paper: PaperName, look: Style, *, folio: str = "") -> Figure:
    """One object's page as a figure."""
    width, height = PAPERS_MM[paper]
    figure, page = _blank(width, height, look)
    pen = Pen(page, look)
    inner = width - 2 * EDGE_MM
    pen.text(EDGE_MM, 18.0, sheet.title, 17.0, bold=True)
    pen.text(EDGE_MM, 24.0, sheet.subtitle, 8.0, role="note")
    if folio:
        pen.text(width - EDGE_MM, 18.0, folio, 10.0, role="note", align="right")
    top = 28.0
    big = 0.46 * inner
    beside = EDGE_MM + big + GAP_MM
    small = (inner - 2 * GAP_MM) / 3.0
    if sheet.charts is not None:
        eye, hop, field = sheet.charts
        _chart(figure, hop, (EDGE_MM, top, big), (width, height), look)
        pen.text(EDGE_MM, top + big + 3.2, sheet.chart_words[1], 6.5, role="note")
    way = (Block("The way", sheet.steps), *sheet.beside)
    pen.flow(beside, top + 2.0, width - EDGE_MM - beside, most=top + big + 4.0).blocks(way)
    row = top + big + 7.0
    if sheet.charts is not None:
        for i, (chart, words) in enumerate(
            ((eye, sheet.chart_words[0]), (field, sheet.chart_words[2]))
        ):
            left = EDGE_MM + i * (small + GAP_MM)
            _chart(figure, chart, (left, row, small), (width, height), look)
            pen.text(left, row + small + 3.2, words, 6.5, role="note")
    third = EDGE_MM + 2 * (small + GAP_MM)
    pen_bottom = row
    if sheet.picture is not None:
        rows, columns = sheet.picture.shape[:2]
        tall = small * rows / columns
        box = figure.add_axes(_place(third, row, small, tall, width, height))
        box.imshow(_in_style(sheet.picture, look), interpolation="bilinear", aspect="auto")
        box.axis("off")
        pen_bottom = row + tall
    caption = pen.flow(third, pen_bottom + 3.2, small, size=6.5)
    caption.paragraph(sheet.picture_words, role="note")
    below = row + small + 8.0
    column = (inner - GAP_MM) / 2.0
    end = height - 12.0
    left_flow = pen.flow(EDGE_MM, below, column, most=end)
    right_flow = pen.flow(EDGE_MM + column + GAP_MM, below, column, most=end)
    left_flow.blocks(sheet.left)
    right_flow.blocks(sheet.right)
    _notes(pen, max(left_flow.y, right_flow.y) + 1.0, width, height)
    pen.text(EDGE_MM, height - 6.0, sheet.credit, 5.5, role="note")
    return figure


def contents_page(contents: Contents, paper: PaperName, look: Style) -> Figure:
    """The first page of a night as a figure."""
    width, height = PAPERS_MM[paper]
    figure, page = _blank(width, height, look)
    pen = Pen(page, look)
    pen.text(EDGE_MM, 20.0, contents.title, 19.0, bold=True)
    pen.text(EDGE_MM, 26.5, contents.subtitle, 9.0, role="note")
    y = 36.0
    columns = (0.0, 11.0, 28.0, 58.0, 92.0, 118.0)
    heads = ("page", "best at", "object", "stands", "exposures", "hop")
    for x, head in zip(columns, heads, strict=True):
        pen.text(EDGE_MM + x, y, head, 7.5, role="note")
    y += 1.8
    pen.rule(EDGE_MM, y, width - EDGE_MM)
    for row in contents.rows:
        y += 5.6
        cells = (str(row.page), row.time, row.name, row.place, row.exposures, row.hop)
        for x, cell in zip(columns, cells, strict=True):
            pen.text(EDGE_MM + x, y, cell, 8.5, bold=x == columns[2])
    y += 10.0
    column = (width - 2 * EDGE_MM - GAP_MM) / 2.0
    left = pen.flow(EDGE_MM, y, column, size=8.0)
    right = pen.flow(EDGE_MM + column + GAP_MM, y, column, size=8.0)
    left.blocks(contents.facts)
    right.blocks(
        [
            replace(pack, lines=tuple(f"□ {line}" for line in pack.lines))
            for pack in contents.packing
        ]
    )
    _notes(pen, max(left.y, right.y) + 2.0, width, height)
    return figure


class Pen:
    """Text and rules on a page, in its colours."""

    def __init__(self, page: Axes, look: Style) -> None:
        self.page = page
        self.look = look

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        role: Any = "text",
        bold: bool = False,
        align: str = "left",
    ) -> None:
        """One line with its baseline at y; ``size`` in points."""
        self.page.text(
            x, y, text, fontsize=size, color=self.look.colours[role], ha=align, va="baseline",
            weight="bold" if bold else "normal", family="serif",
        )  # fmt: skip

    def rule(self, x1: float, y: float, x2: float) -> None:
        """A thin line across."""
        self.page.plot([x1, x2], [y, y], color=self.look.colours["edge"], linewidth=0.5)

    def flow(
        self, x: float, y: float, width: float, *, size: float = 7.4, most: float = np.inf
    ) -> Flow:
        """A column of text that starts at a place; ``most`` is where it must end."""
        return Flow(self, x, y, width, size, most)


@dataclass
class Flow:
    """A column of wrapped text; ``y`` is the next baseline."""

    pen: Pen
    x: float
    y: float
    width: float
    size: float
    most: float

    def blocks(self, blocks: Sequence[Block]) -> None:
        """Headings and paragraphs, in smaller letters where the room would not hold them."""
        blocks = [block for block in blocks if block.lines]
        while self.size > SMALLEST_PT and self._height(blocks) > self.most - self.y:
            self.size -= 0.2
        for block in blocks:
            if block.heading:
                self.pen.text(self.x, self.y, block.heading, self.size + 1.0, bold=True)
                self.y += (self.size + 1.0) * POINT_MM * LINE_RATIO
            for line in block.lines:
                self.paragraph(line)
            self.y += 1.6

    def paragraph(self, text: str, *, role: Any = "text") -> None:
        """One paragraph."""
        for k, part in enumerate(self._wrapped(text)):
            self.pen.text(self.x + (2.2 if k else 0.0), self.y, part, self.size, role=role)
            self.y += self.size * POINT_MM * LINE_RATIO
        self.y += 0.5

    def _wrapped(self, text: str) -> list[str]:
        return wrap(text, int((self.width - 2.2) / (LETTER_RATIO * self.size * POINT_MM)))

    def _height(self, blocks: Sequence[Block]) -> float:
        lines = [line for block in blocks for line in block.lines]
        count = sum(len(self._wrapped(line)) for line in lines)
        text = count * self.size * POINT_MM * LINE_RATIO + 0.5 * len(lines)
        return text + len(blocks) * ((self.size + 1.0) * POINT_MM * LINE_RATIO + 1.6)


def _in_style(picture: npt.NDArray[np.uint8], look: Style) -> npt.NDArray[np.uint8]:
    """The picture, or its brightness in red alone on a page for red light."""
    if look is not STYLES["night"]:
        return picture
    red = np.zeros_like(picture)
    red[..., 0] = picture.mean(axis=2)
    return red


def _blank(width: float, height: float, look: Style) -> tuple[Figure, Axes]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width / 25.4, height / 25.4), facecolor=look.page)
    FigureCanvasAgg(figure)
    page: Axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    page.set_xlim(0.0, width)
    page.set_ylim(height, 0.0)
    page.axis("off")
    return figure, page


def _place(
    x: float, y: float, w: float, h: float, width: float, height: float
) -> tuple[float, float, float, float]:
    return x / width, 1.0 - (y + h) / height, w / width, h / height


def _chart(
    figure: Figure,
    chart: Chart,
    square: tuple[float, float, float],
    paper: tuple[float, float],
    look: Style,
) -> None:
    """The sky of a chart in a square (x, y, side) of the page."""
    x, y, side = square
    axes = figure.add_axes(_place(x, y, side, side, *paper))
    left, top, wide, tall = chart.sky_box
    axes.set_xlim(left - 1.0, left + wide + 1.0)
    axes.set_ylim(top + tall + 1.0, top - 1.0)
    axes.axis("off")
    paint_sky(axes, chart, look, points_per_unit=side / POINT_MM / (wide + 2.0))


def _notes(pen: Pen, y: float, width: float, height: float) -> None:
    """Ruled lines for the person's own words, in what room is left."""
    end = height - 11.0
    if end - y < 14.0:
        return
    pen.text(EDGE_MM, y + 2.0, "Notes", 8.4, bold=True)
    y += 9.0
    while y <= end:
        pen.rule(EDGE_MM, y, width - EDGE_MM)
        y += 7.5
