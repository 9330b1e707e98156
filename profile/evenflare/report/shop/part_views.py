"""A part from the front and from the back, first angle (ISO 128-3, ISO 5456-2), with sizes and notes."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from evenflare.manufacture.part.bolts import bolt_places
from evenflare.manufacture.part.positions import Position, driver_position, front_position, recess_position
from evenflare.manufacture.part.slices import across
from evenflare.manufacture.wall.grid import around
from evenflare.report.kit import wall
from evenflare.report.kit.drafting import AXIS, FINE, LETTERS, THICK, THIN, View, arrow, circle, letter, line
from evenflare.report.kit.drafting import stroke as stroked
from evenflare.report.kit.lanes import Measure, Note, Plan, axis
from evenflare.report.shop.drawn_part import DrawnPart, circle_of
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Oblong, RoundedRectangle

_UPRIGHT, _MIRRORED = np.eye(2), np.diag([-1.0, 1.0])
"""Of the front, and of the back, where x runs to the left."""
_MARKS = 14.0
"""mm of paper beside a view, for the planes that cut it and for its axes' names."""
_BESIDE = 5.0
FOOT = 0.05
"""mm below its flange, at which a shell's outside is drawn."""
SMOOTH = 181
"""Places of a quarter of the line about an oblong body."""
_LEAN = 1.0 - np.sqrt(0.5)
"""Of a corner's radius, from its sides to the middle of its arc."""


def front(part: DrawnPart) -> Plan:
    """As one sees it who looks into the mouth: x to the right, y up; holes, axes, the planes of the sections."""
    wide, high = part.half
    measures, notes, places = _outside(part), [], part.front_holes
    if len(places):
        measures += _positions(places)
        top = places[(places @ (1.0, 1.0)).argmax()]
        tip = (float(top[0]), float(top[1]))
        notes += _framed(tip, front_position(part.solid.features))
        notes += [Note("above", tip, words) for words in reversed(hole_words(part))]

    shape = part.waveguide.shape
    if isinstance(shape, Oblong) and isinstance(shape.section, RoundedRectangle):
        radius = shape.section.corner_radius
        x, y = (part.across(part.depth, azimuth) - _LEAN * radius / MILLIMETRE for azimuth in (0.0, 0.5 * np.pi))
        notes.append(Note("above", (x, y), f"R{radius / MILLIMETRE:.2f} at the mouth"))

    def draw(view: View) -> None:
        _edges(view, part)
        for z in (part.depth, 0.0):
            _opening(view, part, z)
        _holes(view, part)
        axis(view, (-wide, 0.0), (wide, 0.0))
        axis(view, (0.0, -high), (0.0, high))
        _names(view, wide, high)
        _cut(view, (0.0, high), (0.0, -high), (1.0, 0.0), "A")
        if not part.waveguide.is_round:
            _cut(view, (-wide, 0.0), (wide, 0.0), (0.0, -1.0), "B")

    clear: dict[Any, float] = dict.fromkeys(("left", "right", "below", "above"), _MARKS)
    return Plan("Front", _UPRIGHT, (-wide, wide, -high, high), draw, measures, notes, clear)


def back(part: DrawnPart) -> Plan:
    """As one sees it who looks at the driver's side: x to the left, y up."""
    wide, high = part.half
    seat, features, sizes = part.solid.features.seat, part.solid.features, part.solid.sizes
    notes, measures = [], []
    holes = np.array(bolt_places(seat)).reshape(-1, 2) / MILLIMETRE if seat.is_cut else np.zeros((0, 2))
    if len(holes):
        top = holes[(holes @ (-1.0, 1.0)).argmax()]
        tip = (float(top[0]), float(top[1]))
        notes += _framed(tip, driver_position(features))
        notes.append(Note("above", tip, seat_words(part)))
        measures += _positions(holes)
    recess = 0.5 * seat.diameter / MILLIMETRE * np.array([-np.sqrt(0.5), np.sqrt(0.5)])
    notes += _framed((float(recess[0]), float(recess[1])), recess_position(features, part.process))

    def draw(view: View) -> None:
        _edges(view, part, behind=True)
        _opening(view, part, 0.0)
        if seat.depth > 0.0:
            circle(view, 0.5 * seat.diameter / MILLIMETRE)
        if sizes.kind == "shell":
            neck = features.hub(sizes.wall)[0] if seat.is_cut else 0.0
            circle(view, max(neck / MILLIMETRE, part.across(0.0, 0.0) + sizes.wall / MILLIMETRE))
            foot = across(part.solid.mesh, (part.depth - FOOT) * MILLIMETRE - sizes.flange_thickness) / MILLIMETRE
            if np.hypot(*foot.T).max() > neck / MILLIMETRE:
                line(view, np.vstack([foot, foot[:1]]))
        front_hole = 0.5 * part.solid.features.front.diameter / MILLIMETRE
        for place in part.front_holes if front_hole else ():
            _hole(view, place, front_hole)
        for place in holes:
            _hole(view, place, 0.5 * seat.hole_diameter / MILLIMETRE)
        if len(holes):
            circle(view, 0.5 * seat.bolt_circle / MILLIMETRE, AXIS)
        axis(view, (-wide, 0.0), (wide, 0.0))
        axis(view, (0.0, -high), (0.0, high))
        _names(view, wide, high)

    clear: dict[Any, float] = {"left": _MARKS, "above": _MARKS, "right": _BESIDE, "below": _BESIDE}
    return Plan("Back", _MIRRORED, (-wide, wide, -high, high), draw, measures, notes, clear)


