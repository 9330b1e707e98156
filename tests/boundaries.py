"""Bodies of revolution that several tests of the boundary elements share."""

from __future__ import annotations

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import Boundary, BoundaryPart, Velocity
from evenflare.radiation.boundary_elements import BoundarySolver, Fineness, body_solver
from evenflare.radiation.panels import Density
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.meridian import Frame
from evenflare.waveguide.walls import Arc, Line

AIR = Air()
ANGLES = np.arange(0, 181, 5) * DEGREE
RADIUS = 0.15
"""m, of the sphere."""
QUARTER = 0.5 * np.pi


def axial(frame: Frame) -> FloatArray:
    """A stiff surface that moves as one along the axis, with 1 m/s."""
    return np.sin(frame.angle)


def at_sizes(sizes: FloatArray | list[float], radius: float, **more: float) -> Observation:
    """An observation at frequencies where k times the radius has these values, rising."""
    frequency = np.asarray(sizes) / radius * AIR.speed_of_sound / (2 * np.pi)
    return Observation(frequency=frequency, off_axis=ANGLES, **more)


def ball(half_angle: float, velocity: Velocity) -> Boundary:
    """A rigid sphere about the origin with a moving cap; its volume velocity is 1 m/s times its area, projected where
    the cap moves axially.
    """
    area = 2 * np.pi * RADIUS**2 * (1 - np.cos(half_angle))
    if velocity is axial:
        area = np.pi * (RADIUS * np.sin(half_angle)) ** 2
    rim = RADIUS * np.cos(half_angle), RADIUS * np.sin(half_angle)
    cap = Arc(RADIUS, 0.0, QUARTER, QUARTER + half_angle, RADIUS)
    rest = Arc(*rim, QUARTER + half_angle, 3 * QUARTER, RADIUS)
    return Boundary((BoundaryPart(cap, velocity), BoundaryPart(rest)), float(area))


def can(radius: float, length: float) -> Boundary:
    """A flat-ended cylinder whose front moves: two edges of 270 degrees of air."""
    return Boundary(
        (
            BoundaryPart(Line(0.0, 0.0, 0.0, radius), axial),
            BoundaryPart(Line(0.0, radius, -length, radius)),
            BoundaryPart(Line(-length, radius, -length, 0.0)),
        ),
        np.pi * radius**2,
    )


def at_density(nodes_per_wavelength: float, **more: float) -> BoundarySolver:
    """The solver at a density of nodes, without its check."""
    density = Density(nodes_per_wavelength=nodes_per_wavelength)
    return body_solver(fineness=Fineness(density, checked=False, **more))
