"""Both layer potentials of panels seen from points: from values at the nodes to integrals over the panels.

Single layer: int G v dS. Double layer: int p dG/dn dS, with G = exp(-j k r) / (4 pi r). Far panels are summed over
their nodes; near ones are cut up until each piece is farther away than it is large; a node's own panel is integrated in
triangles about it, whose Jacobian takes the kernel's pole away, with points drawn to the nearest place of each side.
Source: Duffy (1982), SIAM J. Numer. Anal. 19, 1260, and Johnston & Elliott (2005), Int. J. Numer. Meth. Engng 62, 564,
for the transformations (from memory).
"""

from __future__ import annotations

import math

import numpy as np

from evenflare.compiled import njit
from evenflare.exterior.panels import COEFFICIENTS, GAUSS, ORDER, PanelMesh
from evenflare.units import ComplexArray, FloatArray, IntArray, read_only

NEAR = 2.2
"""A panel is near within this many of its reaches from its middle."""
APART = 1.6
"""Of its half-diagonal, how far away a piece of a panel is at least before it is summed."""
DEEPEST = 8
"""How often a near panel is halved at most."""
POINTS, WEIGHTS = (read_only(each) for each in np.polynomial.legendre.leggauss(4))
OUT_POINTS, OUT_WEIGHTS = (read_only(each) for each in np.polynomial.legendre.leggauss(5))
ALONG_POINTS, ALONG_WEIGHTS = (read_only(each) for each in np.polynomial.legendre.leggauss(8))
NODES = ORDER * ORDER
_SCALE = read_only(
    np.array([1.0 / np.prod([GAUSS[i] - GAUSS[j] for j in range(ORDER) if j != i]) for i in range(ORDER)])
)
_GAUSS = read_only(GAUSS)


def layers(k: float, points: FloatArray, own: IntArray, mesh: PanelMesh) -> tuple[ComplexArray, ComplexArray]:
    """Double and single layer (P, N) at wavenumber k, rad/m, of points (P, 3) and the mesh as it is, without images.

    own : (P,) which node each point is, or -1. Told by its number: by its distance, rounding would decide.
    """
    return _layers(  # type: ignore[no-any-return]
        k, points, own, mesh.shape, mesh.side, mesh.middle, mesh.reach, mesh.place, mesh.normal, mesh.weight
    )


def close_layers(
    k: float, points: FloatArray, own: IntArray, mesh: PanelMesh
) -> tuple[IntArray, IntArray, ComplexArray, ComplexArray]:
    """What `layers` holds of panels near a point: row and first column (Q,), double and single layer (Q, 9)."""
    return _close_layers(  # type: ignore[no-any-return]
        k, points, own, mesh.shape, mesh.side, mesh.middle, mesh.reach
    )


@njit(cache=True, nogil=True, fastmath=True)
def _is_near(x, y, z, middle, reach):  # type: ignore[no-untyped-def]
    dx, dy, dz = middle[0] - x, middle[1] - y, middle[2] - z
    return dx * dx + dy * dy + dz * dz < (NEAR * reach) ** 2


@njit(cache=True, nogil=True, fastmath=True)
def _close_layers(k, points, own, shape, side, middle, reach):  # type: ignore[no-untyped-def]
    count = 0
    for i in range(len(points)):
        for panel in range(len(reach)):
            if _is_near(points[i, 0], points[i, 1], points[i, 2], middle[panel], reach[panel]):
                count += 1
    row, column = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    double, single = np.empty((count, NODES), dtype=np.complex128), np.empty((count, NODES), dtype=np.complex128)
    stack = np.empty((4 * DEEPEST + 4, 4))
    at = 0
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for panel in range(len(reach)):
            if _is_near(x, y, z, middle[panel], reach[panel]):
                row[at], column[at] = i, panel * NODES
                node = own[i] - panel * NODES
                if 0 <= node < NODES:
                    _own(k, node, shape[panel], side[panel], double[at], single[at])
                else:
                    _near(k, x, y, z, shape[panel], side[panel], reach[panel], stack, double[at], single[at])
                at += 1
    return row, column, double, single


