"""Matrices of the layer potentials on a mesh: from values at its nodes to integrals seen from points of the air.

Single layer: int G v dS, for v times the arc's rate at the nodes, which stays smooth where v alone is singular at a
rim. Double layer: int p dG/dn dS. The still parts of the ring's kernel (see ring.py), which are singular, are
integrated over near panels with points drawn to the nearest one by a hyperbolic sine; what remains of the kernel is
smooth and summed over the nodes.
Source: Johnston & Elliott (2005), Int. J. Numer. Meth. Engng 62, 564, for the sinh transformation (from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.special import roots_legendre

from evenflare.compiled import njit
from evenflare.radiation.panel_points import barycentric, between, drawn, lagrange, nearest, on_panel
from evenflare.radiation.panels import MeridianMesh
from evenflare.radiation.ring import moving_double, moving_single, moving_slope, still_parts
from evenflare.units import ComplexArray, FloatArray, IntArray, read_only

NEAR = 1.0
"""A panel is near within this many of its reaches beyond its circle."""
MIDDLING = 5.0
"""The same, of one that is not far either and whose integrals take more points than its nodes. What is left out shows
where walls face each other closely across the solid: the equations on their two sides are nearly one, and their
difference is the pressure across the wall."""
MIDDLING_GRADED = 12.0
"""Of a panel whose nodes are drawn to an end: in their parameter its kernel bends more sharply."""
MIDDLING_COUNT = 10
TOUCHING = 1e-4
"""Of the rest of the panel on one side: the scale on which points are drawn to a node on it, for a logarithm."""
CLOSEST = 1e-13
"""The same, at least, for points beside it: nearer than that their coordinates' last digits count."""
LARGEST_RULE = 120
BASE_COUNT = 8.0
COUNT_PER_RISE = 2.0
"""Points on one side of the nearest one: for each unit of the hyperbolic sine's argument."""
COUNT_PER_RISE_GRADED = 6.0
"""Where nodes are drawn to an end: there the kernel's poles lie at a third of the angle, and closer to the points."""


class Layers(NamedTuple):
    """Parts of both layers that do not depend on frequency, (points, nodes): of k^0 and of k^2."""

    single: FloatArray
    single_square: FloatArray
    double: FloatArray
    double_square: FloatArray

    def of(self, nodes: slice) -> Layers:
        """Of some of the nodes only."""
        return Layers(*(np.ascontiguousarray(part[:, nodes]) for part in self))


def _gauss_rules() -> tuple[FloatArray, FloatArray]:
    """Points and weights on [0, 1] of each count, in rows."""
    points, weights = np.zeros((2, LARGEST_RULE + 1, LARGEST_RULE))
    for count in range(1, LARGEST_RULE + 1):
        nodes, each = roots_legendre(count)
        points[count, :count], weights[count, :count] = 0.5 * (nodes + 1.0), 0.5 * each
    return read_only(points), read_only(weights)


_POINTS, _WEIGHTS = _gauss_rules()


