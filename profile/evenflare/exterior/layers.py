"""Both layer potentials of panels seen from points: from values at the nodes to integrals over the panels.

Single layer: int G v dS. Double layer: int p dG/dn dS, with G = exp(-j k r) / (4 pi r). Far panels are summed over
their nodes; near ones are cut up until each piece is farther away than it is large; a node's own panel is integrated in
triangles about it, whose Jacobian takes the kernel's pole away, with points drawn to the nearest place of each side.
Source: Duffy (1982), SIAM J. Numer. Anal. 19, 1260, and Johnston & Elliott (2005), Int. J. Numer. Meth. Engng 62, 564,
for the transformations (from memory).
"""

from __future__ import annotations

import itertools
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
WORK = 7 * POOL + 4 * (4 * DEEPEST + 4)
"""Numbers that are at hand while a panel is integrated: seven of each point, and the pieces that are still to do."""
LEAST = 1e-60
"""m2, no less than which a distance's square is taken where the panel is summed otherwise in the end."""
LAGRANGE = read_only(np.linalg.inv(np.vander(GAUSS, increasing=True)).T)
"""(3, 3): the polynomial that is 1 at Gauss node n and 0 at the others has coefficients n."""
_GAUSS = read_only(GAUSS)


def add_layers(
    k: float,
    points: FloatArray,
    own: IntArray,
    factor: ComplexArray,
    mesh: PanelMesh,
    double: ComplexArray,
    single: ComplexArray,
    *,
    first: int = 0,
) -> None:
    """Adds both layers at wavenumber k, rad/m, of points (I, P, 3), times the factors (I,) and summed over I, to double
    (P, N) and single (P, S), of the S nodes of whole panels from the `first` one on. The mesh is as it is, without
    images.

    own : (P,) which node each of the points of the first of the I is, or -1. Told by its number: by its distance,
          rounding would decide.
    """
    # Coordinate by coordinate, so that several nodes are worked on at once.
    nodes = np.concatenate([mesh.place.T, mesh.normal.T])
    cuts = 0, first, first + single.shape[1], mesh.size
    parts = tuple(np.ascontiguousarray(nodes[:, low:high]) for low, high in itertools.pairwise(cuts))
    shape = mesh.shape.reshape(len(mesh.shape), -1)
    _add_layers(k, points, own, factor, parts, mesh.weight, shape, mesh.side, mesh.middle, mesh.reach, double, single)


def gauss(points: FloatArray, own: IntArray, mesh: PanelMesh) -> FloatArray:
    """(P,) the double layer of 1 at k = 0, of points (I, P, 3) over which it is summed: by Gauss's theorem -1 for each
    inside a closed surface, -1/2 on it and 0 outside. own : as in add_layers.
    """
    double, single = (np.zeros((len(own), count), dtype=np.complex128) for count in (mesh.size, 0))
    add_layers(0.0, points, own, np.ones(len(points), dtype=np.complex128), mesh, double, single)
    return np.asarray(double.real.sum(axis=1))


