"""What is cut from a solid and added to it, in space: bodies of manifold3d, and a mesh of what is left."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenflare.manufacture.part.bolts import bolt_places, front_places
from evenflare.manufacture.part.faults import SolidError
from evenflare.manufacture.part.features import Features, FrontHoles
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.solid import Mesh, circle
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray

if TYPE_CHECKING:
    from manifold3d import Manifold

MERGED = 0.1e-6
"""m; vertices of a body closer than this are one: closer ones would fall together in a file's single precision."""
NUDGE = 0.1e-6
"""m; single precision tells such lengths apart up to a metre."""
BEYOND = 1 * MILLIMETRE
"""m, by which a cutter reaches out of the part: no face of it then lies in one of the part's."""
ROUND_STEPS = 0.25 * np.pi
"""rad; an edge is rounded in steps of twice arccos(1 - chord error / radius), of half a right angle at most."""


def body(vertices: FloatArray, faces: IntArray) -> Manifold:
    """The body within a closed mesh: (V, 3) m, (N, 3) indices."""
    from manifold3d import Manifold, Mesh64

    # Copies: the library takes no read-only arrays.
    return Manifold(Mesh64(vert_properties=np.array(vertices), tri_verts=faces.astype(np.uint64)))


def prism(rim: FloatArray, low: float, high: float) -> Manifold:
    """The body within `rim` (M, 2) in (x, y), counter-clockwise, between two heights; m."""
    from manifold3d import CrossSection

    return CrossSection([rim]).extrude(high - low).translate((0.0, 0.0, low))


def drilled(mesh: Mesh, sizes: Sizes, features: Features, *, front: float, chord_error: float) -> Mesh:
    """A round solid with its holes: the driver's bolts', blind, from the seat's floor on, and those through the front.

    features : fitted to it; front : m, height of the front face.
    """
    taken = _holes(features, front_places(sizes, features.front), front, chord_error)
    if taken is None:
        return mesh
    return as_mesh((body(mesh.vertices, mesh.faces) - taken).simplify(MERGED), 0)[0]


def with_ring(part: Manifold, rim: FloatArray, features: Features, *, chord_error: float) -> Manifold:
    """A block whose outside is `rim` (M, 2) with what stands behind the throat plane round the driver's recess."""
    seat = features.seat
    if seat.depth == 0.0:
        return part
    recess = prism(circle(0.5 * seat.diameter, chord_error=chord_error), -seat.depth - BEYOND, BEYOND)
    return part + (prism(rim, -seat.depth, 0.0) - recess)


def hub(features: Features, *, wall: float, chord_error: float) -> Manifold:
    """What carries the driver's seat on a shell of thickness `wall` (m), its recess cut, its bore not."""
    seat, (radius, top) = features.seat, features.hub(wall)
    whole = prism(circle(radius, chord_error=chord_error), -seat.depth, top)
    if seat.depth == 0.0:
        return whole
    return whole - prism(circle(0.5 * seat.diameter, chord_error=chord_error), -seat.depth - BEYOND, 0.0)


def cut(
    part: Manifold, rim: FloatArray, sizes: OblongSizes, features: Features, *, front: float, chord_error: float
) -> Manifold:
    """A part with its rim's rebate or rounded edge, and the holes of its seat and front.

    rim   : (M, 2) in (x, y), m, counter-clockwise, of its outside: a rectangle, or a circle's corners.
    front : m, height of the front face.
    """
    if features.has_rim:
        part = part - _rim_cutter(rim, features, front, chord_error)
    taken = _holes(features, front_places(sizes, features.front), front, chord_error)
    return part if taken is None else part - taken


def _holes(features: Features, places: list[tuple[float, float]], top: float, chord_error: float) -> Manifold | None:
    """All holes of a part; None if it has none."""
    from manifold3d import Manifold, OpType

    seat, front, holes = features.seat, features.front, []
    if seat.is_cut and seat.bolts:
        hole = prism(circle(0.5 * seat.hole_diameter, chord_error=chord_error), -seat.depth - BEYOND, seat.hole_depth)
        holes += [hole.translate((x, y, 0.0)) for x, y in bolt_places(seat)]
    if places:
        through = prism(circle(0.5 * front.diameter, chord_error=chord_error), -seat.depth - BEYOND, top + BEYOND)
        if front.countersink > 0.0:
            through = through + _countersink(front, top, chord_error)
        holes += [through.translate((x, y, 0.0)) for x, y in places]
    return Manifold.batch_boolean(holes, OpType.Add) if holes else None


