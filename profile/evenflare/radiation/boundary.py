"""What a boundary-element solve starts from: the meridian of everything that the air touches, and what of it moves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Driver, Frame, Waveguide, joined
from evenflare.waveguide.meridian import Piece
from evenflare.waveguide.walls import Arc, Line

Velocity = Callable[[Frame], FloatArray]
"""Of a moving surface: its velocity (m/s, any scale) along its normal into the air, at points of it."""

TOUCH = 1e-9
"""m; ends that are closer meet, and a radius below it lies on the axis."""


def axial(frame: Frame) -> FloatArray:
    """A stiff surface that moves as one along the axis, with 1 m/s."""
    return np.sin(frame.angle)


def normal(frame: Frame) -> FloatArray:
    """A surface that moves along its own normal, with 1 m/s: on a spherical cap, radially."""
    return np.ones_like(frame.r)


def tapered(radius: Sequence[float], velocity: Sequence[float]) -> Velocity:
    """An axial velocity that depends on the distance from the axis: straight between the values given.

    radius   : m, rising from the axis outward.
    velocity : m/s at each.
    """
    at_radius, values = np.array(radius, dtype=np.float64), np.array(velocity, dtype=np.float64)
    if at_radius.ndim != 1 or at_radius.shape != values.shape or np.any(np.diff(at_radius) <= 0):
        raise ValueError("a taper needs as many velocities as radii, and the radii must rise")

    def taper(frame: Frame) -> FloatArray:
        return np.asarray(np.interp(frame.r, at_radius, values) * np.sin(frame.angle))

    return taper


@dataclass(frozen=True)
class Part:
    """A smooth stretch of the meridian, rigid or moving with a given velocity."""

    piece: Piece
    velocity: Velocity | None = None


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

    parts: tuple[Part, ...]
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
        return joined([part.piece.at(np.array([0.0, 1.0])) for part in self.parts])

    @property
    def baffle_z(self) -> float:
        """m, the plane of the baffle, if there is one."""
        return float(self.ends.z[-1])

    @property
    def opening_radius(self) -> float:
        """m, of the opening in the baffle, if there is one."""
        return float(self.ends.r[-1])


def exit_part(driver: Driver, *, radius: float, velocity: Velocity | None = None) -> Part:
    """The driver's exit at the throat plane z = 0, from the axis to `radius`: a flat disc, or a cap that bulges
    forward into the waveguide; it moves evenly along its normal unless a velocity is given.
    """
    half = driver.exit_half_angle
    moving = velocity or normal
    if half <= 0.0:
        return Part(Line(0.0, 0.0, 0.0, radius), moving)
    apex = radius * np.tan(0.5 * half)
    quarter = 0.5 * np.pi
    return Part(Arc(float(apex), 0.0, quarter, quarter + half, radius / float(np.sin(half))), moving)


def boundary_of(waveguide: Waveguide, *, velocity: Velocity | None = None) -> Boundary:
    """A round waveguide in its mounting: flush in the baffle, or in a sphere on whose surface the rim lies.

    velocity : of the driver's exit, along its normal; even unless given.
    Errors   : ValueError if the waveguide is not round, or its wall or its driver's cap pokes out of the mounting.
    """
    if not waveguide.is_round:
        raise ValueError("boundary elements need a round waveguide: its sections are oblong. Take the march")
    meridian, driver = waveguide.meridian, waveguide.driver
    parts = [exit_part(driver, radius=meridian.throat_radius, velocity=velocity)]
    parts += [Part(piece) for piece in meridian.pieces]
    sphere = waveguide.mounting.radius
    rim_z, rim_r = float(meridian.ends.z[1]), meridian.mouth_radius
    if sphere is None:
        foremost = max(float(meridian.dense.z.max()), float(parts[0].piece.at(np.array([0.0])).z[0]))
        if foremost > rim_z + TOUCH:
            raise ValueError(
                f"the waveguide reaches {(foremost - rim_z) / MILLIMETRE:.4g} mm beyond the plane of the baffle:"
                " nothing may. Make it deeper, or exit_half_angle_deg smaller"
            )
        return Boundary(tuple(parts), driver.exit_area, baffled=True)
    rim_angle = float(np.arcsin(min(1.0, rim_r / sphere)))
    centre = rim_z - sphere * np.cos(rim_angle)
    outside = np.hypot(meridian.dense.z - centre, meridian.dense.r).max()
    if outside > sphere + TOUCH:
        raise ValueError(
            f"[mounting] radius_mm = {sphere / MILLIMETRE:g}: the wall pokes out of the sphere, to"
            f" {outside / MILLIMETRE:.4g} mm from its centre. Raise it, or make the waveguide shorter"
        )
    quarter = 0.5 * np.pi
    parts.append(Part(Arc(rim_z, rim_r, quarter + rim_angle, 3.0 * quarter, sphere)))
    return Boundary(tuple(parts), driver.exit_area)
