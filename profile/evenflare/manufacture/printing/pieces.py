"""A part in pieces that a printer's volume holds: cut by planes, with holes for pins across the cuts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.boolean import MERGED, as_mesh, body, prism
from evenflare.manufacture.part.solid import Mesh, circle, volume
from evenflare.manufacture.process.types import Printing
from evenflare.units import MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.cloud import cloud

if TYPE_CHECKING:
    from manifold3d import Manifold

LAND = 1.5 * MILLIMETRE
"""Of material round a pin's hole and beyond its end, three or four widths of a bead (common practice, no source)."""
MOST_PIECES = 64
PINS = 2
"""Across a joint: one may turn about it."""
ON_PLATE = 0.01 * MILLIMETRE
"""Facets no higher than this lie on the plate."""
_AXES = "xyz"
_FITS = 1e-9
_NARROWER = 0.01 * MILLIMETRE


@dataclass(frozen=True)
class Joint:
    """A plane that pieces meet in: `axis` 0 to 2 is its normal's, `place` where it crosses that axis, m.

    pins : (x, y, z) in m, where pins cross it; none where the material is too thin beside the plane.
    """

    axis: int
    place: float
    pins: tuple[tuple[float, float, float], ...]

    @property
    def plane(self) -> str:
        """As "z = 40 mm"."""
        return f"{_AXES[self.axis]} = {round(self.place / MILLIMETRE, 3) + 0.0:.6g} mm"


@dataclass(frozen=True)
class PrintedPiece:
    """One print: enlarged by the shrinkage, as it stands on the plate, the throat's side down.

    mesh            : from the plate, z = 0, and from x = y = 0.
    place           : (3,), m, of the mesh's origin in the part that is enlarged as a whole.
    support         : m2, of facets that face down more steeply than the printer can do without support.
    support_on_wall : m2, of these those that are the waveguide's wall.
    """

    mesh: Mesh
    place: FloatArray
    support: float
    support_on_wall: float

    @property
    def size(self) -> FloatArray:
        """(3,), m."""
        return np.asarray(np.ptp(self.mesh.vertices, axis=0))

    @property
    def volume(self) -> float:
        """m3."""
        return volume(self.mesh)


@dataclass(frozen=True)
class PrintedPart:
    """Pieces in order from the throat upward, and the joints between them.

    factor : by which the pieces are larger than the part.
    """

    pieces: tuple[PrintedPiece, ...]
    joints: tuple[Joint, ...]
    factor: float


def split(mesh: Mesh, waveguide: Waveguide, printing: Printing, *, chord_error: float) -> PrintedPart:
    """A part's mesh as pieces that fit the build volume after they are enlarged: as few as equal shares along x, y
    and z allow. A piece may stand turned by a right angle about z.

    chord_error : m, of the mesh, for the pins' holes and for telling the wall from other facets.
    Errors      : InputError if more than MOST_PIECES would be needed; SolidError if a cut leaves no sound piece.
    """
    factor = 1.0 / (1.0 - printing.shrinkage)
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    shares = _shares((high - low) * factor, printing)
    planes = [np.linspace(low[axis], high[axis], shares[axis] + 1)[1:-1] for axis in range(3)]
    part = body(mesh.vertices, mesh.faces)
    joints = tuple(
        Joint(axis, float(place), _pins(part, axis, float(place), planes, printing))
        for axis in range(3)
        for place in planes[axis]
    )
    for joint in joints:
        for pin in joint.pins:
            part = part - _hole(joint.axis, pin, printing, chord_error)
    bodies = [part]
    for joint in joints:
        normal = tuple(float(axis == joint.axis) for axis in range(3))
        bodies = [half for each in bodies for half in each.split_by_plane(normal, joint.place)]
    whole = [each.simplify(MERGED) for cell in bodies for each in cell.decompose() if each.volume() > 0.0]
    order = sorted(whole, key=lambda each: tuple(np.round([each.bounding_box()[axis] for axis in (2, 1, 0)], 6)))
    pieces = [_piece(as_mesh(each, 0)[0], waveguide, printing, joints, factor, chord_error) for each in order]
    return PrintedPart(tuple(pieces), joints, factor)


def _shares(size: FloatArray, printing: Printing) -> tuple[int, int, int]:
    """Into how many parts of equal length each side (3,), m, is cut."""
    x, y, z = printing.build_volume
    counts = []
    for room in ((x, y, z), (y, x, z)):
        wide, deep, high = (max(1, int(np.ceil(side / limit - _FITS))) for side, limit in zip(size, room, strict=True))
        counts.append((wide * deep * high, (wide, deep, high)))
    number, best = min(counts)
    if number > MOST_PIECES:
        told = ", ".join(f"{side / MILLIMETRE:g}" for side in printing.build_volume)
        raise InputError(
            f"[print] build_volume_mm = [{told}]: the part would be cut into {number} pieces, must be at most"
            f" {MOST_PIECES}. Take a larger printer, or lower the part's sizes"
        )
    return best


def _section(part: Manifold, axis: int, place: float) -> Any:
    """What a plane cuts of a part, as shapely's, in the other two axes in their cyclic order; m."""
    import shapely

    order = _order(axis)
    turned = part.transform(np.column_stack([np.eye(3)[order], np.zeros(3)]))
    rings = [shapely.Polygon(ring) for ring in turned.slice(place).to_polygons() if len(ring) > 2]
    return shapely.normalize(_even_odd(rings))