@njit(cache=True, nogil=True, fastmath=True)
def _layers(k, points, own, shape, side, middle, reach, place, normal, weight):  # type: ignore[no-untyped-def]
    double = np.empty((len(points), len(place)), dtype=np.complex128)
    single = np.empty((len(points), len(place)), dtype=np.complex128)
    sums_d, sums_s = np.empty(NODES, dtype=np.complex128), np.empty(NODES, dtype=np.complex128)
    stack = np.empty((4 * DEEPEST + 4, 4))
    quarter = 0.25 / math.pi
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for panel in range(len(reach)):
            first = panel * NODES
            node = own[i] - first
            if 0 <= node < NODES:
                _own(k, node, shape[panel], side[panel], sums_d, sums_s)
                double[i, first : first + NODES] = sums_d
                single[i, first : first + NODES] = sums_s
            elif _is_near(x, y, z, middle[panel], reach[panel]):
                _near(k, x, y, z, shape[panel], side[panel], reach[panel], stack, sums_d, sums_s)
                double[i, first : first + NODES] = sums_d
                single[i, first : first + NODES] = sums_s
            else:
                for j in range(first, first + NODES):
                    dx, dy, dz = place[j, 0] - x, place[j, 1] - y, place[j, 2] - z
                    r2 = dx * dx + dy * dy + dz * dz
                    r = math.sqrt(r2)
                    green = quarter * weight[j] / r
                    cosine, sine = math.cos(k * r) * green, math.sin(k * r) * green
                    single[i, j] = complex(cosine, -sine)
                    slope = (dx * normal[j, 0] + dy * normal[j, 1] + dz * normal[j, 2]) / r2
                    # dG/dr = -(j k + 1 / r) G
                    double[i, j] = complex(-slope * (cosine + k * r * sine), slope * (sine - k * r * cosine))
    return double, single


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _lagrange(t, n):  # type: ignore[no-untyped-def]
    """At t the polynomial that is 1 at Gauss node n and 0 at the others."""
    value = _SCALE[n]
    for m in range(ORDER):
        if m != n:
            value *= t - _GAUSS[m]
    return value


@njit(cache=True, nogil=True, fastmath=True)
def _surface(shape, u, v):  # type: ignore[no-untyped-def]
    """Place and d/du x d/dv at u and v of a panel (3, 5, 5)."""
    x = y = z = xu = yu = zu = xv = yv = zv = 0.0
    for a in range(COEFFICIENTS - 1, -1, -1):
        px = py = pz = qx = qy = qz = 0.0
        for b in range(COEFFICIENTS - 1, -1, -1):
            qx, qy, qz = qx * v + px, qy * v + py, qz * v + pz
            px, py, pz = px * v + shape[0, a, b], py * v + shape[1, a, b], pz * v + shape[2, a, b]
        xu, yu, zu = xu * u + x, yu * u + y, zu * u + z
        x, y, z = x * u + px, y * u + py, z * u + pz
        xv, yv, zv = xv * u + qx, yv * u + qy, zv * u + qz
    return x, y, z, yu * zv - zu * yv, zu * xv - xu * zv, xu * yv - yu * xv


@njit(cache=True, nogil=True, fastmath=True)
def _add(k, x, y, z, shape, side, u, v, step, sums_d, sums_s):  # type: ignore[no-untyped-def]
    """Adds one point's share of both integrals to the sums over nodes (9,)."""
    px, py, pz, nx, ny, nz = _surface(shape, u, v)
    dx, dy, dz = px - x, py - y, pz - z
    r2 = dx * dx + dy * dy + dz * dz
    r = math.sqrt(r2)
    green = 0.25 / math.pi * step / r
    cosine, sine = math.cos(k * r) * green, math.sin(k * r) * green
    area = math.sqrt(nx * nx + ny * ny + nz * nz)
    single = complex(cosine * area, -sine * area)
    slope = side * (dx * nx + dy * ny + dz * nz) / r2
    double = complex(-slope * (cosine + k * r * sine), slope * (sine - k * r * cosine))
    for a in range(ORDER):
        along = _lagrange(u, a)
        for b in range(ORDER):
            value = along * _lagrange(v, b)
            sums_d[a * ORDER + b] += value * double
            sums_s[a * ORDER + b] += value * single


