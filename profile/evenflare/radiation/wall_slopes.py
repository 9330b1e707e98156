"""How a round waveguide's sound changes with its wall, to first order, for walls moved alike all round or not.

Where a rigid wall lies eta further into the air, the sound p that is heard far away in a direction changes by

    1 / (4 pi) int eta (grad p . grad q - k^2 p q) dS,

gradients along the wall, with q the sound that a plane wave of unit pressure from that direction would make on it were
the driver rigid: one solution for each direction, and then no more than sums for any number of shapes. A shape that
goes as cos(m a) around the axis meets that part of q. Corners need no care: both gradients may be infinite there, but
their product can be integrated. By boundary elements.
Source: Hadamard's variation of the domain, with the reciprocity of the adjoint problem; as in Henrot & Pierre (2018),
Shape Variation and Optimization, chapter 5 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import jv

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import Boundary, boundary_of
from evenflare.radiation.boundary_elements import Fineness, bands_of
from evenflare.radiation.boundary_field import far_pressure, reached
from evenflare.radiation.one_thread import one_thread
from evenflare.radiation.own_error import DB_PER_SHARE, level_slope
from evenflare.radiation.panels import Density, MeridianMesh, with_nodes
from evenflare.radiation.ring import LARGEST_ORDER
from evenflare.radiation.surface_pressure import Equations, equations
from evenflare.units import ComplexArray, FloatArray, read_only
from evenflare.waveguide import Waveguide

FINENESS = Fineness(Density(order=10, nodes_per_wavelength=14.0))
"""Finer than for the sound itself, as its gradient counts: slopes within 0.003 of their largest (measured from 1 to 18
kHz on five walls, orders 0 to 2, with shapes over the whole wall, sharp rims moved or not)."""
POINTS = 24
"""Of a panel, at which shapes of the wall are asked for: they may change faster than the sound does."""
MORE_DIRECTIONS = 16
"""Than wavenumber times radius, over which sound power is summed."""
Shapes = Callable[[FloatArray], FloatArray]
"""Departures (N, B) of a wall, each of any unit, at shares (N,) of its arc from throat, 0, to mouth, 1."""


@dataclass(frozen=True)
class WallSlopes:
    """The change of a sound with shapes of the wall, at an observation's F frequencies, P planes and A angles.

    observation : where.
    pressure    : (F, P, A) of the waveguide as drawn, for 1 m/s rms over the exit, as Directivity's.
    slope       : (B, F, P, A) its change for each m of each shape times cos(order azimuth), positive where the wall
                  lies further from the axis.
    index       : (B, F) dB for each m, of the directivity index on axis; 0 for orders above 0, which reach neither the
                  axis nor, to first order, the power.
    What a level does with a departure is straight only as far as the sound changes by little: beside a null of the
    pattern, or where the index dips over a narrow band, tenths of a millimetre can be too much.
    """

    observation: Observation
    pressure: ComplexArray
    slope: ComplexArray
    index: FloatArray

    @property
    def level(self) -> FloatArray:
        """(B, F, P, A) dB for each m, of the level; 0 where there is no sound."""
        return level_slope(self.pressure, self.slope)


def wall_slopes(
    waveguide: Waveguide, observation: Observation, air: Air, *, shapes: Shapes, order: int = 0
) -> WallSlopes:
    """In the far field, of a round waveguide. The driver's exit and what the mouth is mounted in stay as they are:
    where the wall is rolled over to 90 degrees at its rim, a shape must come down to 0 there.

    order  : of the shapes in the azimuth, 0 to 8.
    Errors : ValueError for another order or a finite distance, and as boundary elements.
    """
    if not 0 <= order <= LARGEST_ORDER:
        raise ValueError(f"order = {order}: must be 0 to {LARGEST_ORDER}")
    if not observation.far_field:
        raise ValueError(f"distance = {observation.distance:g} m: must be infinite, slopes are those of the far field")
    boundary = boundary_of(waveguide)
    wavenumber = 2 * np.pi * observation.frequency / air.speed_of_sound
    seen = reached(boundary, observation)
    # Of power only shapes alike all round know anything.
    everywhere, area = _directions(boundary, float(wavenumber[-1])) if order == 0 else (np.zeros(0), np.zeros(0))
    asked = int(seen.sum())
    angles = np.concatenate([observation.off_axis[seen], [0.0], everywhere])
    rows = []
    with one_thread():
        for band in bands_of(wavenumber, FINENESS.edges):
            top = float(wavenumber[band][-1])
            both = {
                m: equations(boundary, wavenumber=top, density=FINENESS.density, inside=FINENESS.inside, order=m)
                for m in {0, order}
            }
            wall = _wall(waveguide, boundary, both[0].mesh, shapes)
            rows += [
                _at_one(float(k), both[0], both[order], wall, angles, observation.reference_z, boundary.baffled)
                for k in wavenumber[band]
            ]
    far, change = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    pressure = np.zeros(observation.shape, dtype=np.complex128)
    pressure[:, :, seen] = air.impedance * far[:, None, :asked]
    slope = np.zeros((change.shape[1], *observation.shape), dtype=np.complex128)
    around = np.cos(order * observation.plane)[:, None]
    slope[..., seen] = air.impedance * np.swapaxes(change, 0, 1)[:, :, None, :asked] * around
    index = np.zeros((change.shape[1], wavenumber.size))
    if order == 0:
        sound, moved = far[:, None, asked + 1 :], change[:, :, asked + 1 :]
        power = (np.conj(sound) * moved).real @ area / (np.abs(sound) ** 2 @ area)
        index += DB_PER_SHARE * ((change[:, :, asked] / far[:, None, asked]).real - power).T
    sound, change = (read_only(each, np.complex128) for each in (pressure, slope))
    return WallSlopes(observation, sound, change, read_only(index))


def _directions(boundary: Boundary, wavenumber: float) -> tuple[FloatArray, FloatArray]:
    """Angles off axis, rad, and weights by which squares of far pressures up to a wavenumber, rad/m, add up to power.

    A pattern from within a radius is a polynomial of the cosine, of a degree of wavenumber times radius and a little.
    """
    outline = boundary.outline
    reach = boundary.opening_radius
    if not boundary.baffled:
        reach = float(np.hypot(outline.z - 0.5 * (outline.z.max() + outline.z.min()), outline.r).max())
    x, weights = np.polynomial.legendre.leggauss(MORE_DIRECTIONS + int(wavenumber * reach))
    return np.arccos(0.5 * (1.0 + x) if boundary.baffled else x), weights


class _Wall(NamedTuple):
    """The wall's nodes (N,), which carry the sound, and more points of its panels (M,), which tell shapes apart.

    departures        : (M, B) of the shapes, times minus half the area over 2 pi that a point stands for.
    gradients         : (M,) by which products of derivatives by the panels' parameter become those of gradients.
    to_points, slopes : (panels, points of one, nodes) from values at the nodes.
    """

    nodes: slice
    departures: FloatArray
    gradients: FloatArray
    to_points: FloatArray
    slopes: FloatArray


def _wall(waveguide: Waveguide, boundary: Boundary, mesh: MeridianMesh, shapes: Shapes) -> _Wall:
    pieces = waveguide.meridian.pieces
    own = [i for i, part in enumerate(boundary.parts) if any(part.piece is piece for piece in pieces)]
    dense = with_nodes(mesh, POINTS)
    nodes, points = (slice(each.part_start[own[0]], each.part_start[own[-1] + 1]) for each in (mesh, dense))
    rate = dense.rate[points].reshape(-1, POINTS)
    length = rate @ dense.weight[:POINTS]
    # From a panel's begin to its points, of the polynomial through the rates there.
    legendre = np.polynomial.legendre.legvander(dense.gauss, POINTS)
    degree = np.arange(1, POINTS)
    rising = np.column_stack([dense.gauss + 1.0, (legendre[:, 2:] - legendre[:, :-2]) / (2 * degree + 1)])
    series = np.linalg.inv(legendre[:, :-1])
    arc = (np.cumsum(length) - length)[:, None] + rate @ (rising @ series).T
    panels = slice(nodes.start // mesh.order, nodes.stop // mesh.order)
    matrices = {grade: _to_points(mesh.gauss, dense.gauss, grade) for grade in (-1, 0, 1)}
    to_points, slopes = (np.array([matrices[int(grade)][i] for grade in mesh.grade[panels]]) for i in (0, 1))
    return _Wall(
        nodes,
        np.asarray(-0.5 * dense.area[points][:, None] * shapes(arc.ravel() / length.sum())),
        1.0 / dense.rate[points] ** 2,
        to_points,
        slopes,
    )


def _to_points(gauss: FloatArray, points: FloatArray, grade: int) -> tuple[FloatArray, FloatArray]:
    """(points, nodes) from values at the nodes of a panel to those at points of it, and to slopes over its parameter.

    Beside a corner sound goes with a power of the distance above 1/2, so that where nodes are drawn to it by the power
    GRADE it has no slope: what the polynomial had would be magnified without bounds.
    """
    if grade == 0:
        powers, x, at, rate = np.arange(gauss.size), gauss, points, 1.0
    else:
        powers = np.delete(np.arange(gauss.size), 1)
        x, at, rate = 0.5 * (1.0 + grade * gauss), 0.5 * (1.0 + grade * points), 0.5 * grade
    to_powers = np.linalg.pinv(x[:, None] ** powers)
    slopes = rate * powers[1:] * at[:, None] ** (powers[1:] - 1)
    return at[:, None] ** powers @ to_powers, np.asarray(slopes @ to_powers[1:])


def _at_one(
    k: float,
    still: Equations,
    turned: Equations,
    wall: _Wall,
    off_axis: FloatArray,
    reference: float,
    baffled: bool,
) -> tuple[ComplexArray, ComplexArray]:
    """At wavenumber k, rad/m, over density times speed of sound: the far pressure (A,), and its slopes (B, A)."""
    mesh, order, cosine, sine = still.mesh, turned.order, np.cos(off_axis), np.sin(off_axis)

    def wave(z: FloatArray, r: FloatArray) -> ComplexArray:
        """The part of order m of plane waves (Abramowitz & Stegun 1964, 9.1.21); r sine may be below 0."""
        along = np.exp(1j * k * cosine * (z[:, None] - reference))
        return np.asarray(1j**order * jv(order, k * sine * r[:, None]) * along)

    surface = still.solved(k)
    far = far_pressure(k, cosine, surface, mesh=mesh, baffled=baffled, reference_z=reference)
    both = np.column_stack([surface.pressure[:, None], turned.scattered(k, wave)])[wall.nodes]
    on_panels = both.reshape(-1, mesh.order, both.shape[1])
    value, slope = ((each @ on_panels).reshape(-1, both.shape[1]) for each in (wall.to_points, wall.slopes))
    met = wall.gradients[:, None] * slope[:, :1] * slope[:, 1:] - k * k * value[:, :1] * value[:, 1:]
    return far, np.asarray(wall.departures.T @ met)
