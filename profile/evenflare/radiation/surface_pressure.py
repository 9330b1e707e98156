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

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.linalg import blas, lapack

from evenflare.radiation.boundary import Boundary
from evenflare.radiation.inside import inside_points
from evenflare.radiation.layers import Layers, double_layer, single_layer, still_layers
from evenflare.radiation.panels import Density, MeridianMesh, cut, velocities
from evenflare.radiation.ring import LARGEST_PHASE
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray

INSIDE = 0.1
"""Points inside a body, over its nodes."""
FEWEST_INSIDE = 8
LARGEST_MESH = 4000
"""Nodes: more would fill gigabytes, and take minutes at each frequency."""
LARGEST_FACING = 1600
"""Nodes that walls which face each other closely may ask for: every band of frequency has them."""
SMALLEST_DETAIL = 1e-9
"""Of the boundary's size: the defect of the rows beside it nears a hundredth, and grows as it shrinks."""
TOUCHES = "the boundary cannot be solved: parts of it touch or cross one another"
"""What is said of equations that have no solution."""
EPSILON = float(np.finfo(np.float64).eps)
LARGEST_DEFECT = 0.1
"""Of Gauss's identity, 1/2 at every node: a row that is off by more has lost a jump, or got one that is not its own."""


@dataclass(frozen=True)
class SurfaceField:
    """The sound on the boundary at one frequency.

    pressure : (N,) m/s, at the nodes, over density times speed of sound; 0 at those of an opening.
    velocity : (N,) m2/s, times the arc's rate (see MeridianMesh), along the normal into the air; of an opening outward.
    rounding : share of them that rounding may have changed, by the equations' condition.
    """

    pressure: ComplexArray
    velocity: ComplexArray
    rounding: float


Incident = Callable[[FloatArray, FloatArray], ComplexArray]
"""Sounds (P, A), were nothing there, of the equations' azimuthal order at points z and r (P,), m."""


class Equations(Protocol):
    """Of one mesh: what does not depend on frequency, and how it is solved at one."""

    @property
    def mesh(self) -> MeridianMesh:
        """Whose nodes carry the unknowns."""
        ...

    @property
    def order(self) -> int:
        """Of the sound in the azimuth."""
        ...

    @property
    def defect(self) -> FloatArray:
        """(N,) by how much each row misses Gauss's identity, 1/2 p = int p dG/dn for an even pressure at rest, and of
        order m for p = r^m with its slope: what its integrals are off by, rounding included.
        """
        ...

    @property
    def driven(self) -> FloatArray:
        """(N,) m2/s: the velocity of what moves, times the arc's rate."""
        ...

    @property
    def stiff(self) -> FloatArray:
        """(N,) m2/s: the same were it stiff, by which its mean pressure is weighted."""
        ...

    def solved(self, k: float, driven: ComplexArray | None = None) -> SurfaceField:
        """The sound on the boundary at wavenumber k, rad/m, of what moves, or of other velocities of the source: (N,)
        m2/s, times the arc's rate.
        """
        ...

    def scattered(self, k: float, incident: Incident) -> ComplexArray:
        """(N, A) at wavenumber k, rad/m, the pressure at the nodes, which all stand, in sounds from elsewhere; 0 in an
        opening.
        """
        ...

    def power(self, k: float, surface: SurfaceField) -> float:
        """Sound power over density times speed of sound, m4/s2."""
        ...


