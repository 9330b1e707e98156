"""The raw casting of a block or shell around an oblong waveguide, before it is enlarged, as bodies joined and cut."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from evenflare.manufacture.casting.core import Core, cored
from evenflare.manufacture.casting.oblong_standing import standing
from evenflare.manufacture.casting.oblong_stock import on_outside, on_wall, straight_on
from evenflare.manufacture.casting.raw import Raw, flange_back, inlet
from evenflare.manufacture.part.boolean import MERGED, as_mesh, body, prism
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_shell import layers
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.oblong_solid import body_sheets, closed, filled
from evenflare.manufacture.part.outline import COINCIDENT
from evenflare.manufacture.part.rings import Outline, circle, outside_of, reach
from evenflare.manufacture.part.solid import Mesh
from evenflare.manufacture.wall.grid import around, joined_rows, lines, patches, wall_sheets
from evenflare.manufacture.wall.parallel import at_heights, course, crosses_once
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.surface import Surface

if TYPE_CHECKING:
    from manifold3d import Manifold

LEVEL = 1 * MILLIMETRE
"""Between the sections of a shell's outside at which its draft is looked at."""
CLEAR = 1 * MILLIMETRE
"""m, by which what is cut out reaches beyond the casting."""
SMALLEST_FILLET = 0.5 * MILLIMETRE
FILLET_STEPS = 12
"""Chords of a fillet's quarter of a circle or less: the arc of 6 mm departs from them by 0.01 mm."""
BURIED = 0.05 * MILLIMETRE
"""m, by which a fillet reaches into what it fills the corner of."""
AROUND = 720
"""Corners of a section: their chords stray from one of 100 mm by 0.001 mm."""
_COLUMNS = 97


class OblongRaw(NamedTuple):
    """A raw casting at casting size; lengths in m.

    fillet        : radius between a shell's outside and its flange.
    drafted       : the most metal that draft leaves on a body's outside.
    pattern, core : where a core is set the casting is not the pattern, which is solid there and has the print.
    """

    casting: Mesh
    fillet: float
    drafted: float
    pattern: Mesh
    core: Mesh | None


def oblong_raw(
    surface: Surface,
    sizes: OblongSizes,
    features: Features,
    raw: Raw,
    core: Core | None,
    *,
    fillet: float,
    chord_error: float,
) -> OblongRaw:
    """The raw casting of an oblong part.

    fillet : m, asked for. chord_error : m, of outlines and along the wall.
    Errors : SolidError if it falls apart.
    """
    rim, made, left = outside_of(sizes, chord_error=chord_error), 0.0, 0.0
    sheets = wall_sheets(surface)
    if sizes.body is not None:
        # With the same columns: wall and outside share the corners of the rim.
        every = [*sheets, *body_sheets(sizes.body)]
        rows, psi = lines(every, chord_error=2.0 * chord_error, offsets=(0.0, raw.wall_stock))
        grids = [sheet(t, psi) for sheet, t in zip(every, rows, strict=True)]
        wall = joined_rows(grids[: len(sheets)], roll=None).points
        outside = np.concatenate([wall[-1:], joined_rows(grids[len(sheets) :], roll=None).points[1:]])
        if raw.wall_stock > 0.0:
            outside = on_outside(grids[len(sheets) :], raw.wall_stock)
        whole, left = standing(sizes.body, outside, raw, psi)
    else:
        wall = joined_rows(patches(surface, chord_error=2.0 * chord_error), roll=None).points
        if sizes.kind == "block":
            whole = _drafted(rim, sizes, raw, raw.back)
        else:
            whole, made = _shell(surface, sizes, features, raw, rim, fillet=fillet, chord_error=chord_error)
    air = _bore(surface, raw, around(wall), chord_error)
    casting = as_mesh((whole - air).simplify(MERGED), 0)[0]
    pattern, inner = (casting, None) if core is None else cored(whole, air, core, chord_error=chord_error)
    return OblongRaw(casting, made, left - raw.wall_stock if sizes.body else 0.0, pattern, inner)


def _level(points: FloatArray, z: float) -> FloatArray:
    return np.column_stack([points, np.full(len(points), z)])[None]


def _drafted(outside: Outline, sizes: OblongSizes, raw: Raw, low: float) -> Manifold:
    """Block or flange from a height up to the raw front, wider by the draft toward the parting line."""

    def widened(z: float) -> FloatArray:
        by = raw.outward(z) - (raw.outward(low) if raw.forward else 0.0)
        if sizes.flange_diameter is None:
            return np.asarray(outside.points + by * np.sign(outside.points))
        return np.asarray(outside.points * (1.0 + by / (0.5 * sizes.flange_diameter)))

    return filled(np.concatenate([_level(widened(z), z) for z in (low, raw.front)]))


