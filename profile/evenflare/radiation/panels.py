"""The meridian cut into panels, each with Gauss points that carry the unknowns.

A panel is a stretch of the parameter of a smooth piece, from -1 to 1, with z and r as polynomials in it. Its nodes
are Gauss points of a second parameter u, from -1 to 1; at a corner x = 2 ((1 + u)/2)^GRADE - 1, so that fields which
go with a root of the distance from the corner are smooth in u. Nothing joins a panel's values to its neighbour's.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from evenflare.radiation.boundary import SAMPLES, TOUCH, Boundary, BoundaryPart, Velocity
from evenflare.units import FloatArray, IntArray
from evenflare.waveguide.meridian import Frame, Piece
from evenflare.waveguide.walls import Line

GRADE = 3
"""Power that draws a panel's nodes to a corner: pressures there go with the distance to 2/3 and above."""
COEFFICIENTS = 12
"""Of the polynomials of z and r over a panel."""
CORNER = 0.02
"""rad; a smaller jump of the wall's angle is no corner."""
MISS = 1e-6
"""m by which a cubic over a panel may miss the wall, were the density's turn 0.7, with which it goes. Walls as drawn
are followed closer anyway; of bumps 10 mm wide and 0.2 mm high panels that only turn with the wall saw so little that
the index was up to 2 dB wrong, of waves of 0.1 mm these leave 0.02 dB (measured).
"""
OPEN_RIM = 0.05
"""rad from 90 degrees; a wall that meets the baffle's plane closer than that runs into it smoothly."""


@dataclass(frozen=True)
class Density:
    """How finely a meridian is cut.

    order              : nodes of a panel.
    nodes_per_wavelength : along the arc.
    turn                 : rad, the largest turn of the wall within a panel.
    growth               : the largest length of a panel over its distance from the axis, or half the radius of a part
                           that reaches the axis.
    corner               : length of a panel at a corner over those away from it.
    facing               : the largest length of a panel over its distance from a wall that faces it. Across a thin
                           solid the equations on both sides are nearly one, and what they differ by, the pressure
                           across the wall, is lost in what the panels on either side cannot follow.
    """

    order: int = 4
    nodes_per_wavelength: float = 10.0
    turn: float = 0.7
    growth: float = 1.0
    corner: float = 0.3
    facing: float = 4.0


@dataclass(frozen=True)
class MeridianMesh:
    """Panels from the axis in front to the end, in order; arrays over panels (P,) and their nodes (N,), N = P order.

    gauss      : (order,) the nodes of a panel in u.
    shape      : (P, 2, COEFFICIENTS) z and r of a panel, polynomials in its parameter.
    grade      : (P,) 1 or -1 where nodes are drawn to the begin or end of a panel, else 0.
    middle     : (P, 2) and
    reach      : (P,) of a circle that holds a panel, m.
    z, r       : (N,) nodes, m.
    normal_z, normal_r : (N,) into the air.
    rate       : (N,) arc length per unit of u, m.
    weight     : (N,) Gauss weights, for integrals over u.
    part_start : where the nodes of each part begin, and their end; in a baffle the opening is the last part.
    """

    gauss: FloatArray
    shape: FloatArray
    grade: IntArray
    middle: FloatArray
    reach: FloatArray
    z: FloatArray
    r: FloatArray
    normal_z: FloatArray
    normal_r: FloatArray
    rate: FloatArray
    weight: FloatArray
    part_start: tuple[int, ...]

    @property
    def order(self) -> int:
        """Nodes of a panel."""
        return self.gauss.size

    @property
    def size(self) -> int:
        """Number of nodes."""
        return self.z.size

    @property
    def area(self) -> FloatArray:
        """(N,) m2 over 2 pi that a node stands for."""
        return self.weight * self.rate * self.r


