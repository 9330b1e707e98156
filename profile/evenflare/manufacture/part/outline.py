"""The half-section of the part to be made: a closed outline in (z, r) with the waveguide's wall as its inside."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.faults import SolidError, places_in
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.wall.spacing import parallel, rolled
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Body, Frame, Meridian, joined, sampled
from evenflare.waveguide.body import dense, outside
from evenflare.waveguide.meridian import sampled_pieces

if TYPE_CHECKING:
    from shapely import Geometry, Polygon

KINDS = ("block", "shell", "body")
DEFAULT_WALL = 6 * MILLIMETRE
DEFAULT_FLANGE_WIDTH = 20 * MILLIMETRE
DEFAULT_FLANGE_THICKNESS = 10 * MILLIMETRE
DEFAULT_BOLTS = 8
"""Defaults: common practice for timber and cast parts of this size, no source."""
SMALLEST_LAND = 1 * MILLIMETRE
"""Material that must be left around the mouth."""
SMALLEST_THICKNESS = 0.5 * MILLIMETRE
FLAT = 1e-6
"""m, within which a body's back is flat."""
COINCIDENT = 1e-6
"""m; outline points nearer to each other are one: closer ones would fall together in a mesh file's single precision."""


Outside = TypeVar("Outside")


class SolidChoice(Protocol):
    """What a design says about its solid: m; None takes the default."""

    @property
    def kind(self) -> str:
        """ "block", "shell" or "body"."""
        ...

    @property
    def wall(self) -> float | None:
        """m, a shell's thickness, or that of the disc which closes a body's back."""
        ...

    @property
    def flange_diameter(self) -> float | None:
        """m, also the diameter of a block."""
        ...

    @property
    def flange_width(self) -> float | None:
        """m along x, of a rectangular flange or block; of an oblong waveguide only."""
        ...

    @property
    def flange_height(self) -> float | None:
        """m along y, likewise."""
        ...

    @property
    def flange_thickness(self) -> float | None:
        """m, of a shell's flange behind the front face."""
        ...

    @property
    def bolt_circle(self) -> float | None:
        """m, diameter."""
        ...

    @property
    def bolts(self) -> int | None:
        """How many of the flange's bolts are drawn; they are not cut."""
        ...

    @property
    def front_bolts(self) -> int | None:
        """How many holes the front has; with any the flange's bolts are none by default."""
        ...


@dataclass(frozen=True)
class Sizes:
    """A solid with every size settled, m. The flange's bolt holes are drilled, and stand in no mesh.

    body : what a waveguide that stands free is outside, of kind "body"; its flange is its widest place.
    """

    kind: str
    wall: float
    flange_diameter: float
    flange_thickness: float
    bolt_circle: float
    bolts: int
    body: Body | None = None


