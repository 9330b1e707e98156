"""The pattern that a casting is moulded from: allowance on machined faces and draft outside, at casting size; then all
of it enlarged by the contraction. The waveguide's wall is enlarged and never otherwise changed, unless it is machined:
then it has the allowance on it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.casting.casting import face_allowance, pattern_factor
from evenflare.manufacture.casting.core import Core, core_mesh, core_of, with_core
from evenflare.manufacture.casting.draft import Zone, draft_zones
from evenflare.manufacture.casting.oblong_raw import oblong_raw
from evenflare.manufacture.casting.raw import Raw, flange_back, inlet
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import COINCIDENT, Sizes, outline
from evenflare.manufacture.part.rings import outside_of
from evenflare.manufacture.part.solid import Mesh, revolved, volume
from evenflare.manufacture.process.types import Casting, DriverSeat
from evenflare.manufacture.wall.spacing import checked_chord_error, rolled
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Meridian, Waveguide, sampled

if TYPE_CHECKING:
    from shapely import Geometry, Polygon

SMALLEST_RECESS = 1 * MILLIMETRE
"""A driver's recess that would be cast shallower is left to be machined."""
JOINED = 0.1e-6
"""m, by which a filled corner reaches into what it fills."""
_FAR = 10.0


@dataclass(frozen=True)
class Pattern:
    """A pattern and what was assumed; lengths in m.

    mesh          : at pattern size; z = 0 is the finished throat plane, on the axis.
    factor        : pattern over casting.
    allowance     : on the front, the seat and, of a shell, the back of the flange.
    fillet        : radius between a shell's outside and its flange.
    back, front   : z of the raw casting's ends.
    behind, ahead : by which the outside is larger than finished at those ends, for draft.
    recess        : diameter and depth of the driver's recess as cast; None: it is machined from the solid.
    zones         : of the wall, below the draft angle.
    volume        : m3, of the casting.
    core          : that forms the throat, at casting size; None without a print. The mesh is then solid there.
    core_mesh     : the same at pattern size, for the core box; None without.
    wall_stock    : on the waveguide's wall along its normal, where that is machined.
    outline       : (M, 2), z and r of a round casting; None of an oblong one.
    """

    mesh: Mesh
    factor: float
    casting: Casting
    sizes: Sizes | OblongSizes
    allowance: float
    fillet: float
    back: float
    front: float
    behind: float
    ahead: float
    recess: tuple[float, float] | None
    zones: tuple[Zone, ...]
    volume: float
    core: Core | None = None
    core_mesh: Mesh | None = None
    wall_stock: float = 0.0
    outline: FloatArray | None = None

    def bore_radius(self, z: float) -> float:
        """m, of a round casting's bore at a depth (m), as cast."""
        import shapely

        assert self.outline is not None  # of a round one
        cut = shapely.Polygon(self.outline).intersection(shapely.LineString([(z, 0.0), (z, _FAR)]))
        return float(cut.bounds[1])


