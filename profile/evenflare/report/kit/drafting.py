"""A part drawn to scale on a sheet of paper: lines, cut faces, dimensions."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import numpy as np
from reportlab.lib.units import mm

from evenflare.report.kit import style
from evenflare.report.kit.paper import PLAIN

Pen = tuple[float, str, tuple[float, ...]]
"""Width of a line in points, its colour, its dash in points."""
OUTLINE: Pen = (0.9, style.INK, ())
FINE: Pen = (0.6, style.INK, ())
HATCH: Pen = (0.4, style.INK, ())
THIN: Pen = (0.4, style.QUIET, ())
AXIS: Pen = (0.6, style.QUIET, (6.0, 1.2, 1.2, 1.2))
LETTERS = 7.0
"""Points."""
_FACE = "#eef1f3"
_APART = 2.0
"""mm of paper, from hatch line to hatch line."""


class View(NamedTuple):
    """A canvas that counts in mm of the part, of which `scale` are a mm of paper and `point` a point."""

    page: Any
    scale: float
    point: float


@contextmanager
def view(page: Any, x: float, y: float, *, scale: float) -> Iterator[View]:
    """A view whose (0, 0) lies on the page at x and y, mm from its lower left corner."""
    page.saveState()
    page.translate(x * mm, y * mm)
    page.scale(mm / scale, mm / scale)
    yield View(page, scale, scale / mm)
    page.restoreState()


def line(view: View, points: Any, pen: Pen = OUTLINE) -> None:
    """A line through points (N, 2)."""
    width, colour, dash = pen
    view.page.setStrokeColor(colour)
    view.page.setLineWidth(width * view.point)
    view.page.setDash([each * view.point for each in dash])
    view.page.drawPath(_path(view, points))


def face(view: View, outline: Any) -> None:
    """A cut face (N, 2), hatched."""
    (left, low), (right, high) = np.min(outline, axis=0), np.max(outline, axis=0)
    view.page.saveState()
    view.page.setFillColor(_FACE)
    view.page.clipPath(_path(view, outline), stroke=0, fill=1)
    for x in np.arange(left - (high - low), right, _APART * view.scale):
        line(view, [(x, low), (x + high - low, high)], HATCH)
    view.page.restoreState()
    line(view, [*outline, outline[0]])


def dimension(view: View, start: tuple[float, float], stop: tuple[float, float], words: str, *, foot: float) -> None:
    """A dimension line with its number; `foot`: where the part is, from which its extension lines come."""
    ends, upright = np.array([start, stop]), start[0] == stop[0]
    from_part = ends.copy()
    from_part[:, 0 if upright else 1] = foot
    gap = view.scale * np.sign(ends - from_part)
    for begin, end in zip(from_part + gap, ends + gap, strict=True):
        line(view, [begin, end], THIN)
    line(view, ends, FINE)
    along = view.scale * np.sign(ends[1] - ends[0])
    for tip, inward in zip(ends, (along, -along), strict=True):
        line(view, [tip + 1.6 * inward + 0.5 * inward[::-1], tip, tip + 1.6 * inward - 0.5 * inward[::-1]], FINE)
    label(view, words, ends.mean(axis=0), upright=upright)


def label(
    view: View, words: str, place: Any, *, size: float = LETTERS, upright: bool = False, framed: bool = False
) -> None:
    """Words about a place, on white."""
    page, size = view.page, size * view.point
    half, tall = 0.5 * page.stringWidth(words, PLAIN, size) + 0.25 * size, 1.5 * size if framed else 1.1 * size
    page.saveState()
    page.translate(*place)
    page.rotate(90 if upright else 0)
    page.setFillColor("white")
    page.setLineWidth(FINE[0] * view.point)
    page.rect(-half, -0.5 * tall, 2.0 * half, tall, stroke=int(framed), fill=1)
    page.setFillColor(style.INK)
    page.setFont(PLAIN, size)
    page.drawCentredString(0.0, -0.36 * size, words)
    page.restoreState()


def _path(view: View, points: Any) -> Any:
    path = view.page.beginPath()
    for number, (x, y) in enumerate(points):
        (path.lineTo if number else path.moveTo)(float(x), float(y))
    return path