def solid_sizes(meridian: Meridian, solid: SolidChoice, *, body: Body | None = None) -> Sizes:
    """The sizes of a solid around a waveguide; what is None takes its default. body : of one that stands free.

    Defaults: wall 6 mm, flange 40 mm wider than the mouth and 10 mm thick (the depth if that is less), eight bolts
    midway between mouth and flange edge (common practice, no source).
    Errors: InputError for a size with which there is no such solid.
    """
    if solid.kind not in KINDS:
        raise InputError(f"[solid] kind = {solid.kind!r}: must be one of {', '.join(KINDS)}")
    if solid.kind == "body":
        return _body_sizes(meridian, solid, body)
    for key, given in (("flange_width_mm", solid.flange_width), ("flange_height_mm", solid.flange_height)):
        if given is not None:
            raise InputError(
                f"[solid] {key} = {given / MILLIMETRE:.6g}: belongs to an oblong waveguide; the flange of a round one"
                " is round. Leave it out, or write flange_diameter_mm"
            )
    widest, depth = 2 * float(meridian.dense.r.max()), meridian.depth
    wall = DEFAULT_WALL if solid.wall is None else solid.wall
    flange = widest + 2 * DEFAULT_FLANGE_WIDTH if solid.flange_diameter is None else solid.flange_diameter
    thickness = min(DEFAULT_FLANGE_THICKNESS, depth) if solid.flange_thickness is None else solid.flange_thickness
    circle = 0.5 * (2 * meridian.mouth_radius + flange) if solid.bolt_circle is None else solid.bolt_circle
    bolts = bolt_count(solid)

    within("wall_mm", wall, SMALLEST_THICKNESS, 1.0, "a shell's thickness")
    within("flange_thickness_mm", thickness, SMALLEST_THICKNESS, depth, "the waveguide's depth")
    land = wall if solid.kind == "shell" else SMALLEST_LAND
    what = "the mouth and twice the wall" if solid.kind == "shell" else "the mouth and a land of 1 mm"
    if solid.kind == "shell" and solid.flange_diameter is None and flange < widest + 2 * wall - 1e-9:
        raise InputError(
            f"[solid] wall_mm = {wall / MILLIMETRE:.6g}: must be at most {DEFAULT_FLANGE_WIDTH / MILLIMETRE:g} while"
            f" flange_diameter_mm has its default, {flange / MILLIMETRE:.6g}. Lower it, or write flange_diameter_mm ="
            f" {np.ceil((widest + 2 * wall) / MILLIMETRE):g} or more"
        )
    within("flange_diameter_mm", flange, widest + 2 * land, 10.0, f"at least {what}")
    if bolts < 0:
        raise InputError(f"[solid] bolts = {bolts}: must be 0 or more")
    if bolts > 0:
        within("bolt_circle_mm", circle, 2 * meridian.mouth_radius, flange, "between mouth and flange edge")
    return Sizes(solid.kind, wall, flange, thickness, circle, bolts)


def bolt_count(solid: SolidChoice) -> int:
    """How many of the flange's bolts are drawn: as stated, else by default, or none where the front has its holes."""
    if solid.bolts is not None:
        return solid.bolts
    return 0 if solid.front_bolts else DEFAULT_BOLTS


def _body_sizes(meridian: Meridian, solid: SolidChoice, body: Body | None) -> Sizes:
    around, disc = free_standing(body), body_disc(solid)
    widest = 2.0 * float(dense(outside(meridian, around)).r.max())
    return Sizes("body", disc, widest, meridian.depth, 0.0, 0, around)


def free_standing(body: Outside | None) -> Outside:
    """What a waveguide that stands free is outside; InputError for one that has none."""
    if body is None:
        raise InputError(
            '[solid] kind = "body": takes its outside from the mounting, which must be kind = "free_standing". Write'
            ' that with its sizes in [mounting], or kind = "block" or "shell"'
        )
    return body


def body_disc(solid: SolidChoice) -> float:
    """m, thickness of the disc that closes a body's back. InputError for sizes that no body has."""
    given = {
        "flange_diameter_mm": solid.flange_diameter,
        "flange_width_mm": solid.flange_width,
        "flange_height_mm": solid.flange_height,
        "flange_thickness_mm": solid.flange_thickness,
        "bolt_circle_mm": solid.bolt_circle,
        "bolts": solid.bolts or None,
    }
    for key, value in given.items():
        if value is not None:
            raise InputError(f'[solid] {key}: does not belong to kind = "body", which has no flange. Leave it out')
    disc = DEFAULT_WALL if solid.wall is None else solid.wall
    within("wall_mm", disc, SMALLEST_THICKNESS, 1.0, "thickness of the disc that closes the back")
    return disc


def body_back(meridian: Meridian, body: Body) -> tuple[float, float]:
    """m: how far a body's back lies behind the throat plane, and the radius up to which it is flat."""
    around = dense(outside(meridian, body))
    low = float(around.z.min())
    return -low, float(around.r[around.z <= low + FLAT].max())


def body_outside(meridian: Meridian, body: Body, *, chord_error: float) -> Frame:
    """The outside from the mouth's rim round the back to the axis, its chords within `chord_error` (m)."""
    return joined(sampled_pieces(outside(meridian, body), chord_error=chord_error))


