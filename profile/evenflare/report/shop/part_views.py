"""The views of a part (ISO 128-3, first angle): front, back and sections, each with its sizes and notes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part.bolts import bolt_places, front_places
from evenflare.manufacture.part.extent import extent
from evenflare.manufacture.part.fits import hole_fit
from evenflare.manufacture.part.oblong_sizes import flange_bolts
from evenflare.manufacture.part.rings import radius_at as round_radius
from evenflare.manufacture.part.slices import slices
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.process.types import Process
from evenflare.report.kit import wall
from evenflare.report.kit.drafting import AXIS, FINE, LETTERS, THICK, THIN, View, arrow, circle, cut_faces, letter, line
from evenflare.report.kit.drafting import stroke as stroked
from evenflare.report.kit.lanes import Measure, Note, Plan, axis
from evenflare.report.shop import zones
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Conical, Meridian, Oblong, Shape, Waveguide
from evenflare.waveguide.walls import Arc

UPRIGHT = np.eye(2)
"""Of a view whose coordinates run to the right and up."""
MIRRORED = np.diag([-1.0, 1.0])
"""Of the back: x runs to the left there."""
BELOW = np.array([[0.0, 1.0], [-1.0, 0.0]])
"""Of a section below the front view: x to the right as there, the mouth down."""
_MARKS = 14.0
"""mm of paper beside the front view, for the planes that cut it and for its axes' names."""
_BESIDE = 5.0
_SAME = 1e-6


@dataclass(frozen=True)
class DrawnPart:
    """What is drawn."""

    waveguide: Waveguide
    solid: SolidFile
    process: Process
    asked: WallAsked

    @property
    def depth(self) -> float:
        """mm."""
        return self.waveguide.depth / MILLIMETRE

    @property
    def half(self) -> tuple[float, float]:
        """mm, half its width and height."""
        x, y = extent(self.solid.sizes)
        return 0.5 * x / MILLIMETRE, 0.5 * y / MILLIMETRE

    @property
    def back(self) -> float:
        """mm, z of its back face."""
        return float(self.solid.mesh.vertices[:, 2].min()) / MILLIMETRE

    @property
    def is_round_outside(self) -> bool:
        """Whether its outside is a circle."""
        return self.solid.sizes.flange_diameter is not None

    @property
    def front_holes(self) -> FloatArray:
        """(N, 2), mm, middles of the front's holes, or of the places for screws that are marked only."""
        sizes, front = self.solid.sizes, self.solid.features.front
        places = front_places(sizes, front) if front.count else list(flange_bolts(sizes))
        return np.array(places).reshape(-1, 2) / MILLIMETRE

    def across(self, z: float, azimuth: float) -> float:
        """mm, from the axis to the wall at a depth in mm."""
        if self.waveguide.is_round:
            return round_radius(self.waveguide.meridian, z * MILLIMETRE) / MILLIMETRE
        return wall.radius_at(self.waveguide.surface, z * MILLIMETRE, azimuth) / MILLIMETRE

    def meridian(self, azimuth: float) -> tuple[Shape, Meridian]:
        """What gives the wall in a plane, and the wall."""
        shape = self.waveguide.shape
        if not isinstance(shape, Oblong):
            return shape, self.waveguide.meridian
        surface = self.waveguide.surface
        return (shape.horizontal, surface.horizontal) if azimuth == 0.0 else (shape.vertical, surface.vertical)


