"""Pressure around a boundary on which the sound is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import j0, j1, jv, jvp

from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import Boundary
from evenflare.radiation.inside import enclosed, outline_of
from evenflare.radiation.layers import Layers, double_layer, single_layer, still_layers
from evenflare.radiation.panels import MeridianMesh
from evenflare.radiation.surface_pressure import SurfaceField
from evenflare.units import BoolArray, ComplexArray, FloatArray


def reached(boundary: Boundary, observation: Observation) -> BoolArray:
    """(A,) the angles at which there is sound: all but those behind a baffle.

    ValueError if the point on axis is behind it.
    """
    cosine = np.cos(observation.off_axis)
    if not boundary.baffled:
        return np.ones(cosine.size, dtype=bool)
    if observation.far_field:
        return np.asarray(cosine >= -1e-9)
    seen = observation.reference_z + observation.distance * cosine >= boundary.baffle_z
    if np.any(~seen & (cosine > 1.0 - 1e-12)):
        raise ValueError(
            f"distance_m = {observation.distance:g}: the point on axis lies behind the baffle."
            " Raise it, or move reference_z_mm forward"
        )
    return np.asarray(seen)


def far_pressure(
    k: float,
    cosine: FloatArray,
    surface: SurfaceField,
    *,
    mesh: MeridianMesh,
    baffled: bool,
    reference_z: float,
    order: int = 0,
) -> ComplexArray:
    """(A,) m2/s at cosines of the angle off axis: the limit of p r exp(j k r) over density times speed of sound.

    order : of the sound, over whose azimuth's cosine this is.
    In a baffle only the opening radiates, twice, and cosines are not negative. Round a ring exp(j k y . d), d the
    direction, and its product with the normal integrate to Bessel functions (Abramowitz & Stegun 1964, 9.1.21).
    """
    nodes = radiating(mesh, baffled)
    z, r, weight = mesh.z[nodes] - reference_z, mesh.r[nodes], (mesh.weight * mesh.r)[nodes]
    sine, along = np.sqrt(np.maximum(0.0, 1.0 - cosine**2)), cosine[:, None]
    argument = k * sine[:, None] * r
    phase = weight * np.exp(1j * k * along * z)
    phase = phase * 1j**order
    # Scipy's functions of two orders alone are far quicker.
    around, slope = (j0(argument), -j1(argument)) if order == 0 else (jv(order, argument), jvp(order, argument))
    even = phase * around
    if baffled:
        return np.asarray(1j * k * (even @ surface.velocity[nodes]))
    pressure = surface.pressure * mesh.rate
    normal = cosine * (even @ (pressure * mesh.normal_z)) - 1j * sine * ((phase * slope) @ (pressure * mesh.normal_r))
    return np.asarray(0.5j * k * (even @ surface.velocity + normal))


@dataclass(frozen=True)
class Places:
    """Points of the air at a finite distance.

    z, r  : (A,) m.
    still : of these and the nodes that radiate.
    """

    z: FloatArray
    r: FloatArray
    mesh: MeridianMesh
    baffled: bool
    still: Layers

    def pressure(self, k: float, surface: SurfaceField) -> ComplexArray:
        """(A,) m/s: over density times speed of sound."""
        nodes = radiating(self.mesh, self.baffled)
        single = single_layer(k, self.z, self.r, self.mesh, nodes, self.still)
        if self.baffled:
            return np.asarray(2j * k * (single @ surface.velocity[nodes]))
        double = double_layer(k, self.z, self.r, self.mesh, nodes, self.still)
        return np.asarray(double @ surface.pressure + 1j * k * (single @ surface.velocity))


def places(observation: Observation, seen: BoolArray, *, mesh: MeridianMesh, baffled: bool) -> Places:
    """The points at the observation's distance and those of its angles that are `seen`.

    ValueError if one of them lies in the body.
    """
    angle = observation.off_axis[seen]
    z = observation.reference_z + observation.distance * np.cos(angle)
    r = observation.distance * np.abs(np.sin(angle))
    if not baffled and np.any(enclosed(np.stack([z, r], axis=1), outline_of(mesh))):
        raise ValueError(
            f"distance_m = {observation.distance:g}: must keep every point outside the body."
            " Raise it, or leave it out for the far field"
        )
    return Places(z, r, mesh, baffled, still_layers(z, r, mesh, radiating(mesh, baffled), at_nodes=False))


def radiating(mesh: MeridianMesh, baffled: bool) -> slice:
    """The nodes from which sound reaches the air outside: all, or in a baffle those of the opening."""
    return slice(mesh.part_start[-2] if baffled else 0, mesh.size)