def within(key: str, value: float, low: float, high: float, what: str) -> None:
    """InputError unless a size of [solid] lies within a range, all in m."""
    if not low - 1e-9 <= value <= high + 1e-9:
        raise InputError(
            f"[solid] {key} = {value / MILLIMETRE:.6g}: must be {low / MILLIMETRE:.6g} to {high / MILLIMETRE:.6g}"
            f" ({what}). Change it, or leave it out for the default"
        )


def outline(meridian: Meridian, sizes: Sizes, *, chord_error: float, features: Features = PLAIN) -> FloatArray:
    """The closed outline (M, 2) in (z, r), m, counter-clockwise, without the first point again at its end.

    block : the waveguide cut into a cylinder from the throat plane to the front face.
    shell : all within `wall` of the waveguide's wall on its outside, and a flange behind the front face; both cut off
            at the throat plane and the front face. Where a roundover is tighter than the wall is thick, the outside
            is the sharp valley in which the parallels meet.
    body  : the outside of a free-standing waveguide as it is solved, the driver's recess open through its back.
    features : fitted to the part; a seat's holes do not stand in a half-section.
    The inside runs through points of the exact wall and departs from it by at most `chord_error` (m) between them; the
    outside of a shell by at most that times 1 + wall / radius where the wall is concave.
    Errors : SolidError if there is no such outline, with the place.
    """
    wall = rolled(sampled(meridian, chord_error=chord_error), step=5 * DEGREE)
    depth = meridian.depth
    beyond = np.maximum(-wall.z, wall.z - depth)
    if beyond.max() > 1e-9:
        place = float(wall.z[beyond.argmax()])
        raise SolidError(
            f"[waveguide] the wall reaches z_mm = {place / MILLIMETRE:.4g}, outside throat plane and front face: must"
            f" stay within 0 to {depth / MILLIMETRE:.4g}, else no {sizes.kind} holds it. Let the profile end where it"
            " is deepest",
            places=np.column_stack([wall.z, wall.r])[beyond > 1e-9],
        )
    edge, seat = 0.5 * sizes.flange_diameter, features.seat
    if sizes.kind == "shell":
        ring = _shell(wall, sizes, depth, features)
    elif sizes.body is not None:
        ring = _body(wall, meridian, sizes.body, features, chord_error)
    elif seat.depth > 0.0:
        back = [[-seat.depth, edge], [-seat.depth, 0.5 * seat.diameter], [0.0, 0.5 * seat.diameter]]
        ring = np.vstack([np.column_stack([wall.z, wall.r]), [[depth, edge]], back])
    else:
        ring = np.vstack([np.column_stack([wall.z, wall.r]), [[depth, edge], [0.0, edge]]])
    if features.has_rim:
        ring = _rimmed(ring, (depth, edge), features, chord_error)
    apart = np.hypot(*(ring - np.roll(ring, 1, axis=0)).T)
    return np.asarray(_checked(ring[apart > COINCIDENT]))


def _checked(ring: FloatArray) -> FloatArray:
    from shapely import Polygon
    from shapely.validation import explain_validity

    polygon = Polygon(ring)
    if not polygon.is_valid:
        place = explain_validity(polygon)
        raise SolidError(
            f"[solid] the half-section (z, r in m) is at fault: {place}. Change the profile or [solid]",
            places=places_in(place),
        )
    return ring if polygon.exterior.is_ccw else ring[::-1]


def _rimmed(ring: FloatArray, corner: tuple[float, float], features: Features, chord_error: float) -> FloatArray:
    """The outline with a rebate, or an edge rounded to within `chord_error`, at the corner (z, r) of its front."""
    import shapely

    z, r = corner
    width, deep, round_off = features.rebate_width, features.rebate_depth, features.edge_radius
    if round_off > 0.0:
        steps = 1 + int(np.ceil(0.25 * np.pi / np.arccos(max(0.5, 1.0 - chord_error / round_off))))
        turn = np.linspace(0.0, 0.5 * np.pi, steps + 1)[1:-1]
        arc = np.column_stack([z - round_off + round_off * np.sin(turn), r - round_off + round_off * np.cos(turn)])
        taken = shapely.Polygon(
            [
                (z - round_off, r),
                *arc,
                (z, r - round_off),
                (z + 1.0, r - round_off),
                (z + 1.0, r + 1.0),
                (z - round_off, r + 1.0),
            ]
        )
    else:
        taken = shapely.box(z - deep, r - width, z + 1.0, r + 1.0)
    return np.asarray(_single(shapely.Polygon(ring).difference(taken)).exterior.coords)[:-1]


