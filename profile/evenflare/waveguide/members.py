"""The members of a family: the one of a given depth, mouth and roundover, or the nearest where there is none."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from scipy.optimize import brentq, nnls

from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.driver import Driver
from evenflare.waveguide.families import (
    Conical,
    Exponential,
    Free,
    Hyperbolic,
    OblateSpheroidal,
    Shape,
    Tractrix,
)
from evenflare.waveguide.family import Size, before_roundover
from evenflare.waveguide.limits import Limits, Range
from evenflare.waveguide.meridian import Meridian, joined
from evenflare.waveguide.walls import CurvatureWall

CURVATURE_KNOTS = 8

ROUNDED = 0.7
"""Of the depth, and of the way from exit to rim, that a roundover may take: some wall is left before it."""

_nodes, _weights = np.polynomial.legendre.leggauss(8)
_ARC_NODES = np.ravel(np.arange(CURVATURE_KNOTS - 1)[:, None] + 0.5 * (_nodes + 1.0)) / (CURVATURE_KNOTS - 1)
_ARC_WEIGHTS = np.tile(0.5 * _weights / (CURVATURE_KNOTS - 1), CURVATURE_KNOTS - 1)


def _turned_at(share: FloatArray) -> FloatArray:
    """Angle of a free curve of unit length at shares (N,) of it, per unit of curvature at each knot: (N, knots)."""
    walls = (CurvatureWall(0.0, 0.0, 0.0, 1.0, tuple(row)) for row in np.eye(CURVATURE_KNOTS))
    return np.transpose([wall.frame_at(share).angle for wall in walls])


_ARC_TURNED = _turned_at(_ARC_NODES)
"""At Gauss points between the knots, as in CurvatureWall."""
_FITTED = np.linspace(0.0, 1.0, 1025)
"""Shares of a wall at which a free curve is fitted to it."""
_STRAIGHT = 1e-9
"""1/m, largest curvature of a wall that has no bends to speak of."""


def _wall_end(
    depth: float, mouth: float, roundover: float, angle_through: Callable[[float, float], float]
) -> tuple[float, float]:
    """Length and radius, m, at which a wall must end for its roundover to end at `depth` and `mouth`.

    angle_through : rad, the angle at its end of the family's member that passes through a length and radius.
    """

    def begin(angle: float) -> tuple[float, float]:
        return depth - roundover * (1.0 - math.sin(angle)), mouth - roundover * math.cos(angle)

    if roundover == 0.0:
        return depth, mouth
    return begin(brentq(lambda angle: angle_through(*begin(angle)) - angle, 0.0, 0.5 * math.pi, xtol=1e-15))


def _between(value: float, low: float, high: float) -> float:
    """The mouth widens with each of the parameters below, so the nearest mouth belongs to the nearest value."""
    return min(max(value, low), high)


def conical(size: Size, extra: Sequence[float]) -> Conical:
    """See Family."""
    exit_radius, depth, mouth, roundover = size.exit_radius, size.depth, size.mouth, size.roundover

    def angle_through(length: float, radius: float) -> float:
        return math.atan2(radius - exit_radius, length)

    wall_angle = angle_through(*_wall_end(depth, mouth, roundover, angle_through))
    return Conical(depth, _between(wall_angle, 1 * DEGREE, 85 * DEGREE), roundover)


def oblate_spheroidal(size: Size, extra: Sequence[float]) -> OblateSpheroidal:
    """See Family."""
    exit_radius, depth, mouth, roundover = size.exit_radius, size.depth, size.mouth, size.roundover

    def angle_through(length: float, radius: float) -> float:
        return math.atan2(radius**2 - exit_radius**2, length * radius)

    length, radius = _wall_end(depth, mouth, roundover, angle_through)
    wall_angle = math.atan2(math.sqrt(radius**2 - exit_radius**2), length)
    return OblateSpheroidal(depth, _between(wall_angle, 1 * DEGREE, 85 * DEGREE), roundover)


def hyperbolic(size: Size, extra: Sequence[float]) -> Hyperbolic:
    """See Family; `extra` holds the parameter T.

    With q = cosh u + T sinh u at u = z/x0: sinh u + T cosh u = sqrt(q^2 - 1 + T^2), and their sum is (1 + T) e^u.
    """
    exit_radius, depth, mouth, roundover = size.exit_radius, size.depth, size.mouth, size.roundover
    parameter = extra[0]

    def flares(radius: float) -> tuple[float, float]:
        ratio = radius / exit_radius
        slope = math.sqrt(ratio**2 - 1.0 + parameter**2)
        return math.log((ratio + slope) / (1.0 + parameter)), slope

    def angle_through(length: float, radius: float) -> float:
        count, slope = flares(radius)
        return math.atan2(count * exit_radius * slope, length)

    length, radius = _wall_end(depth, mouth, roundover, angle_through)
    flare_length = depth / _between(flares(radius)[0] * depth / length, 0.01, 6.0)
    return Hyperbolic(depth, flare_length, parameter, roundover)


def exponential(size: Size, extra: Sequence[float]) -> Exponential:
    """See Family."""
    shape = hyperbolic(size, [1.0])
    return Exponential(shape.depth, shape.flare_length, shape.roundover_radius)


def tractrix(size: Size, extra: Sequence[float]) -> Tractrix:
    """See Family."""
    exit_radius, depth, mouth, roundover = size.exit_radius, size.depth, size.mouth, size.roundover

    def length(a: float, end_angle: float) -> float:
        """Of the wall from the exit to that angle: r = a sin(angle), tanh u = cos(angle)."""
        cosine = math.sqrt(1.0 - (exit_radius / a) ** 2)
        return a * (math.acosh(a / exit_radius) - cosine + math.log(math.tan(0.5 * end_angle)) + math.cos(end_angle))

    def excess(a: float, end_angle: float, roundover: float = roundover) -> float:
        return length(a, end_angle) + roundover * (1.0 - math.sin(end_angle)) - depth

    def flare_radius(end_angle: float) -> float:
        return (mouth - roundover * math.cos(end_angle)) / math.sin(end_angle)

    def smallest(roundover: float) -> float:
        """The smallest tractrix that fills the depth has the widest mouth. Its roundover begins, as late as one can,
        where the tractrix turns on the roundover's radius: at the angle atan(a / roundover).
        """
        span = 1.0001 * exit_radius, exit_radius + 3 * depth
        return float(brentq(lambda a: excess(a, math.atan2(a, roundover), roundover), *span, xtol=1e-15))

    def unrounded(roundover: float) -> float:
        """m, by which the widest mouth leaves the roundover too little wall."""
        return roundover - ROUNDED * (math.hypot(smallest(roundover), roundover) - exit_radius)

    latest = math.acos(roundover / mouth)
    if excess(flare_radius(latest), latest) >= 0.0:
        if unrounded(roundover) > 0.0:
            roundover = brentq(unrounded, 0.0, roundover, xtol=1e-15)
        return Tractrix(smallest(roundover), depth, roundover)
    # A wall nowhere steeper than this cannot reach the mouth within the depth.
    least = math.atan2(mouth - roundover - exit_radius, depth)
    end_angle = brentq(lambda angle: excess(flare_radius(angle), angle), least, latest, xtol=1e-15)
    return Tractrix(flare_radius(end_angle), depth, roundover)


def free(size: Size, extra: Sequence[float]) -> Free:
    """See Family; `extra` holds the throat's angle (rad) and the bends (0 to 1) at CURVATURE_KNOTS knots, of which only
    the proportions count. Bends along the arc give the form; the end angle and the arc's length are solved for depth
    and mouth.
    """
    exit_radius, depth, mouth, roundover = size.exit_radius, size.depth, size.mouth, size.roundover
    throat_angle, bends = extra[0], np.array(extra[1:])
    mean = np.trapezoid(bends) / (bends.size - 1)
    form = bends / mean if mean > 1e-6 else np.ones_like(bends)
    turned = _ARC_TURNED @ form

    def unit_arc(end_angle: float) -> tuple[float, float]:
        angle = throat_angle + (end_angle - throat_angle) * turned
        return float(np.cos(angle) @ _ARC_WEIGHTS), float(np.sin(angle) @ _ARC_WEIGHTS)

    def wanted(end_angle: float) -> tuple[float, float]:
        return (
            depth - roundover * (1 - math.sin(end_angle)),
            mouth - exit_radius - roundover * math.cos(end_angle),
        )

    def excess(end_angle: float) -> float:
        (z, r), (deep, wide) = unit_arc(end_angle), wanted(end_angle)
        return r * deep - z * wide

    low, high = throat_angle + 0.1 * DEGREE, size.steepest
    if excess(low) > 0:  # even the cone at the throat's angle is too wide
        end_angle = low
    elif excess(high) < 0:  # even a wall that ends as steep as may be is too narrow
        end_angle = high
        # Its mouth is nearer than the one asked for, and it is that which the roundover has to leave some wall.
        z, r = unit_arc(high)
        narrowed = math.cos(high) - (1 - math.sin(high)) * r / z
        roundover = min(roundover, ROUNDED * depth * r / z / (1 - ROUNDED * narrowed))
    else:
        end_angle = brentq(excess, low, high, xtol=1e-13)
    length = wanted(end_angle)[0] / unit_arc(end_angle)[0]
    curvature = tuple((form * (end_angle - throat_angle) / length).tolist())
    return Free(length, throat_angle, curvature, roundover)


def free_ranges(limits: Limits, driver: Driver) -> dict[str, Range]:
    """Of the throat's angle, rad, and of the bends."""
    low, high = limits.throat_angle
    low = max(low, driver.exit_half_angle - limits.throat_angle_mismatch)
    if limits.smallest_draft > 0.0:
        low = max(low, min(high, limits.smallest_draft))
    ranges = {"throat_angle": (low, min(high, driver.exit_half_angle + limits.throat_angle_mismatch))}
    return ranges | {f"bend_{i + 1}": (0.0, 1.0) for i in range(CURVATURE_KNOTS)}


def free_values(shape: Shape, meridian: Meridian) -> list[float]:
    """The throat's angle, rad, and the bends; of a shape that is not free those that come nearest to it."""
    return [float(meridian.ends.angle[0]), *_bends(shape, meridian)]


def _bends(shape: Shape, meridian: Meridian) -> list[float]:
    """Non-negative bends (largest 1) of a free wall as they are, and for any other wall those whose integral comes
    nearest to its angle before the roundover.
    """
    if isinstance(shape, Free) and len(shape.curvature) == CURVATURE_KNOTS and min(shape.curvature) >= 0.0:
        bends = np.array(shape.curvature)
    else:
        wall = joined([piece.frame_at(_FITTED) for piece in before_roundover(shape, meridian)])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
        share = np.linspace(0.0, 1.0, _FITTED.size)
        angle = np.interp(share, along / along[-1], wall.angle)
        bends, _ = nnls(_turned_at(share), angle - angle[0])
    largest = bends.max()
    return [float(bend) for bend in (bends / largest if largest > _STRAIGHT else np.ones_like(bends))]