def equations(
    boundary: Boundary, *, wavenumber: float, density: Density, inside: float = INSIDE, order: int = 0
) -> Equations:
    """Those of a mesh fine enough for wavenumbers up to the given one, rad/m.

    inside : points inside a closed body over its nodes; 0 leaves the solution open at the solid's resonances.
    order  : of the sound in the azimuth, as whose cosine everything goes.
    Errors : ValueError if the boundary is too many wavelengths wide, its walls face each other too closely over too
             long a way, or it has details too small for double precision.
    """
    waves = wavenumber / (2 * np.pi)
    arc, widest = _extent(boundary)
    most = min(LARGEST_PHASE / (2 * np.pi) / widest, LARGEST_MESH / density.nodes_per_wavelength / arc)
    if waves > most:
        raise ValueError(
            f"the body is {waves * widest:.0f} wavelengths wide at the highest frequency: must be at most"
            f" {most * widest:.0f}. Lower to_hz, or make it smaller"
        )
    _refuse_too_close(boundary, density)
    mesh = cut(boundary, wavenumber=wavenumber, density=density)
    made = _in_baffle(boundary, mesh, order) if boundary.baffled else _in_space(boundary, mesh, inside, order)
    worst = int(np.abs(made.defect).argmax())
    if abs(made.defect[worst]) > LARGEST_DEFECT:
        raise ValueError(
            f"near z_mm = {mesh.z[worst] / MILLIMETRE:.6g}, r_mm = {mesh.r[worst] / MILLIMETRE:.6g} the boundary has a"
            f" detail too small for double precision, below about {SMALLEST_DETAIL:g} of its own size, or touches"
            " itself. Leave it out, or make it larger"
        )
    return made


