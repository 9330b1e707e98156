"""Sizes and notes beside a view, each in a lane of its own, so that none stands on another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from evenflare.report.kit.drafting import AXIS, FINE, LETTERS, THIN, Sheet, View, arrow, letter, stroke, width_of
from evenflare.units import FloatArray

Side = Literal["left", "right", "below", "above"]
SIDES: tuple[Side, ...] = ("left", "right", "below", "above")
LANE = 6.0
"""mm of paper, from lane to lane."""
NEAREST = 5.0
"""mm of paper, from what a view shows to its first lane."""
TITLE = 8.0
"""mm of paper that a view's title takes above its lanes."""
_INSIDE = 7.0
"""mm of paper: arrows of a shorter size stand outside it."""
_OUTER = 3.5
_SHELF = 2.0
FRAME = 4.4
"""mm of paper, how high the frame of a tolerance is."""
_SYMBOL = 4.0
"""mm of paper, from a leader to the words behind a symbol of a surface's texture."""


@dataclass(frozen=True)
class Measure:
    """A size between two places (mm of the part), on a side of the view. datum : a letter whose datum is its axis."""

    side: Side
    first: tuple[float, float]
    second: tuple[float, float]
    words: str
    datum: str = ""


@dataclass(frozen=True)
class Note:
    """Words above or below, with a leader to a place of the part.

    symbol : of the surface's texture: "machined", "as_cast", or none; "datum" frames the words, a datum's letter;
             "position" frames them as a tolerance of position (ISO 1101), referred to `datums`.
    under  : whether a bar runs over the words, which belong to the sign of the texture.
    """

    side: Side
    tip: tuple[float, float]
    words: str
    symbol: str = ""
    datums: tuple[str, ...] = ()
    under: bool = False


@dataclass(frozen=True)
class Plan:
    """A view before it has a place.

    title  : above it.
    turn   : (2, 2), see View.
    span   : left, right, low and high of what it shows, mm of the part, on the paper's axes.
    draw   : what it shows.
    clear  : mm of paper, on each of SIDES, that it shows marks in beside the part.
    """

    title: str
    turn: FloatArray
    span: tuple[float, float, float, float]
    draw: Callable[[View], None]
    measures: Sequence[Measure] = ()
    notes: Sequence[Note] = ()
    clear: dict[Side, float] = field(default_factory=dict)

    def reach(self, scale: float) -> dict[Side, float]:
        """mm of paper, how far it goes from its own (0, 0) to each side, lanes and title included."""
        left, right, low, high = (each / scale for each in self.span)
        edge: dict[Side, float] = {"left": -left, "right": right, "below": -low, "above": high}
        found = {side: edge[side] + self.clear.get(side, 0.0) + _depth(self._lanes(side)) for side in SIDES}
        found["above"] += TITLE
        title = 0.5 * width_of(self.title, LETTERS + 1)
        middle = 0.5 * (left + right)
        found["left"], found["right"] = max(found["left"], title - middle), max(found["right"], title + middle)
        for each in self.measures:
            if each.side in ("below", "above"):
                ends = self._paper(each.first)[0] / scale, self._paper(each.second)[0] / scale
                wide = width_of(each.words) + _OUTER + 1.0
                inside = max(ends) - min(ends) > max(_INSIDE, wide)
                found["right"] = max(found["right"], max(ends) + (0.0 if inside else wide + _OUTER))
        for note in self.notes:
            found["right"] = max(found["right"], self._paper(note.tip)[0] / scale + _length(note))
        return found

    def _paper(self, place: Any) -> FloatArray:
        return np.asarray(self.turn @ np.asarray(place, dtype=float))

    def _span(self, size: Measure) -> float:
        apart = np.abs(self._paper(size.second) - self._paper(size.first))
        return float(apart[1 if size.side in ("left", "right") else 0])

    def _lanes(self, side: Side) -> int:
        return sum(each.side == side for each in self.measures) + sum(each.side == side for each in self.notes)

    def put(self, sheet: Sheet, x: float, y: float, scale: float) -> None:
        """Draw it, its own (0, 0) at x and y."""
        view = View(sheet, x, y, scale, self.turn)
        self.draw(view)
        left, right, low, high = (each / scale for each in self.span)
        edge: dict[Side, float] = {"left": x + left, "right": x + right, "below": y + low, "above": y + high}
        for side in SIDES:
            out = -1.0 if side in ("left", "below") else 1.0
            level = edge[side] + out * (self.clear.get(side, 0.0) + NEAREST)
            own = [each for each in self.measures if each.side == side]
            for each in sorted(own, key=self._span):
                _measure(view, each, level)
                level += out * LANE
            notes = [each for each in self.notes if each.side == side]
            # A leader passes lanes nearer to the part, whose words begin further to the right.
            for note in sorted(notes, key=lambda note: -float(self._paper(note.tip)[0])):
                _note(view, note, level, out)
                level += out * LANE
        top = edge["above"] + self.clear.get("above", 0.0) + _depth(self._lanes("above"))
        letter(sheet, (x + 0.5 * (left + right), top + 0.5 * TITLE), self.title, size=LETTERS + 1)


def _depth(lanes: int) -> float:
    return NEAREST + LANE * (lanes - 1) + 3.0 if lanes else 0.0


def _length(note: Note) -> float:
    if note.symbol == "datum":
        return 4.0
    if note.symbol == "position":
        return _SHELF + sum(_cells(note)) + 1.0
    return _SHELF + width_of(note.words) + (_SYMBOL if note.symbol else 0.0) + 1.0