def section(part: DrawnPart, title: str, *, azimuth: float, turn: FloatArray, main: bool) -> Plan:
    """A section through the axis, z and across. main : with the sizes that every section would have."""
    # What stands evenly round an axis is shown turned into the plane (ISO 128-3, from memory): holes lie on x.
    cut_at = 0.0 if part.waveguide.is_round else azimuth
    outlines = [outline / MILLIMETRE for outline in slices(part.solid.mesh, azimuth=cut_at)]
    points = np.concatenate(outlines)
    back, front, edge = float(points[:, 0].min()), float(points[:, 0].max()), float(points[:, 1].max())
    corners = np.array([[back, -edge], [front, edge]]) @ turn.T
    (left, right), (low, high) = np.sort(corners[:, 0]), np.sort(corners[:, 1])

    def draw(view: View) -> None:
        cut_faces(view, outlines)
        for z, low, high in behind:
            line(view, [(z, low), (z, high)], FINE)
        axis(view, (back, 0.0), (front, 0.0))
        zones.mark(view, part.asked, lambda z: part.across(z, azimuth), depth=part.depth)

    behind = _behind(part, azimuth, back)
    ends = _openings(part, azimuth, edge)
    depths = _depths(part, edge, back) if main else []
    notes = [*_wall_notes(part, azimuth), *(_surface_notes(part, edge) if main else [])]
    if not main:
        # Its mouth is below, so what lies along the axis is measured at its sides.
        ends = [replace(each, side=_TURNED[each.side]) for each in ends if each.side == "right"]
    return Plan(title, turn, (left, right, low, high), draw, [*ends, *depths], notes)


def _behind(part: DrawnPart, azimuth: float, back: float) -> list[tuple[float, float, float]]:
    """Edges that one sees behind the plane, mm: their z, and from where to where across."""
    seat, front, sizes = part.solid.features.seat, part.solid.features.front, part.solid.sizes
    mouth, throat = part.across(part.depth, azimuth), part.across(0.0, azimuth)
    found = [(part.depth, -mouth, mouth)]
    if seat.depth > 0.0:
        recess = 0.5 * seat.diameter / MILLIMETRE
        found += [(back, -recess, recess), (0.0, -recess, recess)]
    else:
        found.append((0.0, -throat, throat))
    half = 0.5 * front.diameter / MILLIMETRE
    deep = sizes.flange_thickness / MILLIMETRE if sizes.kind == "shell" else part.depth - back
    along = (0, 1) if azimuth == 0.0 or part.waveguide.is_round else (1, 0)
    for place in part.front_holes if half else ():
        if abs(place[along[1]]) < _SAME:
            across = float(place[along[0]])
            found += [(z, across - half, across + half) for z in (part.depth, part.depth - deep)]
    return found


_TURNED: dict[Any, Any] = {"left": "above", "right": "below", "below": "left", "above": "right"}
"""Sides of a section, turned so that its mouth is below."""


def _openings(part: DrawnPart, azimuth: float, edge: float) -> list[Measure]:
    """Widths of mouth, throat, recess and hub."""
    sizes, seat, features = part.solid.sizes, part.solid.features.seat, part.solid.features
    sign = "Ø" if part.waveguide.is_round else ""
    mouth, throat = part.across(part.depth, azimuth), part.across(0.0, azimuth)
    found = [
        Measure("right", (part.depth, -mouth), (part.depth, mouth), f"{sign}{2 * mouth:.2f}"),
        Measure("left", (0.0, -throat), (0.0, throat), f"Ø{2 * throat:.2f}", datum="B"),
    ]
    if seat.depth > 0.0:
        half = 0.5 * seat.diameter / MILLIMETRE
        fit = hole_fit(seat.diameter, 2.0 * part.process.tolerance)
        words = f"Ø{2 * half:.2f}{f' {fit.words}' if fit else ''}"
        found.append(Measure("left", (part.back, -half), (part.back, half), words))
    if sizes.kind == "shell" and seat.is_cut:
        hub = features.hub(sizes.wall)[0] / MILLIMETRE
        found.append(Measure("left", (part.back, -hub), (part.back, hub), f"Ø{2 * hub:.2f}"))
    if features.has_rim and features.edge_radius == 0.0:
        wide, deep = features.rebate_width / MILLIMETRE, features.rebate_depth / MILLIMETRE
        left, z = edge - wide, part.depth - deep
        round_ = "Ø" if part.is_round_outside else ""
        found.append(Measure("right", (z, -left), (z, left), f"{round_}{2 * left:.2f}"))
    return found