def cut(boundary: Boundary, *, wavenumber: float, density: Density) -> MeridianMesh:
    """The mesh for wavenumbers up to the given one, rad/m. In a baffle the opening, from rim to axis, is added."""
    parts = list(boundary.parts)
    if boundary.baffled:
        z, r = boundary.baffle_z, boundary.opening_radius
        parts.append(BoundaryPart(Line(z, r, z, 0.0)))
    step = density.order / density.nodes_per_wavelength * 2 * np.pi / wavenumber
    corners = _corners(parts, boundary.baffled)
    gaps = [*boundary.gaps, np.full(SAMPLES, np.inf)]
    shapes, grades, starts = [], [], [0]
    for part, ends, gap in zip(parts, itertools.pairwise(corners), gaps, strict=False):
        breaks = _breaks(part.piece, step, density, ends, gap)
        shapes.append(_shapes(part.piece, breaks))
        grade = np.zeros(breaks.size - 1, dtype=np.int64)
        grade[0] += ends[0]
        grade[-1] -= ends[1]
        grades.append(grade)
        starts.append(starts[-1] + grade.size * density.order)
    return _mesh(np.concatenate(shapes), np.concatenate(grades), density.order, tuple(starts))


def velocities(boundary: Boundary, mesh: MeridianMesh) -> tuple[FloatArray, FloatArray]:
    """(N,) m/s along the normal, of what moves as it does and were it stiff; 0 where it is rigid. Either is scaled to
    the boundary's volume velocity.

    ValueError if what moves shifts no air.
    """
    stiff, tapered = np.zeros(mesh.size), np.ones(mesh.size)
    for part, first, beyond in zip(boundary.parts, mesh.part_start[:-1], mesh.part_start[1:], strict=False):
        nodes = slice(first, beyond)
        if part.velocity:
            stiff[nodes] = _at_nodes(part.velocity, mesh, nodes)
        if part.taper:
            tapered[nodes] = part.taper(mesh.r[nodes])
    return _scaled(stiff * tapered, boundary, mesh), _scaled(stiff, boundary, mesh)


def _scaled(velocity: FloatArray, boundary: Boundary, mesh: MeridianMesh) -> FloatArray:
    moved = 2 * np.pi * float(np.sum(velocity * mesh.area))
    if abs(moved) <= 1e-6 * 2 * np.pi * float(np.sum(np.abs(velocity) * mesh.area)):
        raise ValueError("what moves must move air: its volume velocity is 0")
    return np.asarray(velocity * boundary.source_area / moved)


def _at_nodes(velocity: Velocity, mesh: MeridianMesh, nodes: slice) -> FloatArray:
    normal_z, normal_r, r = mesh.normal_z[nodes], mesh.normal_r[nodes], mesh.r[nodes]
    return velocity(Frame(mesh.z[nodes], r, np.arctan2(normal_z, -normal_r), 0.0 * r, mesh.rate[nodes]))


def _corners(parts: Sequence[BoundaryPart], baffled: bool) -> list[int]:
    """Of every end of a part, 1 where the meridian has a corner, counting its mirror image beyond the axis."""
    angle = np.array([part.piece.frame_at(np.array([0.0, 1.0])).angle for part in parts])
    jump = np.abs(np.angle(np.exp(1j * (angle[1:, 0] - angle[:-1, 1]))))
    at_axis = [np.abs(np.cos(angle[0, 0])), np.abs(np.cos(angle[-1, 1]))]
    corner = np.concatenate([[at_axis[0]], jump, [at_axis[1]]]) > CORNER
    if baffled:
        corner[-2] = np.abs(angle[-2, 1] - 0.5 * np.pi) > OPEN_RIM
    return [int(each) for each in corner]


def _breaks(piece: Piece, step: float, density: Density, ends: tuple[int, int], gap: FloatArray) -> FloatArray:
    """Parameters of the piece at which its panels begin and end. gap : (SAMPLES,) see Boundary.gaps."""
    t = np.linspace(0.0, 1.0, SAMPLES)
    frame = piece.frame_at(t)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(frame.z), np.diff(frame.r)))])
    middle = 0.5 * (arc[1:] + arc[:-1])
    turn = np.abs(np.diff(np.unwrap(frame.angle)))
    on_axis = min(frame.r[0], frame.r[-1]) <= TOUCH
    radius = np.full(middle.size, 0.5 * frame.r.max()) if on_axis else 0.5 * (frame.r[1:] + frame.r[:-1])
    size = np.minimum(step, density.growth * radius)
    size = np.minimum(size, density.facing * np.minimum(gap[1:], gap[:-1]))
    for corner, distance in zip(ends, (middle, arc[-1] - middle), strict=True):
        if corner:
            size = np.minimum(size, density.corner * size + distance)
    bent = np.maximum(turn / density.turn, _waved(frame, density))
    count = np.concatenate([[0.0], np.cumsum(np.maximum(np.diff(arc) / size, bent))])
    panels = max(int(np.ceil(count[-1] - 1e-9)), 1, sum(ends))
    return np.interp(np.linspace(0.0, count[-1], panels + 1), count, t)


