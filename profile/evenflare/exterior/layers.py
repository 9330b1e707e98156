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
from evenflare.exterior.phase import cosine_sine
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
POOL = 4 * ALONG_POINTS.size * OUT_POINTS.size
"""Points of a panel that are summed at once: all of its own triangles."""
LEAST = 1e-60
"""m2, no less than which a distance's square is taken where the panel is summed otherwise in the end."""
LAGRANGE = read_only(np.linalg.inv(np.vander(GAUSS, increasing=True)).T)
"""(3, 3): the polynomial that is 1 at Gauss node n and 0 at the others has coefficients n."""
_GAUSS = read_only(GAUSS)


def layers(
    k: float,
    points: FloatArray,
    own: IntArray,
    mesh: PanelMesh,
    out: tuple[ComplexArray, ComplexArray] | None = None,
) -> tuple[ComplexArray, ComplexArray]:
    """Double and single layer (P, N) at wavenumber k, rad/m, of points (P, 3) and the mesh as it is, without images.

    own : (P,) which node each point is, or -1. Told by its number: by its distance, rounding would decide.
    out : where to write them, contiguous.
    """
    # Coordinate by coordinate, so that several nodes are worked on at once.
    place, normal = np.ascontiguousarray(mesh.place.T), np.ascontiguousarray(mesh.normal.T)
    shape = len(points), mesh.size
    double, single = out or (np.empty(shape, dtype=np.complex128), np.empty(shape, dtype=np.complex128))
    _far(k, points, place, normal, mesh.weight, double, single)
    _close(k, points, own, mesh.shape, mesh.side, mesh.middle, mesh.reach, double, single)
    return double, single


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
    stack, drawn, kernel = np.empty((4 * DEEPEST + 4, 4)), np.empty((3, POOL)), np.empty((4, POOL))
    at = 0
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for panel in range(len(reach)):
            if _is_near(x, y, z, middle[panel], reach[panel]):
                row[at], column[at] = i, panel * NODES
                node = own[i] - panel * NODES
                if 0 <= node < NODES:
                    _own(k, node, shape[panel], side[panel], drawn, kernel, double[at], single[at])
                else:
                    _near(k, x, y, z, shape[panel], side[panel], stack, drawn, kernel, double[at], single[at])
                at += 1
    return row, column, double, single


@njit(cache=True, nogil=True, fastmath=True)
def _far(k, points, place, normal, weight, double, single):  # type: ignore[no-untyped-def]
    """Every node's share of both integrals as if it were far: without branches, so that it becomes vector code."""
    quarter = 0.25 / math.pi
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for j in range(weight.size):
            dx, dy, dz = place[0, j] - x, place[1, j] - y, place[2, j] - z
            r2 = max(dx * dx + dy * dy + dz * dz, LEAST)
            r = math.sqrt(r2)
            green = quarter * weight[j] / r
            cosine, sine = cosine_sine(k * r)
            cosine, sine = cosine * green, sine * green
            single[i, j] = complex(cosine, -sine)
            slope = (dx * normal[0, j] + dy * normal[1, j] + dz * normal[2, j]) / r2
            # dG/dr = -(j k + 1 / r) G
            double[i, j] = complex(-slope * (cosine + k * r * sine), slope * (sine - k * r * cosine))


@njit(cache=True, nogil=True, fastmath=True)
def _close(k, points, own, shape, side, middle, reach, double, single):  # type: ignore[no-untyped-def]
    """Both integrals over panels near a point, in place."""
    stack, drawn, kernel = np.empty((4 * DEEPEST + 4, 4)), np.empty((3, POOL)), np.empty((4, POOL))
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for panel in range(len(reach)):
            first = panel * NODES
            node = own[i] - first
            sums_d, sums_s = double[i, first : first + NODES], single[i, first : first + NODES]
            if 0 <= node < NODES:
                _own(k, node, shape[panel], side[panel], drawn, kernel, sums_d, sums_s)
            elif _is_near(x, y, z, middle[panel], reach[panel]):
                _near(k, x, y, z, shape[panel], side[panel], stack, drawn, kernel, sums_d, sums_s)


@njit(cache=True, nogil=True, fastmath=True, inline="always")
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
def _place(shape, u, v):  # type: ignore[no-untyped-def]
    x, y, z, _, _, _ = _surface(shape, u, v)
    return x, y, z


