"""Elements along the sweep and their stiffness and mass matrices, which do not depend on frequency.

The weak form  int grad p . grad q - k^2 p q dV = int q dp/dn dS  is mapped to (s, eta): s along the sweep, eta from
axis to wall. Along s an element has four Lobatto nodes (third degree); its geometry is the polynomial through six
Lobatto points of the exact caps. Factors are summed one coordinate at a time: eta first, then s. All integrals leave
out the factor 2 pi of the azimuth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from evenflare.radiation.modes import radial_quadrature, tabulated_modes
from evenflare.radiation.wavefront import FLAT, Caps, Sweep
from evenflare.units import FloatArray, IntArray

NODES = 4
"""Along the sweep in an element; the order of convergence of a step is twice the degree, 2 (NODES - 1)."""
POINTS = 6
"""Of geometry and quadrature along the sweep in an element: exact to degree 9."""
LARGEST_TURN = 0.6
"""rad of cap half-angle in an element, whatever the frequency."""
LARGEST_GROWTH = 0.7
"""Natural logarithm of the growth of the radius in an element, whatever the frequency."""
EXTRA_POINTS = 6
"""Gauss points across a cap beyond the number of modes: the geometry is smooth but not polynomial."""


def _lobatto(count: int) -> tuple[FloatArray, FloatArray]:
    """Lobatto nodes and weights on [-1, 1] (Abramowitz & Stegun 1964, 25.4.32)."""
    inner = np.polynomial.legendre.Legendre.basis(count - 1).deriv().roots()
    x = np.concatenate([[-1.0], np.sort(inner.real), [1.0]])
    weights = 2.0 / (count * (count - 1) * np.polynomial.legendre.Legendre.basis(count - 1)(x) ** 2)
    return x, weights


def _lagrange(nodes: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Values and slopes, each (points, nodes), of the Lagrange polynomials of `nodes` at x."""
    monomials = np.linalg.inv(np.vander(nodes, increasing=True))
    powers = np.vander(x, nodes.size, increasing=True)
    slopes = np.zeros_like(powers)
    slopes[:, 1:] = powers[:, :-1] * np.arange(1, nodes.size)
    return powers @ monomials, slopes @ monomials


_S_POINTS, _S_WEIGHTS = _lobatto(POINTS)
_GEOMETRY_SLOPES = np.ascontiguousarray(_lagrange(_S_POINTS, _S_POINTS)[1])
# Inner nodes first, then the throat side, then the mouth side: the order in which they are eliminated.
_NODES = _lobatto(NODES)[0][[*range(1, NODES - 1), 0, NODES - 1]]
_VALUES, _SLOPES = _lagrange(_NODES, _S_POINTS)
_PAIRS = [(i, j) for i in range(NODES) for j in range(i, NODES)]


def _summing() -> tuple[FloatArray, FloatArray]:
    """Coefficients that sum the matrices of the six points to those of the ten pairs of nodes.

    Stiffness (10, 4 x 6): of the s-s, s-eta, eta-s and eta-eta parts; mass (10, 6).
    """
    stiffness = np.array(
        [
            np.concatenate(
                [
                    _S_WEIGHTS * _SLOPES[:, i] * _SLOPES[:, j],
                    _S_WEIGHTS * _SLOPES[:, i] * _VALUES[:, j],
                    _S_WEIGHTS * _VALUES[:, i] * _SLOPES[:, j],
                    _S_WEIGHTS * _VALUES[:, i] * _VALUES[:, j],
                ]
            )
            for i, j in _PAIRS
        ]
    )
    mass = np.array([_S_WEIGHTS * _VALUES[:, i] * _VALUES[:, j] for i, j in _PAIRS])
    return stiffness, mass


_STIFFNESS_SUM, _MASS_SUM = _summing()


@dataclass(frozen=True)
class Elements:
    """Stiffness and mass of the elements from the first cap to the last.

    modes           : (E,) radial modes of each. Where two meet, the smaller number is what they share.
    start           : (E + 1,) where each element's matrix begins in the rows of numbers that hold them.
    stiffness, mass : of element e a symmetric matrix (4 n, 4 n), n its modes, of which only the upper triangle is
                      filled; inner nodes first, then the throat side, then the mouth side.
    """

    modes: IntArray
    start: IntArray
    stiffness: FloatArray
    mass: FloatArray


