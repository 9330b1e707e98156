"""Directivities to be compared: invented fields, pistons and caps in closed form, and units that scatter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.air import Air
from evenflare.closed_forms import cap_pattern, piston_pattern
from evenflare.directivity.types import Directivity, Observation
from evenflare.units import DEGREE

AIR = Air()
FREQUENCY = np.geomspace(400.0, 12000.0, 24)
ORBIT = np.arange(-175.0, 180.1, 5.0) * DEGREE
"""72 angles."""
FRONT = np.arange(-90.0, 90.1, 5.0) * DEGREE
PLANES = np.array([0.0, 0.5 * np.pi])


def field(pressure, *, frequency=(1000.0,), off_axis, plane=(0.0,), valid=None, half_space=False, air=AIR, **observed):
    """A directivity of pressures that spread to (F, P, A); off_axis in degrees."""
    observed = {"distance": 2.0, "reference_z": 0.09, "symmetry": "none", **observed}
    at = Observation(np.array(frequency), np.array(off_axis) * DEGREE, plane=np.array(plane) * DEGREE, **observed)
    whole = np.broadcast_to(np.asarray(pressure, dtype=complex), at.shape)
    good = np.ones(at.shape[0], bool) if valid is None else np.array(valid)
    return Directivity(at, whole, good, air.density, air.speed_of_sound, half_space=half_space)


def of_levels(level_db, **more):
    """The same of levels in dB."""
    return field(10.0 ** (0.05 * np.asarray(level_db, dtype=float)), **more)


def piston(radius: float, *, off_axis=FRONT, plane=PLANES, symmetry="round", frequency=FREQUENCY) -> Directivity:
    """A round piston in a baffle, far field (Kinsler et al., section 7.4)."""
    size = 2.0 * np.pi * frequency * radius / AIR.speed_of_sound
    pattern = np.zeros((frequency.size, off_axis.size))
    front = np.abs(off_axis) <= 0.5 * np.pi + 1e-9
    pattern[:, front] = piston_pattern(size, np.minimum(np.abs(off_axis[front]), 0.5 * np.pi))
    at = Observation(frequency, off_axis, plane=plane, symmetry=symmetry, reference_z=0.09)
    whole = np.broadcast_to(pattern[:, None, :], at.shape).astype(complex)
    return Directivity(at, whole, np.ones(frequency.size, bool), AIR.density, AIR.speed_of_sound, half_space=True)


def cap(half_angle: float, *, off_axis=ORBIT, plane=PLANES, symmetry="round", distance=2.0) -> Directivity:
    """A cap on a rigid sphere of 0.12 m, its far pattern (Beranek and Mellow, 12.6), as if at `distance`."""
    size = 2.0 * np.pi * FREQUENCY * 0.12 / AIR.speed_of_sound
    pattern = cap_pattern(size, np.abs(off_axis), half_angle=half_angle)
    at = Observation(FREQUENCY, off_axis, plane=plane, symmetry=symmetry, distance=distance, reference_z=0.09)
    whole = np.broadcast_to(pattern[:, None, :], at.shape)
    return Directivity(at, whole, np.ones(FREQUENCY.size, bool), AIR.density, AIR.speed_of_sound)


def with_file(directivity: Directivity, *, plane: int, angle_deg: float, of_deg: float) -> Directivity:
    """As if the file of one angle held the reading of another."""
    angles = directivity.observation.off_axis / DEGREE
    at, other = (int(np.abs(angles - wanted).argmin()) for wanted in (angle_deg, of_deg))
    pressure = directivity.pressure.copy()
    pressure[:, plane, at] = pressure[:, plane, other]
    return replace(directivity, pressure=pressure)


def scattered(directivity: Directivity, *, seed: int, level_db: float, gain_db: float = 0.0) -> Directivity:
    """A unit: Gaussian errors of level, seeded, and a gain that grows with frequency."""
    noise = np.random.default_rng(seed).normal(0.0, level_db, directivity.pressure.shape)
    gain = gain_db * (1.0 + np.linspace(-0.5, 0.5, noise.shape[0]))[:, None, None]
    return replace(directivity, pressure=directivity.pressure * 10.0 ** (0.05 * (noise + gain)))