def build_pattern(
    waveguide: Waveguide,
    sizes: Sizes | OblongSizes,
    casting: Casting,
    *,
    chord_error: float,
    seat: DriverSeat | None = None,
    fillet: float | None = None,
) -> Pattern:
    """The pattern of a part.

    The parting line runs round the outside where it is widest, at the raw front face (pull to the front) or the raw
    back (to the back). Bolt holes are not cast. Beyond throat and mouth plane the bore runs on at the draft angle
    through what is machined off.
    chord_error : m, of the wall at pattern size.
    seat        : the driver's, fitted to the part; a shell carries it on a hub. None or 0 deep: the seat is the throat
                  plane.
    fillet      : m, between a shell's outside and its flange; None: as the wall is thick. Less, or none, where there is
                  no room for it.
    Errors      : InputError as outline and face_allowance; if the part is a free-standing body, or a shell pulled to
                  the back, or the recess is wider than the part; if the wall of an oblong part is machined,
                  or one with a core, or its allowance closes the throat.
    """
    factor = pattern_factor(casting)
    chord_error = checked_chord_error(chord_error) / factor
    half, seat = 0.5 * chord_error, seat or DriverSeat()
    _check(waveguide, sizes, casting, seat)
    depth = waveguide.meridian.depth if waveguide.is_round else waveguide.surface.depth
    outside = outside_of(sizes, chord_error=half)
    height = depth + seat.depth
    allowance = face_allowance(casting, largest=max(*outside.size, height), height=height)
    slope = float(np.tan(casting.draft))
    back, front = -seat.depth - allowance, depth + allowance
    throat = waveguide.meridian.throat_radius if waveguide.is_round else waveguide.surface.throat_radius
    stock = allowance if casting.wall == "machined" else 0.0
    if stock > 0.5 * throat:
        raise InputError(
            f'[casting] wall = "machined": {allowance / MILLIMETRE:.2f} mm of allowance on the wall leave less than'
            f" half of the throat's radius, {throat / MILLIMETRE:.2f} mm. Write a smaller machining_allowance_mm"
        )
    raw = Raw(back, front, allowance, slope, casting.pull == "front", _recess(seat, allowance, slope, throat), stock)
    ring, features = None, Features(seat=seat)
    if isinstance(sizes, OblongSizes):
        mesh, fillet = oblong_raw(
            waveguide.surface, sizes, features, raw, fillet=sizes.wall if fillet is None else fillet, chord_error=half
        )
    else:
        spread = 0.5 * (sizes.flange_diameter - 2.0 * float(waveguide.meridian.dense.r.max()))
        fillet = min(sizes.wall if fillet is None else fillet, 0.5 * spread) if sizes.kind == "shell" else 0.0
        ring = _half_section(waveguide.meridian, sizes, features, raw, fillet, half)
        mesh = revolved(ring, chord_error=half)
    zones = draft_zones(waveguide, draft=casting.draft, pull=casting.pull)
    metal, core, inner = volume(mesh), None, None
    if casting.core_print > 0.0:
        core = core_of(
            waveguide.meridian,
            zones,
            back=back,
            inlet=inlet(throat, back, raw),
            length=casting.core_print,
            chord_error=half,
        )
        assert ring is not None  # oblong ones are refused
        sides = len(mesh.vertices) // len(ring)
        mesh, inner = with_core(mesh, core, sides=sides), core_mesh(core, sides=sides)
    return Pattern(
        mesh=Mesh(mesh.vertices * factor, mesh.faces),
        factor=factor,
        casting=casting,
        sizes=sizes,
        allowance=allowance,
        fillet=fillet,
        back=back,
        front=front,
        behind=raw.outward(back) if sizes.kind == "block" else 0.0,
        ahead=raw.outward(front) - (raw.outward(flange_back(sizes, depth, raw)) if sizes.kind == "shell" else 0.0),
        recess=None if raw.recess is None else (2.0 * raw.recess[0], raw.recess[1]),
        zones=zones,
        volume=metal,
        core=core,
        core_mesh=None if inner is None else Mesh(inner.vertices * factor, inner.faces),
        wall_stock=stock,
        outline=ring,
    )


def _check(waveguide: Waveguide, sizes: Sizes | OblongSizes, casting: Casting, seat: DriverSeat) -> None:
    start = f'[solid] kind = "{sizes.kind}":'
    if sizes.kind == "body":
        raise InputError(f'{start} patterns of free-standing bodies are not made yet. Write kind = "block" or "shell"')
    if sizes.kind == "shell" and casting.pull == "back":
        raise InputError(
            '[casting] pull = "back": a shell is widest at its front and does not draw that way. Write pull = "front"'
        )
    if casting.wall == "machined" and (not waveguide.is_round or casting.core_print > 0.0):
        raise InputError(
            '[casting] wall = "machined": patterns with metal on the wall are for round parts without a core print.'
            ' Write wall = "as_cast" and agree with the pattern-maker on the metal to add, or leave core_print_mm out'
        )
    if casting.core_print > 0.0 and (not waveguide.is_round or seat.depth > 0.0):
        raise InputError(
            f"[casting] core_print_mm = {casting.core_print / MILLIMETRE:g}: prints are made for round parts without a"
            " cast seat. Leave it out, or leave the seat's depth out and machine it"
        )
    if seat.depth > 0.0:
        least = min(outside_of(sizes, chord_error=1e-4).size)
        if seat.diameter >= least:
            raise InputError(
                f"{seat.stated}diameter_mm = {seat.diameter / MILLIMETRE:g}: must be below the block's outside,"
                f" {least / MILLIMETRE:.4g}. Make the flange larger, or the seat smaller"
            )


