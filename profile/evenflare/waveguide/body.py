"""The outside of a free-standing waveguide: outlines in the half-plane from the mouth's rim round to the axis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, NamedTuple, Protocol

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.curve import drawn
from evenflare.waveguide.meridian import TOUCH, Frame, Meridian, Piece, joined, path
from evenflare.waveguide.vertices import CORNER
from evenflare.waveguide.walls import Arc, Line
from evenflare.words import at_least_mm, at_most_mm, mm

SEAT = 5 * MILLIMETRE
"""Of a body behind the throat plane at least: the driver's face needs something to sit on (common practice, no
source)."""
RIM = 0.1 * MILLIMETRE
"""How far the first of a body's points may lie from the mouth's rim, and is then put on it."""
SMALLEST_ROUNDING = 1e-6
"""m; an edge rounded by less is sharp."""

POINTS = "[mounting] body:"
"""How a message about a body's points begins, wherever they were read from."""
_QUARTER = 0.5 * math.pi
_DENSE = np.linspace(0.0, 1.0, 129)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(32)


class Body(Protocol):
    """The outline of a closed body of revolution around a waveguide."""

    @property
    def outline(self) -> str:
        """The name of the form."""
        ...

    def pieces(self, rim: tuple[float, float], depth: float) -> tuple[Piece, ...]:
        """Smooth stretches, end to end, from the mouth's rim round the outside and the back to the axis.

        Walking along them the air lies to the right, as it does along the wall.
        rim    : (z, r) of the mouth's rim, m.
        depth  : m, from the throat plane to the mouth plane.
        Errors : ValueError, which names the key of the design file, if a body of these sizes does not fit round them.
        """
        ...


@dataclass(frozen=True)
class RoundCabinet:
    """A cylinder with a flat front in the mouth plane and a flat back; both its edges are quarter circles.

    diameter, depth : m, outside; the depth counts from the mouth plane to the back.
    edge_radius     : m, 0 for sharp edges.
    """

    outline: ClassVar[str] = "round_cabinet"
    diameter: float
    depth: float
    edge_radius: float = 0.0

    def pieces(self, rim: tuple[float, float], depth: float) -> tuple[Piece, ...]:
        """See Body."""
        (z, r), radius, edge = rim, 0.5 * self.diameter, _rounding(self.edge_radius)
        if radius < r - TOUCH:
            raise ValueError(
                f"{_given('diameter_mm', self.diameter)}: must be at least the mouth's, {at_least_mm(2 * r)}. Raise it,"
                " or make the mouth smaller"
            )
        if self.depth < depth + SEAT - TOUCH:
            raise ValueError(
                f"{_given('depth_mm', self.depth)}: must be at least {at_least_mm(depth + SEAT)}, the waveguide's"
                f" {mm(depth)} and {mm(SEAT)} for the driver's seat. Raise it, or make the waveguide shallower"
            )
        largest = min(radius - r, 0.5 * self.depth)
        if not -TOUCH <= edge <= largest + TOUCH:
            what = "what the mouth leaves of the front" if radius - r < 0.5 * self.depth else "half of depth_mm"
            other = "diameter_mm" if radius - r < 0.5 * self.depth else "depth_mm"
            raise ValueError(
                f"{_given('edge_radius_mm', edge)}: must be 0 to {at_most_mm(largest)}, {what}. Lower it,"
                f" or raise {other}"
            )
        back = z - self.depth
        return _kept(
            _line((z, r), (z, radius - edge)),
            _arc((z, radius - edge), _QUARTER, 2 * _QUARTER, edge),
            _line((z - edge, radius), (back + edge, radius)),
            _arc((back + edge, radius), 2 * _QUARTER, 3 * _QUARTER, edge),
            _line((back, radius - edge), (back, 0.0)),
        )


@dataclass(frozen=True)
class RolledShell:
    """A shell whose rim rolls back in an arc, then tapers straight to a back with a rounded edge, flat to the axis.

    rim_radius       : m, of the arc, which begins outward in the mouth plane and turns, by about half a circle, until
                       it runs into the taper; 0 for a sharp rim.
    back_diameter    : m, where taper and back would meet in a sharp edge.
    back_depth       : m, how far the back lies behind the throat plane.
    back_edge_radius : m, of the arc that rounds that edge; 0 leaves it sharp.
    """

    outline: ClassVar[str] = "rolled_shell"
    rim_radius: float
    back_diameter: float
    back_depth: float
    back_edge_radius: float = 0.0

    def pieces(self, rim: tuple[float, float], depth: float) -> tuple[Piece, ...]:
        """See Body."""
        (z, r), radius, edge = rim, _rounding(self.rim_radius), _rounding(self.back_edge_radius)
        back = z - depth - self.back_depth
        if self.back_depth < SEAT - TOUCH:
            raise ValueError(
                f"{_given('back_depth_mm', self.back_depth)}: must be at least {mm(SEAT)}, behind the throat plane,"
                " for the driver's seat. Raise it"
            )
        if not 0.0 <= radius < 0.5 * (z - back) - TOUCH:
            raise ValueError(
                f"{_given('rim_radius_mm', radius)}: must be 0 to {at_most_mm(0.5 * (z - back) - 2 * TOUCH)}, less"
                " than half of the way from the mouth to the back. Lower it, or raise back_depth_mm"
            )
        straight = taper(self, rim, back)
        largest = float(straight.largest)
        if not -TOUCH <= edge <= largest + TOUCH:
            raise ValueError(
                f"{_given('back_edge_radius_mm', edge)}: must be 0 to {at_most_mm(largest)}, so that taper and back"
                " have room for it. Lower it, or raise back_diameter_mm"
            )
        angle, begin, end = float(straight.angle), _point(straight.begin), _point(straight.end)
        return _kept(
            _arc((z, r), _QUARTER, angle, radius),
            _line(begin, end),
            _arc(end, angle, 3 * _QUARTER, edge),
            _line((back, float(straight.turned_about)), (back, 0.0)),
        )


