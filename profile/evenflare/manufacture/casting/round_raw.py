"""The raw casting of a round part before it is enlarged, as a half-section."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.casting.raw import Raw, flange_back, opening
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.outline import COINCIDENT, Sizes, body_back, body_outside, outline
from evenflare.manufacture.wall.spacing import rolled
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Body, Meridian, sampled

if TYPE_CHECKING:
    from shapely import Geometry, Polygon

JOINED = 0.1e-6
"""m, by which a filled corner reaches into what it fills."""
_FAR = 10.0


def half_section(
    meridian: Meridian, sizes: Sizes, features: Features, raw: Raw, fillet: float, chord_error: float
) -> FloatArray:
    """The closed outline (M, 2) in (z, r) of a round casting; of the features the seat's hub counts.

    fillet : m, between a shell's outside and its flange. Errors : InputError if it falls apart.
    """
    import shapely
    from shapely.geometry.polygon import orient

    depth = meridian.depth
    wall = rolled(sampled(meridian, chord_error=chord_error), step=5 * DEGREE)
    points = np.column_stack([wall.z, wall.r])
    if sizes.body is None:
        body = _block_or_shell(meridian, sizes, features, raw, points, chord_error)
    else:
        body = _standing(meridian, sizes.body, raw, chord_error)
    if fillet > 0.0:
        body = _filled(body, fillet)
    body = _drafted(body, raw)

    # Seen from behind the bore narrows through what is machined off, and goes on widening before the front.
    slope = raw.slope if raw.forward else 0.0
    low, high = raw.back - _FAR, raw.front + _FAR
    behind = opening(meridian.throat_radius, raw).tolist()
    line = [behind[0], *points.tolist(), (raw.front, meridian.mouth_radius + slope * (raw.front - depth))]
    bore = shapely.Polygon([*line, (high, line[-1][1]), (high, -_FAR), (low, -_FAR), (low, line[0][1])])
    if raw.wall_stock > 0.0:
        bore = bore.difference(shapely.LineString(line).buffer(raw.wall_stock, quad_segs=32))
    if raw.recess is not None:
        _, floor, back = behind
        bore = bore.union(shapely.Polygon([(back[0], -_FAR), (floor[0], -_FAR), floor, back]))
    part = orient(_single(body.difference(bore)))
    ring = np.asarray(part.exterior.coords)[:-1]
    apart = np.hypot(*(ring - np.roll(ring, 1, axis=0)).T)
    return np.asarray(ring[apart > COINCIDENT])


def _block_or_shell(
    meridian: Meridian, sizes: Sizes, features: Features, raw: Raw, points: FloatArray, chord_error: float
) -> Geometry:
    """Without its bore, with the metal on its faces. points : (N, 2), z and r of the wall, m."""
    import shapely

    depth, edge = meridian.depth, 0.5 * sizes.flange_diameter
    finished = outline(meridian, sizes, chord_error=chord_error, features=features)
    air = shapely.Polygon([*points, (depth, 0.0), (0.0, 0.0)])
    # Reaching into the part, so that nothing is left between part and air where they meet.
    air = air.buffer(COINCIDENT, join_style="mitre").intersection(shapely.box(0.0, 0.0, depth, _FAR))
    body = shapely.Polygon(_single(shapely.union(shapely.Polygon(finished), air)).exterior)
    at_throat = float(finished[finished[:, 0] < COINCIDENT, 1].max())
    more = [shapely.box(raw.back, 0.0, 0.0, at_throat), shapely.box(depth, 0.0, raw.front, edge)]
    if sizes.kind == "shell":
        more.append(shapely.box(flange_back(sizes, depth, raw), 0.0, depth, edge))
    return shapely.union_all([body, *more])


def _standing(meridian: Meridian, body: Body, raw: Raw, chord_error: float) -> Geometry:
    """A free-standing body without bore and recess: metal on the flat of its back, all round if it is machined."""
    import shapely

    whole = _filled_up(meridian, body, chord_error)
    if raw.wall_stock > 0.0:
        whole = whole.buffer(raw.wall_stock, quad_segs=32).intersection(shapely.box(-_FAR, 0.0, _FAR, _FAR))
    back, flat = body_back(meridian, body)
    # Reaching into the body, so that nothing is left between them.
    return shapely.union(whole, shapely.box(raw.back, 0.0, COINCIDENT - back, flat))


def _filled_up(meridian: Meridian, body: Body, chord_error: float) -> Polygon:
    """All within a body's outside and its mouth plane."""
    import shapely

    around = body_outside(meridian, body, chord_error=chord_error)
    return shapely.Polygon([(meridian.depth, 0.0), *np.column_stack([around.z, around.r])])


def draft_metal(meridian: Meridian, body: Body, ring: FloatArray, chord_error: float) -> float:
    """m, by which a raw casting's outline (M, 2) stands off the finished body at most, ahead of its back."""
    import shapely

    whole = _filled_up(meridian, body, chord_error)
    beside = ring[ring[:, 0] > -body_back(meridian, body)[0]]
    return float(shapely.distance(whole, shapely.points(beside)).max())


def _filled(body: Polygon, fillet: float) -> Geometry:
    """The body with its concave corners filled to a radius; nothing else of it moves."""
    import shapely

    closed = body.buffer(fillet, quad_segs=32).buffer(-fillet, quad_segs=32)
    corners = [part for part in shapely.get_parts(closed.difference(body)) if part.area > 1e-3 * fillet**2]
    # Sides that meet to rounding only would leave the corners apart.
    return shapely.union_all([body, *(part.buffer(JOINED, join_style="mitre") for part in corners)])


def _drafted(body: Geometry, raw: Raw) -> Geometry:
    """The body and, from every corner of its outside on, the cone of the draft toward the parting line, on its side."""
    import shapely

    rim = np.asarray(_single(body).exterior.coords)
    toward = raw.parting
    cones = [
        shapely.Polygon([(z, 0.0), (toward, 0.0), (toward, r + raw.slope * abs(toward - z)), (z, r)])
        for z, r in rim.tolist()
        if r > COINCIDENT and abs(toward - z) > COINCIDENT
    ]
    return shapely.union_all([body, *cones]) if raw.slope > 0.0 else body


def _single(part: Geometry) -> Polygon:
    """The largest body: what is thinner than a micrometre beside it is rounding."""
    import shapely

    bodies = sorted(shapely.get_parts(part), key=lambda body: float(body.area))
    if len(bodies) > 1 and bodies[-2].area > COINCIDENT * MILLIMETRE:
        places = ", ".join(f"{body.bounds[0] / MILLIMETRE:.4g}" for body in bodies)
        raise InputError(f"[casting] the raw casting falls into bodies from z_mm = {places}. Thicken wall_mm")
    return bodies[-1]