def divided(sweep: Sweep, step: float, fineness: float) -> Caps:
    """Caps (E, 6) at the Lobatto points of elements that advance by `step` (m) at most, at wall and apex.

    fineness : scales down the largest turn and growth of an element, which hold at any frequency.
    """
    t, tables = sweep.dense
    rows = []
    for stretch, caps in zip(sweep.stretches, tables, strict=True):
        wall = np.hypot(np.diff(caps.z), np.diff(caps.r))
        apex = np.abs(np.diff(caps.apex))
        turn = np.abs(np.diff(caps.b)) / LARGEST_TURN
        growth = np.abs(np.diff(np.log(caps.r))) / LARGEST_GROWTH
        advance = np.maximum(np.maximum(wall, apex) / step, np.maximum(turn, growth) * fineness)
        along = np.concatenate([[0.0], np.cumsum(advance)])
        count = max(1, int(np.ceil(along[-1])))
        edges = np.interp(np.linspace(0.0, along[-1], count + 1), along, t)
        points = edges[:-1, None] + np.diff(edges)[:, None] * 0.5 * (1.0 + _S_POINTS)
        rows.append(stretch.caps(points))
    return Caps(*(np.concatenate(column) for column in zip(*rows, strict=True)))


def assembled(caps: Caps, modes: IntArray) -> Elements:
    """The matrices of elements whose caps (E, 6) and numbers of radial modes (E,) are given."""
    most = int(modes.max())
    points = most + EXTRA_POINTS
    values, slopes = tabulated_modes(most, points)
    u, weights = radial_quadrature(points)
    half_angle = np.where(np.abs(caps.b) < FLAT, FLAT, caps.b)
    start = np.concatenate([[0], np.cumsum((NODES * modes) ** 2)])
    stiffness, mass = _matrices(caps.z, caps.r, half_angle, modes, start, u, weights, values, slopes)
    return Elements(modes, start, stiffness, mass)


@njit(cache=True, fastmath=True)
def _matrices(z, r, b, modes, start, u, weights, values, slopes):  # type: ignore[no-untyped-def]
    elements, points = z.shape
    count = u.size
    stiffness = np.empty(start[-1])
    mass = np.empty(start[-1])
    eta = np.sqrt(u)
    along, away = np.empty((points, count)), np.empty((points, count))
    for e in range(elements):
        for g in range(points):
            sine = np.sin(b[e, g])
            for q in range(count):
                away[g, q] = r[e, g] * np.sin(b[e, g] * eta[q]) / sine
                along[g, q] = z[e, g] + 2.0 * r[e, g] / sine * np.sin(0.5 * b[e, g] * (1.0 + eta[q])) * np.sin(
                    0.5 * b[e, g] * (1.0 - eta[q])
                )
        along_s = _GEOMETRY_SLOPES @ along
        away_s = _GEOMETRY_SLOPES @ away
        n = modes[e]
        value, slope = values[:, :n].copy(), slopes[:, :n].copy()
        v_ss, v_x = np.empty((count, n)), np.empty((count, n))
        v_xx, v_m = np.empty((count, n)), np.empty((count, n))
        parts = np.empty((4 * points, n, n))
        masses = np.empty((points, n, n))
        for g in range(points):
            scale = r[e, g] * b[e, g] / np.sin(b[e, g])
            for q in range(count):
                away_e = scale * np.cos(b[e, g] * eta[q])
                along_e = -scale * np.sin(b[e, g] * eta[q])
                volume = along_s[g, q] * away_e - away_s[g, q] * along_e
                around = weights[q] * away[g, q] / eta[q]
                ss = around / volume * (away_e * away_e + along_e * along_e)
                x = -around / volume * (away_s[g, q] * away_e + along_s[g, q] * along_e) * 2.0 * eta[q]
                xx = around / volume * (away_s[g, q] ** 2 + along_s[g, q] ** 2) * 4.0 * u[q]
                m = around * volume
                for i in range(n):
                    v_ss[q, i] = ss * value[q, i]
                    v_x[q, i] = x * slope[q, i]
                    v_xx[q, i] = xx * slope[q, i]
                    v_m[q, i] = m * value[q, i]
            parts[g] = value.T @ v_ss
            parts[points + g] = value.T @ v_x
            parts[2 * points + g] = parts[points + g].T
            parts[3 * points + g] = slope.T @ v_xx
            masses[g] = value.T @ v_m
        summed = (_STIFFNESS_SUM @ parts.reshape(4 * points, n * n)).reshape(-1, n, n)
        summed_mass = (_MASS_SUM @ masses.reshape(points, n * n)).reshape(-1, n, n)
        stiffness_e = stiffness[start[e] : start[e + 1]].reshape(NODES * n, NODES * n)
        mass_e = mass[start[e] : start[e + 1]].reshape(NODES * n, NODES * n)
        pair = 0
        for i in range(NODES):
            for j in range(i, NODES):
                stiffness_e[i * n : (i + 1) * n, j * n : (j + 1) * n] = summed[pair]
                mass_e[i * n : (i + 1) * n, j * n : (j + 1) * n] = summed_mass[pair]
                pair += 1
    return stiffness, mass
