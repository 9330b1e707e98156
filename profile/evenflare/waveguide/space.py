"""The search's view of a family: a vector on [0, 1] to a waveguide, and back.

Every family but points starts with the same three: depth, mouth radius and roundover radius, so that a target's
limits are the bounds and almost every vector is a waveguide that keeps them. Where a family has no member of
that depth and mouth, the vector gives the nearest one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, nnls

from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.families import (
    SMALLEST_ROUNDOVER,
    Conical,
    Exponential,
    Free,
    Hyperbolic,
    OblateSpheroidal,
    Shape,
    Tractrix,
)
from evenflare.waveguide.limits import Limits
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.walls import CurvatureWall
from evenflare.waveguide.waveguide import Driver, Mounting, Waveguide

PUBLISHED = ("conical", "exponential", "hyperbolic", "tractrix", "oblate_spheroidal")
FAMILIES = (*PUBLISHED, "free")

CURVATURE_KNOTS = 8
LARGEST_ROUNDOVER = 0.45
"""As a share of the smaller of the largest depth and the largest mouth radius."""


@dataclass(frozen=True)
class ParameterSpace:
    """The members of one family within limits.

    family : one of FAMILIES. Errors: ValueError for any other.
    """

    family: str
    limits: Limits
    driver: Driver = Driver()
    mounting: Mounting = Mounting()

    def __post_init__(self) -> None:
        if self.family not in FAMILIES:
            raise ValueError(f"family {self.family!r}: must be one of {', '.join(FAMILIES)}")

    @property
    def names(self) -> tuple[str, ...]:
        """Of the parameters, in the vector's order."""
        return tuple(self._bounds)

    @property
    def _bounds(self) -> dict[str, tuple[float, float]]:
        limits = self.limits
        radius = (
            max(0.5 * limits.mouth_diameter[0], 1.05 * self.driver.exit_radius),
            0.5 * limits.mouth_diameter[1],
        )
        bounds = {
            "depth": limits.depth,
            "mouth_radius": radius,
            "roundover_radius": (0.0, LARGEST_ROUNDOVER * min(limits.depth[1], radius[1])),
        }
        if self.family == "hyperbolic":
            bounds["hyperbolic_parameter"] = (0.0, 3.0)
        if self.family == "free":
            bounds["throat_angle"] = limits.throat_angle
            bounds |= {f"bend_{i + 1}": (0.0, 1.0) for i in range(CURVATURE_KNOTS)}
        return bounds

    def waveguide(self, vector: FloatArray) -> Waveguide:
        """The waveguide of a vector (n,) on [0, 1]. ValueError if there is none."""
        low, high = np.array(list(self._bounds.values())).T
        depth, mouth, roundover, *extra = (low + np.clip(vector, 0.0, 1.0) * (high - low)).tolist()
        # Leave some wall before the roundover, whatever the depth.
        roundover = min(roundover, 0.7 * depth, 0.7 * (mouth - self.driver.exit_radius))
        shape = _SHAPES[self.family](self.driver.exit_radius, depth, mouth, roundover, extra)
        return Waveguide(shape, self.driver, self.mounting)

    def vector(self, waveguide: Waveguide) -> FloatArray:
        """The vector (n,) whose waveguide is this one, or for "free" the nearest with the knots at hand.

        A parameter outside the bounds is put on them.
        """
        meridian, shape = waveguide.meridian, waveguide.shape
        roundover = float(getattr(shape, "roundover_radius", 0.0))
        values = [meridian.depth, meridian.mouth_radius, roundover]
        if self.family == "hyperbolic":
            values.append(float(getattr(shape, "hyperbolic_parameter", 1.0)))
        if self.family == "free":
            values += [float(meridian.ends.angle[0]), *_bends(meridian, roundover)]
        low, high = np.array(list(self._bounds.values())).T
        span = np.where(high > low, high - low, 1.0)
        return np.asarray(np.clip((np.array(values) - low) / span, 0.0, 1.0))


def _matched(shape: Callable[[float], Shape], exit_radius: float, mouth: float, low: float, high: float) -> Shape:
    """The member of a one-parameter row of shapes whose mouth has that radius, or the end nearest to it."""

    def excess(parameter: float) -> float:
        return shape(parameter).meridian(exit_radius).mouth_radius - mouth

    at_low, at_high = excess(low), excess(high)
    if at_low * at_high > 0:
        return shape(low if abs(at_low) < abs(at_high) else high)
    return shape(brentq(excess, low, high, xtol=1e-12, rtol=1e-12))


