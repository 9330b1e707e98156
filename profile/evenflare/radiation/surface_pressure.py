"""The sound on the boundary itself: the integral equations of a mesh, and their solution at one frequency.

Kirchhoff-Helmholtz for air to which the normal n points, with w the angular frequency (Pierce 1989, Acoustics, 4-6,
from memory), for a point of a smooth boundary and, with 1 or 0 in place of 1/2, of the air or the solid:

    1/2 p = int p dG/dn + j w rho v G dS.

A closed body in free space: this at every node. At frequencies where the solid, were it hollow and soft, would
resonate, the equation has more than one solution; the equation at points inside the solid, where the sum must be 0,
tells them apart (Schenck 1968, J. Acoust. Soc. Am. 44, 41), and all are met in the least-squares sense.

An opening in a baffle: with the mirror image in the baffle's plane, Green's function is stationary there, so that of
the opening only its outward velocity V enters. Nodes of wall and exit, G' = G + mirror image:

    1/2 p = int_wall p dG'/dn + j w rho int_exit v G' - 2 j w rho int_opening V G.

Nodes of the opening, whose pressure is 2 j w rho int V G seen from outside (Rayleigh):

    0 = int_wall p dG/dn + j w rho int_exit v G - 2 j w rho int_opening V G.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.linalg import blas, lapack

from evenflare.radiation.boundary import Boundary
from evenflare.radiation.inside import inside_points
from evenflare.radiation.layers import Layers, double_layer, single_layer, still_layers
from evenflare.radiation.panels import Density, Mesh, cut, velocities
from evenflare.radiation.ring import LARGEST_PHASE
from evenflare.units import ComplexArray, FloatArray
from evenflare.waveguide import joined

INSIDE = 0.1
"""Points inside a body, over its nodes."""
FEWEST_INSIDE = 8
LARGEST_MESH = 4000
"""Nodes: more would fill gigabytes, and take minutes at each frequency."""


@dataclass(frozen=True)
class Surface:
    """The sound on the boundary at one frequency.

    pressure : (N,) m/s, at the nodes, over density times speed of sound; 0 at those of an opening.
    velocity : (N,) m2/s, times the arc's rate (see Mesh), along the normal into the air; of an opening outward.
    """

    pressure: ComplexArray
    velocity: ComplexArray


class Equations(Protocol):
    """Of one mesh: what does not depend on frequency, and how it is solved at one."""

    @property
    def mesh(self) -> Mesh:
        """Whose nodes carry the unknowns."""
        ...

    @property
    def driven(self) -> FloatArray:
        """(N,) m2/s: the velocity of what moves, times the arc's rate."""
        ...

    @property
    def stiff(self) -> FloatArray:
        """(N,) m2/s: the same were it stiff, by which its mean pressure is weighted."""
        ...

    def solved(self, k: float) -> Surface:
        """The sound on the boundary at wavenumber k, rad/m."""
        ...

    def power(self, k: float, surface: Surface) -> float:
        """Sound power over density times speed of sound, m4/s2."""
        ...


def equations(boundary: Boundary, *, wavenumber: float, density: Density, inside: float = INSIDE) -> Equations:
    """Those of a mesh fine enough for wavenumbers up to the given one, rad/m.

    inside : points inside a closed body over its nodes; 0 leaves the solution open at the solid's resonances.
    Errors : ValueError if the boundary is too many wavelengths wide.
    """
    waves = wavenumber / (2 * np.pi)
    arc, widest = _extent(boundary)
    most = min(LARGEST_PHASE / (2 * np.pi) / widest, LARGEST_MESH / density.nodes_per_wavelength / arc)
    if waves > most:
        raise ValueError(
            f"the body is {waves * widest:.0f} wavelengths wide at the highest frequency: must be at most"
            f" {most * widest:.0f}. Lower to_hz, or make it smaller"
        )
    mesh = cut(boundary, wavenumber=wavenumber, density=density)
    if boundary.baffled:
        return _in_baffle(boundary, mesh)
    return _in_space(boundary, mesh, inside)


@dataclass(frozen=True)
class InSpace:
    """The equations of a closed body.

    source      : the nodes of what moves, and whole panels of its neighbours between.
    z, r        : (N + M,) m, the nodes and the points inside.
    still       : of these points and all nodes, and
    from_source : those of the source.
    """

    mesh: Mesh
    driven: FloatArray
    stiff: FloatArray
    source: slice
    z: FloatArray
    r: FloatArray
    still: Layers
    from_source: Layers

    def solved(self, k: float) -> Surface:
        """See Equations."""
        mesh, size = self.mesh, self.mesh.size
        matrix = -double_layer(k, self.z, self.r, mesh, slice(0, size), self.still)
        matrix[np.arange(size), np.arange(size)] += 0.5
        single = single_layer(k, self.z, self.r, mesh, self.source, self.from_source)
        right = 1j * k * (single @ self.driven[self.source])
        pressure = np.linalg.solve(matrix, right) if self.z.size == size else _least_squares(matrix, right)
        return Surface(np.asarray(pressure, dtype=np.complex128), self.driven.astype(np.complex128))

    def power(self, k: float, surface: Surface) -> float:
        """See Equations: pressure times velocity over what moves."""
        weight = 2 * np.pi * self.mesh.weight * self.mesh.r
        return float(np.sum(weight * (surface.pressure * surface.velocity.conj()).real))