def _bore(surface: Surface, raw: Raw, rings: FloatArray, chord_error: float) -> Manifold:
    """The air: the waveguide's, within the wall's rings (R, N, 3), on at the draft angle through what is machined off
    at either end, and the recess.
    """
    from manifold3d import Manifold, OpType

    throat, mouth = rings[0, :, :2], rings[-1, :, :2]
    out, beside = (ring / np.linalg.norm(ring, axis=1, keepdims=True) for ring in (throat, mouth))
    slope, rows = raw.slope if raw.forward else 0.0, [rings]
    floor = raw.back if raw.recess is None else raw.back + raw.recess[1]
    opened = inlet(surface.throat_radius, floor, raw)
    if floor < -COINCIDENT:
        rows.insert(0, _level(opened * out, floor))
    rows.insert(0, _level(opened * out, floor - CLEAR))
    ahead, more = mouth, raw.front - surface.depth
    if more > COINCIDENT:
        ahead = mouth + slope * more * beside
        rows.append(_level(ahead, raw.front))
    rows.append(_level(ahead, raw.front + CLEAR))
    air = filled(np.concatenate(rows))
    if raw.wall_stock > 0.0:
        air -= _machined(surface, raw, (rows[0], rows[-1]), chord_error)
    if raw.recess is not None:
        radius, deep = raw.recess
        opening = radius + raw.slope * deep * (1.0 if raw.forward else 0.0)
        ring = circle(1.0, chord_error=chord_error / opening).points
        ends = ((opening, raw.back - CLEAR), (opening, raw.back), (radius, floor))
        recess = [_level(size * ring, z) for size, z in ends]
        air = Manifold.batch_boolean([air, filled(np.concatenate(recess))], OpType.Add)
    return air


def _machined(surface: Surface, raw: Raw, ends: tuple[FloatArray, FloatArray], chord_error: float) -> Manifold:
    """What of the air is metal that is machined off, along the wall and on along what the bore goes on with, to its
    ends (1, N, 3).
    """
    from manifold3d import Manifold, OpType

    stock, slope = raw.wall_stock, raw.slope if raw.forward else 0.0
    stretches = patches(surface, chord_error=2.0 * chord_error, offset=stock)
    behind, ahead = (float(ring[0, 0, 2]) for ring in ends)
    radius = inlet(surface.throat_radius, behind, raw)
    throat, mouth = stretches[0].points[0], stretches[-1].points[-1]
    low, high = throat * (radius / surface.throat_radius), mouth.copy()
    high[:, :2] *= 1.0 + slope * (ahead - surface.depth) / np.linalg.norm(mouth[:, :2], axis=1, keepdims=True)
    low[:, 2], high[:, 2] = behind, ahead
    every = [straight_on(stretches[0], 0, low), *stretches, straight_on(stretches[-1], -1, high)]
    return Manifold.batch_boolean(on_wall(every, stock, chord_error=2.0 * chord_error), OpType.Add)


def _shell(
    surface: Surface,
    sizes: OblongSizes,
    features: Features,
    raw: Raw,
    rim: Outline,
    *,
    fillet: float,
    chord_error: float,
) -> tuple[Manifold, float]:
    """A shell without its bore, and the fillet."""
    from manifold3d import Manifold, OpType

    depth, ledge = surface.depth, flange_back(sizes, surface.depth, raw)
    stretches = patches(surface, chord_error=2.0 * chord_error, offset=-sizes.wall)
    bodies = [body(*closed(rings)) for rings in layers(stretches, sizes.wall, chord_error=2.0 * chord_error)]
    # With the air in it: the bore is cut out of all of it together.
    bodies.append(filled(around(joined_rows(stretches, roll=None).points)))
    skin = Manifold.batch_boolean(bodies, OpType.Add)
    skin = skin.trim_by_plane((0.0, 0.0, 1.0), 0.0).trim_by_plane((0.0, 0.0, -1.0), -depth)
    parts = [skin, _drafted(rim, sizes, raw, ledge), *_toward_front(skin, raw, ledge)]
    if features.seat.is_cut:
        radius, top = features.hub(sizes.wall)
        ring = circle(radius, chord_error=chord_error).points
        parts.append(prism(ring, raw.back, top))
        parts += [_cone(ring, raw, raw.back)] if raw.slope > 0.0 else []
    elif raw.back < -COINCIDENT:
        foot = _section(skin, COINCIDENT)
        parts.append(prism(foot, raw.back, 2.0 * COINCIDENT))
        parts += [_cone(foot, raw, raw.back)] if raw.slope > 0.0 else []
    made, corner = _fillet(surface, sizes, rim, ledge, fillet)
    return Manifold.batch_boolean([*parts, *corner], OpType.Add), made


