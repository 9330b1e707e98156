"""The part around an oblong waveguide as a watertight mesh: a block, a shell of even wall with a flange, or a body."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenflare.manufacture.part.bolts import front_places
from evenflare.manufacture.part.boolean import BEYOND, MERGED, as_mesh, body, cut, hub, prism, with_ring
from evenflare.manufacture.part.faults import SolidError
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_shell import layers
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import SMALLEST_LAND
from evenflare.manufacture.part.solid import Mesh, circle
from evenflare.manufacture.wall.grid import (
    Grid,
    Sheet,
    around,
    grid,
    joined_rows,
    lines,
    patches,
    wall_sheets,
)
from evenflare.manufacture.wall.spacing import checked_chord_error
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray
from evenflare.waveguide.cloud import Cloud, azimuth, told
from evenflare.waveguide.oblong_body import OblongBody, Stretch
from evenflare.waveguide.surface import Surface

if TYPE_CHECKING:
    from manifold3d import Manifold

THINNEST_SHELL = 0.25 * MILLIMETRE
"""Half of the thinnest wall that may be asked for: chords of the outside may take from it, no more than that."""
LEFT = 0.99
"""Of the thickness that is asked for, that must be measured, less twice the chord error."""
ROUNDING = 1e-6
"""m, by which a thickness may seem too small: the rounding of its measure."""


@dataclass(frozen=True)
class Thinnest:
    """The least thickness of material in a part, m, and where: z in m, azimuth in rad."""

    thickness: float
    z: float
    azimuth: float


def build_oblong(
    surface: Surface, wall: Cloud, sizes: OblongSizes, *, chord_error: float, features: Features = PLAIN
) -> tuple[Mesh, Thinnest | None]:
    """The solid around an oblong waveguide and its thinnest place.

    block : the waveguide cut into a cuboid or cylinder from the throat plane to the front face. Thickness counts from
            the wall to the sides, the land at the mouth included; at the throat plane the part is a wedge.
    shell : all within `wall` of the waveguide's wall on its outside, and a flange behind the front face, cut off at
            throat plane and front face. Where the wall bends, seen from the air, tighter outward than it is thick, the
            outside is the valley in which the parallels meet. Thickness is measured from the outside to the wall.
    body  : the outside of a free-standing waveguide as it is solved, the driver's recess open through its back. At the
            rim wall and outside meet: there is no thinnest place.
    Every vertex of the wall lies on the exact wall; the wall departs from it by at most `chord_error` (m) between them,
    measured (see grid), and so does the outside of a shell from its parallel, to a tenth of a micrometre, and that of a
    body from the exact one.
    wall     : the cloud of the surface.
    features : fitted to the part.
    Errors   : InputError if there is no such solid, its mesh would be larger than LARGEST_MESH, or, a SolidError, it is
               thinner anywhere than SMALLEST_LAND (block), or than a shell's wall and flange are asked to be, by
               more than the rounding of its outside.
    """
    checked_chord_error(chord_error)
    if sizes.kind == "block":
        return _block(surface, sizes, chord_error, features), _checked(
            _land(wall, sizes), SMALLEST_LAND, "Widen the flange"
        )
    if sizes.body is not None:
        return _body(sizes.body, sizes, features, chord_error), None
    shell, is_wall = _shell(surface, sizes, chord_error, features)
    asked = LEFT * min(sizes.wall, sizes.flange_thickness) - 2.0 * chord_error
    least = max(asked, THINNEST_SHELL)
    return shell, _checked(_thinnest(shell, is_wall, wall, sizes, features), least, "Thicken wall_mm or the flange")


def _checked(thinnest: tuple[float, FloatArray], least: float, remedy: str) -> Thinnest:
    thickness, place = thinnest
    if thickness < least - ROUNDING:
        raise SolidError(
            f"[solid] leaves {thickness / MILLIMETRE:.3g} mm of material at {told(place)}: must be"
            f" {least / MILLIMETRE:.3g} at least. {remedy}",
            places=place,
        )
    return Thinnest(thickness, float(place[2]), azimuth(place))


def _rim(sizes: OblongSizes, chord_error: float) -> FloatArray:
    """The outside of block or flange (M, 2) in (x, y), counter-clockwise."""
    if sizes.flange_diameter is None:
        x, y = 0.5 * (sizes.flange_width or 0.0), 0.5 * (sizes.flange_height or 0.0)
        return np.array([[x, -y], [x, y], [-x, y], [-x, -y]])
    return circle(0.5 * sizes.flange_diameter, chord_error=chord_error)


def ring_faces(rings: FloatArray) -> IntArray:
    """Triangles between rings (R, N, 3) of vertices; they face the axis where the rings follow one another upward."""
    rows, sides = rings.shape[:2]
    row, side = np.divmod(np.arange((rows - 1) * sides), sides)
    after = (side + 1) % sides
    a, b = row * sides + side, (row + 1) * sides + side
    c, d = (row + 1) * sides + after, row * sides + after
    return np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def _block(surface: Surface, sizes: OblongSizes, chord_error: float, features: Features) -> Mesh:
    """Wall, sides, and two plane faces with a hole, sharing their vertices."""
    from manifold3d import triangulate

    wall = around(grid(surface, chord_error=chord_error).points)
    rim, (rows, sides) = _rim(sizes, chord_error), wall.shape[:2]
    low, high = (np.column_stack([rim, np.full(len(rim), z)]) for z in (0.0, surface.depth))
    outer = wall.shape[0] * sides
    vertices = np.concatenate([wall.reshape(-1, 3), low, high])
    side = np.stack([low, high])
    faces = [ring_faces(wall), ring_faces(side)[:, ::-1] + outer]
    for row, start, up in ((0, outer, False), (rows - 1, outer + len(rim), True)):
        hole = np.arange(sides)[::-1] + row * sides
        index = np.concatenate([start + np.arange(len(rim)), hole])
        flat = np.asarray(triangulate([rim, vertices[hole, :2]]), dtype=np.int64)
        faces.append(index[flat if up else flat[:, ::-1]])
    mesh = Mesh(vertices, np.concatenate(faces))
    if features == PLAIN:
        return mesh
    part = with_ring(body(mesh.vertices, mesh.faces), rim, features, chord_error=chord_error)
    part = cut(part, rim, sizes, features, front=surface.depth, chord_error=chord_error)
    return as_mesh(part.simplify(MERGED), 0)[0]


def body_sheets(body: OblongBody) -> list[Sheet]:
    """The smooth stretches of a body's outside, from the rim to where its back is flat."""

    def sheet(stretch: Stretch) -> Sheet:
        return lambda t, psi: Grid(*body.point_at(stretch, psi, t[:, None]))

    return [sheet(stretch) for stretch in body.stretches if stretch != "back"]