def _conical(exit_radius: float, depth: float, mouth: float, roundover: float, extra: list[float]) -> Shape:
    return _matched(lambda a: Conical(depth, a, roundover), exit_radius, mouth, 1 * DEGREE, 85 * DEGREE)


def _oblate(exit_radius: float, depth: float, mouth: float, roundover: float, extra: list[float]) -> Shape:
    return _matched(lambda a: OblateSpheroidal(depth, a, roundover), exit_radius, mouth, 1 * DEGREE, 85 * DEGREE)


def _exponential(exit_radius: float, depth: float, mouth: float, roundover: float, extra: list[float]) -> Shape:
    return _matched(lambda g: Exponential(depth, depth / g, roundover), exit_radius, mouth, 0.01, 6.0)


def _hyperbolic(exit_radius: float, depth: float, mouth: float, roundover: float, extra: list[float]) -> Shape:
    return _matched(lambda g: Hyperbolic(depth, depth / g, extra[0], roundover), exit_radius, mouth, 0.01, 6.0)


def _tractrix(exit_radius: float, depth: float, mouth: float, roundover: float, extra: list[float]) -> Shape:
    def length(a: float) -> float:
        return Tractrix(a).meridian(exit_radius).depth

    # The shortest tractrix that fills the depth ends on its cusp and has the widest mouth; wider ones are cut.
    shortest = brentq(lambda a: length(a) - depth, 1.0001 * exit_radius, exit_radius + 3 * depth)
    return _matched(
        lambda a: Tractrix(a, min(depth, length(a)), roundover), exit_radius, mouth, shortest, 20 * shortest
    )


def _free(exit_radius: float, depth: float, mouth: float, roundover: float, extra: list[float]) -> Shape:
    """Bends along the arc give the form; the end angle and the arc's length are solved for depth and mouth."""
    throat_angle, bends = extra[0], np.array(extra[1:])
    mean = np.trapezoid(bends) / (bends.size - 1)
    form = bends / mean if mean > 1e-6 else np.ones_like(bends)

    def unit_arc(end_angle: float) -> tuple[float, float]:
        bend = tuple((form * (end_angle - throat_angle)).tolist())
        end = CurvatureWall(0.0, 0.0, throat_angle, 1.0, bend).at(np.array([1.0]))
        return float(end.z[0]), float(end.r[0])

    def wanted(end_angle: float) -> tuple[float, float]:
        return (
            depth - roundover * (1 - np.sin(end_angle)),
            mouth - exit_radius - roundover * np.cos(end_angle),
        )

    def excess(end_angle: float) -> float:
        (z, r), (deep, wide) = unit_arc(end_angle), wanted(end_angle)
        return r * deep - z * wide

    low, high = throat_angle + 0.1 * DEGREE, 90 * DEGREE
    if excess(low) > 0:  # even the cone at the throat's angle is too wide
        end_angle = low
    elif excess(high) < 0:  # even a wall that ends at 90 degrees is too narrow
        end_angle = high
    else:
        end_angle = brentq(excess, low, high, xtol=1e-13)
    length = wanted(end_angle)[0] / unit_arc(end_angle)[0]
    curvature = tuple((form * (end_angle - throat_angle) / length).tolist())
    return Free(length, throat_angle, curvature, roundover)


_SHAPES: dict[str, Callable[[float, float, float, float, list[float]], Shape]] = {
    "conical": _conical,
    "exponential": _exponential,
    "hyperbolic": _hyperbolic,
    "tractrix": _tractrix,
    "oblate_spheroidal": _oblate,
    "free": _free,
}


def _bends(meridian: Meridian, roundover: float) -> list[float]:
    """Non-negative bends (largest 1) whose integral comes nearest to the wall's angle before the roundover."""
    pieces = meridian.pieces[:-1] if roundover >= SMALLEST_ROUNDOVER and len(meridian.pieces) > 1 else meridian.pieces
    wall = Meridian(pieces).dense
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    share = np.linspace(0.0, 1.0, 201)
    angle = np.interp(share, along / along[-1], wall.angle)
    knots = np.linspace(0.0, 1.0, CURVATURE_KNOTS)
    hats = np.array([np.interp(share, knots, row) for row in np.eye(CURVATURE_KNOTS)])
    integrals = np.concatenate(
        [np.zeros((CURVATURE_KNOTS, 1)), np.cumsum(0.5 * (hats[:, 1:] + hats[:, :-1]), axis=1) / 200], axis=1
    )
    bends, _ = nnls(integrals.T, angle - angle[0])
    largest = bends.max()
    return [float(bend) for bend in (bends / largest if largest > 1e-9 else np.ones_like(bends))]
