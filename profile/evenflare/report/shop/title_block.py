"""The block of words in a drawing's lower right corner (ISO 7200), the sign of first-angle projection, a scale bar."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.report.kit import letters
from evenflare.report.kit.drafting import FINE, LETTERS, OUTLINE, Sheet, letter, stroke, width_of

WIDE, HIGH = 180.0, 27.0
"""mm of paper; 180 is the width that ISO 7200 gives it (from memory)."""
_ROW = 9.0
_CAPTION = 4.5
"""Points."""
_PAD = 1.2
BAR = 50.0
"""mm of paper."""
_SIGN = 26.0


class Field(NamedTuple):
    """A cell: what it is, what stands in it, and its width in mm."""

    caption: str
    words: str
    wide: float


def title_block(sheet: Sheet, x: float, y: float, rows: list[list[Field]]) -> None:
    """Three rows of cells, the lowest row's lower left corner at x and y; the sign of projection after the first."""
    stroke(sheet, _box(x, y, WIDE, HIGH), OUTLINE)
    for number, row in enumerate(rows):
        left, low = x, y + HIGH - _ROW * (number + 1)
        if number:
            stroke(sheet, [(x, low + _ROW), (x + WIDE, low + _ROW)], FINE)
        for each in row:
            if left > x:
                stroke(sheet, [(left, low), (left, low + _ROW)], FINE)
            _written(sheet, left, low + 6.6, each.caption, each.wide, _CAPTION)
            _written(sheet, left, low + 2.7, each.words, each.wide, LETTERS)
            left += each.wide
    _projection(sheet, x + WIDE - _SIGN, y + HIGH - _ROW)


def _written(sheet: Sheet, left: float, middle: float, words: str, wide: float, size: float) -> None:
    """Words at the left of a cell, as many as it holds."""
    shown = letters.in_font(words)
    while shown and width_of(shown, size) > wide - 2.0 * _PAD:
        shown = f"{shown.rstrip('…')[:-1]}…" if len(shown) > 1 else ""
    if shown:
        letter(sheet, (left + _PAD + 0.5 * width_of(shown, size), middle), shown, size=size, white=False)


def _projection(sheet: Sheet, left: float, low: float) -> None:
    """First angle (ISO 5456-2): a cone without its tip, and at its right how it looks from the narrow end."""
    stroke(sheet, [(left, low), (left, low + _ROW)], FINE)
    middle, start = low + 0.5 * _ROW, left + 4.0
    stroke(
        sheet,
        [
            (start, middle - 1.4),
            (start, middle + 1.4),
            (start + 6.0, middle + 2.8),
            (start + 6.0, middle - 2.8),
            (start, middle - 1.4),
        ],
    )
    turn = np.linspace(0.0, 2.0 * np.pi, 61)
    for radius in (1.4, 2.8):
        stroke(sheet, np.column_stack([start + 13.0 + radius * np.cos(turn), middle + radius * np.sin(turn)]))
    stroke(sheet, [(start - 1.5, middle), (start + 17.5, middle)], FINE)
    stroke(sheet, [(start + 13.0, middle - 4.0), (start + 13.0, middle + 4.0)], FINE)


def first_row(cells: list[Field]) -> list[Field]:
    """Cells that leave room for the sign of projection."""
    used = sum(each.wide for each in cells[:-1])
    return [*cells[:-1], cells[-1]._replace(wide=WIDE - _SIGN - used)]


def scale_bar(sheet: Sheet, x: float, y: float, scale: float) -> None:
    """A length of paper and what it is of the part, for a sheet that is printed at another size."""
    stroke(sheet, [(x, y + 3.0), (x, y), (x + BAR, y), (x + BAR, y + 3.0)])
    words = f"{BAR:g} mm of paper, {BAR * scale:g} mm of the part"
    letter(sheet, (x + 0.5 * BAR, y + 2.2), words, size=LETTERS - 1.0)


def _box(x: float, y: float, wide: float, high: float) -> list[tuple[float, float]]:
    return [(x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y)]
