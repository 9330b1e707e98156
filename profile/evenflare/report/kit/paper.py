"""Sheets of paper as PDF: words, tables and pictures that flow from page to page, beside views of a part to scale."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import registerFont
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Table,
)

from evenflare import files
from evenflare.report.kit import canvas, letters, style

SHORT, LONG = 210.0, 297.0
"""mm, of A4 (ISO 216)."""
MARGIN = 15.0
PLAIN, BOLD = "DejaVuSans", "DejaVuSans-Bold"
registerFont(TTFont(PLAIN, letters.PLAIN))
registerFont(TTFont(BOLD, letters.BOLD))
# What is drawn stands in a file as the bytes that it is packed to: as letters it takes a quarter more space, and time.
rl_config.useA85 = 0

BODY = ParagraphStyle("body", fontName=PLAIN, fontSize=8.5, leading=11.6, spaceAfter=1.7, textColor=style.INK)
SMALL = ParagraphStyle("small", BODY, fontSize=7.0, leading=10.5, spaceAfter=0.0)
NUMBERS = ParagraphStyle("numbers", SMALL, alignment=TA_RIGHT)
_HEAD = ParagraphStyle("head", BODY, fontName=BOLD, spaceBefore=6.0, keepWithNext=1)
HEADING = ParagraphStyle("heading", _HEAD, fontSize=11.0, leading=14.0, spaceBefore=11.0, spaceAfter=4.0)
SUBHEADING = ParagraphStyle("subheading", _HEAD, fontSize=7.0, leading=10.5)
TITLE = ParagraphStyle("title", _HEAD, fontSize=15.0, leading=18.5, spaceAfter=4.0)
_HEADER = 7.0
"""mm, between the margin and what stands on a later page."""
_BETWEEN = 7.0
"""mm, between columns."""
_PICTURE = 86.0
"""mm, width."""


def words(text: str, look: ParagraphStyle = BODY, *, mark: str = "", **more: Any) -> Paragraph:
    """A paragraph of plain text, wrapped; `mark` stands in front of it, `more` is what its look has of its own."""
    if mark:
        more |= {"leftIndent": 1.3 * look.fontSize, "bulletFontName": look.fontName, "bulletFontSize": look.fontSize}
    return Paragraph(escape(letters.in_font(text)), ParagraphStyle("", look, **more), bulletText=mark or None)


def listed(texts: Sequence[str], look: ParagraphStyle = BODY, *, mark: str = "•") -> list[Paragraph]:
    """Paragraphs, each behind the mark."""
    return [words(text, look, mark=mark) for text in texts]


def together(flow: Sequence[Any]) -> KeepTogether:
    """On one page, if one holds it."""
    return KeepTogether(list(flow))


def table(
    head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], look: ParagraphStyle = BODY
) -> Table:
    """A table whose cells are wrapped, its head on every page; mm, width of each column."""
    cells = [
        [words(text, look, fontName=BOLD) for text in head],
        *([words(text, look) for text in row] for row in rows),
    ]
    rules = [("LINEBELOW", (0, 0), (-1, 0), 1.0, style.FAINT), ("LINEBELOW", (0, 1), (-1, -1), 0.5, style.FAINT)]
    close = [(f"{side}PADDING", (0, 0), (-1, -1), 1.0) for side in ("LEFT", "TOP", "BOTTOM")]
    return Table(
        cells, [each * mm for each in widths], repeatRows=1, hAlign="LEFT", spaceAfter=3.0, style=rules + close
    )


class _Profile(Flowable):  # type: ignore[misc]  # the library has no types
    """The symbol of a surface's profile, a half circle on its diameter, which the font lacks; `high` in points."""

    def __init__(self, high: float) -> None:
        super().__init__()
        self.width, self.height = 2.0 * high, high

    def draw(self) -> None:
        """As the library asks."""
        self.canv.setLineWidth(0.6)
        self.canv.setStrokeColor(style.INK)
        self.canv.arc(0.0, -self.height, self.width, self.height, 0, 180)
        self.canv.line(0.0, 0.0, self.width, 0.0)


