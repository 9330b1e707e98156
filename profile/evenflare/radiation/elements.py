"""Elements along the sweep and their stiffness and mass matrices, which do not depend on frequency.

The weak form  int grad p . grad q - k^2 p q dV = int q dp/dn dS  is mapped to (s, eta): s along the sweep, eta from
axis to wall. Along s an element has four Lobatto nodes (third degree), which are its quadrature points and carry its
geometry, the exact caps there: a spectral element, whose mass couples no two nodes (Patera 1984, J. Comput. Phys. 54,
468; citation from memory). Factors are summed one coordinate at a time: eta first, then s. All integrals leave out
the factor 2 pi of the azimuth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.compiled import njit
from evenflare.radiation.modes import radial_quadrature, tabulated_modes
from evenflare.radiation.wavefront import FLAT, Caps, Path, Sweep
from evenflare.units import FloatArray, IntArray

NODES = 4
"""Along the sweep in an element. The error of a step falls with its power 2 (NODES - 1)."""
EXTRA_POINTS = 4
"""Gauss points across a cap beyond the number of modes: the geometry is smooth but not polynomial."""

# Lobatto nodes and weights on [-1, 1] (Abramowitz & Stegun 1964, 25.4.32): +-1 and +-1/sqrt(5); 1/6 and 5/6.
NODE_POINTS = np.array([-1.0, -np.sqrt(0.2), np.sqrt(0.2), 1.0])
NODE_WEIGHTS = np.array([1.0, 5.0, 5.0, 1.0]) / 6.0
# Slope of the polynomial through values at the nodes, at the nodes: (point, node).
NODE_SLOPES = np.ascontiguousarray(
    [np.polynomial.Polynomial.fit(NODE_POINTS, row, NODES - 1).deriv()(NODE_POINTS) for row in np.eye(NODES)]
).T.copy()
NODE_ORDER = np.array([1, 2, 0, 3])
"""Inner nodes first, then the throat side, then the mouth side: the order in which they are eliminated."""


@dataclass(frozen=True)
class Elements:
    """Stiffness and mass of the elements from the first cap to the last.

    modes           : (E,) radial modes of each. Where two meet, the smaller number is what they share.
    start           : (E + 1,) where each element's matrix begins in the rows of numbers that hold them.
    stiffness       : of element e a symmetric matrix (4 n, 4 n), n its modes, of which only the upper triangle is
                      filled; inner nodes first, then the throat side, then the mouth side.
    mass            : in rows of four times as few, (4, n, n): each node's own, in the same order.
    """

    modes: IntArray
    start: IntArray
    stiffness: FloatArray
    mass: FloatArray


Plan = list[tuple[Path, FloatArray]]
"""On each path of a sweep the parameters (E, 4) of the nodes of its elements."""


def divided(sweep: Sweep, step: float, fineness: float) -> Plan:
    """Elements that advance by `step` (m) at most, at wall and apex.

    fineness : how many elements there are to one that the bends of the sweep ask for at any frequency.
    """
    found = []
    for stretch in sweep:
        along = np.zeros(stretch.t.size)
        np.cumsum(np.maximum(stretch.travel / step, stretch.bent * fineness), out=along[1:])
        count = max(1, int(np.ceil(along[-1])))
        edges = np.interp(np.arange(count + 1) * (along[-1] / count), along, stretch.t)
        found.append((stretch.path, edges[:-1, None] + (edges[1:] - edges[:-1])[:, None] * (0.5 * (1.0 + NODE_POINTS))))
    return found


def caps_of(every: Sequence[Plan]) -> list[Caps]:
    """The caps (E, 4) at the nodes of elements, of each of several divisions of one sweep; a path is asked once."""
    columns = []
    for same in zip(*every, strict=True):
        points = [t for _, t in same]
        caps, cuts = same[0][0].caps(np.concatenate(points)), np.cumsum([len(t) for t in points])[:-1]
        columns.append(list(zip(*(np.split(each, cuts) for each in caps), strict=True)))
    rows = (zip(*parts, strict=True) for parts in zip(*columns, strict=True))
    return [Caps(*(np.concatenate(each) for each in row)) for row in rows]


def assembled(caps: Caps, modes: IntArray, *, order: int = 0) -> Elements:
    """The matrices of elements whose caps (E, 4) and numbers of radial modes (E,) are given, for waves that go as the
    cosine of the azimuth times `order`.
    """
    most = int(modes.max())
    points = most + EXTRA_POINTS
    values, slopes = tabulated_modes(most, points, order)
    u, weights = radial_quadrature(points)
    half_angle = np.where(np.abs(caps.b) < FLAT, FLAT, caps.b)
    start = np.concatenate([[0], np.cumsum((NODES * modes) ** 2)])
    stiffness, mass = room_for(start)
    _matrices(caps.z, caps.r, half_angle, stiffness, mass, modes, start, u, weights, values, slopes, order)
    return Elements(modes, start, stiffness, mass)


def room_for(start: IntArray) -> tuple[FloatArray, FloatArray]:
    """For stiffness and mass, see Elements; not of compiled code, whose room the system hands out in small pages, which
    takes as long as to fill it.
    """
    return np.empty(start[-1]), np.empty(start[-1] // NODES)


@njit(cache=True, fastmath=True, nogil=True)
def _matrices(z, r, b, stiffness, mass, modes, start, u, weights, values, slopes, order):  # type: ignore[no-untyped-def]
    """Fills stiffness and mass of elements, laid end to end as `start` (E + 1,) says; mass is kept by node.

    z, r, b         : (E, 4) of the caps at the nodes: wall point, m, and half-angle, rad.
    modes           : (E,) how many radial modes each has.
    u, weights      : (Q,) Gauss points of u = eta^2 across a cap.
    values, slopes  : (Q, most) of the modes there, slopes over eta.
    order           : of the azimuth.

    With s along the sweep and eta across a cap, the map (s, eta) -> (z, r) has the Jacobian
    J = z_s r_eta - r_s z_eta, and the weak form's integrand  grad p . grad q  times r dz dr is, over r ds d(eta),

        [ (r_eta^2 + z_eta^2) p_s q_s  -  (r_s r_eta + z_s z_eta) (p_s q_eta + p_eta q_s)
          + (r_s^2 + z_s^2) p_eta q_eta ] / J  +  m^2 / r^2 p q J

    with the order m, and d(eta) = du / (2 eta): the weights hold the half.
    """
    count = u.size
    eta = np.sqrt(u)
    along, away = np.empty((NODES, count)), np.empty((NODES, count))
    sine, cosine = np.empty((NODES, count)), np.empty((NODES, count))
    for e in range(modes.size):
        for g in range(NODES):
            # R (sin(b eta), cos(b eta) - cos(b)) from half-angles, which loses nothing on flat caps.
            radius = r[e, g] / np.sin(b[e, g])
            rim = np.sin(0.5 * b[e, g]) ** 2
            for q in range(count):
                sine[g, q], cosine[g, q] = np.sin(0.5 * b[e, g] * eta[q]), np.cos(0.5 * b[e, g] * eta[q])
                away[g, q] = 2.0 * radius * sine[g, q] * cosine[g, q]
                along[g, q] = z[e, g] + 2.0 * radius * (rim - sine[g, q] ** 2)
        along_s = NODE_SLOPES @ along
        away_s = NODE_SLOPES @ away
        n = modes[e]
        value, slope = values[:, :n].copy(), slopes[:, :n].copy()
        v_ss, v_x = np.empty((count, n)), np.empty((count, n))
        v_xx, v_m = np.empty((count, n)), np.empty((count, n))
        # Per point: p_s q_s, p_s q_eta and p_eta q_eta, and p q.
        ss, x, xx = np.empty((NODES, n, n)), np.empty((NODES, n, n)), np.empty((NODES, n, n))
        turned = np.empty((n, n))
        mass_e = mass[start[e] // NODES : start[e + 1] // NODES].reshape(NODES, n, n)
        for g in range(NODES):
            scale = r[e, g] * b[e, g] / np.sin(b[e, g])
            for q in range(count):
                away_e = scale * (1.0 - 2.0 * sine[g, q] ** 2)
                along_e = -scale * 2.0 * sine[g, q] * cosine[g, q]
                volume = along_s[g, q] * away_e - away_s[g, q] * along_e  # J
                around = NODE_WEIGHTS[g] * weights[q] * away[g, q] / eta[q]
                c_ss = around / volume * (away_e * away_e + along_e * along_e)
                c_x = -around / volume * (away_s[g, q] * away_e + along_s[g, q] * along_e)
                c_xx = around / volume * (away_s[g, q] ** 2 + along_s[g, q] ** 2)
                c_m = around * volume
                for i in range(n):
                    v_ss[q, i] = c_ss * value[q, i]
                    v_x[q, i] = c_x * slope[q, i]
                    v_xx[q, i] = c_xx * slope[q, i]
                    v_m[q, i] = c_m * value[q, i]
            np.dot(value.T, v_ss, ss[g])
            np.dot(value.T, v_x, x[g])
            np.dot(slope.T, v_xx, xx[g])
            np.dot(value.T, v_m, mass_e[np.argmax(g == NODE_ORDER)])
            if order > 0:
                for q in range(count):
                    turning = (order / away[g, q]) ** 2
                    for i in range(n):
                        v_m[q, i] *= turning
                np.dot(value.T, v_m, turned)
                for i in range(n):
                    for j in range(n):
                        xx[g, i, j] += turned[i, j]
        combined(ss, x, xx, stiffness[start[e] : start[e + 1]].reshape(NODES * n, NODES * n))


@njit(cache=True, fastmath=True, nogil=True)
def combined(ss, x, xx, stiffness):  # type: ignore[no-untyped-def]
    """An element's stiffness from its nodes': p_s q_s, p_s q_across and p_across q_across, each (4, n, n).

    Along s a function is l_i(s) times a mode, l_i the cubic that is 1 at node i. Integrals over s are sums over the
    nodes g, at which l_i is 1 or 0 and its slope is NODE_SLOPES[g, i]: p_s q_s takes all nodes, p_s q_across the node
    of q, and p_across q_across only i = j. Nodes come in NODE_ORDER: inner ones first, which elimination condenses.
    """
    n = ss.shape[1]
    for a in range(NODES):
        i = NODE_ORDER[a]
        for c in range(a, NODES):
            j = NODE_ORDER[c]
            c_0, c_1 = NODE_SLOPES[0, i] * NODE_SLOPES[0, j], NODE_SLOPES[1, i] * NODE_SLOPES[1, j]
            c_2, c_3 = NODE_SLOPES[2, i] * NODE_SLOPES[2, j], NODE_SLOPES[3, i] * NODE_SLOPES[3, j]
            for p in range(n):
                for q in range(n):
                    total = c_0 * ss[0, p, q] + c_1 * ss[1, p, q] + c_2 * ss[2, p, q] + c_3 * ss[3, p, q]
                    total += NODE_SLOPES[j, i] * x[j, p, q] + NODE_SLOPES[i, j] * x[i, q, p]
                    if i == j:
                        total += xx[i, p, q]
                    stiffness[a * n + p, c * n + q] = total
