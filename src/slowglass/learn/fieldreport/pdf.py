"""A field report as a PDF for paper (A4 or Letter)."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.frame.atomic import replacing
from slowglass.learn.fieldreport.content import FieldReport, ObjectPart
from slowglass.learn.fieldreport.pictures import ReportPicture

if TYPE_CHECKING:
    from fpdf import FPDF

MARGIN_MM = 18.0
GAP_MM = 5.0
LABEL_MM = 68.0


def write_pdf(found: FieldReport, path: Path, *, paper: str = "A4") -> Path:
    """Path of the report as a PDF."""
    page = _page(paper)
    page.set_title(found.title)
    page.add_page()
    _text(page, found.title, size=20, bold=True)
    if found.opening:
        _text(page, found.opening, size=12)
    _heading(page, "Kit and place")
    _facts(page, [*found.kit, *found.place])
    for part in found.objects:
        _object(page, part)
    if found.classes:
        _heading(page, "By class of object")
        _facts(page, found.classes)
    if found.notes:
        _heading(page, "Notes")
        for note in found.notes:
            _text(page, f"– {note}")
    with replacing(path) as temporary:
        page.output(str(temporary))
    return path


def _page(paper: str) -> FPDF:
    import matplotlib
    from fpdf import FPDF

    page = FPDF(format=paper, unit="mm")
    # The plotting library carries a free font with the signs of astronomy.
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    page.add_font("serif", "", fonts / "DejaVuSerif.ttf")
    page.add_font("serif", "B", fonts / "DejaVuSerif-Bold.ttf")
    page.set_margins(MARGIN_MM, MARGIN_MM)
    page.set_auto_page_break(True, margin=MARGIN_MM)
    return page


def _object(page: FPDF, part: ObjectPart) -> None:
    _heading(page, part.title)
    _text(page, part.caption)
    shown = [p for p in part.pictures if p.jpeg]
    last = shown.pop() if len(shown) % 2 else None
    for first, second in zip(shown[::2], shown[1::2], strict=True):
        _row(page, [first, second])
    if last is not None:
        _row(page, [last])
    for picture in part.pictures:
        if picture.missing:
            _text(page, f"{picture.caption}: {picture.missing}.")
    _facts(page, part.facts)
    if part.worked:
        _text(page, f"What worked: {'; '.join(part.worked)}.")
    if part.failed:
        _text(page, f"What did not: {'; '.join(part.failed)}.")


def _row(page: FPDF, pictures: Sequence[ReportPicture]) -> None:
    """Pictures side by side, none taller than a third of the page, captions below."""
    each = (page.epw - GAP_MM * (len(pictures) - 1)) / len(pictures)
    sizes = []
    for picture in pictures:
        height = min(each * picture.height_px / picture.width_px, page.eph / 2.6)
        sizes.append((height * picture.width_px / picture.height_px, height))
    tallest = max(height for _, height in sizes)
    if page.get_y() + tallest + 12.0 > page.h - MARGIN_MM:
        page.add_page()
    top = page.get_y() + 2.0
    for number, (picture, (width, height)) in enumerate(zip(pictures, sizes, strict=True)):
        left = MARGIN_MM + number * (each + GAP_MM)
        page.image(io.BytesIO(picture.jpeg), x=left, y=top, w=width, h=height)
        page.set_xy(left, top + height + 1.0)
        page.set_font("serif", "", 8)
        page.multi_cell(each, 4.0, picture.caption, align="L")
    page.set_xy(MARGIN_MM, top + tallest + 7.0)


def _heading(page: FPDF, text: str) -> None:
    if page.get_y() > page.h - 60.0:
        page.add_page()
    page.ln(3.0)
    page.line(MARGIN_MM, page.get_y(), page.w - MARGIN_MM, page.get_y())
    page.ln(1.5)
    _text(page, text, size=14, bold=True)


def _text(page: FPDF, text: str, *, size: float = 10, bold: bool = False) -> None:
    page.set_x(MARGIN_MM)
    page.set_font("serif", "B" if bold else "", size)
    page.multi_cell(page.epw, size * 0.5, text, align="L", new_x="LMARGIN", new_y="NEXT")
    page.ln(1.0)


def _facts(page: FPDF, rows: Sequence[tuple[str, str]]) -> None:
    for name, text in rows:
        page.set_x(MARGIN_MM)
        page.set_font("serif", "B", 9)
        page.cell(LABEL_MM, 5.0, name)
        page.set_font("serif", "", 9)
        page.multi_cell(page.epw - LABEL_MM, 5.0, text, align="L", new_x="LMARGIN", new_y="NEXT")
    page.ln(1.5)
