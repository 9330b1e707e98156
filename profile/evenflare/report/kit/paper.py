"""Sheets of paper: text, tables and drawings from the top down, page after page, as one PDF.

Beside `figures` the only place that imports the plotting library.
"""

from __future__ import annotations

import io
import textwrap
import unicodedata
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib import font_manager
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties

from evenflare import files
from evenflare.report.kit import style

SHORT, LONG = 210.0, 297.0
"""mm, of A4 (ISO 216)."""
UNSEEN = frozenset({"Mn", "Me", "Cf"})
"""Categories of characters that may be left out where the font lacks them: marks and formats."""
LEGEND = 32
"""Characters of a legend's entry."""
INCH = 25.4
"""mm."""
MARGIN = 15.0
_BODY, _HEADING, _TITLE = 8.5, 11.0, 15.0
"""Sizes of letters, points."""
_LINE = 4.1
"""mm from line to line of the body."""
_LETTER = 1.62
"""mm, mean width of a letter of the body."""


def blank(width: float, height: float) -> Figure:
    """An empty page, mm."""
    return Figure(figsize=(width / INCH, height / INCH))


def lettered(text: str) -> str:
    """A text as the plotting library shows it letter by letter, without mathematics.

    A character that the font lacks stands as its compatibility form (NFKD), or else as a question mark.
    """
    shown = []
    for each in text:
        if each == "\n" or ord(each) in _glyphs():
            shown.append(each)
            continue
        plain = [part for part in unicodedata.normalize("NFKD", each) if unicodedata.category(part) not in UNSEEN]
        shown += [part if ord(part) in _glyphs() else "?" for part in plain]
    return "".join(shown).replace("$", r"\$")  # with which the library takes dollar signs for what they are


def entry(name: str) -> str:
    """A name as `lettered`, short enough for a legend and not left out of it, as one is that begins with _."""
    words = lettered(name if len(name) <= LEGEND else f"{name[: LEGEND - 1]}…")
    return f" {words}" if words.startswith("_") else words


@cache
def _glyphs() -> frozenset[int]:
    """Characters that the font has, plain and bold; those beyond the first 65536 would be drawn as mere outlines."""
    fonts = (font_manager.get_font(font_manager.findfont(FontProperties(weight=each))) for each in ("normal", "bold"))
    plain, bold = (set(font.get_charmap()) for font in fonts)
    return frozenset(each for each in plain & bold if each < 0x10000)


def write_pdf(pages: Sequence[Figure], path: Path, *, title: str) -> None:
    """Write pages as one PDF, the same for the same pages, whole or not at all. Errors: InputError as replacing."""
    content = io.BytesIO()
    # Letters as letters, so that words can be found and copied; no time of day.
    about = {"Title": title, "Creator": "evenflare", "CreationDate": None}
    with mpl.rc_context({"pdf.fonttype": 42}), PdfPages(content, metadata=about) as pdf:
        for page in pages:
            pdf.savefig(page)
    with files.replacing(path) as temporary:
        temporary.write_bytes(content.getbuffer())


class Sheet:
    """Upright A4 pages that fill from the top; what does not fit on one starts the next."""

    def __init__(self, title: str, subtitle: str) -> None:
        """The first page, with its title."""
        self.pages: list[Figure] = []
        self._title = title
        self._turn()
        self._write(title, MARGIN, size=_TITLE, weight="bold")
        self._down += 8.0
        self.lines([subtitle])

    def heading(self, text: str, *, room: float = 25.0) -> None:
        """A heading with `room` mm for what follows it."""
        self._need(room + 8.0)
        self._down += 4.0
        self._write(text, MARGIN, size=_HEADING, weight="bold")
        self._down += 6.5

    def lines(self, texts: Sequence[str], *, mark: str = "", colour: str = style.INK) -> None:
        """Paragraphs, wrapped; each begins with `mark`."""
        indent = 4.0 if mark else 0.0
        for text in texts:
            wrapped = textwrap.wrap(text, int((SHORT - 2 * MARGIN - indent) / _LETTER)) or [""]
            self._need(_LINE * len(wrapped))
            if mark:
                self._write(mark, MARGIN, colour=colour)
            for line in wrapped:
                self._write(line, MARGIN + indent, colour=colour)
                self._down += _LINE
            self._down += 0.6

    def table(self, head: Sequence[str], rows: Sequence[Sequence[str]], shares: Sequence[float]) -> None:
        """A table over the page's width; `shares` of it per column, whose texts are wrapped."""
        width = SHORT - 2 * MARGIN
        starts = [MARGIN + width * sum(shares[:k]) for k in range(len(shares))]
        for number, row in enumerate([head, *rows]):
            cells = [
                textwrap.wrap(text, max(4, int(width * share / _LETTER) - 1)) or [""]
                for text, share in zip(row, shares, strict=True)
            ]
            tall = max(map(len, cells))
            self._need(_LINE * tall + 1.2)
            for start, cell in zip(starts, cells, strict=True):
                for k, line in enumerate(cell):
                    self._write(line, start, down=k * _LINE, weight="bold" if number == 0 else "normal")
            self._down += _LINE * tall + 0.4
            self._rule(1.0 if number == 0 else 0.5)
            self._down += 0.8

    def axes(self, width: float, height: float, *, left: float = 0.0, below: bool = True) -> Any:
        """Axes of a size in mm, `left` mm from the margin; `below`: what follows starts under them."""
        self._need(height)
        page = self.pages[-1]
        bottom = LONG - self._down - height
        box = (MARGIN + left) / SHORT, bottom / LONG, width / SHORT, height / LONG
        if below:
            self._down += height
        return page.add_axes(box)

    def space(self, height: float) -> None:
        """Leave mm free."""
        self._down += height

    def _turn(self) -> None:
        self.pages.append(blank(SHORT, LONG))
        self._down = MARGIN
        if len(self.pages) > 1:
            self._write(f"{self._title}, page {len(self.pages)}", MARGIN, colour=style.QUIET)
            self._down += 7.0

    def _need(self, height: float) -> None:
        if self._down + height > LONG - MARGIN:
            self._turn()

    def _write(
        self,
        text: str,
        x: float,
        *,
        down: float = 0.0,
        size: float = _BODY,
        weight: str = "normal",
        colour: str = style.INK,
    ) -> None:
        y = LONG - self._down - down
        self.pages[-1].text(
            x / SHORT, y / LONG, lettered(text), size=size, weight=weight, color=colour, va="top", ha="left"
        )

    def _rule(self, thick: float) -> None:
        from matplotlib.lines import Line2D

        y = 1.0 - self._down / LONG
        ends = [MARGIN / SHORT, 1.0 - MARGIN / SHORT]
        self.pages[-1].add_artist(Line2D(ends, [y, y], color=style.FAINT, linewidth=thick))