@njit(cache=True, nogil=True, fastmath=True)
def _near(k, x, y, z, shape, side, reach, stack, sums_d, sums_s):  # type: ignore[no-untyped-def]
    """Over one panel that does not hold the point: pieces of it, halved both ways while they are too near."""
    sums_d[:] = 0.0
    sums_s[:] = 0.0
    stack[0, 0], stack[0, 1], stack[0, 2], stack[0, 3] = 0.0, 0.0, 1.0, 1.0
    count = 1
    while count > 0:
        count -= 1
        u, v, half_u, half_v = stack[count, 0], stack[count, 1], stack[count, 2], stack[count, 3]
        px, py, pz, _, _, _ = _surface(shape, u, v)
        # The piece's own half-diagonal: panels may be long.
        cx, cy, cz, _, _, _ = _surface(shape, u + half_u, v + half_v)
        ex, ey, ez, _, _, _ = _surface(shape, u + half_u, v - half_v)
        size = max((cx - px) ** 2 + (cy - py) ** 2 + (cz - pz) ** 2, (ex - px) ** 2 + (ey - py) ** 2 + (ez - pz) ** 2)
        away = (px - x) ** 2 + (py - y) ** 2 + (pz - z) ** 2
        if away < APART * APART * size and half_u * half_v > 0.25**DEEPEST:
            for a in range(2):
                for b in range(2):
                    stack[count, 0] = u + (a - 0.5) * half_u
                    stack[count, 1] = v + (b - 0.5) * half_v
                    stack[count, 2], stack[count, 3] = 0.5 * half_u, 0.5 * half_v
                    count += 1
        else:
            for a in range(POINTS.size):
                for b in range(POINTS.size):
                    step = WEIGHTS[a] * WEIGHTS[b] * half_u * half_v
                    _add(k, x, y, z, shape, side, u + half_u * POINTS[a], v + half_v * POINTS[b], step, sums_d, sums_s)


@njit(cache=True, nogil=True, fastmath=True)
def _own(k, node, shape, side, sums_d, sums_s):  # type: ignore[no-untyped-def]
    """Over the panel that holds the point as its node: a triangle to each of its four sides."""
    sums_d[:] = 0.0
    sums_s[:] = 0.0
    u0, v0 = _GAUSS[node // ORDER], _GAUSS[node % ORDER]
    x, y, z, _, _, _ = _surface(shape, u0, v0)
    # In lengths, not in u and v: a panel may be long and narrow.
    length_u, length_v = _lengths(shape, u0, v0)
    for which in range(4):
        # The side lies `far` from the node, and reaches from `low` to `high` along it.
        sign = 1.0 if which % 2 == 0 else -1.0
        share, foot = (1.0 - sign * u0, v0) if which < 2 else (1.0 - sign * v0, u0)
        across, along = (length_u, length_v) if which < 2 else (length_v, length_u)
        far = share * across
        low, high = math.asinh((-1.0 - foot) * along / far), math.asinh((1.0 - foot) * along / far)
        for a in range(ALONG_POINTS.size):
            turn = low + 0.5 * (high - low) * (1.0 + ALONG_POINTS[a])
            beside = far * math.sinh(turn) / along
            step = 0.5 * (high - low) * ALONG_WEIGHTS[a] * far * math.cosh(turn) / along * share
            for b in range(OUT_POINTS.size):
                out = 0.5 * (1.0 + OUT_POINTS[b])
                du, dv = (sign * share * out, beside * out) if which < 2 else (beside * out, sign * share * out)
                area = 0.5 * OUT_WEIGHTS[b] * out * step
                _add(k, x, y, z, shape, side, u0 + du, v0 + dv, area, sums_d, sums_s)


@njit(cache=True, nogil=True, fastmath=True)
def _lengths(shape, u, v):  # type: ignore[no-untyped-def]
    """m for each unit of u and of v there."""
    small = 1e-3
    ax, ay, az, _, _, _ = _surface(shape, u - small, v)
    bx, by, bz, _, _, _ = _surface(shape, u + small, v)
    cx, cy, cz, _, _, _ = _surface(shape, u, v - small)
    dx, dy, dz, _, _, _ = _surface(shape, u, v + small)
    along_u = math.sqrt((bx - ax) ** 2 + (by - ay) ** 2 + (bz - az) ** 2)
    along_v = math.sqrt((dx - cx) ** 2 + (dy - cy) ** 2 + (dz - cz) ** 2)
    return along_u / (2.0 * small), along_v / (2.0 * small)