def still_layers(
    z: FloatArray, r: FloatArray, mesh: MeridianMesh, nodes: slice, *, at_nodes: bool, order: int = 0
) -> Layers:
    """Of points (z, r), m, and some of the mesh's nodes, whole panels, for sound of an azimuthal order.

    at_nodes : whether the first points are the mesh's nodes. Which panel a node lies on is told by its number: told by
               its distance, a node of a panel of nanometres would lie on the neighbour too, or by its last digits on
               neither, and its row would miss or repeat the jump of the double layer.
    """
    panels = slice(nodes.start // mesh.order, nodes.stop // mesh.order)
    return Layers(
        *_still(
            z,
            r,
            mesh.size if at_nodes else 0,
            panels.start,
            mesh.shape[panels],
            mesh.grade[panels],
            mesh.middle[panels],
            mesh.reach[panels],
            mesh.gauss,
            *(each[nodes] for each in (mesh.z, mesh.r, mesh.normal_z, mesh.normal_r, mesh.rate, mesh.weight)),
            order,
        )
    )


def single_layer(
    k: float,
    z: FloatArray,
    r: FloatArray,
    mesh: MeridianMesh,
    nodes: slice,
    still_part: Layers | None,
    *,
    order: int = 0,
) -> ComplexArray:
    """(points, nodes) at wavenumber k, rad/m, from the still layers of the same; without them only its imaginary part
    is right, which is smooth.
    """
    result = np.zeros((z.size, nodes.stop - nodes.start), dtype=np.complex128)
    _add_single(k, z, r, mesh.z[nodes], mesh.r[nodes], mesh.weight[nodes], order, result)
    if still_part is not None:
        result.real += still_part.single + k * k * still_part.single_square
    return result


def double_layer(
    k: float,
    z: FloatArray,
    r: FloatArray,
    mesh: MeridianMesh,
    nodes: slice,
    known: Layers,
    *,
    at_nodes: bool = False,
    order: int = 0,
) -> ComplexArray:
    """(points, nodes) at wavenumber k, rad/m, from the still layers of the same.

    at_nodes : whether the first points are these nodes: half of the work on them then serves twice.
    """
    count = nodes.stop - nodes.start
    result = np.zeros((z.size, count), dtype=np.complex128)
    rings = [each[nodes] for each in (mesh.z, mesh.r, mesh.normal_z, mesh.normal_r)]
    weight, own = mesh.weight[nodes] * mesh.rate[nodes], count if at_nodes else 0
    if at_nodes:
        _add_double_among(k, *rings, weight, order, result[:own])
    _add_double(k, z[own:], r[own:], *rings, weight, order, result[own:])
    result.real += known.double + k * k * known.double_square
    return result


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def _add_single(
    k: float,
    z: FloatArray,
    r: FloatArray,
    ring_z: FloatArray,
    ring_r: FloatArray,
    weight: FloatArray,
    order: int,
    result: ComplexArray,
) -> None:
    """Adds the single layer's smooth part at points (P,) of rings (N,), times their weights and radii, to (P, N)."""
    for i in range(z.size):
        for j in range(ring_z.size):
            real, imaginary = moving_single(k, z[i], r[i], ring_z[j], ring_r[j], order)
            result[i, j] += weight[j] * ring_r[j] * complex(real, imaginary)


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def _add_double(
    k: float,
    z: FloatArray,
    r: FloatArray,
    ring_z: FloatArray,
    ring_r: FloatArray,
    normal_z: FloatArray,
    normal_r: FloatArray,
    weight: FloatArray,
    order: int,
    result: ComplexArray,
) -> None:
    """The same of the double layer, with the rings' unit normals (N,) each."""
    for i in range(z.size):
        for j in range(ring_z.size):
            real, imaginary = moving_double(k, z[i], r[i], ring_z[j], ring_r[j], normal_z[j], normal_r[j], order)
            result[i, j] += weight[j] * ring_r[j] * complex(real, imaginary)


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def _add_double_among(
    k: float,
    z: FloatArray,
    r: FloatArray,
    normal_z: FloatArray,
    normal_r: FloatArray,
    weight: FloatArray,
    order: int,
    result: ComplexArray,
) -> None:
    """The same at the rings themselves (N,): what takes nearly all of the time is alike from either of two."""
    for i in range(z.size):
        for j in range(i + 1):
            dz, dr = z[j] - z[i], r[j] - r[i]
            near_real, near_imaginary, far_real, far_imaginary = moving_slope(k, dz * dz + dr * dr, r[i] * r[j], order)
            near, far = complex(near_real, near_imaginary), complex(far_real, far_imaginary)
            along, across = normal_z[j] * dz + normal_r[j] * dr, normal_r[j] * r[i]
            result[i, j] += weight[j] * r[j] * (along * near + across * far)
            if i != j:
                along, across = -(normal_z[i] * dz + normal_r[i] * dr), normal_r[i] * r[j]
                result[j, i] += weight[i] * r[i] * (along * near + across * far)


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def _still(
    z: FloatArray,
    r: FloatArray,
    at_nodes: int,
    first_panel: int,
    shape: FloatArray,
    grade: IntArray,
    middle: FloatArray,
    reach: FloatArray,
    gauss: FloatArray,
    node_z: FloatArray,
    node_r: FloatArray,
    normal_z: FloatArray,
    normal_r: FloatArray,
    rate: FloatArray,
    weight: FloatArray,
    turning: int,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The four parts of Layers, each (P, N), of points z, r (P,) and the nodes (N,) of panels (M,).

    at_nodes    : how many of the first points are nodes of the mesh, and
    first_panel : which of its panels is the first of these.
    shape       : (M, 2, coefficients) of the panels' z and r; grade (M,), middle (M, 2), reach (M,) as MeridianMesh's.
    gauss       : (order,) nodes on [-1, 1]; node_z ... weight (N,) of the nodes themselves.
    turning     : the azimuthal order.

    Three kinds of panels by their distance: near ones by drawn points (`_near`), middling ones by more Gauss points
    than nodes, on which the value at a node acts by its Lagrange polynomial, and far ones by the nodes.
    """
    order = gauss.size
    single, single_square = np.empty((z.size, node_z.size)), np.empty((z.size, node_z.size))
    double, double_square = np.empty((z.size, node_z.size)), np.empty((z.size, node_z.size))
    sums, parts = np.empty((4, order)), np.empty((4, node_z.size))
    points, at_points = np.empty((8, 2 * LARGEST_RULE)), np.empty((4, 2 * LARGEST_RULE))
    scale = barycentric(gauss)
    rings, shares = np.empty((grade.size, 6, MIDDLING_COUNT)), np.empty((MIDDLING_COUNT, order))
    middling = np.where(grade == 0, MIDDLING, MIDDLING_GRADED)
    for q in range(MIDDLING_COUNT):
        at = 2.0 * _POINTS[MIDDLING_COUNT, q] - 1.0
        for n in range(order):
            shares[q, n] = lagrange(at, n, gauss, scale)
        for panel in range(grade.size):
            ring_z, ring_r, dz, dr = on_panel(shape[panel], grade[panel], at)
            speed = math.hypot(dz, dr)
            rings[panel, 0, q], rings[panel, 1, q] = ring_z, ring_r
            rings[panel, 2, q], rings[panel, 3, q] = dr / speed, -dz / speed
            rings[panel, 4, q], rings[panel, 5, q] = 2.0 * _WEIGHTS[MIDDLING_COUNT, q] * ring_r, speed
    for i in range(z.size):
        own = i // order - first_panel if i < at_nodes else -1
        # As if all panels were far ones: together they are quicker than those of them that are by themselves.
        still_parts(node_z - z[i], node_r - r[i], r[i], node_r, normal_z, normal_r, turning, parts)
        for j in range(node_z.size):
            area = weight[j] * node_r[j]
            single[i, j], single_square[i, j] = area * parts[0, j], area * parts[1, j]
            double[i, j], double_square[i, j] = area * rate[j] * parts[2, j], area * rate[j] * parts[3, j]
        for panel in range(grade.size):
            away = math.hypot(z[i] - middle[panel, 0], r[i] - middle[panel, 1])
            if panel != own and away >= (1.0 + middling[panel]) * reach[panel]:
                continue
            if panel == own or away < (1.0 + NEAR) * reach[panel]:
                node = i % order if panel == own else -1
                _near(z[i], r[i], node, shape[panel], grade[panel], gauss, scale, turning, points, at_points, sums)
            else:
                ring_z, ring_r, normal_zq, normal_rq, area_q, rate_q = rings[panel]
                still_parts(ring_z - z[i], ring_r - r[i], r[i], ring_r, normal_zq, normal_rq, turning, at_points)
                sums[:] = 0.0
                for q in range(MIDDLING_COUNT):
                    for n in range(order):
                        share = area_q[q] * shares[q, n]
                        sums[0, n] += share * at_points[0, q]
                        sums[1, n] += share * at_points[1, q]
                        sums[2, n] += share * rate_q[q] * at_points[2, q]
                        sums[3, n] += share * rate_q[q] * at_points[3, q]
            for n in range(order):
                j = panel * order + n
                single[i, j], single_square[i, j] = sums[0, n], sums[1, n]
                double[i, j], double_square[i, j] = sums[2, n], sums[3, n]
    return single, single_square, double, double_square


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def _near(
    z: float,
    r: float,
    node: int,
    shape: FloatArray,
    grade: int,
    gauss: FloatArray,
    scale: FloatArray,
    turning: int,
    points: FloatArray,
    parts: FloatArray,
    sums: FloatArray,
) -> None:
    """Integrals over one panel of the still parts times the polynomials that are 1 at one node: sums (4, order).

    node   : of the panel that the point is, or below 0.
    points : (8, Q) to hold the drawn points, and
    parts  : (4, Q) the still parts there.
    """
    away_z, away_r, rings_r, normal_z, normal_r, rates, steps, places = points
    held = 0
    if node >= 0:
        u, spread, least = gauss[node], 0.0, TOUCHING
        z, r, _, _ = on_panel(shape, grade, u)
        x = u
    else:
        x, distance, speed = nearest(z, r, shape)
        # How far along the panel's own parameter it has moved away by as much as it is distant at its nearest.
        u, spread, least = drawn(x, grade), distance / max(speed, 1e-30), CLOSEST
    for side in (-1.0, 1.0):
        length = 1.0 - side * u
        if length < 1e-12:
            continue
        width = 2.0
        if spread < 2.0:
            width = side * (drawn(min(1.0, max(-1.0, x + side * spread)), grade) - u) if spread > 0.0 else 0.0
        width = max(width, least * length)
        rise = math.asinh(length / width)
        per_rise = COUNT_PER_RISE if grade == 0 else COUNT_PER_RISE_GRADED
        count = min(LARGEST_RULE, int(BASE_COUNT + per_rise * rise))
        for q in range(count):
            argument = rise * _POINTS[count, q]
            offset = side * width * math.sinh(argument)
            at = u + offset
            step = _WEIGHTS[count, q] * width * rise * math.cosh(argument)
            ring_z, ring_r, dz, dr = on_panel(shape, grade, at)
            rate = math.hypot(dz, dr)
            if rate <= 0.0 or ring_r <= 0.0:
                continue
            if node >= 0:
                away_z[held], away_r[held] = between(shape, grade, u, offset)
            else:
                away_z[held], away_r[held] = ring_z - z, ring_r - r
            rings_r[held], normal_z[held], normal_r[held] = ring_r, dr / rate, -dz / rate
            rates[held], steps[held], places[held] = rate, step * ring_r, at
            held += 1
    still_parts(away_z[:held], away_r[:held], r, rings_r[:held], normal_z[:held], normal_r[:held], turning, parts)
    sums[:] = 0.0
    for q in range(held):
        for n in range(gauss.size):
            value = steps[q] * lagrange(places[q], n, gauss, scale)
            sums[0, n] += value * parts[0, q]
            sums[1, n] += value * parts[1, q]
            sums[2, n] += value * rates[q] * parts[2, q]
            sums[3, n] += value * rates[q] * parts[3, q]