def close_layers(
    k: float, points: FloatArray, own: IntArray, mesh: PanelMesh
) -> tuple[IntArray, IntArray, ComplexArray, ComplexArray]:
    """What panels near one of the points (P, 3) have of both layers: row and first column (Q,), double and single layer
    (Q, 9).
    """
    shape = mesh.shape.reshape(len(mesh.shape), -1)
    return _close_layers(  # type: ignore[no-any-return]
        k, points, own, shape, mesh.side, mesh.middle, mesh.reach
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
    work, sums = np.empty(WORK), np.empty((4, NODES))
    at = 0
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for panel in range(len(reach)):
            if _is_near(x, y, z, middle[panel], reach[panel]):
                row[at], column[at] = i, panel * NODES
                _close(k, x, y, z, own[i] - panel * NODES, shape[panel], side[panel], True, work, sums)
                for n in range(NODES):
                    double[at, n], single[at, n] = complex(sums[0, n], sums[1, n]), complex(sums[2, n], sums[3, n])
                at += 1
    return row, column, double, single


@njit(cache=True, nogil=True, fastmath=True)
def _add_layers(  # type: ignore[no-untyped-def]
    k, points, own, factor, parts, weight, shape, side, middle, reach, double, single
):
    """See add_layers. Row by row, so that it stays at hand while all its points are added."""
    before, source, after = parts
    first = before.shape[1]
    beyond = first + source.shape[1]
    far, near = np.empty(weight.size), np.empty(len(reach), dtype=np.int64)
    work, sums = np.empty(WORK), np.empty((4, NODES))
    for p in range(points.shape[1]):
        for i in range(points.shape[0]):
            x, y, z = points[i, p, 0], points[i, p, 1], points[i, p, 2]
            mine = own[p] // NODES if i == 0 and own[p] >= 0 else -1
            count = 0
            for panel in range(len(reach)):
                is_near = panel == mine or _is_near(x, y, z, middle[panel], reach[panel])
                for j in range(panel * NODES, (panel + 1) * NODES):
                    far[j] = 0.0 if is_near else weight[j]
                if is_near:
                    near[count] = panel
                    count += 1
            _add_far(k, x, y, z, factor[i], before, far[:first], double[p, :first])
            _add_far_both(k, x, y, z, factor[i], source, far[first:beyond], double[p, first:beyond], single[p])
            _add_far(k, x, y, z, factor[i], after, far[beyond:], double[p, beyond:])
            for panel in near[:count]:
                at = panel * NODES
                node = own[p] - at if panel == mine else -1
                is_source = first <= at < beyond
                _close(k, x, y, z, node, shape[panel], side[panel], is_source, work, sums)
                for n in range(NODES):
                    double[p, at + n] += factor[i] * complex(sums[0, n], sums[1, n])
                    if is_source:
                        single[p, at + n - first] += factor[i] * complex(sums[2, n], sums[3, n])


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _kernel(k, dx, dy, dz, nx, ny, nz, weight):  # type: ignore[no-untyped-def]
    """Of G and its derivative along n, real and imaginary parts, the double layer's first."""
    r2 = max(dx * dx + dy * dy + dz * dz, LEAST)
    r, inverse2 = math.sqrt(r2), 1.0 / r2
    green = (0.25 / math.pi) * weight * r * inverse2
    cosine, sine = cosine_sine(k * r)
    cosine, sine = cosine * green, sine * green
    slope = (dx * nx + dy * ny + dz * nz) * inverse2
    # dG/dr = -(j k + 1 / r) G
    return -slope * (cosine + k * r * sine), slope * (sine - k * r * cosine), cosine, -sine


@njit(cache=True, nogil=True, fastmath=True)
def _add_far(k, x, y, z, factor, nodes, weight, double):  # type: ignore[no-untyped-def]
    """Adds the double layer's share of nodes, their places and normals (6, N), as of far ones: without branches, so
    that it becomes vector code.
    """
    for j in range(weight.size):
        dx, dy, dz = nodes[0, j] - x, nodes[1, j] - y, nodes[2, j] - z
        real, imaginary, _, _ = _kernel(k, dx, dy, dz, nodes[3, j], nodes[4, j], nodes[5, j], weight[j])
        double[j] += factor * complex(real, imaginary)


@njit(cache=True, nogil=True, fastmath=True)
def _add_far_both(k, x, y, z, factor, nodes, weight, double, single):  # type: ignore[no-untyped-def]
    """The same of both layers."""
    for j in range(weight.size):
        dx, dy, dz = nodes[0, j] - x, nodes[1, j] - y, nodes[2, j] - z
        real, imaginary, green, green_j = _kernel(k, dx, dy, dz, nodes[3, j], nodes[4, j], nodes[5, j], weight[j])
        double[j] += factor * complex(real, imaginary)
        single[j] += factor * complex(green, green_j)


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _line(shape, c, a, v):  # type: ignore[no-untyped-def]
    """Of a coordinate's polynomial the factor of u^a at v, and its slope."""
    at = (c * COEFFICIENTS + a) * COEFFICIENTS
    s0, s1, s2, s3, s4 = shape[at], shape[at + 1], shape[at + 2], shape[at + 3], shape[at + 4]
    return s0 + v * (s1 + v * (s2 + v * (s3 + v * s4))), s1 + v * (2.0 * s2 + v * (3.0 * s3 + v * (4.0 * s4)))


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _coordinate(shape, c, u, v):  # type: ignore[no-untyped-def]
    """A coordinate at u and v of a panel, and its slopes along both. Written out, since loops here would keep the one
    over points from becoming vector code.
    """
    p0, q0 = _line(shape, c, 0, v)
    p1, q1 = _line(shape, c, 1, v)
    p2, q2 = _line(shape, c, 2, v)
    p3, q3 = _line(shape, c, 3, v)
    p4, q4 = _line(shape, c, 4, v)
    place = p0 + u * (p1 + u * (p2 + u * (p3 + u * p4)))
    along_u = p1 + u * (2.0 * p2 + u * (3.0 * p3 + u * (4.0 * p4)))
    return place, along_u, q0 + u * (q1 + u * (q2 + u * (q3 + u * q4)))


@njit(cache=True, nogil=True, fastmath=True)
def _place(shape, u, v):  # type: ignore[no-untyped-def]
    x, _, _ = _coordinate(shape, 0, u, v)
    y, _, _ = _coordinate(shape, 1, u, v)
    z, _, _ = _coordinate(shape, 2, u, v)
    return x, y, z


@njit(cache=True, nogil=True, fastmath=True)
def _add(k, x, y, z, shape, side, both, count, work, moments):  # type: ignore[no-untyped-def]
    """Adds what `count` points of a panel have of the integrals, times powers of u and v, to moments (4, 9).

    work : u, v and weight of the points, POOL each, and room for four kernels.
    Point after point without branches, so that it becomes vector code.
    """
    for q in range(count):
        u, v, weight = work[q], work[POOL + q], work[2 * POOL + q]
        px, xu, xv = _coordinate(shape, 0, u, v)
        py, yu, yv = _coordinate(shape, 1, u, v)
        pz, zu, zv = _coordinate(shape, 2, u, v)
        nx, ny, nz = yu * zv - zu * yv, zu * xv - xu * zv, xu * yv - yu * xv
        double, double_j, single, single_j = _kernel(k, px - x, py - y, pz - z, nx, ny, nz, weight)
        area = math.sqrt(nx * nx + ny * ny + nz * nz)
        work[3 * POOL + q], work[4 * POOL + q] = side * double, side * double_j
        work[5 * POOL + q], work[6 * POOL + q] = area * single, area * single_j
    for kind in range(4 if both else 2):
        at = (3 + kind) * POOL
        for a in range(ORDER):
            none = one = two = 0.0
            for q in range(count):
                value, v = work[at + q], work[POOL + q]
                none, one, two = none + value, one + value * v, two + value * v * v
                work[at + q] = value * work[q]
            moments[kind, ORDER * a] += none
            moments[kind, ORDER * a + 1] += one
            moments[kind, ORDER * a + 2] += two


@njit(cache=True, nogil=True, fastmath=True)
def _close(k, x, y, z, node, shape, side, both, work, sums):  # type: ignore[no-untyped-def]
    """Integrals over one panel near the point, times the polynomials of its nodes: sums (4, 9), the double layer's real
    and imaginary part, and if both are asked for the single layer's.

    node : of the panel that the point is, or another number.
    """
    moments = np.zeros((4, NODES))
    if 0 <= node < NODES:
        _own(k, node, shape, side, both, work, moments)
    else:
        _near(k, x, y, z, shape, side, both, work, moments)
    for kind in range(4 if both else 2):
        for a in range(ORDER):
            for b in range(ORDER):
                total = 0.0
                for m in range(ORDER):
                    for n in range(ORDER):
                        total += LAGRANGE[a, m] * LAGRANGE[b, n] * moments[kind, ORDER * m + n]
                sums[kind, ORDER * a + b] = total


@njit(cache=True, nogil=True, fastmath=True)
def _near(k, x, y, z, shape, side, both, work, moments):  # type: ignore[no-untyped-def]
    """Over one panel that does not hold the point: pieces of it, halved both ways while they are too near."""
    stack = work[7 * POOL :].reshape(-1, 4)
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
                    work[held], work[POOL + held] = u + half_u * POINTS[a], v + half_v * POINTS[b]
                    work[2 * POOL + held] = WEIGHTS[a] * WEIGHTS[b] * half_u * half_v
                    held += 1
            if count == 0 or held + POINTS.size * POINTS.size > POOL:
                _add(k, x, y, z, shape, side, both, held, work, moments)
                held = 0


@njit(cache=True, nogil=True, fastmath=True)
def _own(k, node, shape, side, both, work, moments):  # type: ignore[no-untyped-def]
    """Over the panel that holds the point as its node: a triangle to each of its four sides."""
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
                work[held], work[POOL + held] = u0 + du, v0 + dv
                work[2 * POOL + held] = 0.5 * OUT_WEIGHTS[b] * out * step
                held += 1
    _add(k, x, y, z, shape, side, both, held, work, moments)


@njit(cache=True, nogil=True, fastmath=True)
def _lengths(shape, u, v):  # type: ignore[no-untyped-def]
    """m for each unit of u and of v there."""
    _, xu, xv = _coordinate(shape, 0, u, v)
    _, yu, yv = _coordinate(shape, 1, u, v)
    _, zu, zv = _coordinate(shape, 2, u, v)
    return math.sqrt(xu * xu + yu * yu + zu * zu), math.sqrt(xv * xv + yv * yv + zv * zv)
