"""What a boundary-element solve starts from: the meridian of everything that the air touches, and what of it moves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.radiation.facing import gaps
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Driver, Frame, Meridian, Waveguide, joined
from evenflare.waveguide.meridian import Piece
from evenflare.waveguide.walls import Arc, Line

Velocity = Callable[[Frame], FloatArray]
"""Of a moving surface: its velocity (m/s, any scale) along its normal into the air, at points of it."""

Taper = Callable[[FloatArray], FloatArray]
"""A factor of the velocity over the distance from the axis, m."""

TOUCH = 1e-9
"""m; ends that are closer meet, and a radius below it lies on the axis."""


def normal(frame: Frame) -> FloatArray:
    """A surface that moves along its own normal, with 1 m/s: on a spherical cap, radially."""
    return np.ones_like(frame.r)


SAMPLES = 129
"""Points of a part by which its panels' lengths are worked out."""


@dataclass(frozen=True)
class BoundaryPart:
    """A smooth stretch of the meridian, rigid or moving.

    velocity : of what moves were it stiff, by which its mean pressure is weighted too; and
    taper    : the factor by which it moves more here and less there, if it does.
    """

    piece: Piece
    velocity: Velocity | None = None
    taper: Taper | None = None


@dataclass(frozen=True)
class Boundary:
    """The meridian in the (z, r) half-plane, from the axis in front round to the axis behind, or to a baffle.

    parts       : smooth, end to end. Walking along them the air lies to the right: the exit is run from the axis
                  outward, the wall from throat to mouth, the outside of a body from the mouth round its back.
    source_area : m2. Velocities are scaled to a volume velocity of 1 m/s rms times this area.
    baffled     : the last part ends at an opening in an infinite rigid baffle, which it meets at the opening's rim;
                  otherwise it ends on the axis.
    Errors      : ValueError if the parts leave a gap, do not begin and end where they must, or none moves.
    """

    parts: tuple[BoundaryPart, ...]
    source_area: float
    baffled: bool = False

    def __post_init__(self) -> None:
        if not any(part.velocity for part in self.parts):
            raise ValueError("a boundary needs a part that moves")
        z, r = self.ends.z.reshape(-1, 2), self.ends.r.reshape(-1, 2)
        gap = np.hypot(z[1:, 0] - z[:-1, 1], r[1:, 0] - r[:-1, 1])
        if np.any(gap > TOUCH):
            at = int(np.argmax(gap))
            raise ValueError(f"the boundary has a gap of {gap[at]:g} m at z = {z[at, 1]:g} m")
        if r[0, 0] > TOUCH or (r[-1, 1] > TOUCH) == (not self.baffled):
            raise ValueError("the boundary must run from the axis to the axis, or to the rim of an opening in a baffle")

    @cached_property
    def ends(self) -> Frame:
        """Begin and end of every part, one after the other."""
        return joined([part.piece.frame_at(np.array([0.0, 1.0])) for part in self.parts])

    @cached_property
    def outline(self) -> Frame:
        """SAMPLES points of every part, evenly over its parameter, one part after the other."""
        return joined([part.piece.frame_at(np.linspace(0.0, 1.0, SAMPLES)) for part in self.parts])

    @cached_property
    def gaps(self) -> list[FloatArray]:
        """Of each part (SAMPLES,) m, at the points of the outline: how far away what faces them is, see facing.py."""
        outline = self.outline
        return np.split(gaps(outline.z, outline.r, outline.angle), len(self.parts))

    @property
    def baffle_z(self) -> float:
        """m, the plane of the baffle, if there is one."""
        return float(self.ends.z[-1])

    @property
    def opening_radius(self) -> float:
        """m, of the opening in the baffle, if there is one."""
        return float(self.ends.r[-1])


def exit_part(driver: Driver, *, radius: float) -> BoundaryPart:
    """The driver's exit at the throat plane z = 0, from the axis to `radius`: a flat disc, or a cap that bulges
    forward into the waveguide. It moves along its normal, evenly or with the driver's profile.
    """
    half = driver.exit_half_angle
    taper = None if driver.velocity_profile is None else lambda r: driver.velocity(r / radius)
    if half <= 0.0:
        return BoundaryPart(Line(0.0, 0.0, 0.0, radius), normal, taper)
    apex = radius * np.tan(0.5 * half)
    quarter = 0.5 * np.pi
    return BoundaryPart(Arc(float(apex), 0.0, quarter, quarter + half, radius / float(np.sin(half))), normal, taper)