def _recess(seat: DriverSeat, allowance: float, slope: float, throat: float) -> tuple[float, float] | None:
    """Radius at its floor and depth (m) of the recess as cast; the metal grows into it from floor and side."""
    depth = seat.depth  # between two faces that both move back
    radius = 0.5 * seat.diameter - allowance - slope * depth
    return (radius, depth) if depth > SMALLEST_RECESS and radius > throat + SMALLEST_RECESS else None


def _half_section(
    meridian: Meridian, sizes: Sizes, features: Features, raw: Raw, fillet: float, chord_error: float
) -> FloatArray:
    """The closed outline (M, 2) in (z, r) of a round casting; of the features the seat's hub counts."""
    import shapely
    from shapely.geometry.polygon import orient

    depth, edge = meridian.depth, 0.5 * sizes.flange_diameter
    finished = outline(meridian, sizes, chord_error=chord_error, features=features)
    wall = rolled(sampled(meridian, chord_error=chord_error), step=5 * DEGREE)
    points = np.column_stack([wall.z, wall.r])
    air = shapely.Polygon([*points, (depth, 0.0), (0.0, 0.0)])
    # Reaching into the part, so that nothing is left between part and air where they meet.
    air = air.buffer(COINCIDENT, join_style="mitre").intersection(shapely.box(0.0, 0.0, depth, _FAR))
    body = shapely.Polygon(_single(shapely.union(shapely.Polygon(finished), air)).exterior)
    at_throat = float(finished[finished[:, 0] < COINCIDENT, 1].max())
    more = [shapely.box(raw.back, 0.0, 0.0, at_throat), shapely.box(depth, 0.0, raw.front, edge)]
    if sizes.kind == "shell":
        more.append(shapely.box(flange_back(sizes, depth, raw), 0.0, depth, edge))
    body = shapely.union_all([body, *more])
    if fillet > 0.0:
        body = _filled(body, fillet)
    body = _drafted(body, raw)

    # Seen from behind the bore narrows through what is machined off, and goes on widening before the front.
    slope = raw.slope if raw.forward else 0.0
    low, high = raw.back - _FAR, raw.front + _FAR
    opened = inlet(meridian.throat_radius, raw.back, raw)
    line = [(raw.back, opened), *points, (raw.front, meridian.mouth_radius + slope * raw.allowance)]
    bore = shapely.Polygon([*line, (high, line[-1][1]), (high, -_FAR), (low, -_FAR), (low, opened)])
    if raw.wall_stock > 0.0:
        bore = bore.difference(shapely.LineString(line).buffer(raw.wall_stock, quad_segs=32))
    if raw.recess is not None:
        radius, deep = raw.recess
        floor = raw.back + deep
        opening = radius + raw.slope * deep * (1.0 if raw.forward else 0.0)
        bore = bore.union(shapely.Polygon([(raw.back, -_FAR), (floor, -_FAR), (floor, radius), (raw.back, opening)]))
    part = orient(_single(body.difference(bore)))
    ring = np.asarray(part.exterior.coords)[:-1]
    apart = np.hypot(*(ring - np.roll(ring, 1, axis=0)).T)
    return np.asarray(ring[apart > COINCIDENT])


def _filled(body: Polygon, fillet: float) -> Geometry:
    """The body with its concave corners filled to a radius; nothing else of it moves."""
    import shapely

    closed = body.buffer(fillet, quad_segs=32).buffer(-fillet, quad_segs=32)
    corners = [part for part in shapely.get_parts(closed.difference(body)) if part.area > 1e-3 * fillet**2]
    # Sides that meet to rounding only would leave the corners apart.
    return shapely.union_all([body, *(part.buffer(JOINED, join_style="mitre") for part in corners)])


def _drafted(body: Geometry, raw: Raw) -> Geometry:
    """The body and, from every corner of its outside on, the cone of the draft toward the parting line."""
    import shapely

    rim = np.asarray(_single(body).exterior.coords)
    toward = raw.front if raw.forward else raw.back
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