def _order(axis: int) -> list[int]:
    return [(axis + 1) % 3, (axis + 2) % 3, axis]


def _even_odd(rings: Sequence[Any]) -> Any:
    """Rings as an area: what an odd number of them encloses."""
    import shapely

    area = shapely.Polygon()
    for ring in rings:
        area = area.symmetric_difference(ring)
    return area


def _pins(
    part: Manifold, axis: int, place: float, planes: Sequence[FloatArray], printing: Printing
) -> tuple[tuple[float, float, float], ...]:
    """Places of pins: PINS for each face that two pieces meet in, far apart, material all round and beyond."""
    import shapely

    if printing.pin_diameter == 0.0:
        return ()
    reach, around = _pin_depth(printing) + LAND, 0.5 * (printing.pin_diameter + printing.pin_clearance) + LAND
    # Between these five the part may be narrower still, by little: its faces are flat or bend over far more.
    cuts = [_section(part, axis, place + share * reach) for share in (-1.0, -0.5, 0.0, 0.5, 1.0)]
    free = cuts[0]
    for each in cuts[1:]:
        free = free.intersection(each)
    free, face = free.buffer(-around), cuts[2]
    first, second = _order(axis)[:2]
    for other, vertical in ((first, True), (second, False)):
        for crossing in planes[other]:
            low, high = -1e3, 1e3
            line = [(crossing, low), (crossing, high)] if vertical else [(low, crossing), (high, crossing)]
            free = free.difference(shapely.LineString(line).buffer(around))
            face = face.difference(shapely.LineString(line).buffer(0.01 * MILLIMETRE))
    found = []
    for met in shapely.get_parts(face):
        corners = np.asarray(shapely.get_coordinates(free.intersection(met).simplify(0.05 * MILLIMETRE)))
        for a, b in _far_apart(corners):
            where = [0.0, 0.0, 0.0]
            where[first], where[second], where[axis] = a, b, place
            found.append((where[0], where[1], where[2]))
    return tuple(found)


def _far_apart(corners: FloatArray) -> list[tuple[float, float]]:
    """Of places (N, 2) the PINS that are farthest from one another; none of none."""
    if len(corners) == 0:
        return []
    corners = np.unique(corners.round(7), axis=0)
    apart = np.linalg.norm(corners[:, None] - corners, axis=-1)
    pair = np.unravel_index(apart.argmax(), apart.shape)
    return [(float(x), float(y)) for x, y in corners[sorted({int(k) for k in pair})][:PINS]]


def _pin_depth(printing: Printing) -> float:
    """m, of a hole from the plane: half a pin, and its clearance for glue."""
    return 0.5 * printing.pin_length + printing.pin_clearance


def _hole(axis: int, place: tuple[float, float, float], printing: Printing, chord_error: float) -> Manifold:
    deep = _pin_depth(printing)
    rim = circle(0.5 * (printing.pin_diameter + printing.pin_clearance), chord_error=chord_error)
    order = _order(axis)
    back = np.eye(3)[:, order]
    return prism(rim, -deep, deep).transform(np.column_stack([back, place]))


def _piece(
    mesh: Mesh,
    waveguide: Waveguide,
    printing: Printing,
    joints: Sequence[Joint],
    factor: float,
    chord_error: float,
) -> PrintedPiece:
    corner = mesh.vertices.min(axis=0)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    normal = 0.5 * np.cross(b - a, c - a)
    area = np.linalg.norm(normal, axis=1)
    middle = (a + b + c) / 3.0
    steep = normal[:, 2] < -np.sin(printing.overhang) * area
    down = steep & (np.max([a[:, 2], b[:, 2], c[:, 2]], axis=0) > corner[2] + ON_PLATE)
    down[down] = ~_in_holes(middle[down], joints, printing)
    on_wall = np.zeros(down.size, dtype=bool)
    on_wall[down] = _from_wall(middle[down], waveguide) <= 2.0 * chord_error
    held, held_wall = (float(area[each].sum()) * factor**2 for each in (down, on_wall))
    return PrintedPiece(Mesh((mesh.vertices - corner) * factor, mesh.faces), corner * factor, held, held_wall)


def _in_holes(places: FloatArray, joints: Sequence[Joint], printing: Printing) -> BoolArray:
    """(N,): which of places (N, 3) lie in pins' holes, which are narrow enough to print without support."""
    inside = np.zeros(len(places), dtype=bool)
    around = 0.5 * (printing.pin_diameter + printing.pin_clearance) + _NARROWER
    deep = _pin_depth(printing) + _NARROWER
    for joint in joints:
        for pin in joint.pins:
            along = np.abs(places[:, joint.axis] - joint.place)
            off = np.delete(places - np.array(pin), joint.axis, axis=1)
            inside |= (along <= deep) & (np.hypot(off[:, 0], off[:, 1]) <= around)
    return inside


def _from_wall(places: FloatArray, waveguide: Waveguide) -> FloatArray:
    """m, (N,): how far places (N, 3) are from the waveguide's wall."""
    if not waveguide.is_round:
        return cloud(waveguide.surface).distance(places)
    import shapely

    wall = waveguide.meridian.dense
    line = shapely.LineString(np.column_stack([wall.z, wall.r]))
    points = shapely.points(places[:, 2], np.hypot(places[:, 0], places[:, 1]))
    return np.asarray(shapely.distance(points, line))
