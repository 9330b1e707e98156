"""A sheet of lines, cut faces and letters in mm of paper, and views of a part on it, to scale.

What a sheet holds is drawn on paper by `paint`; any other format writes the same lines and letters.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache, reduce
from typing import Any, NamedTuple

import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth

from evenflare.report.kit import letters, style
from evenflare.report.kit.paper import PLAIN
from evenflare.units import FloatArray


class Pen(NamedTuple):
    """A kind of line: its layer in a file, width and colour, lengths of its dashes; mm of paper.

    Widths and dashes after ISO 128-2 (wide 0.5, narrow half of it), from memory.
    """

    layer: str
    width: float
    colour: str
    dash: tuple[float, ...] = ()


OUTLINE = Pen("outline", 0.35, style.INK)
THICK = Pen("outline", 0.7, style.INK)
FINE = Pen("dimension", 0.18, style.INK)
THIN = Pen("thin", 0.15, style.QUIET)
HATCH = Pen("hatch", 0.13, style.QUIET)
AXIS = Pen("axis", 0.18, style.QUIET, (4.0, 0.8, 0.8, 0.8))
LETTERS = 7.0
"""Points."""
APART = 2.0
"""mm of paper, from hatch line to hatch line."""
_POINT = 1.0 / mm
_FACE = "#eef1f3"
_CLEAR = 0.3
"""mm of paper about letters, that other letters leave free."""


class Lettering(NamedTuple):
    """Words whose middle is at x and y, mm; of a size in points; `turned`: reading upward; `white`: on white paper."""

    x: float
    y: float
    words: str
    size: float = LETTERS
    turned: bool = False
    framed: bool = False
    white: bool = True

    @property
    def half(self) -> tuple[float, float]:
        """mm, half its width and height on the paper, frame included."""
        along = 0.5 * width_of(self.words, self.size) + 0.25 * self.size * _POINT
        tall = 0.5 * (1.5 if self.framed else 1.1) * self.size * _POINT
        return (tall, along) if self.turned else (along, tall)


@dataclass(frozen=True)
class Sheet:
    """What is drawn, mm from the paper's lower left corner; it fills up as it is drawn on.

    wide, high : of the paper.
    faces      : each with its closed outlines; what lies within two of them is a hole.
    """

    wide: float
    high: float
    strokes: list[tuple[FloatArray, Pen]] = field(default_factory=list)
    faces: list[list[FloatArray]] = field(default_factory=list)
    letterings: list[Lettering] = field(default_factory=list)


class View(NamedTuple):
    """A place on a sheet that counts in mm of the part, of which `scale` are one of paper.

    x, y : mm of paper, where the part's own (0, 0) lies.
    turn : (2, 2), from the part's two coordinates to right and up.
    """

    sheet: Sheet
    x: float
    y: float
    scale: float
    turn: FloatArray

    def on_paper(self, points: Any) -> FloatArray:
        """mm of paper (..., 2), of points of the part."""
        return np.asarray(points, dtype=float) @ self.turn.T / self.scale + (self.x, self.y)


@lru_cache(maxsize=1024)
def width_of(words: str, size: float = LETTERS) -> float:
    """mm of paper. Letters that look for a free place are asked it again for each of the others."""
    return float(stringWidth(letters.in_font(words), PLAIN, size) / mm)


def stroke(sheet: Sheet, points: Any, pen: Pen = OUTLINE) -> None:
    """A line through points (N, 2), mm of paper."""
    sheet.strokes.append((np.asarray(points, dtype=float), pen))


def line(view: View, points: Any, pen: Pen = OUTLINE) -> None:
    """A line through points (N, 2) of the part."""
    stroke(view.sheet, view.on_paper(points), pen)


def circle(view: View, radius: float, pen: Pen = OUTLINE, *, about: Any = (0.0, 0.0)) -> None:
    """A circle, mm of the part."""
    turn = np.linspace(0.0, 2 * np.pi, 181)
    line(view, np.asarray(about) + radius * np.column_stack([np.cos(turn), np.sin(turn)]), pen)


def cut_faces(view: View, outlines: list[FloatArray]) -> None:
    """Cut faces within closed outlines (N, 2) of the part, hatched; an outline within another is a hole."""
    import shapely

    placed = [view.on_paper(outline) for outline in outlines]
    faces = reduce(shapely.symmetric_difference, [shapely.make_valid(shapely.Polygon(each)) for each in placed])
    left, low, right, high = faces.bounds
    starts = np.arange(left - (high - low), right, APART)
    rays = [[(x, low), (x + high - low, high)] for x in starts.tolist()]
    view.sheet.faces.append(placed)
    for part in shapely.get_parts(shapely.intersection(shapely.multilinestrings(rays), faces)):
        if part.geom_type == "LineString":
            stroke(view.sheet, shapely.get_coordinates(part), HATCH)
    for each in placed:
        stroke(view.sheet, np.vstack([each, each[:1]]))


def arrow(sheet: Sheet, tip: Any, toward: Any, pen: Pen = FINE, *, size: float = 1.6) -> None:
    """An open arrowhead whose tip points along `toward`, a direction on the paper."""
    along = np.asarray(toward, dtype=float) / np.hypot(*toward)
    beside = 0.3 * along[::-1] * (1.0, -1.0)
    stroke(sheet, [tip - size * (along + beside), tip, tip - size * (along - beside)], pen)


def letter(
    sheet: Sheet,
    place: Any,
    words: str,
    *,
    size: float = LETTERS,
    turned: bool = False,
    framed: bool = False,
    white: bool = True,
    away: Any = (0.0, 0.0),
) -> Lettering:
    """Words about a place on the paper. Where letters stand already they go along `away` until they are clear.

    away : a step in mm; (0, 0) for words that stand where nothing else does.
    """
    step, here = np.asarray(away, dtype=float), np.asarray(place, dtype=float)
    shown = letters.in_font(words)
    found = Lettering(float(here[0]), float(here[1]), shown, size, turned, framed, white)
    while step.any() and any(_meet(found, other) for other in sheet.letterings):
        here = here + step
        found = found._replace(x=float(here[0]), y=float(here[1]))
    sheet.letterings.append(found)
    return found


def _meet(one: Lettering, other: Lettering) -> bool:
    (wide, high), (wide_other, high_other) = one.half, other.half
    return abs(one.x - other.x) < wide + wide_other + _CLEAR and abs(one.y - other.y) < high + high_other + _CLEAR


def paint(sheet: Sheet, page: Any) -> None:
    """Draw a sheet on a page: faces, then lines, then letters, each on white so that no line runs through them."""
    page.saveState()
    page.scale(mm, mm)
    page.setFillColor(_FACE)
    for outlines in sheet.faces:
        page.drawPath(_path(page, *outlines), stroke=0, fill=1, fillMode=0)
    taken = None
    for points, pen in sheet.strokes:
        if pen != taken:
            taken = pen
            page.setStrokeColor(pen.colour)
            page.setLineWidth(pen.width)
            page.setDash(list(pen.dash))
        page.drawPath(_path(page, points))
    page.setDash([])
    for each in sheet.letterings:
        _letters(page, each)
    page.restoreState()


def _letters(page: Any, each: Lettering) -> None:
    half_wide, half_high = each.half
    along, tall = (half_high, half_wide) if each.turned else (half_wide, half_high)
    page.saveState()
    page.translate(each.x, each.y)
    page.rotate(90 if each.turned else 0)
    page.setFillColor("white")
    page.setStrokeColor(style.INK)
    page.setLineWidth(FINE.width)
    if each.white:
        page.rect(-along, -tall, 2.0 * along, 2.0 * tall, stroke=int(each.framed), fill=1)
    page.setFillColor(style.INK)
    page.setFont(PLAIN, each.size * _POINT)
    page.drawCentredString(0.0, -0.36 * each.size * _POINT, each.words)
    page.restoreState()


def _path(page: Any, *lines: FloatArray) -> Any:
    path = page.beginPath()
    for points in lines:
        for number, (x, y) in enumerate(points.tolist()):
            (path.lineTo if number else path.moveTo)(x, y)
    return path