def _shell(wall: Frame, sizes: Sizes, depth: float, features: Features) -> FloatArray:
    import shapely

    points = np.column_stack([wall.z, wall.r])
    # Parallels that fold where the wall bends tightly are no outline; the union of the strips between the normals is.
    strips = [
        shapely.convex_hull(shapely.multipoints(np.vstack([a, b])))
        for a, b in itertools.pairwise(np.stack([points, np.column_stack(parallel(wall, -sizes.wall))], axis=1))
    ]
    edge, far = 0.5 * sizes.flange_diameter, depth + 1.0
    air = shapely.Polygon([*points, (far, points[-1, 1]), (far, 0.0), (-1.0, 0.0), (-1.0, points[0, 1])])
    if not air.is_valid:
        reason = shapely.is_valid_reason(air)
        raise SolidError(
            f"[waveguide] the wall crosses itself or the throat or mouth plane (z, r in m): {reason}. Change the"
            " profile",
            places=places_in(reason),
        )
    bodies = [*strips, shapely.box(depth - sizes.flange_thickness, 0.0, depth, edge)]
    back, taken = 0.0, air
    if features.seat.is_cut:
        back, (radius, top) = -features.seat.depth, features.hub(sizes.wall)
        bodies.append(shapely.box(back, 0.0, top, radius))
        if back < 0.0:
            taken = air.union(shapely.box(back - 1.0, 0.0, 0.0, 0.5 * features.seat.diameter))
    between = shapely.box(back, 0.0, depth, edge + float(wall.r.max()))
    part = shapely.union_all(bodies).intersection(between).difference(taken)
    return np.asarray(_single(part).exterior.coords)[:-1]


def _body(wall: Frame, meridian: Meridian, body: Body, features: Features, chord_error: float) -> FloatArray:
    import shapely

    around = body_outside(meridian, body, chord_error=chord_error)
    ahead = float(around.z.max()) - meridian.depth
    if ahead > 1e-9:
        raise SolidError(
            f'[solid] kind = "body": the outside reaches {ahead / MILLIMETRE:.4g} mm ahead of the mouth plane: must'
            " stay behind it. Change the body's points",
            places=np.column_stack([around.z, around.r])[around.z > meridian.depth + 1e-9],
        )
    closed = np.vstack([[0.0, 0.0], np.column_stack([wall.z, wall.r]), np.column_stack([around.z, around.r])[1:]])
    recess = shapely.box(-1.0, -1.0, 0.0, 0.5 * features.seat.diameter)
    return np.asarray(_single(shapely.Polygon(closed).difference(recess)).exterior.coords)[:-1]


def _single(part: Geometry) -> Polygon:
    """The part as one polygon without voids. What is thinner than a micrometre is rounding, not material."""
    import shapely

    bodies = [body for body in shapely.get_parts(part) if body.area > COINCIDENT**2]
    if len(bodies) != 1:
        places = ", ".join(f"{body.bounds[0] / MILLIMETRE:.4g}" for body in bodies)
        raise SolidError(
            f"[solid] the shell falls into {len(bodies)} bodies, from z_mm = {places}: thicken wall_mm or the flange",
            places=np.array([body.representative_point().coords[0] for body in bodies]),
        )
    voids = [hole for hole in bodies[0].interiors if shapely.Polygon(hole).area > COINCIDENT**2]
    if voids:
        raise SolidError(
            f"[solid] the shell encloses a void at z_mm = {voids[0].bounds[0] / MILLIMETRE:.4g}:"
            ' change wall_mm or flange_thickness_mm, or take kind = "block"',
            places=np.array([shapely.Polygon(hole).representative_point().coords[0] for hole in voids]),
        )
    body: Polygon = bodies[0]
    return body