def _waved(frame: Frame, density: Density) -> FloatArray:
    """(N - 1,) panels between points (N,), even in the parameter, so that none misses the wall by more than MISS: a
    cubic leaves a curve by a 1920th of its fourth difference over the panel at Lobatto's points.
    """
    chord_z, chord_r = frame.z[4:] - frame.z[:-4], frame.r[4:] - frame.r[:-4]
    across = np.abs(np.diff(frame.r, 4) * chord_z - np.diff(frame.z, 4) * chord_r)
    across = across / np.maximum(np.hypot(chord_z, chord_r), 1e-15)
    fourth = np.pad(np.maximum(across[1:], across[:-1]), 2, mode="edge")
    return np.asarray((fourth / (1920.0 * MISS * density.turn / 0.7)) ** 0.25)


@cache
def _fit() -> tuple[FloatArray, FloatArray]:
    """Points of a panel, and the matrix from values there to coefficients.

    Both ends are among them, so that panels meet to the last digits, however small the one beside.
    """
    points = np.cos(np.pi * np.arange(COEFFICIENTS) / (COEFFICIENTS - 1))
    return points, np.linalg.inv(np.vander(points, increasing=True))


def _shapes(piece: Piece, breaks: FloatArray) -> FloatArray:
    points, to_coefficients = _fit()
    inside = breaks[:-1, None] + 0.5 * np.diff(breaks)[:, None] * (1.0 + points)
    frame = piece.frame_at(inside)
    place = np.stack([frame.z, frame.r], axis=1)
    # From the panel's end: its own shape, however small, then loses no digits to where it lies.
    shapes = (place - place[:, :, :1]) @ to_coefficients.T
    shapes[:, :, 0] += place[:, :, 0]
    return np.asarray(shapes)


def _mesh(shape: FloatArray, grade: IntArray, order: int, part_start: tuple[int, ...]) -> MeridianMesh:
    """Nodes on panels of polynomials: shape (M, 2, coefficients) of z and r over [-1, 1]. The outward normal is the
    tangent (z', r') turned to (r', -z'); beside an end that a panel is graded to, nodes crowd.
    """
    u, weight = np.polynomial.legendre.leggauss(order)
    x, slope = _graded(u, grade[:, None])
    powers = np.arange(COEFFICIENTS)
    place = np.einsum("pdc,pnc->pdn", shape, x[:, :, None] ** powers)
    along = np.einsum("pdc,pnc->pdn", shape[:, :, 1:] * powers[1:], x[:, :, None] ** powers[:-1])
    speed = np.hypot(along[:, 0], along[:, 1])
    probes = np.linspace(-1.0, 1.0, 9)[:, None] ** powers
    outline = np.einsum("pdc,nc->pdn", shape, probes)
    middle = 0.5 * (outline[:, :, 0] + outline[:, :, -1])
    reach = np.hypot(*np.moveaxis(outline - middle[:, :, None], 1, 0)).max(axis=1)
    return MeridianMesh(
        u,
        np.ascontiguousarray(shape),
        grade,
        middle,
        reach,
        place[:, 0].ravel(),
        place[:, 1].ravel(),
        (along[:, 1] / speed).ravel(),
        (-along[:, 0] / speed).ravel(),
        (speed * slope).ravel(),
        np.tile(weight, len(shape)),
        part_start,
    )


def _graded(u: FloatArray, grade: IntArray) -> tuple[FloatArray, FloatArray]:
    """The panel's parameter at u, and its slope."""
    share = 0.5 * (1.0 + np.where(grade < 0, -u, u))
    drawn = 2.0 * share**GRADE - 1.0
    x = np.where(grade == 0, u, np.where(grade < 0, -drawn, drawn))
    return x, np.where(grade == 0, 1.0, GRADE * share ** (GRADE - 1))