def _in_space(boundary: Boundary, mesh: Mesh, inside: float) -> InSpace:
    driven, stiff = (velocity * mesh.rate for velocity in velocities(boundary, mesh))
    panels = np.flatnonzero(stiff) // mesh.order
    source = slice(int(panels[0]) * mesh.order, int(panels[-1] + 1) * mesh.order)
    extra_z, extra_r = inside_points(mesh, int(FEWEST_INSIDE + inside * mesh.size) if inside > 0.0 else 0)
    z, r = np.concatenate([mesh.z, extra_z]), np.concatenate([mesh.r, extra_r])
    still = still_layers(z, r, mesh, slice(0, mesh.size), at_nodes=True)
    return InSpace(mesh, driven, stiff, source, z, r, still, still.of(source))


@dataclass(frozen=True)
class InBaffle:
    """The equations of a waveguide whose mouth opens in a baffle.

    wall, source, opening : nodes of wall and exit; of the exit; of the opening.
    image_z               : m, the nodes of wall and exit mirrored in the baffle.
    from_wall, from_source, from_opening    : of all nodes and these, and
    image_from_wall, image_from_source      : of the mirrored nodes and these.
    """

    mesh: Mesh
    driven: FloatArray
    stiff: FloatArray
    wall: slice
    source: slice
    opening: slice
    image_z: FloatArray
    from_wall: Layers
    from_source: Layers
    from_opening: Layers
    image_from_wall: Layers
    image_from_source: Layers

    def solved(self, k: float) -> Surface:
        """See Equations."""
        mesh, walls = self.mesh, self.wall.stop
        z, r, image_r = mesh.z, mesh.r, mesh.r[self.wall]
        # The opening's unknown is j k times its velocity: then no column depends on the frequency's scale.
        matrix = np.empty((mesh.size, mesh.size), dtype=np.complex128)
        matrix[:, :walls] = -double_layer(k, z, r, mesh, self.wall, self.from_wall)
        matrix[:walls, :walls] -= double_layer(k, self.image_z, image_r, mesh, self.wall, self.image_from_wall)
        matrix[np.arange(walls), np.arange(walls)] += 0.5
        matrix[:, walls:] = 2.0 * single_layer(k, z, r, mesh, self.opening, self.from_opening)
        single = single_layer(k, z, r, mesh, self.source, self.from_source)
        single[:walls] += single_layer(k, self.image_z, image_r, mesh, self.source, self.image_from_source)
        found = np.linalg.solve(matrix, 1j * k * (single @ self.driven[self.source]))
        velocity = self.driven.astype(np.complex128)
        velocity[walls:] = found[walls:] / (1j * k)
        return Surface(np.concatenate([found[:walls], np.zeros(mesh.size - walls)]), velocity)

    def power(self, k: float, surface: Surface) -> float:
        """See Equations: of the opening, from the part of Green's function that carries power, sin(k R) / (4 pi R)."""
        mesh, opening = self.mesh, self.opening
        velocity = surface.velocity[opening]
        moved = velocity * mesh.weight[opening] * mesh.r[opening]
        carried = single_layer(k, mesh.z[opening], mesh.r[opening], mesh, opening, None).imag @ velocity
        return float(-4 * np.pi * k * np.vdot(moved, carried).real)


def _extent(boundary: Boundary) -> tuple[float, float]:
    """m: the length of the meridian, and the largest diameter."""
    outline = joined([part.piece.at(np.linspace(0.0, 1.0, 33)) for part in boundary.parts])
    return float(np.hypot(np.diff(outline.z), np.diff(outline.r)).sum()), 2.0 * float(outline.r.max())


def _in_baffle(boundary: Boundary, mesh: Mesh) -> InBaffle:
    walls = mesh.part_start[-2]
    driven, stiff = (velocity * mesh.rate for velocity in velocities(boundary, mesh))
    source = slice(0, int(np.flatnonzero(stiff)[-1] // mesh.order + 1) * mesh.order)
    wall, opening = slice(0, walls), slice(walls, mesh.size)
    image_z = 2 * boundary.baffle_z - mesh.z[wall]
    from_wall = still_layers(mesh.z, mesh.r, mesh, wall, at_nodes=True)
    image = still_layers(image_z, mesh.r[wall], mesh, wall, at_nodes=False)
    return InBaffle(
        mesh,
        driven,
        stiff,
        wall,
        source,
        opening,
        image_z,
        from_wall,
        from_wall.of(source),
        still_layers(mesh.z, mesh.r, mesh, opening, at_nodes=True),
        image,
        image.of(source),
    )


def _least_squares(matrix: ComplexArray, right: ComplexArray) -> ComplexArray:
    """By the normal equations: the integral equation is of the second kind, and its condition bears squaring."""
    columns = np.asfortranarray(matrix)
    normal = blas.zherk(1.0, columns, trans=2, lower=1)
    _, solution, info = lapack.zposv(normal, columns.conj().T @ right, lower=1)
    if info:
        raise ValueError("the boundary cannot be solved: parts of it touch or cross one another")
    return np.asarray(solution)