def _section(skin: Manifold, z: float) -> FloatArray:
    """(N, 2), m: the outside of a body at a height, seen from the axis all round."""
    turn = 2.0 * np.pi * np.arange(AROUND) / AROUND
    far = reach(Outline(np.asarray(max(skin.slice(z).to_polygons(), key=len), dtype=np.float64)), turn)
    return np.asarray(far[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]))


def _cone(ring: FloatArray, raw: Raw, z: float) -> Manifold:
    """From an outline at a height to the raw front, wider all round by the draft."""
    return filled(np.concatenate([_level(ring, z), _level(_moved(ring, raw.slope * (raw.front - z)), raw.front)]))


def _moved(ring: FloatArray, by: float) -> FloatArray:
    """An outline (N, 2), counter-clockwise, each corner moved outward along its normal."""
    along = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    normal = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    return np.asarray(ring + by * normal)


def _toward_front(skin: Manifold, raw: Raw, ledge: float) -> list[Manifold]:
    """The cones of the draft from where a shell's outside opens toward the front by less than that."""
    import shapely

    if raw.slope == 0.0:
        return []
    heights = np.maximum(np.linspace(0.0, ledge, 2 + max(0, int(ledge / LEVEL)))[:-1], COINCIDENT).tolist()
    sections = [(z, _section(skin, z)) for z in heights]
    found = []
    for (low, ring), (high, then) in itertools.pairwise(sections):
        needed = shapely.Polygon(_moved(ring, raw.slope * (high - low)))
        if needed.difference(shapely.Polygon(then)).area > COINCIDENT * needed.length:
            found.append(_cone(ring, raw, low))
    return found


def _fillet(
    surface: Surface, sizes: OblongSizes, rim: Outline, ledge: float, asked: float
) -> tuple[float, list[Manifold]]:
    """The fillet between a shell's outside and its flange's back: its radius (m), and the body of a ball's path there,
    within the ball's touch on either side. None where the ball does not come down between them.
    """
    import shapely

    psi = np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    radius = min(asked, 0.5 * ledge)
    while radius >= SMALLEST_FILLET:
        centres = _centres(surface, sizes.wall + radius, ledge - radius, psi)
        if centres is not None:
            places, normals = centres
            foot = shapely.Polygon(around(places)[0, :, :2])
            # The flange's back stays flat beside it.
            if foot.buffer(SMALLEST_FILLET).within(shapely.Polygon(rim.points)):
                return radius, [_filled_corner(places, normals, ledge, radius, within=0.5 * sizes.wall)]
        radius *= 0.5
    return 0.0, []


def _centres(surface: Surface, away: float, height: float, psi: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Where a ball stands that touches the outside, `away` from the wall in all, at a height, and the wall's normals
    there, (1, C, 3); None: it comes down to no such place everywhere.
    """
    if not crosses_once(course(surface, away), height):
        return None
    points, normals, _ = at_heights(surface, away, np.full((1, psi.size), height), psi)
    for values in (points, normals):
        values[:, 0, 1], values[:, -1, 0] = 0.0, 0.0
    return points, normals


def _filled_corner(centres: FloatArray, normals: FloatArray, ledge: float, radius: float, *, within: float) -> Manifold:
    """A body along the corner: the ball's arc from the outside to the flange, and back within both of them."""
    up = np.array([0.0, 0.0, 1.0])
    turn = np.arccos(np.clip(np.sum(normals * up, axis=-1), -1.0, 1.0))[..., None]
    share = np.linspace(0.0, 1.0, FILLET_STEPS + 1)[:, None, None]
    arc = centres + radius * (np.sin((1.0 - share) * turn) * normals + np.sin(share * turn) * up) / np.sin(turn)
    # What is nearer to the axis than the outside is shell, or the air that is cut out after this.
    inside = arc[:1] + within * normals
    inside[..., 2] = ledge + BURIED
    way = np.concatenate([arc, arc[-1:] + BURIED * up, inside, arc[:1] + BURIED * normals])
    return body(*closed(around(way)[::-1]))