def profile_frames(rows: Sequence[tuple[str, str, Sequence[str]]], width: float, look: ParagraphStyle = BODY) -> Table:
    """Tolerance frames for the profile of a surface: whose it is, its value, its datums; mm, width of the value."""
    cells = [
        [words(name, look), _Profile(0.5 * look.fontSize), *(words(each, look) for each in (value, *datums))]
        for name, value, datums in rows
    ]
    datums = max(len(each[2]) for each in rows)
    return Table(
        cells,
        [each * mm for each in (16.0, 8.0, width, *(6.0,) * datums)],
        rowHeights=[1.7 * look.fontSize] * len(rows),
        hAlign="LEFT",
        spaceAfter=3.0,
        style=[
            ("GRID", (1, 0), (-1, -1), 0.6, style.INK),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            *((f"{side}PADDING", (0, 0), (-1, -1), 2.0) for side in ("LEFT", "RIGHT")),
            *((f"{side}PADDING", (0, 0), (-1, -1), 0.0) for side in ("TOP", "BOTTOM")),
            ("ALIGN", (1, 0), (1, -1), "CENTER"),
        ],
    )


def pictures(figures: Sequence[Any]) -> Table:
    """Figures two by two."""
    drawn = []
    for figure in figures:
        width, height = figure.get_size_inches()
        drawn.append(Image(io.BytesIO(canvas.png(figure)), _PICTURE * mm, _PICTURE * mm * height / width))
    return Table(
        list(zip_longest(drawn[::2], drawn[1::2], fillvalue="")),
        hAlign="LEFT",
        style=[("VALIGN", (0, 0), (-1, -1), "TOP")],
    )


def column(wide: float, columns: int) -> float:
    """mm, width of each of so many columns beside each other."""
    return (wide - _BETWEEN * (columns - 1)) / columns


def write_pdf(
    flow: Sequence[Any],
    path: Path,
    *,
    title: str,
    size: tuple[float, float] = (SHORT, LONG),
    columns: int = 1,
    first: Callable[[Any], None] | None = None,
) -> None:
    """Write what flows over pages as one PDF, the same for the same flow, whole or not at all.

    title   : of the file, and above every later page.
    size    : mm, width and height of a page; `columns` beside each other on each.
    first   : draws a page before the flow begins.
    Errors: InputError as replacing.
    """
    wide, high = size
    room = wide - 2 * MARGIN, high - 2 * MARGIN
    each = column(room[0], columns)

    def later(page: Any, _: Any) -> None:
        header = words(f"{title}, page {page.getPageNumber()}", textColor=style.QUIET)
        header.wrap(room[0] * mm, MARGIN * mm)
        header.drawOn(page, MARGIN * mm, (high - MARGIN - 0.7 * _HEADER) * mm)

    def frames(height: float) -> list[Frame]:
        lefts = [MARGIN + k * (each + _BETWEEN) for k in range(columns)]
        return [Frame(left * mm, MARGIN * mm, each * mm, height * mm, 0, 0, 0, 0) for left in lefts]

    content = io.BytesIO()
    about = {"title": title, "creator": "evenflare", "author": "", "subject": "", "invariant": 1}
    document = BaseDocTemplate(content, pagesize=(wide * mm, high * mm), **about)
    begin = PageTemplate("first", frames(room[1]), autoNextPageTemplate="later")
    if first is not None:
        begin.onPage = lambda page, _: first(page)
    document.addPageTemplates([begin, PageTemplate("later", frames(room[1] - _HEADER), later)])
    document.build([*([PageBreak()] if first is not None else []), *flow])
    with files.replacing(path) as temporary:
        temporary.write_bytes(content.getbuffer())