class Taper(NamedTuple):
    """The straight part of shells whose rims lie at radii r, arrays of one shape.

    angle        : rad, its heading, from the rim to the back, as of a wall.
    begin, end   : (z, r) m each.
    turned_about : m, the radius r of the centre about which the back's edge is rounded, and
    moved        : how much it grows for each metre of the rim's r.
    largest      : m, of the radius that the edge may have.
    """

    angle: FloatArray
    begin: tuple[FloatArray, FloatArray]
    end: tuple[FloatArray, FloatArray]
    turned_about: FloatArray
    moved: FloatArray
    largest: FloatArray


def taper(shell: RolledShell, rim: tuple[float, float | FloatArray], back: float) -> Taper:
    """Of a shell around a rim (z, r), m, whose back lies at z = back: the tangent from the back's corner to the rim's
    circle, which lies to the left of it.
    """
    radius, edge, corner = _rounding(shell.rim_radius), _rounding(shell.back_edge_radius), 0.5 * shell.back_diameter
    centre = rim[0] - radius, np.asarray(rim[1], dtype=np.float64)
    along, across = back - centre[0], corner - centre[1]
    square = along**2 + across**2
    length = np.sqrt(square - radius**2)
    angle = np.arctan2(across, along) % (4 * _QUARTER) + np.arctan2(radius, length)
    slope = np.tan(0.5 * (3 * _QUARTER - angle))
    turning = (radius * across / length - along) / square
    return Taper(
        angle,
        (centre[0] + radius * np.sin(angle), centre[1] - radius * np.cos(angle)),
        (back - edge * slope * np.cos(angle), corner - edge * slope * np.sin(angle)),
        corner - edge * slope,
        0.5 * edge * (1.0 + slope**2) * turning,
        np.minimum(length, corner) / slope,
    )


@dataclass(frozen=True)
class BodyPoints:
    """A body through points, with corners kept where they are sharp, as of `Points`; a chord that is much longer than
    those beside it is a straight part.

    points : ((z, r), ...) in m from the mouth's rim round to the axis, two at least; z counts from the throat plane.
             The first may lie RIM beside the rim and is put on it.
    corner, smooth : rad and m, see Points.
    Errors : ValueError if the points repeat, reach the axis too early or not at all, or the line crosses itself.
    """

    outline: ClassVar[str] = "points"
    points: tuple[tuple[float, float], ...]
    corner: float = CORNER
    smooth: float = 0.0

    def __post_init__(self) -> None:
        points = np.array(self.points)
        if points.ndim != 2 or points.shape[0] < 2 or points.shape[1] != 2 or not np.all(np.isfinite(points)):
            raise ValueError(
                "must be two finite points (z, r) at least, from the mouth's rim round to the axis. Complete them"
            )
        if abs(points[-1, 1]) > TOUCH:
            reversed_ = abs(points[0, 1]) <= TOUCH
            remedy = "They run from the axis to the mouth: reverse the order" if reversed_ else "Add those up to there"
            raise ValueError(
                f"the last point has r_mm = {points[-1, 1] / MILLIMETRE:g}: must be 0, where the body closes on the"
                f" axis. {remedy}"
            )
        if points[:-1, 1].min() <= 0.0:
            row = int(points[:-1, 1].argmin())
            raise ValueError(
                f"point {row + 1} has r_mm = {points[row, 1] / MILLIMETRE:g}: must be above 0, only the last lies on"
                " the axis. Correct it, or remove the points after it"
            )
        steps = np.hypot(*np.diff(points, axis=0).T)
        if steps.min() <= TOUCH:
            row = int(steps.argmin())
            raise ValueError(f"points {row + 1} and {row + 2} are the same: remove one")
        if not path(points[:, 0], points[:, 1]).is_simple:
            raise ValueError("the body crosses itself: give the points in order from the mouth's rim to the axis")

    def pieces(self, rim: tuple[float, float], depth: float) -> tuple[Piece, ...]:
        """See Body."""
        points = np.array(self.points) + np.array([rim[0] - depth, 0.0])
        apart = float(np.hypot(*(points[0] - rim)))
        if apart > RIM + self.smooth:
            first, wanted = (f"z_mm = {mm(z + depth - rim[0])}, r_mm = {mm(r)}" for z, r in (points[0], rim))
            raise ValueError(
                f"{POINTS} the first point lies at {first}: must be the mouth's rim, at {wanted}, to"
                f" {mm(RIM)}. Correct it; z counts from the throat plane"
            )
        points[0], points[-1, 1] = rim, 0.0
        if points[-1, 0] > rim[0] - depth - TOUCH:
            last = mm(points[-1, 0] + depth - rim[0])
            raise ValueError(
                f"{POINTS} the last point lies at z_mm = {last}: must be below 0, behind the throat plane. Move the"
                " back behind the driver's exit"
            )
        curve = drawn(points, corner=self.corner, smooth=self.smooth)
        curve.points[0] = rim
        return curve.pieces