def _depths(part: DrawnPart, edge: float, back: float) -> list[Measure]:
    """Sizes along the axis."""
    sizes, features = part.solid.sizes, part.solid.features
    depth = part.depth
    found = [Measure("below", (0.0, -edge), (depth, -edge), f"{depth:.2f}")]
    if back < -_SAME:
        found += [
            Measure("below", (back, -edge), (0.0, -edge), f"{-back:.2f}"),
            Measure("below", (back, -edge), (depth, -edge), f"{depth - back:.2f}"),
        ]
    if sizes.kind == "shell":
        thick = sizes.flange_thickness / MILLIMETRE
        found.append(Measure("below", (depth - thick, -edge), (depth, -edge), f"{thick:.2f}"))
    if features.has_rim and features.edge_radius == 0.0:
        deep = features.rebate_depth / MILLIMETRE
        found.append(Measure("below", (depth - deep, -edge), (depth, -edge), f"{deep:.2f}"))
    return found


def _wall_notes(part: DrawnPart, azimuth: float) -> list[Note]:
    """The cone's angle and the roundover's radius."""
    shape, meridian = part.meridian(azimuth)
    found, end = [], meridian.pieces[-1]
    # A sharp mouth has no arc; a wall through points may end in any piece.
    if isinstance(end, Arc):
        middle = end.frame_at(np.array([0.5]))
        found.append(Note("above", (middle.z[0] / MILLIMETRE, middle.r[0] / MILLIMETRE), _radius(end.radius)))
    if isinstance(shape, Conical):
        middle = meridian.pieces[0].frame_at(np.array([0.5]))
        place = middle.z[0] / MILLIMETRE, middle.r[0] / MILLIMETRE
        found.append(Note("above", place, f"cone {shape.wall_angle / DEGREE:.2f}° to the axis"))
    return found


def _radius(length: float) -> str:
    return f"R{length / MILLIMETRE:.2f}"


def _surface_notes(part: DrawnPart, edge: float) -> list[Note]:
    """Datum A; the edge; a shell's wall; of a casting, which surfaces are machined and which stay as cast."""
    sizes, features, process = part.solid.sizes, part.solid.features, part.process
    depth, round_off = part.depth, features.edge_radius / MILLIMETRE
    found = [Note("above", (0.0, part.across(0.0, 0.5 * np.pi)), "A", symbol="datum")]
    if round_off > 0.0:
        lean = round_off * (1.0 - np.sqrt(0.5))
        found.append(Note("above", (depth - lean, edge - lean), _radius(features.edge_radius)))
    if sizes.kind == "shell":
        z = 0.35 * depth
        outside = part.across(z, 0.5 * np.pi) + 0.5 * sizes.wall / MILLIMETRE
        found.append(Note("above", (z, outside), f"wall {sizes.wall / MILLIMETRE:.2f} at least"))
    if "pattern" in process.makes and process.casting is not None:
        inner = 0.5 * (part.across(depth, 0.5 * np.pi) + edge)
        z = 0.25 * depth
        bore = "machined" if process.casting.wall == "machined" else "as_cast"
        found += [
            Note("above", (depth, inner), "front", symbol="machined"),
            Note("above", (part.back, _seat_edge(part)), "back", symbol="machined"),
            Note("above", (z, part.across(z, 0.5 * np.pi)), "waveguide's wall", symbol=bore),
            Note("above", (depth - 0.5 * _rim(part), edge), "outside", symbol="as_cast"),
        ]
        if sizes.kind == "shell":
            flange = (depth - sizes.flange_thickness / MILLIMETRE, edge - 1.0)
            found.append(Note("above", flange, "flange's back", symbol="machined"))
    return found