def outside_grid(body: OblongBody, *, chord_error: float) -> Grid:
    """A body's outside from the rim to where its back is flat, within `chord_error` (m). Errors : as lines."""
    sheets = body_sheets(body)
    rows, psi = lines(sheets, chord_error=chord_error)
    return joined_rows([sheet(t, psi) for sheet, t in zip(sheets, rows, strict=True)], roll=None)


def _body(outside: OblongBody, sizes: OblongSizes, features: Features, chord_error: float) -> Mesh:
    """Rings up the outside and down the wall, closed by the back and by the throat plane, less recess and holes."""
    sheets = [*wall_sheets(outside.surface), *body_sheets(outside)]
    rows, psi = lines(sheets, chord_error=chord_error)
    rings = joined_rows([sheet(t, psi) for sheet, t in zip(sheets, rows, strict=True)], roll=None).points
    recess = circle(0.5 * features.seat.diameter, chord_error=chord_error)
    part = filled(around(rings)[::-1]) - prism(recess, outside.back - BEYOND, 0.0)
    part = cut(part, recess, sizes, features, front=outside.surface.depth, chord_error=chord_error)
    return as_mesh(part.simplify(MERGED), 0)[0]


def _land(wall: Cloud, sizes: OblongSizes) -> tuple[float, FloatArray]:
    """m and where: the least distance from the wall to the sides of a block."""
    x, y = wall.points[:, 0], wall.points[:, 1]
    if sizes.flange_diameter is not None:
        left = 0.5 * sizes.flange_diameter - np.hypot(x, y)
    else:
        left = np.minimum(0.5 * (sizes.flange_width or 0.0) - x, 0.5 * (sizes.flange_height or 0.0) - y)
    return float(left.min()), wall.points[int(left.argmin())]