def throat_parts(driver: Driver, *, throat: float) -> list[BoundaryPart]:
    """The driver's exit behind a wall that begins at the radius `throat`, m.

    Where that is wider, the driver's face beside the exit stands. Where it is narrower, what is covered of the exit
    moves the air past the wall's edge: its flow is added to that of a strip beside the edge, as wide.
    """
    radius = driver.exit_radius
    step = throat - radius
    if abs(step) <= TOUCH:
        return [exit_part(driver, radius=throat)]
    if step > 0.0:
        return [exit_part(driver, radius=radius), BoundaryPart(Line(0.0, radius, 0.0, throat))]
    whole, inner = exit_part(driver, radius=throat), throat + step
    half = driver.exit_half_angle

    def moved(r: FloatArray) -> FloatArray:
        return driver.velocity(r / radius)

    def with_covered(r: FloatArray) -> FloatArray:
        return moved(r) + moved(r - step) * (r - step) / r

    if half <= 0.0:
        inside: Piece = Line(0.0, 0.0, 0.0, inner)
        strip: Piece = Line(0.0, inner, 0.0, throat)
    else:
        ball = throat / np.sin(half)
        turn = float(np.arcsin(inner / ball))
        rise = float(ball * (np.cos(turn) - np.cos(half)))
        apex = float(ball * (1.0 - np.cos(half)))
        inside = Arc(apex, 0.0, 0.5 * np.pi, 0.5 * np.pi + turn, float(ball))
        strip = Arc(rise, inner, 0.5 * np.pi + turn, 0.5 * np.pi + half, float(ball))
    return [BoundaryPart(inside, whole.velocity, moved), BoundaryPart(strip, whole.velocity, with_covered)]


def boundary_of(waveguide: Waveguide) -> Boundary:
    """A round waveguide in its mounting: flush in the baffle, in a sphere on whose surface the rim lies, or standing
    free in its body. The driver closes the throat; what is behind it is part of the solid. Where the wall begins wider
    than the driver's exit a ledge lies between them, which stands; where it begins narrower, all that the exit moves
    goes through what is open of it.

    Errors: ValueError if the waveguide is not round, or its wall or its driver's cap pokes out of the mounting.
    """
    if not waveguide.is_round:
        raise ValueError(
            'the method "boundary_elements" solves round waveguides only, and the sections of this one are no circles.'
            ' Take the method "march", or make it round'
        )
    meridian, driver = waveguide.meridian, waveguide.driver
    parts = [*throat_parts(driver, throat=meridian.throat_radius)]
    parts += [BoundaryPart(piece) for piece in _kept(meridian.pieces)]
    match waveguide.mounting.kind:
        case "baffle":
            _refuse_beyond_baffle(meridian, parts[0])
            return Boundary(tuple(parts), driver.exit_area, baffled=True)
        case "sphere":
            parts.append(_sphere(waveguide))
        case "free_standing":
            parts += [BoundaryPart(piece) for piece in _kept(waveguide.outside)]
    return Boundary(tuple(parts), driver.exit_area)


def _kept(pieces: Sequence[Piece]) -> list[Piece]:
    """Without stretches so short that their ends meet: what a roundover may leave of a wall, or a wall of it."""
    ends = [piece.frame_at(np.linspace(0.0, 1.0, 9)) for piece in pieces]
    lengths = [float(np.hypot(np.diff(each.z), np.diff(each.r)).sum()) for each in ends]
    return [piece for piece, length in zip(pieces, lengths, strict=True) if length > TOUCH]


def _refuse_beyond_baffle(meridian: Meridian, exit_: BoundaryPart) -> None:
    rim = float(meridian.ends.z[1])
    foremost = max(float(meridian.dense.z.max()), float(exit_.piece.frame_at(np.array([0.0])).z[0]))
    if foremost > rim + TOUCH:
        raise ValueError(
            f"the waveguide reaches {(foremost - rim) / MILLIMETRE:.4g} mm beyond the plane of the baffle:"
            " nothing may. Make it deeper, or exit_half_angle_deg smaller"
        )


def _sphere(waveguide: Waveguide) -> BoundaryPart:
    """The sphere's surface from the mouth's rim round to the axis."""
    meridian, radius = waveguide.meridian, waveguide.mounting.radius
    assert radius is not None  # a sphere has one
    rim_z, rim_r = float(meridian.ends.z[1]), meridian.mouth_radius
    rim_angle = float(np.arcsin(min(1.0, rim_r / radius)))
    centre = rim_z - radius * np.cos(rim_angle)
    farthest = np.hypot(meridian.dense.z - centre, meridian.dense.r).max()
    if farthest > radius + TOUCH:
        raise ValueError(
            f"[mounting] radius_mm = {radius / MILLIMETRE:g}: the wall pokes out of the sphere, to"
            f" {farthest / MILLIMETRE:.4g} mm from its centre. Raise it, or make the waveguide shorter"
        )
    quarter = 0.5 * np.pi
    return BoundaryPart(Arc(rim_z, rim_r, quarter + rim_angle, 3.0 * quarter, radius))