def _refuse_too_close(boundary: Boundary, density: Density) -> None:
    outline = boundary.outline
    arc = np.hypot(np.diff(outline.z), np.diff(outline.r))
    gap = np.concatenate(boundary.gaps)
    gap = np.minimum(gap[1:], gap[:-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        wanted = density.order * float(np.nansum(arc / (density.facing * gap)))
    if wanted > LARGEST_FACING:
        at = int(gap.argmin())
        raise ValueError(
            f"near z_mm = {outline.z[at] / MILLIMETRE:.4g}, r_mm = {outline.r[at] / MILLIMETRE:.4g} walls face each"
            f" other only {gap[at] / MILLIMETRE:.3g} mm apart, too close over too long a way for the boundary elements:"
            f" must be at least about {gap[at] * wanted / LARGEST_FACING / MILLIMETRE:.2g} mm. Make the solid, or the"
            " gap, thicker there"
        )


@dataclass(frozen=True)
class InSpace:
    """The equations of a closed body.

    source      : the nodes of what moves, and whole panels of its neighbours between.
    z, r        : (N + M,) m, the nodes and the points inside.
    still       : of these points and all nodes, and
    from_source : those of the source.
    """

    mesh: MeridianMesh
    defect: FloatArray
    driven: FloatArray
    stiff: FloatArray
    source: slice
    z: FloatArray
    r: FloatArray
    still: Layers
    from_source: Layers
    order: int

    def solved(self, k: float, driven: ComplexArray | None = None) -> SurfaceField:
        """See Equations."""
        velocity = self.driven.astype(np.complex128) if driven is None else driven
        single = single_layer(k, self.z, self.r, self.mesh, self.source, self.from_source, order=self.order)
        pressure, rounding = self._solution(k, 1j * k * (single @ velocity[self.source]))
        return SurfaceField(pressure, velocity, rounding)

    def scattered(self, k: float, incident: Incident) -> ComplexArray:
        """See Equations."""
        return self._solution(k, incident(self.z, self.r))[0]

    def _solution(self, k: float, right: ComplexArray) -> tuple[ComplexArray, float]:
        size = self.mesh.size
        nodes = slice(0, size)
        matrix = -double_layer(k, self.z, self.r, self.mesh, nodes, self.still, at_nodes=True, order=self.order)
        matrix[np.arange(size), np.arange(size)] += 0.5
        return (_solution if self.z.size == size else _least_squares)(matrix, right)

    def power(self, k: float, surface: SurfaceField) -> float:
        """See Equations: pressure times velocity over what moves."""
        weight = (2 * np.pi if self.order == 0 else np.pi) * self.mesh.weight * self.mesh.r
        return float(np.sum(weight * (surface.pressure * surface.velocity.conj()).real))


def _in_space(boundary: Boundary, mesh: MeridianMesh, inside: float, order: int) -> InSpace:
    driven, stiff = (velocity * mesh.rate for velocity in velocities(boundary, mesh))
    panels = np.flatnonzero(stiff) // mesh.order
    source = slice(int(panels[0]) * mesh.order, int(panels[-1] + 1) * mesh.order)
    extra_z, extra_r = inside_points(mesh, int(FEWEST_INSIDE + inside * mesh.size) if inside > 0.0 else 0)
    z, r = np.concatenate([mesh.z, extra_z]), np.concatenate([mesh.r, extra_r])
    still = still_layers(z, r, mesh, slice(0, mesh.size), at_nodes=True, order=order)
    pressure, slope = _at_rest(mesh, slice(0, mesh.size), order)
    defect = (still.double @ pressure - still.single @ slope)[: mesh.size] + 0.5 * pressure  # the air is outside
    return InSpace(mesh, defect, driven, stiff, source, z, r, still, still.of(source), order)


def _at_rest(mesh: MeridianMesh, nodes: slice, order: int) -> tuple[FloatArray, FloatArray]:
    """(N,) r^m over its largest, which solves Laplace's equation with the cosine of order m, and its slope along the
    normal times the arc's rate.
    """
    r, largest = mesh.r[nodes], float(mesh.r[nodes].max())
    if order == 0:
        return np.ones_like(r), np.zeros_like(r)
    slope = order / largest * (r / largest) ** (order - 1) * mesh.normal_r[nodes] * mesh.rate[nodes]
    return (r / largest) ** order, slope


@dataclass(frozen=True)
class InBaffle:
    """The equations of a waveguide whose mouth opens in a baffle.

    wall, source, opening : nodes of wall and exit; of the exit; of the opening.
    image_z               : m, the nodes of wall and exit mirrored in the baffle.
    from_wall, from_source, from_opening    : of all nodes and these, and
    image_from_wall, image_from_source      : of the mirrored nodes and these.
    """

    mesh: MeridianMesh
    defect: FloatArray
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
    order: int

    def solved(self, k: float, driven: ComplexArray | None = None) -> SurfaceField:
        """See Equations."""
        mesh, walls, m = self.mesh, self.wall.stop, self.order
        velocity = self.driven.astype(np.complex128) if driven is None else driven.copy()
        single = single_layer(k, mesh.z, mesh.r, mesh, self.source, self.from_source, order=m)
        image_r = mesh.r[self.wall]
        single[:walls] += single_layer(k, self.image_z, image_r, mesh, self.source, self.image_from_source, order=m)
        found, rounding = _solution(self._matrix(k), 1j * k * (single @ velocity[self.source]))
        velocity[walls:] = found[walls:] / (1j * k)
        return SurfaceField(np.concatenate([found[:walls], np.zeros(mesh.size - walls)]), velocity, rounding)

    def scattered(self, k: float, incident: Incident) -> ComplexArray:
        """See Equations. Outside, what comes meets its image, and what the opening sends."""
        right = -incident(self.mesh.z, self.mesh.r)
        right[self.wall] = 0.0
        found, _ = _solution(self._matrix(k), right)
        found[self.opening] = 0.0
        return found

    def _matrix(self, k: float) -> ComplexArray:
        mesh, walls, m = self.mesh, self.wall.stop, self.order
        z, r, image_r = mesh.z, mesh.r, mesh.r[self.wall]
        # The opening's unknown is j k times its velocity: then no column depends on the frequency's scale.
        matrix = np.empty((mesh.size, mesh.size), dtype=np.complex128)
        matrix[:, :walls] = -double_layer(k, z, r, mesh, self.wall, self.from_wall, at_nodes=True, order=m)
        matrix[:walls, :walls] -= double_layer(k, self.image_z, image_r, mesh, self.wall, self.image_from_wall, order=m)
        matrix[np.arange(walls), np.arange(walls)] += 0.5
        matrix[:, walls:] = 2.0 * single_layer(k, z, r, mesh, self.opening, self.from_opening, order=m)
        return matrix

    def power(self, k: float, surface: SurfaceField) -> float:
        """See Equations: of the opening, from the part of Green's function that carries power, sin(k R) / (4 pi R)."""
        mesh, opening = self.mesh, self.opening
        velocity = surface.velocity[opening]
        moved = velocity * mesh.weight[opening] * mesh.r[opening]
        carried = (
            single_layer(k, mesh.z[opening], mesh.r[opening], mesh, opening, None, order=self.order).imag @ velocity
        )
        return float(-4 * np.pi * k * np.vdot(moved, carried).real) * (1.0 if self.order == 0 else 0.5)


def _extent(boundary: Boundary) -> tuple[float, float]:
    """m: the length of the meridian, and the largest diameter."""
    outline = boundary.outline
    return float(np.hypot(np.diff(outline.z), np.diff(outline.r)).sum()), 2.0 * float(outline.r.max())


def _in_baffle(boundary: Boundary, mesh: MeridianMesh, order: int) -> InBaffle:
    """The equations of a waveguide in a baffle made ready: what does not depend on frequency, for walls and opening,
    seen from the nodes and from their images behind the baffle.
    """
    walls = mesh.part_start[-2]
    driven, stiff = (velocity * mesh.rate for velocity in velocities(boundary, mesh))
    source = slice(0, int(np.flatnonzero(stiff)[-1] // mesh.order + 1) * mesh.order)
    wall, opening = slice(0, walls), slice(walls, mesh.size)
    image_z = 2 * boundary.baffle_z - mesh.z[wall]
    from_wall = still_layers(mesh.z, mesh.r, mesh, wall, at_nodes=True, order=order)
    image = still_layers(image_z, mesh.r[wall], mesh, wall, at_nodes=False, order=order)
    # Wall and exit with their image enclose the air; at the opening one of them does half of it.
    pressure, slope = _at_rest(mesh, wall, order)
    defect = from_wall.double @ pressure - from_wall.single @ slope
    defect[:walls] += image.double @ pressure - image.single @ slope - 0.5 * pressure
    defect[walls:] -= 0.5 * (mesh.r[opening] / mesh.r[wall].max()) ** order
    return InBaffle(
        mesh,
        defect,
        driven,
        stiff,
        wall,
        source,
        opening,
        image_z,
        from_wall,
        from_wall.of(source),
        still_layers(mesh.z, mesh.r, mesh, opening, at_nodes=True, order=order),
        image,
        image.of(source),
        order,
    )


def _solution(matrix: ComplexArray, right: ComplexArray) -> tuple[ComplexArray, float]:
    """And the share of it that rounding may have changed."""
    columns = np.asfortranarray(matrix)
    size = float(np.abs(columns).sum(axis=0).max())
    factors, pivots, info = lapack.zgetrf(columns, overwrite_a=1)
    if info:
        raise ValueError(TOUCHES)
    solution, _ = lapack.zgetrs(factors, pivots, right)
    inverse, _ = lapack.zgecon(factors, size)
    return np.asarray(solution), EPSILON / max(float(inverse), EPSILON)


def _least_squares(matrix: ComplexArray, right: ComplexArray) -> tuple[ComplexArray, float]:
    """The same by the normal equations: the equation is of the second kind, and its condition bears squaring."""
    columns = np.asfortranarray(matrix)
    normal = blas.zherk(1.0, columns, trans=2, lower=1)
    size = float(np.abs(normal).sum(axis=0).max())  # of one triangle: at most half too small
    factor, info = lapack.zpotrf(normal, lower=1, clean=0, overwrite_a=1)
    if info:
        raise ValueError(TOUCHES)
    solution, _ = lapack.zpotrs(factor, columns.conj().T @ right, lower=1)
    inverse, _ = lapack.zpocon(factor, 2.0 * size, uplo="L")
    return np.asarray(solution), EPSILON / max(float(inverse), EPSILON)
