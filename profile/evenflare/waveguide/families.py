"""Families of meridian: each a frozen shape with its parameters in SI, and the wall it gives behind a driver."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np
from scipy.optimize import brentq

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide.meridian import Frame, Meridian, Piece
from evenflare.waveguide.walls import (
    Arc,
    CurvatureWall,
    HyperbolicWall,
    Line,
    OblateSpheroidalWall,
    TractrixWall,
)

SMALLEST_ROUNDOVER = 1e-6
"""m; below it the mouth counts as sharp."""


class Shape(Protocol):
    """Parameters of a family of meridian."""

    @property
    def family(self) -> str:
        """The trade's name of the family."""
        ...

    def meridian(self, exit_radius: float) -> Meridian:
        """The wall that starts at the driver's exit of that radius (m). ValueError if there is none."""
        ...


def _end(wall: Piece) -> Frame:
    return wall.frame_at(np.array([1.0]))


def _closed(wall: Piece, roundover_radius: float) -> Meridian:
    """The wall and, beyond it, a circular arc that turns it to 90 degrees."""
    end = _end(wall)
    if roundover_radius < SMALLEST_ROUNDOVER:
        return Meridian((wall,))
    z, r, angle = float(end.z[0]), float(end.r[0]), float(end.angle[0])
    if angle >= 0.5 * np.pi - 1e-6:
        return Meridian((wall,))
    return Meridian((wall, Arc(z, r, angle, 0.5 * np.pi, roundover_radius)))


def _cut(wall_of_length: Callable[[float], Piece], depth: float, roundover_radius: float) -> Meridian:
    """The wall r(z), cut where its roundover ends at `depth`: length + radius (1 - sin(angle)) = depth."""
    if roundover_radius < SMALLEST_ROUNDOVER:
        return Meridian((wall_of_length(depth),))
    full = wall_of_length(depth)

    def excess(length: float) -> float:
        angle = float(full.frame_at(np.array([length / depth])).angle[0])
        return length + roundover_radius * (1.0 - float(np.sin(angle))) - depth

    if excess(0.0) >= 0.0:
        raise ValueError(
            f"roundover_radius_mm = {roundover_radius / MILLIMETRE:g} leaves no wall within"
            f" depth_mm = {depth / MILLIMETRE:g}: must be smaller, or the waveguide deeper"
        )
    return _closed(wall_of_length(brentq(excess, 0.0, depth, xtol=1e-15)), roundover_radius)


@dataclass(frozen=True)
class Conical:
    """A straight wall at `wall_angle` (rad, half the coverage angle), then a roundover of `roundover_radius`."""

    family: ClassVar[str] = "conical"
    depth: float
    wall_angle: float
    roundover_radius: float = 0.0

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""

        def wall(length: float) -> Line:
            return Line(0.0, exit_radius, length, exit_radius + length * np.tan(self.wall_angle))

        return _cut(wall, self.depth, self.roundover_radius)


@dataclass(frozen=True)
class Hyperbolic:
    """r = r0 [cosh(z/x0) + T sinh(z/x0)] with x0 = c / (2 pi cutoff): Salmon's family. See HyperbolicWall.

    flare_length         : m, x0.
    hyperbolic_parameter : T >= 0; 0 is the catenoid, 1 the exponential horn.
    """

    family: ClassVar[str] = "hyperbolic"
    depth: float
    flare_length: float
    hyperbolic_parameter: float = 0.6
    roundover_radius: float = 0.0

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""

        def wall(length: float) -> HyperbolicWall:
            return HyperbolicWall(exit_radius, self.flare_length, self.hyperbolic_parameter, length)

        return _cut(wall, self.depth, self.roundover_radius)


@dataclass(frozen=True)
class Exponential:
    """r = r0 exp(z/x0) with x0 = c / (2 pi cutoff): the exponential horn, S = S0 exp(m z), m = 2/x0."""

    family: ClassVar[str] = "exponential"
    depth: float
    flare_length: float
    roundover_radius: float = 0.0

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        return Hyperbolic(self.depth, self.flare_length, 1.0, self.roundover_radius).meridian(exit_radius)


@dataclass(frozen=True)
class OblateSpheroidal:
    """r = sqrt(r0^2 + z^2 tan^2 A) with A = `wall_angle` (rad), the half coverage angle. See OblateSpheroidalWall."""

    family: ClassVar[str] = "oblate_spheroidal"
    depth: float
    wall_angle: float
    roundover_radius: float = 0.0

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""

        def wall(length: float) -> OblateSpheroidalWall:
            return OblateSpheroidalWall(exit_radius, self.wall_angle, length)

        return _cut(wall, self.depth, self.roundover_radius)


@dataclass(frozen=True)
class Tractrix:
    """The tractrix of tangent length `flare_radius` = c / (2 pi cutoff), m, from the exit to `depth`.

    depth : m with the roundover, which takes over at latest where the tractrix turns on its radius; None runs to
            the cusp, where the wall stands at 90 degrees, and has no roundover.
    """

    family: ClassVar[str] = "tractrix"
    flare_radius: float
    depth: float | None = None
    roundover_radius: float = 0.0

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        a = self.flare_radius
        if a <= exit_radius:
            raise ValueError(
                f"the tractrix of {a / MILLIMETRE:g} mm is not wider than the exit"
                f" ({exit_radius / MILLIMETRE:g} mm): lower its cutoff_hz"
            )
        depth, roundover = self.depth, self.roundover_radius
        if depth is None:
            return Meridian((TractrixWall(a, exit_radius, a),))

        def excess(r: float) -> float:
            end = _end(TractrixWall(a, exit_radius, r))
            return float(end.z[0]) + roundover * (1.0 - r / a) - depth

        narrowest = exit_radius * (1 + 1e-9)
        # Beyond it the tractrix turns on less than the roundover's radius: there the roundover takes over at latest.
        widest = a / float(np.hypot(1.0, roundover / a))
        if widest <= narrowest or excess(narrowest) >= 0:
            raise ValueError(
                f"roundover_radius_mm = {roundover / MILLIMETRE:g} leaves no wall within"
                f" depth_mm = {depth / MILLIMETRE:g}: must be smaller, or the waveguide deeper"
            )
        spare = excess(widest)
        if spare < -1e-9:
            raise ValueError(
                f"depth_mm = {depth / MILLIMETRE:g}: this tractrix ends at {(depth + spare) / MILLIMETRE:.4g} mm."
                " Lower depth_mm, leave it out, or lower cutoff_hz"
            )
        # A last digit of depth must not decide whether there is a root.
        r1 = widest if spare <= 1e-9 else brentq(excess, narrowest, widest, xtol=1e-15)
        return _closed(TractrixWall(a, exit_radius, r1), roundover)


@dataclass(frozen=True)
class Free:
    """Curvature along the arc as the variable: smooth by construction, concave nowhere if it stays >= 0.

    arc_length       : m, of the wall before the roundover.
    throat_angle     : rad, of the wall at the exit.
    curvature        : 1/m at evenly spaced knots along the arc, linear between; at least two.
    """

    family: ClassVar[str] = "free"
    arc_length: float
    throat_angle: float
    curvature: tuple[float, ...]
    roundover_radius: float = 0.0

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        wall = CurvatureWall(0.0, exit_radius, self.throat_angle, self.arc_length, self.curvature)
        if _end(wall).angle[0] > 0.5 * np.pi + 1e-9:
            angle = float(_end(wall).angle[0]) / DEGREE
            raise ValueError(
                f"curvature_per_m turns the wall to {angle:.4g} degrees: must be at most 90. Lower it, or the arc"
            )
        return _closed(wall, self.roundover_radius)