def _measure(view: View, size: Measure, level: float) -> None:
    """A dimension line with its number, and the lines that carry it out of the part (ISO 129-1)."""
    sheet, upright = view.sheet, size.side in ("left", "right")
    feet = view.on_paper([size.first, size.second])
    own, other = (1, 0) if upright else (0, 1)
    feet = feet[np.argsort(feet[:, own])]
    ends = feet.copy()
    ends[:, other] = level
    for foot, end in zip(feet, ends, strict=True):
        out = np.sign(end - foot)
        stroke(sheet, [foot + 0.8 * out, end + 1.2 * out], THIN)
    along = np.eye(2)[own]
    room = float(ends[1, own] - ends[0, own])
    words = width_of(size.words)
    if room > max(_INSIDE, words + 2.0 * _OUTER):
        stroke(sheet, ends, FINE)
        arrow(sheet, ends[0], -along)
        arrow(sheet, ends[1], along)
        middle = ends.mean(axis=0)
    else:
        stroke(sheet, [ends[0] - _OUTER * along, ends[1] + _OUTER * along], FINE)
        arrow(sheet, ends[0], along)
        arrow(sheet, ends[1], -along)
        middle = ends[1] + (_OUTER + 0.5 * words) * along
    letter(sheet, middle, size.words, turned=upright, away=along)
    if size.datum:
        box = letter(sheet, ends[0] - 8.0 * along, size.datum, framed=True, away=-along)
        _datum(sheet, ends[0], (box.x, box.y), along)


def _datum(sheet: Sheet, tip: Any, box: Any, toward: Any) -> None:
    """The triangle of a datum feature (ISO 5459), its base at the tip."""
    out = -np.asarray(toward, dtype=float)
    beside = out[::-1]
    stroke(sheet, [tip + 1.3 * beside, tip - 1.3 * beside, tip + 2.2 * out, tip + 1.3 * beside], FINE)
    stroke(sheet, [tip + 2.2 * out, box], FINE)


def _note(view: View, note: Note, level: float, out: float) -> None:
    sheet, tip = view.sheet, view.on_paper(note.tip)
    end = np.array([tip[0], level])
    if note.symbol == "datum":
        # The plane is carried out of the part, and the triangle stands on it.
        stroke(sheet, [tip, (tip[0], level + 2.0 * out)], THIN)
        box = letter(sheet, (tip[0] - 5.5, level), note.words, framed=True, away=(0.0, out))
        _datum(sheet, np.array([tip[0], box.y]), (box.x, box.y), (1.0, 0.0))
        return
    stroke(sheet, [tip, end, (end[0] + _SHELF, level)], FINE)
    arrow(sheet, tip, tip - end)
    if note.symbol == "position":
        _position(sheet, end[0] + _SHELF, level, note)
        return
    if note.symbol:
        texture(sheet, (end[0] + _SHELF + 0.5, level - 1.3), note.symbol)
    if note.under:
        left, high = end[0] + _SHELF + 3.2, level + 1.82
        stroke(sheet, [(left, high), (left + _SYMBOL - 2.7 + width_of(note.words), high)], FINE)
    start = end[0] + _SHELF + (_SYMBOL if note.symbol else 0.0)
    letter(sheet, (start + 0.5 + 0.5 * width_of(note.words), level), note.words, away=(1.0, 0.0))


def _cells(note: Note) -> list[float]:
    """mm of paper, widths of a frame's cells: symbol, value, datums."""
    return [5.0, *(width_of(words) + 2.4 for words in (note.words, *note.datums))]


def _position(sheet: Sheet, left: float, level: float, note: Note) -> None:
    """A frame (ISO 1101, from memory): the sign of a position, the zone's diameter, the datums in their order."""
    widths, half = _cells(note), 0.5 * FRAME
    edges = left + np.concatenate([[0.0], np.cumsum(widths)])
    low, high = level - half, level + half
    stroke(sheet, [(edges[0], low), (edges[-1], low), (edges[-1], high), (edges[0], high), (edges[0], low)], FINE)
    for edge in edges[1:-1].tolist():
        stroke(sheet, [(edge, low), (edge, high)], FINE)
    middle = np.array([0.5 * (edges[0] + edges[1]), level])
    turn = np.linspace(0.0, 2 * np.pi, 33)
    stroke(sheet, middle + np.column_stack([np.cos(turn), np.sin(turn)]), FINE)
    for along in np.eye(2):
        stroke(sheet, [middle - 1.6 * along, middle + 1.6 * along], FINE)
    for words, place in zip((note.words, *note.datums), 0.5 * (edges[1:-1] + edges[2:]), strict=True):
        letter(sheet, (float(place), level), words, away=(1.0, 0.0))


def texture(sheet: Sheet, tip: Any, symbol: str) -> None:
    """The sign of a surface's texture with its tip there: material to be removed, or not (ISO 21920-1, from memory)."""
    left, right = np.array([-0.9, 1.56]), np.array([1.8, 3.12])
    x, y = tip
    stroke(sheet, [(x + 0.9 + left[0], y + left[1]), (x + 0.9, y), (x + 0.9 + right[0], y + right[1])], FINE)
    if symbol == "machined":
        stroke(sheet, [(x, y + left[1]), (x + 1.8, y + left[1])], FINE)
    else:
        turn = np.linspace(0.0, 2 * np.pi, 25)
        stroke(sheet, np.column_stack([x + 0.9 + 0.52 * np.cos(turn), y + 1.04 + 0.52 * np.sin(turn)]), FINE)


def axis(view: View, first: Any, second: Any) -> None:
    """A centre line, mm of the part, that stands out of it by 3 mm of paper at both ends."""
    ends = view.on_paper([first, second])
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    stroke(view.sheet, [ends[0] - 3.0 * along, ends[1] + 3.0 * along], AXIS)