def _shell(surface: Surface, sizes: OblongSizes, chord_error: float, features: Features) -> tuple[Mesh, BoolArray]:
    """The mesh, and which of its faces are the waveguide's wall."""
    from manifold3d import Manifold, OpType

    depth = surface.depth
    stretches = patches(surface, chord_error=chord_error, offset=-sizes.wall)
    bodies = [body(*closed(rings)) for rings in layers(stretches, sizes.wall, chord_error=chord_error)]
    skin = Manifold.batch_boolean(bodies, OpType.Add)
    skin = skin.trim_by_plane((0.0, 0.0, 1.0), 0.0).trim_by_plane((0.0, 0.0, -1.0), -depth)
    rim = _rim(sizes, chord_error)
    whole = skin + prism(rim, depth - sizes.flange_thickness, depth)
    if features.seat.is_cut:
        whole = whole + hub(features, wall=sizes.wall, chord_error=chord_error)
    bore = filled(around(joined_rows(stretches, roll=None).points)).as_original()
    part = cut(whole - bore, rim, sizes, features, front=depth, chord_error=chord_error)
    return as_mesh(part.simplify(MERGED), bore.original_id())


def filled(rings: FloatArray) -> Manifold:
    """The body within rings (R, N, 3), closed by a plane at either end."""
    from manifold3d import triangulate

    rows, sides = rings.shape[:2]
    faces = [ring_faces(rings)[:, ::-1]]
    for row, up in ((0, False), (rows - 1, True)):
        flat = np.asarray(triangulate([rings[row, :, :2]]), dtype=np.int64)
        faces.append((flat if up else flat[:, ::-1]) + row * sides)
    return body(rings.reshape(-1, 3), np.concatenate(faces))


def closed(rings: FloatArray) -> tuple[FloatArray, IntArray]:
    """Vertices and triangles of a body whose cross-section runs round `rings` (R, N, 3)."""
    rows, sides = rings.shape[:2]
    faces = ring_faces(np.concatenate([rings, rings[:1]])) % (rows * sides)
    return rings.reshape(-1, 3), faces


def _thinnest(
    shell: Mesh, is_wall: BoolArray, wall: Cloud, sizes: OblongSizes, features: Features
) -> tuple[float, FloatArray]:
    """m and where: the least distance to the wall from the outside of a shell, met at its vertices and centroids.

    The outside is all but the wall, the throat plane, the front face and the front's holes, which keep a land of their
    own.
    """
    z = shell.vertices[:, 2][shell.faces]
    level = (np.ptp(z, axis=1) <= ROUNDING) & ((z[:, 0] <= ROUNDING) | (z[:, 0] >= z.max() - ROUNDING))
    outside = shell.faces[~is_wall & ~level]
    places = np.concatenate([shell.vertices[np.unique(outside)], shell.vertices[outside].mean(axis=1)])
    for hole in front_places(sizes, features.front):
        places = places[np.hypot(*(places[:, :2] - hole).T) > 0.5 * features.front.widest + ROUNDING]
    distance = wall.distance(places, below=2.0 * sizes.wall)
    return float(distance.min()), places[int(distance.argmin())]