def outside(wall: Meridian, body: Body) -> tuple[Piece, ...]:
    """The body's stretches behind that wall.

    Errors: ValueError if the body does not fit round the wall, or crosses it, itself or the axis.
    """
    rim = float(wall.ends.z[1]), wall.mouth_radius
    pieces = body.pieces(rim, wall.depth)
    is_points = isinstance(body, BodyPoints)
    named = f"{POINTS} the outline" if is_points else f'[mounting] outline = "{body.outline}": the outline'
    shell = dense(pieces)
    if shell.r.min() < -TOUCH:
        raise ValueError(
            f"{named} meets the axis between its points at z_mm = {mm(float(shell.z[shell.r.argmin()]))}: must stay"
            " above it up to the last. Give more points there"
        )
    outer = path(shell.z, shell.r)
    if not outer.is_simple:
        raise ValueError(f"{named} crosses itself. Give more points where it bends, or larger sizes")
    throat, whole = float(wall.ends.z[0]), wall.dense
    inner = path(np.concatenate([[throat], whole.z]), np.concatenate([[0.0], whole.r]))
    shared = inner.intersection(outer)
    places = [(z, r) for part in getattr(shared, "geoms", [shared]) for z, r in part.coords]
    if apart := [place for place in places if math.dist(place, rim) > TOUCH]:
        remedy = "Correct the points, or give more where it bends" if is_points else _ROOM[body.outline]
        raise ValueError(
            f"{named} crosses the waveguide at z_mm = {mm(apart[0][0] - throat)}, r_mm = {mm(apart[0][1])}: must stay"
            f" outside it. {remedy}"
        )
    return pieces


_ROOM = {
    "rolled_shell": "Lower rim_radius_mm, or raise back_diameter_mm",
    "round_cabinet": "Raise diameter_mm",
}
"""Remedies for an outline that is too tight for its waveguide."""


def dense(pieces: Sequence[Piece]) -> Frame:
    """An outline at 129 points per piece. Piece ends appear twice."""
    return joined([piece.frame_at(_DENSE) for piece in pieces])


def volume(pieces: Sequence[Piece]) -> float:
    """m3, inside a body whose mouth is closed by a flat disc: of the whole outside, the waveguide's air with it.

    pieces : from the rim to the axis, as `Body.pieces`.
    Source : Pappus (Pappus of Alexandria, Collection VII; Guldin 1641): the area under the outline times the way of
             its centroid, 2 pi r A, which is the integral of pi r^2 dz, here by 32 Gauss points per piece.
    """
    total = 0.0
    for piece in pieces:
        frame = piece.frame_at(0.5 * (_NODES + 1.0))
        total -= float(np.sum(0.5 * _WEIGHTS * frame.r**2 * frame.speed * np.cos(frame.angle)))
    return math.pi * total


def _given(key: str, value: float) -> str:
    return f"[mounting] {key} = {value / MILLIMETRE:g}"


def _rounding(radius: float) -> float:
    """m; a radius too small to be one is none."""
    return 0.0 if abs(radius) < SMALLEST_ROUNDING else radius


def _line(begin: tuple[float, float], end: tuple[float, float]) -> Line | None:
    return Line(*begin, *end) if math.hypot(end[0] - begin[0], end[1] - begin[1]) > TOUCH else None


def _point(place: tuple[FloatArray, FloatArray]) -> tuple[float, float]:
    return float(place[0]), float(place[1])


def _arc(begin: tuple[float, float], angle0: float, angle1: float, radius: float) -> Arc | None:
    return Arc(*begin, angle0, angle1, radius) if radius > 0.0 else None


def _kept(*pieces: Piece | None) -> tuple[Piece, ...]:
    return tuple(piece for piece in pieces if piece is not None)