@njit(cache=True, nogil=True, fastmath=True)
def _add(k, x, y, z, shape, side, count, drawn, kernel, sums_d, sums_s):  # type: ignore[no-untyped-def]
    """Adds what `count` points of a panel have of both integrals to the sums over nodes (9,).

    drawn  : (3, POOL) u, v and weight of the points. kernel : (4, POOL) to work in.
    Point after point without branches, and node by node, so that both become vector code.
    """
    quarter = 0.25 / math.pi
    for q in range(count):
        px, py, pz, nx, ny, nz = _surface(shape, drawn[0, q], drawn[1, q])
        dx, dy, dz = px - x, py - y, pz - z
        r2 = dx * dx + dy * dy + dz * dz
        r = math.sqrt(r2)
        green = quarter * drawn[2, q] / r
        cosine, sine = cosine_sine(k * r)
        cosine, sine = cosine * green, sine * green
        area = math.sqrt(nx * nx + ny * ny + nz * nz)
        slope = side * (dx * nx + dy * ny + dz * nz) / r2
        kernel[0, q], kernel[1, q] = cosine * area, -sine * area
        kernel[2, q], kernel[3, q] = -slope * (cosine + k * r * sine), slope * (sine - k * r * cosine)
    for a in range(ORDER):
        for b in range(ORDER):
            single = single_j = double = double_j = 0.0
            for q in range(count):
                u, v = drawn[0, q], drawn[1, q]
                along = across = 0.0
                for n in range(ORDER - 1, -1, -1):
                    along, across = along * u + LAGRANGE[a, n], across * v + LAGRANGE[b, n]
                value = along * across
                single, single_j = single + value * kernel[0, q], single_j + value * kernel[1, q]
                double, double_j = double + value * kernel[2, q], double_j + value * kernel[3, q]
            sums_d[a * ORDER + b] += complex(double, double_j)
            sums_s[a * ORDER + b] += complex(single, single_j)


@njit(cache=True, nogil=True, fastmath=True)
def _near(k, x, y, z, shape, side, stack, drawn, kernel, sums_d, sums_s):  # type: ignore[no-untyped-def]
    """Over one panel that does not hold the point: pieces of it, halved both ways while they are too near."""
    sums_d[:] = 0.0
    sums_s[:] = 0.0
    stack[0, 0], stack[0, 1], stack[0, 2], stack[0, 3] = 0.0, 0.0, 1.0, 1.0
    count, held = 1, 0
    while count > 0:
        count -= 1
        u, v, half_u, half_v = stack[count, 0], stack[count, 1], stack[count, 2], stack[count, 3]
        px, py, pz = _place(shape, u, v)
        # The piece's own half-diagonal: panels may be long.
        cx, cy, cz = _place(shape, u + half_u, v + half_v)
        ex, ey, ez = _place(shape, u + half_u, v - half_v)
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
                    drawn[0, held], drawn[1, held] = u + half_u * POINTS[a], v + half_v * POINTS[b]
                    drawn[2, held] = WEIGHTS[a] * WEIGHTS[b] * half_u * half_v
                    held += 1
            if count == 0 or held + POINTS.size * POINTS.size > POOL:
                _add(k, x, y, z, shape, side, held, drawn, kernel, sums_d, sums_s)
                held = 0


@njit(cache=True, nogil=True, fastmath=True)
def _own(k, node, shape, side, drawn, kernel, sums_d, sums_s):  # type: ignore[no-untyped-def]
    """Over the panel that holds the point as its node: a triangle to each of its four sides."""
    sums_d[:] = 0.0
    sums_s[:] = 0.0
    u0, v0 = _GAUSS[node // ORDER], _GAUSS[node % ORDER]
    x, y, z = _place(shape, u0, v0)
    # In lengths, not in u and v: a panel may be long and narrow.
    length_u, length_v = _lengths(shape, u0, v0)
    held = 0
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
                drawn[0, held], drawn[1, held], drawn[2, held] = u0 + du, v0 + dv, 0.5 * OUT_WEIGHTS[b] * out * step
                held += 1
    _add(k, x, y, z, shape, side, held, drawn, kernel, sums_d, sums_s)


@njit(cache=True, nogil=True, fastmath=True)
def _lengths(shape, u, v):  # type: ignore[no-untyped-def]
    """m for each unit of u and of v there."""
    small = 1e-3
    ax, ay, az = _place(shape, u - small, v)
    bx, by, bz = _place(shape, u + small, v)
    cx, cy, cz = _place(shape, u, v - small)
    dx, dy, dz = _place(shape, u, v + small)
    along_u = math.sqrt((bx - ax) ** 2 + (by - ay) ** 2 + (bz - az) ** 2)
    along_v = math.sqrt((dx - cx) ** 2 + (dy - cy) ** 2 + (dz - cz) ** 2)
    return along_u / (2.0 * small), along_v / (2.0 * small)