def _countersink(front: FrontHoles, top: float, chord_error: float) -> Manifold:
    """A cone that is as wide as the countersink in the front face at `top` (m), and goes on above it."""
    from manifold3d import Manifold

    rise = BEYOND * np.tan(0.5 * front.countersink_angle)
    # As many corners as the wider rim, whose chords are the longest.
    wide = circle(0.5 * front.countersink + rise, chord_error=chord_error)
    narrow = wide * (0.5 * front.diameter / (0.5 * front.countersink + rise))
    ends = (_at(narrow, top - front.countersink_depth), _at(wide, top + BEYOND))
    return Manifold.hull_points(np.concatenate(ends))


def _rim_cutter(rim: FloatArray, features: Features, front: float, chord_error: float) -> Manifold:
    from manifold3d import Manifold

    width, deep, radius = features.rebate_width, features.rebate_depth, features.edge_radius
    around = inset(rim, -BEYOND)
    if radius == 0.0:
        return prism(around, front - deep, front + BEYOND) - prism(
            inset(rim, width), front - deep - BEYOND, front + 2 * BEYOND
        )
    steps = 1 + int(np.ceil(ROUND_STEPS / np.arccos(max(0.5, 1.0 - chord_error / radius))))
    turn = np.linspace(0.0, 0.5 * np.pi, steps + 1).tolist()
    rings = [(radius * (1.0 - np.cos(a)), front - radius + radius * np.sin(a)) for a in turn]
    rings = [(0.0, front - radius - BEYOND), *rings, (radius, front + 2 * BEYOND)]
    kept = Manifold.hull_points(np.concatenate([_at(inset(rim, inward), z) for inward, z in rings]))
    return prism(around, front - radius, front + BEYOND) - kept


def inset(rim: FloatArray, inward: float) -> FloatArray:
    """A rectangle (4, 2) or the corners of a circle (M, 2) about the axis, moved inward by so much (m)."""
    if len(rim) == 4:
        return rim - inward * np.sign(rim)
    return np.asarray(rim * (1.0 - inward / np.hypot(*rim[0])))


def _at(rim: FloatArray, z: float) -> FloatArray:
    return np.column_stack([rim, np.full(len(rim), z)])


def as_mesh(part: Manifold, bore: int) -> tuple[Mesh, BoolArray]:
    """The part as one mesh, and which of its faces come from the body of original id `bore`.

    Errors: SolidError if it falls apart or encloses a void.
    """
    mesh = part.to_mesh64()
    vertices, faces = np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int64)
    of, count = surfaces(len(vertices), faces)
    if count != 1:
        first = np.array([vertices[of == each][vertices[of == each, 2].argmin()] for each in range(count)])
        places = ", ".join(f"{z / MILLIMETRE:.4g}" for z in first[:, 2])
        raise SolidError(
            f"[solid] the part falls into {count} surfaces, from z_mm = {places}: bodies apart, or a void. Thicken"
            ' wall_mm or the flange, or take kind = "block"',
            places=first,
        )
    starts = np.asarray(mesh.run_index)[:-1] // 3
    run = np.searchsorted(starts, np.arange(len(faces)), side="right") - 1
    return Mesh(_apart(vertices), faces), np.asarray(mesh.run_original_id)[run] == bore


def surfaces(count: int, faces: IntArray) -> tuple[IntArray, int]:
    """Which surface each of so many vertices belongs to, (V,), and how many there are."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    links = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    graph = coo_array((np.ones(len(links)), links.T), shape=(count, count))
    number, of = connected_components(graph, directed=False)
    return np.asarray(of), int(number)


def _apart(vertices: FloatArray) -> FloatArray:
    """The vertices (V, 3), m, none of which falls on another in a file's single precision: one of two that would steps
    aside by NUDGE, across the axis.
    """
    from scipy.spatial import cKDTree

    moved = vertices.copy()
    for turn in range(20):
        pairs = cKDTree(moved).query_pairs(0.4 * NUDGE, output_type="ndarray")
        if len(pairs) == 0:
            break
        aside = np.unique(pairs[:, 1])
        angle = 2.4 * np.arange(aside.size) + turn
        moved[aside, :2] += NUDGE * np.column_stack([np.cos(angle), np.sin(angle)])
    return moved