def _seat_edge(part: DrawnPart) -> float:
    """mm, a place on the back face."""
    seat = part.solid.features.seat
    inner = 0.5 * seat.diameter / MILLIMETRE if seat.depth > 0.0 else part.across(0.0, 0.5 * np.pi)
    return inner + 1.0


def _rim(part: DrawnPart) -> float:
    """mm, how thick the part is at its outside."""
    sizes = part.solid.sizes
    return sizes.flange_thickness / MILLIMETRE if sizes.kind == "shell" else part.depth


def front(part: DrawnPart) -> Plan:
    """As one sees it who looks into the mouth: x to the right, y up; holes, axes, the planes of the sections."""
    wide, high = part.half
    measures, notes, places = _outside(part), [], part.front_holes
    if len(places):
        measures += _positions(places)
        top = places[(places @ (1.0, 1.0)).argmax()]
        notes += [Note("above", (float(top[0]), float(top[1])), words) for words in hole_words(part)]

    def draw(view: View) -> None:
        _edges(view, part)
        for z in (part.depth, 0.0):
            _opening(view, part, z)
        _holes(view, part)
        axis(view, (-wide, 0.0), (wide, 0.0))
        axis(view, (0.0, -high), (0.0, high))
        _names(view, wide, high, "right")
        _cut(view, (0.0, high), (0.0, -high), (1.0, 0.0), "A")
        if not part.waveguide.is_round:
            _cut(view, (-wide, 0.0), (wide, 0.0), (0.0, -1.0), "B")

    clear: dict[Any, float] = dict.fromkeys(("left", "right", "below", "above"), _MARKS)
    return Plan("Front", UPRIGHT, (-wide, wide, -high, high), draw, measures, notes, clear)


def back(part: DrawnPart) -> Plan:
    """As one sees it who looks at the driver's side: x to the left, y up."""
    wide, high = part.half
    seat, features, sizes = part.solid.features.seat, part.solid.features, part.solid.sizes
    notes, measures = [], []
    holes = np.array(bolt_places(seat)).reshape(-1, 2) / MILLIMETRE if seat.is_cut else np.zeros((0, 2))
    if len(holes):
        top = holes[(holes @ (-1.0, 1.0)).argmax()]
        notes.append(Note("above", (float(top[0]), float(top[1])), seat_words(part)))
        measures += _positions(holes)

    def draw(view: View) -> None:
        _edges(view, part, behind=True)
        _opening(view, part, 0.0)
        if seat.depth > 0.0:
            circle(view, 0.5 * seat.diameter / MILLIMETRE)
        if sizes.kind == "shell":
            neck = features.hub(sizes.wall)[0] if seat.is_cut else 0.0
            circle(view, max(neck / MILLIMETRE, part.across(0.0, 0.0) + sizes.wall / MILLIMETRE))
        front_hole = 0.5 * part.solid.features.front.diameter / MILLIMETRE
        for place in part.front_holes if front_hole else ():
            _hole(view, place, front_hole)
        for place in holes:
            _hole(view, place, 0.5 * seat.hole_diameter / MILLIMETRE)
        if len(holes):
            circle(view, 0.5 * seat.bolt_circle / MILLIMETRE, AXIS)
        axis(view, (-wide, 0.0), (wide, 0.0))
        axis(view, (0.0, -high), (0.0, high))
        _names(view, wide, high, "left")

    clear: dict[Any, float] = {"left": _MARKS, "above": _MARKS, "right": _BESIDE, "below": _BESIDE}
    return Plan("Back", MIRRORED, (-wide, wide, -high, high), draw, measures, notes, clear)


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


def circle_of(places: FloatArray) -> float | None:
    """mm, of holes evenly round the axis; None of others."""
    away = np.hypot(*places.T)
    return 2.0 * float(away.mean()) if np.ptp(away) < _SAME else None


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


def _names(view: View, wide: float, high: float, side: str) -> None:
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
