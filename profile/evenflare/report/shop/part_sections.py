"""Sections of a part through its axis, each with its sizes and notes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from evenflare.manufacture.part.fits import hole_fit
from evenflare.manufacture.part.positions import roughness
from evenflare.manufacture.part.slices import slices
from evenflare.report.kit.drafting import FINE, View, cut_faces, line
from evenflare.report.kit.lanes import Measure, Note, Plan, axis
from evenflare.report.shop import zones
from evenflare.report.shop.drawn_part import SAME, DrawnPart
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Conical
from evenflare.waveguide.walls import Arc

UPRIGHT = np.eye(2)
"""Of a section whose axis lies level, the mouth at the right."""
BELOW = np.array([[0.0, 1.0], [-1.0, 0.0]])
"""Of a section below the front view: x to the right as there, the mouth down."""


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
        if abs(place[along[1]]) < SAME:
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
    if back < -SAME:
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
    if process.makes_programs:
        z = 0.25 * depth
        limit = f"Ra {roughness(process.scallop_height)[1]:g}"
        found.append(Note("above", (z, part.across(z, 0.5 * np.pi)), limit, symbol="machined", under=True))
    if "pattern" in process.makes and process.casting is not None:
        inner = 0.5 * (part.across(depth, 0.5 * np.pi) + edge)
        z = 0.25 * depth
        bore = "machined" if process.casting.wall == "machined" else "as_cast"
        found += [
            Note("above", (part.back, _seat_edge(part)), "back", symbol="machined"),
            Note("above", (z, part.across(z, 0.5 * np.pi)), "waveguide's wall", symbol=bore),
        ]
        if sizes.kind == "body":
            found.append(Note("above", (_widest(part), edge), "outside", symbol=bore))
        else:
            found += [
                Note("above", (depth, inner), "front", symbol="machined"),
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


def _widest(part: DrawnPart) -> float:
    """mm, z of the widest place of a body."""
    vertices = part.solid.mesh.vertices
    return float(vertices[np.hypot(*vertices[:, :2].T).argmax(), 2]) / MILLIMETRE


def _rim(part: DrawnPart) -> float:
    """mm, how thick the part is at its outside."""
    sizes = part.solid.sizes
    return sizes.flange_thickness / MILLIMETRE if sizes.kind == "shell" else part.depth
