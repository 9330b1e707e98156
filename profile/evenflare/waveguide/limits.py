"""Geometric limits of a waveguide as signed numbers: at or below zero they are kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide.waveguide import Waveguide

Range = tuple[float, float]


@dataclass(frozen=True)
class Limits:
    """What a shape must keep to: ranges (low, high) and bounds, in m and rad.

    smallest_concave_radius   : of any part hollow seen from the air; the cutter's radius must be below it.
    greatest_wall_angle       : of the wall against the axis; above 90 degrees a pattern does not draw.
    throat_angle              : range of the wall's angle at the throat.
    throat_diameter_mismatch  : between throat and driver exit.
    throat_angle_mismatch     : between the wall at the throat and the driver exit's half-angle, either way.
    """

    depth: Range = (0.010, 1.0)
    mouth_diameter: Range = (0.020, 2.0)
    smallest_concave_radius: float = 0.0
    greatest_wall_angle: float = 90 * DEGREE
    throat_angle: Range = (0.0, 60 * DEGREE)
    throat_diameter_mismatch: float = 0.2e-3
    throat_angle_mismatch: float = 90 * DEGREE


@dataclass(frozen=True)
class Measures:
    """What a shape is, in m and rad. `concave_at` is the z of the smallest concave radius."""

    depth: float
    mouth_diameter: float
    throat_diameter: float
    throat_angle: float
    smallest_angle: float
    greatest_angle: float
    smallest_concave_radius: float
    concave_at: float
    arc_length: float


def measures(waveguide: Waveguide) -> Measures:
    """Sizes, angles and the smallest concave radius of a waveguide.

    Hollow seen from the air are the circumference, of radius r / cos(angle) everywhere, and the meridian where
    its curvature is negative; a corner that turns toward the axis has a concave radius of zero.
    """
    meridian = waveguide.meridian
    wall = meridian.dense
    around = np.where(np.cos(wall.angle) > 1e-9, wall.r / np.maximum(np.cos(wall.angle), 1e-9), np.inf)
    along = np.where(wall.curvature < -1e-9, -1.0 / np.minimum(wall.curvature, -1e-9), np.inf)
    hollow = np.minimum(around, along)
    inward = np.flatnonzero((np.diff(wall.angle) < -1e-6) & (np.hypot(np.diff(wall.z), np.diff(wall.r)) < 1e-9))
    hollow[inward] = 0.0
    worst = int(hollow.argmin())
    return Measures(
        depth=meridian.depth,
        mouth_diameter=2 * meridian.mouth_radius,
        throat_diameter=2 * meridian.throat_radius,
        throat_angle=float(wall.angle[0]),
        smallest_angle=float(wall.angle.min()),
        greatest_angle=float(wall.angle.max()),
        smallest_concave_radius=float(hollow[worst]),
        concave_at=float(wall.z[worst]),
        arc_length=float(np.hypot(np.diff(wall.z), np.diff(wall.r)).sum()),
    )


def limit_excess(waveguide: Waveguide, limits: Limits) -> dict[str, float]:
    """By how much each limit is broken, by name, in the unit of the name; at or below zero it is kept."""
    found = measures(waveguide)
    mismatch = abs(found.throat_diameter - 2 * waveguide.driver.exit_radius)
    corner = abs(found.throat_angle - waveguide.driver.exit_half_angle)
    return {
        "depth_mm": _outside(found.depth, limits.depth) / MILLIMETRE,
        "mouth_diameter_mm": _outside(found.mouth_diameter, limits.mouth_diameter) / MILLIMETRE,
        "smallest_concave_radius_mm": (limits.smallest_concave_radius - found.smallest_concave_radius) / MILLIMETRE,
        "greatest_wall_angle_deg": (found.greatest_angle - limits.greatest_wall_angle) / DEGREE - 1e-6,
        "smallest_wall_angle_deg": -found.smallest_angle / DEGREE - 1e-6,
        "throat_angle_deg": _outside(found.throat_angle, limits.throat_angle) / DEGREE - 1e-6,
        "throat_diameter_mismatch_mm": (mismatch - limits.throat_diameter_mismatch) / MILLIMETRE,
        "throat_angle_mismatch_deg": (corner - limits.throat_angle_mismatch) / DEGREE - 1e-6,
    }


def _outside(value: float, allowed: Range) -> float:
    """How far a value lies outside a range; below zero inside, the distance to the nearer end."""
    return max(allowed[0] - value, value - allowed[1]) - 1e-12
