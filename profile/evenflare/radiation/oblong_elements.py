"""Stiffness and mass of the elements of an oblong waveguide, by sum factorisation: psi first, then eta, then s.

The weak form in (s, eta, psi) has the coefficients  det grad(i) . grad(j)  and det of the map's Jacobian. At a node of
an element and a distance eta from the axis, each is summed over psi against cos(k psi) or sin(k psi): two modes of
orders m and m' meet the frequencies |m - m'| and m + m' only. What is left is a small matrix over eta for each pair of
orders. Along s the elements are those of the round waveguide. Integrals are means over the azimuth, so that the factor
2 pi is left out there too.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from evenflare.compiled import njit
from evenflare.radiation.elements import (
    EXTRA_POINTS,
    NODE_ORDER,
    NODE_SLOPES,
    NODE_WEIGHTS,
    NODES,
    Elements,
    combined,
)
from evenflare.radiation.lapack import dgemm
from evenflare.radiation.modes import orders_and_degrees, radial_quadrature, tabulated_zernike
from evenflare.radiation.oblong import Domes
from evenflare.radiation.wavefront import FLAT
from evenflare.units import FloatArray, IntArray, read_only

EXTRA_ANGLES = 6
"""Samples of psi in a quarter turn beyond half the largest order: the sections are not made of a few harmonics."""


@dataclass(frozen=True)
class OblongBasis:
    """The modes of an oblong waveguide, in rising order of cost, j + azimuth_cost m; `most` radial ones of order 0, or
    as many as go with these.

    odd  : 0 for sound that is even about both planes, orders 0, 2, ...; 1 for sound that is odd about one, orders 1,
           3, ..., and even about the other.
    sine : whether modes go as sin(m psi), odd in y; else as cos(m psi), odd in x.
    """

    azimuth_cost: float
    most: int
    odd: int = 0
    sine: bool = False

    @cached_property
    def _modes(self) -> tuple[IntArray, IntArray, FloatArray]:
        return orders_and_degrees(self.azimuth_cost, self.most - 1.0, self.odd)

    @property
    def order(self) -> IntArray:
        """m of each mode."""
        return self._modes[0]

    @property
    def degree(self) -> IntArray:
        """j of each mode."""
        return self._modes[1]

    def count(self, radial: IntArray) -> IntArray:
        """How many modes go with that many radial ones of order 0."""
        return np.searchsorted(self._modes[2], radial - 1.0 + 1e-9).astype(np.int64)

    @cached_property
    def place(self) -> IntArray:
        """(orders, degrees) where the mode of degree j and i-th order stands; beyond the last mode: their number."""
        found = np.full((self.order.max() // 2 + 1, self.degree.max() + 1), self.order.size)
        found[self.order // 2, self.degree] = np.arange(self.order.size)
        return found

    @property
    def psi(self) -> FloatArray:
        """(P,) rad, the samples of a quarter turn: midpoints, exact for harmonics below 4 P."""
        count = self.order.max() // 2 + EXTRA_ANGLES
        return np.asarray((np.arange(count) + 0.5) * (0.5 * np.pi / count))


def assembled(shells: Domes, modes: IntArray, *, basis: OblongBasis) -> Elements:
    """The matrices of elements whose stretched caps (E, 4) at basis.psi and numbers of modes (E,) are given.

    Errors: ArithmeticError if an element is folded.
    """
    orders, degrees = basis.place.shape
    points = degrees + orders + EXTRA_POINTS
    values, slopes = tabulated_zernike(orders, degrees, points, basis.odd)
    u, weights = radial_quadrature(points)
    half_angle = np.where(np.abs(shells.caps.b) < FLAT, FLAT, shells.caps.b)
    start = np.concatenate([[0], np.cumsum((NODES * modes) ** 2)])
    cosines, sines, slope = _harmonics(basis.psi.size, orders)
    stiffness, mass, folded = _matrices(
        *(shells.caps.z, shells.caps.r, half_angle, shells.a, shells.b),
        *(shells.wide, shells.high, shells.wide @ slope, shells.high @ slope),
        *(modes, start, basis.place, u, weights, values, slopes, basis.psi, cosines, sines, basis.odd, basis.sine),
    )
    if folded >= 0:
        raise ArithmeticError(f"element {folded} is folded")
    return Elements(modes, start, stiffness, mass)


@lru_cache(maxsize=32)
def _harmonics(count: int, orders: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """cos(2 k psi) and sin(2 k psi) at the samples, (P, 2 orders), over P for means; and the matrix (P, P) that
    takes samples of an even function symmetric about both planes to those of its derivative.
    """
    psi = (np.arange(count) + 0.5) * (0.5 * np.pi / count)
    k = 2.0 * np.arange(2 * orders)
    cosines, sines = np.cos(np.outer(psi, k)) / count, np.sin(np.outer(psi, k)) / count
    return read_only(cosines), read_only(sines), slope_over(count)


@lru_cache(maxsize=32)
def slope_over(count: int) -> FloatArray:
    """(P, P) that takes P samples of an even function symmetric about both planes, from its left, to those of its
    derivative.
    """
    psi = (np.arange(count) + 0.5) * (0.5 * np.pi / count)
    every = 2.0 * np.arange(count)
    series = np.cos(np.outer(every, psi)) * (2.0 / count)
    slope = (-np.sin(np.outer(psi, every)) * every) @ series
    return read_only(slope.T)


@njit(cache=True, fastmath=True, nogil=True)
def _matrices(  # type: ignore[no-untyped-def]
    z,
    r,
    c,
    a,
    b,
    wide,
    high,
    wide_psi,
    high_psi,
    modes,
    start,
    place,
    u,
    weights,
    values,
    slopes,
    psi,
    cosines,
    sines,
    parity,
    sine_modes,
):
    """Stiffness and mass of elements as the round ones' are kept, and the first element that is folded, or -1.

    z, r, c            : (E, 4) of the mean caps at the nodes; a, b (E, 4) the sections' semi-axes, m.
    wide, high         : (E, 4, P) of the wall at the samples psi (P,), see Domes; wide_psi, high_psi their slopes.
    modes, start       : (E,) how many modes, (E + 1,) where each element's matrices begin.
    place              : (orders, degrees) see OblongBasis. u, weights (Q,); values, slopes (orders, Q, degrees) over u.
    cosines, sines     : (P, harmonics) of even multiples of psi, over P. parity: 0 or 1, of all orders.
    sine_modes         : whether modes go as sines.

    The map (s, eta, psi) -> (x, y, z) has the Jacobian det = X_s . (X_eta x X_psi). The gradients of s, eta and psi
    are X_eta x X_psi, X_psi x X_s and X_s x X_eta over det, so that the integrand grad p . grad q times the volume is
    their products over det. Modes are R(eta) cos(m psi): the mean over psi of c cos(m psi) cos(m' psi) is half of
    c's harmonics at |m - m'| and m + m', and likewise with sines where a mode is differentiated over psi. Modes
    R(eta) sin(m psi) take those at m + m' with the other sign.
    """
    count, angles, harmonics = u.size, psi.size, cosines.shape[1]
    orders, degrees = place.shape
    stiffness = np.empty(start[-1])
    mass = np.empty(start[-1] // NODES)
    eta = np.sqrt(u)
    fade, fade_eta = u * u, 4.0 * u * eta
    cos_psi, sin_psi = np.cos(psi), np.sin(psi)
    at, at_s = np.empty((NODES, 3, count, angles)), np.empty((3, count, angles))
    sine, cosine = np.empty((NODES, count)), np.empty((NODES, count))
    even, odd = np.empty((5, count, harmonics)), np.empty((2, count, harmonics))
    even_at, odd_at = np.empty((5, count, angles)), np.empty((2, count, angles))
    held, first = np.empty(orders, dtype=np.int64), np.empty(orders, dtype=np.int64)
    scaled, block = np.empty((count, orders * degrees)), np.empty((degrees, orders * degrees))
    sizes = np.empty(6, dtype=np.int32)
    one = np.ones(1)
    turn = -1.0 if sine_modes else 1.0
    for e in range(modes.size):
        for g in range(NODES):
            radius = r[e, g] / np.sin(c[e, g])
            rim = np.sin(0.5 * c[e, g]) ** 2
            for q in range(count):
                sine[g, q], cosine[g, q] = np.sin(0.5 * c[e, g] * eta[q]), np.cos(0.5 * c[e, g] * eta[q])
                away = 2.0 * sine[g, q] * cosine[g, q] / np.sin(c[e, g])
                along = z[e, g] + 2.0 * radius * (rim - sine[g, q] ** 2)
                for p in range(angles):
                    at[g, 0, q, p] = away * (a[e, g] + (wide[e, g, p] - a[e, g]) * fade[q]) * cos_psi[p]
                    at[g, 1, q, p] = away * (b[e, g] + (high[e, g, p] - b[e, g]) * fade[q]) * sin_psi[p]
                    at[g, 2, q, p] = along
        n = modes[e]
        for i in range(orders):
            held[i] = 0
            for j in range(degrees):
                if place[i, j] < n:
                    held[i] = j + 1
        ss, x, xx = np.empty((NODES, n, n)), np.empty((NODES, n, n)), np.empty((NODES, n, n))
        mass_e = mass[start[e] // NODES : start[e + 1] // NODES].reshape(NODES, n, n)
        for g in range(NODES):
            at_s[:] = 0.0
            for h in range(NODES):
                at_s += NODE_SLOPES[g, h] * at[h]
            scale = c[e, g] / np.sin(c[e, g])
            for q in range(count):
                away = 2.0 * sine[g, q] * cosine[g, q] / np.sin(c[e, g])
                away_e = scale * (1.0 - 2.0 * sine[g, q] ** 2)
                z_e = -r[e, g] * scale * 2.0 * sine[g, q] * cosine[g, q]
                around = NODE_WEIGHTS[g] * weights[q] / eta[q]
                for p in range(angles):
                    wider, higher = wide[e, g, p] - a[e, g], high[e, g, p] - b[e, g]
                    ring_x, ring_y = a[e, g] + wider * fade[q], b[e, g] + higher * fade[q]
                    x_e = (away_e * ring_x + away * wider * fade_eta[q]) * cos_psi[p]
                    y_e = (away_e * ring_y + away * higher * fade_eta[q]) * sin_psi[p]
                    x_p = away * (wide_psi[e, g, p] * fade[q] * cos_psi[p] - ring_x * sin_psi[p])
                    y_p = away * (high_psi[e, g, p] * fade[q] * sin_psi[p] + ring_y * cos_psi[p])
                    x_s, y_s, z_s = at_s[0, q, p], at_s[1, q, p], at_s[2, q, p]
                    # Cross products of the tangents, z_p being 0: det times the gradients of s, eta and psi.
                    s_x, s_y, s_z = -z_e * y_p, z_e * x_p, x_e * y_p - y_e * x_p
                    e_x, e_y, e_z = y_p * z_s, -x_p * z_s, x_p * y_s - y_p * x_s
                    p_x, p_y, p_z = y_s * z_e - z_s * y_e, z_s * x_e - x_s * z_e, x_s * y_e - y_s * x_e
                    det = x_s * s_x + y_s * s_y + z_s * s_z
                    if not det > 0.0:
                        return stiffness, mass, e
                    share = around / det
                    even_at[0, q, p] = share * (s_x * s_x + s_y * s_y + s_z * s_z)
                    even_at[1, q, p] = share * (s_x * e_x + s_y * e_y + s_z * e_z)
                    even_at[2, q, p] = share * (e_x * e_x + e_y * e_y + e_z * e_z)
                    even_at[3, q, p] = share * (p_x * p_x + p_y * p_y + p_z * p_z)
                    even_at[4, q, p] = around * det
                    odd_at[0, q, p] = share * (s_x * p_x + s_y * p_y + s_z * p_z)
                    odd_at[1, q, p] = share * (e_x * p_x + e_y * p_y + e_z * p_z)
            # Over psi: rows of all distances from the axis at once.
            _summed(even_at.reshape(5 * count, angles), cosines, even.reshape(5 * count, harmonics), sizes, one)
            _summed(odd_at.reshape(2 * count, angles), sines, odd.reshape(2 * count, harmonics), sizes, one)
            mass_g = mass_e[np.argmax(g == NODE_ORDER)]
            # Of one order with all others at once: small products cost more to call than to carry out.
            for i in range(orders):
                rows, m_i = held[i], 2.0 * i + parity
                if rows == 0:
                    continue
                for kind in range(5):
                    # 0: p_s (q_eta and q_psi), of every pair of orders. Symmetric: 1 p_s q_s, 2 mass, 3 p_eta (q_eta
                    # and q_psi), to which comes 4: p_psi (q_eta and q_psi).
                    whole, others = 0, 0 if kind == 0 else i
                    for j in range(others, orders):
                        columns, m_j = held[j], 2.0 * j + parity
                        # Modes of order above 0 carry sqrt(2); half of it all is the mean of a product of cosines.
                        norm = (0.5 if m_i == 0.0 else np.sqrt(0.5)) * (1.0 if m_j == 0.0 else np.sqrt(2.0))
                        apart, both = abs(i - j), i + j + parity
                        sign = 1.0 if j >= i else -1.0
                        first[j] = whole
                        for q in range(count):
                            c_e = 0.0
                            if kind == 0:
                                c_e = norm * (even[1, q, apart] + turn * even[1, q, both])
                                c_p = -m_j * norm * (turn * odd[0, q, both] + sign * odd[0, q, apart])
                            elif kind == 1:
                                c_p = norm * (even[0, q, apart] + turn * even[0, q, both])
                            elif kind == 2:
                                c_p = norm * (even[4, q, apart] + turn * even[4, q, both])
                            elif kind == 3:
                                c_e = norm * (even[2, q, apart] + turn * even[2, q, both])
                                c_p = -m_j * norm * (turn * odd[1, q, both] + sign * odd[1, q, apart])
                            else:
                                c_e = -m_i * norm * (turn * odd[1, q, both] - sign * odd[1, q, apart])
                                c_p = m_i * m_j * norm * (even[3, q, apart] - turn * even[3, q, both])
                            if kind == 1 or kind == 2:
                                for k in range(columns):
                                    scaled[q, whole + k] = c_p * values[j, q, k]
                            else:
                                for k in range(columns):
                                    scaled[q, whole + k] = c_e * slopes[j, q, k] + c_p * values[j, q, k]
                        whole += columns
                    left = slopes[i] if kind == 3 else values[i]
                    _product(left, scaled, rows, whole, block, sizes, one, kind == 4)
                    if kind == 3:
                        continue
                    into = x[g] if kind == 0 else ss[g] if kind == 1 else mass_g if kind == 2 else xx[g]
                    for j in range(others, orders):
                        _placed(block[:, first[j] :], into, place[i], place[j], rows, held[j], kind != 0)
        combined(ss, x, xx, stiffness[start[e] : start[e + 1]].reshape(NODES * n, NODES * n))
    return stiffness, mass, -1


@njit(cache=True, nogil=True)
def _summed(left, right, into, sizes, one):  # type: ignore[no-untyped-def]
    """into = left right."""
    flags = np.array([ord("N"), ord("N")], dtype=np.uint8)
    nothing = np.zeros(1)
    sizes[0], sizes[1], sizes[2] = right.shape[1], left.shape[0], left.shape[1]
    dgemm(
        flags.ctypes,
        flags[1:].ctypes,
        sizes.ctypes,
        sizes[1:].ctypes,
        sizes[2:].ctypes,
        one.ctypes,
        right.ctypes,
        sizes.ctypes,
        left.ctypes,
        sizes[2:].ctypes,
        nothing.ctypes,
        into.ctypes,
        sizes.ctypes,
    )


@njit(cache=True, nogil=True)
def _product(left, right, rows, columns, block, sizes, one, add):  # type: ignore[no-untyped-def]
    """block[:rows, :columns] = left^T right over their first axis, or added to it."""
    flags = np.array([ord("N"), ord("T")], dtype=np.uint8)
    beta = np.array([1.0 if add else 0.0])
    sizes[0], sizes[1], sizes[2] = columns, rows, left.shape[0]
    sizes[3], sizes[4], sizes[5] = left.shape[1], right.shape[1], block.shape[1]
    dgemm(
        flags.ctypes,
        flags[1:].ctypes,
        sizes.ctypes,
        sizes[1:].ctypes,
        sizes[2:].ctypes,
        one.ctypes,
        right.ctypes,
        sizes[4:].ctypes,
        left.ctypes,
        sizes[3:].ctypes,
        beta.ctypes,
        block.ctypes,
        sizes[5:].ctypes,
    )


@njit(cache=True, nogil=True)
def _placed(block, whole, row_place, column_place, rows, columns, symmetric):  # type: ignore[no-untyped-def]
    """block (rows, columns), of two orders, put where their modes stand in `whole`; and mirrored if symmetric."""
    for j in range(rows):
        for k in range(columns):
            whole[row_place[j], column_place[k]] = block[j, k]
            if symmetric:
                whole[column_place[k], row_place[j]] = block[j, k]