def _framed(tip: tuple[float, float], position: Position | None) -> list[Note]:
    """The frame of a tolerance of position, referred to the datums A and B."""
    return [] if position is None else [Note("above", tip, position.words, symbol="position", datums=("A", "B"))]


def _outside(part: DrawnPart) -> list[Measure]:
    wide, high = part.half
    if part.is_round_outside:
        return [Measure("below", (-wide, 0.0), (wide, 0.0), f"Ø{2 * wide:.2f}")]
    return [
        Measure("below", (-wide, -high), (wide, -high), f"{2 * wide:.2f}"),
        Measure("left", (-wide, -high), (-wide, high), f"{2 * high:.2f}"),
    ]


def _positions(places: FloatArray) -> list[Measure]:
    """Where holes stand: the circle through them, or the rectangle about them."""
    diameter = circle_of(places)
    if diameter is not None:
        return [Measure("below", (-0.5 * diameter, 0.0), (0.5 * diameter, 0.0), f"Ø{diameter:.2f}")]
    (x, y), (far_x, far_y) = places.min(axis=0), places.max(axis=0)
    return [
        Measure("below", (x, y), (far_x, y), f"{far_x - x:.2f}"),
        Measure("left", (x, y), (x, far_y), f"{far_y - y:.2f}"),
    ]


def hole_words(part: DrawnPart) -> list[str]:
    """The holes of the front, on the drawing."""
    front, count = part.solid.features.front, len(part.front_holes)
    if not front.count:
        return [f"{count} places for screws"]
    sunk = f"sunk Ø{front.countersink / MILLIMETRE:.2f} × {front.countersink_angle / DEGREE:.0f}°"
    thread = f" for {front.screw}" if front.screw else ""
    plain = f"{count} × Ø{front.diameter / MILLIMETRE:.2f} through"
    return [f"{plain}{thread}", *([sunk] if front.countersink > 0.0 else [])]


def seat_words(part: DrawnPart) -> str:
    """The driver's holes, on the drawing."""
    seat = part.solid.features.seat
    return f"{seat.bolts} × Ø{seat.hole_diameter / MILLIMETRE:.2f}, {seat.hole_depth / MILLIMETRE:.2f} deep from A"


def _edges(view: View, part: DrawnPart, *, behind: bool = False) -> None:
    """The outside, and from in front the rebate or where the rounded edge begins."""
    wide, high = part.half
    if (body := part.oblong_body) is not None:
        silhouette = around(body.widest(np.linspace(0.0, 0.5 * np.pi, SMOOTH))[None])[0, :, :2] / MILLIMETRE
        line(view, np.vstack([silhouette, silhouette[:1]]))
        return
    features, inset = part.solid.features, 0.0
    _rim_line(view, part, wide, high)
    if features.has_rim and not behind:
        inset = (features.edge_radius or features.rebate_width) / MILLIMETRE
        _rim_line(view, part, wide - inset, high - inset, THIN if features.edge_radius > 0.0 else None)


def _rim_line(view: View, part: DrawnPart, wide: float, high: float, pen: Any = None) -> None:
    drawn: Callable[..., None] = partial(line, view) if pen is None else partial(line, view, pen=pen)
    if part.is_round_outside:
        circle(view, wide, *(() if pen is None else (pen,)))
    else:
        drawn([(wide, high), (-wide, high), (-wide, -high), (wide, -high), (wide, high)])


def _opening(view: View, part: DrawnPart, z: float) -> None:
    if part.waveguide.is_round:
        circle(view, part.across(z, 0.0))
    else:
        line(view, wall.section(part.waveguide.surface, z * MILLIMETRE) / MILLIMETRE)


def _holes(view: View, part: DrawnPart) -> None:
    front, places = part.solid.features.front, part.front_holes
    for place in places:
        _hole(view, place, 0.5 * front.diameter / MILLIMETRE)
        if front.countersink > 0.0:
            circle(view, 0.5 * front.countersink / MILLIMETRE, about=place)
    if len(places) and (diameter := circle_of(places)) is not None:
        circle(view, 0.5 * diameter, AXIS)


def _hole(view: View, place: Any, radius: float) -> None:
    """A hole and its middle; of one whose size is not stated the middle alone."""
    if radius > 0.0:
        circle(view, radius, about=place)
    half = radius + 1.2 * view.scale
    for along in np.eye(2):
        line(view, [place - half * along, place + half * along], FINE)


def _names(view: View, wide: float, high: float) -> None:
    """Marks x and y at the ends of the axes, where the part's own coordinates rise."""
    for end, name in (((wide, 0.0), "x"), ((0.0, high), "y")):
        tip = view.on_paper(end)
        along = np.sign(tip - (view.x, view.y))
        start, end_ = tip + 9.0 * along, tip + 12.0 * along
        stroked(view.sheet, [start, end_], FINE)
        arrow(view.sheet, end_, along)
        letter(view.sheet, tip + 7.5 * along, name, away=along)


def _cut(view: View, first: Any, second: Any, toward: Any, name: str) -> None:
    """Where a plane cuts the part: thick ends, arrows the way one looks, and the plane's name (ISO 128-3)."""
    ends, look = view.on_paper([first, second]), np.asarray(toward)
    for end, other in zip(ends, ends[::-1], strict=True):
        along = (end - other) / np.hypot(*(end - other))
        stroked(view.sheet, [end + 3.5 * along, end + 6.0 * along], THICK)
        corner = end + 6.0 * along
        stroked(view.sheet, [corner - 5.0 * look, corner], FINE)
        arrow(view.sheet, corner, look, size=2.2)
        letter(view.sheet, corner - 7.0 * look, name, size=LETTERS + 2, away=-look)
