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
    room_for,
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
    stiffness, mass = room_for(start)
    folded = _matrices(
        *(shells.caps.z, shells.caps.r, half_angle, shells.a, shells.b),
        *(shells.wide, shells.high, shells.wide @ slope, shells.high @ slope),
        *(
            stiffness,
            mass,
            modes,
            start,
            basis.place,
            u,
            weights,
            values,
            slopes,
            basis.psi,
            cosines,
            sines,
            basis.odd,
            basis.sine,
        ),
    )
    if folded >= 0:
        raise ArithmeticError(f"element {folded} is folded")
    return Elements(modes, start, stiffness, mass)


@lru_cache(maxsize=32)
def _harmonics(count: int, orders: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """cos(2 k psi) and sin(2 k psi) at the samples, (2 orders, P), over P for means; and the matrix (P, P) that
    takes samples of an even function symmetric about both planes to those of its derivative.
    """
    psi = (np.arange(count) + 0.5) * (0.5 * np.pi / count)
    k = 2.0 * np.arange(2 * orders)
    cosines, sines = np.cos(np.outer(k, psi)) / count, np.sin(np.outer(k, psi)) / count
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
    stiffness,
    mass,
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
    """Fills stiffness and mass of elements, kept as the round ones' are; the first element that is folded, or -1.

    z, r, c            : (E, 4) of the mean caps at the nodes; a, b (E, 4) the sections' semi-axes, m.
    wide, high         : (E, 4, P) of the wall at the samples psi (P,), see Domes; wide_psi, high_psi their slopes.
    modes, start       : (E,) how many modes, (E + 1,) where each element's matrices begin.
    place              : (orders, degrees) see OblongBasis. u, weights (Q,); values, slopes (orders, degrees, Q) over u.
    cosines, sines     : (harmonics, P) of even multiples of psi, over P. parity: 0 or 1, of all orders.
    sine_modes         : whether modes go as sines.

    The map (s, eta, psi) -> (x, y, z) has the Jacobian det = X_s . (X_eta x X_psi). The gradients of s, eta and psi
    are X_eta x X_psi, X_psi x X_s and X_s x X_eta over det, so that the integrand grad p . grad q times the volume is
    their products over det. Modes are R(eta) cos(m psi): the mean over psi of c cos(m psi) cos(m' psi) is half of
    c's harmonics at |m - m'| and m + m', and likewise with sines where a mode is differentiated over psi. Modes
    R(eta) sin(m psi) take those at m + m' with the other sign.
    """
    count, angles, harmonics = u.size, psi.size, len(cosines)
    orders, degrees = place.shape
    eta = np.sqrt(u)
    fade, fade_eta = u * u, 4.0 * u * eta
    cos_psi, sin_psi = np.cos(psi), np.sin(psi)
    # Of each sample of psi the distances from the axis side by side, so that several are worked on at once.
    at_x, at_y, at_z = np.empty((NODES, angles * count)), np.empty((NODES, angles * count)), np.empty((NODES, count))
    away, away_e, z_e = np.empty((NODES, count)), np.empty((NODES, count)), np.empty((NODES, count))
    even, odd = np.empty((harmonics, 5, count)), np.empty((harmonics, 2, count))
    even_at, odd_at = np.empty((angles, 5, count)), np.empty((angles, 2, count))
    held, first = np.empty(orders, dtype=np.int64), np.empty(orders, dtype=np.int64)
    across, plain = np.empty(count), np.empty(count)
    scaled, block = np.empty((orders * degrees, count)), np.empty((degrees, orders * degrees))
    parts = np.empty(3 * NODES * modes.max() ** 2)
    sizes = np.empty(5, dtype=np.int32)
    one = np.ones(1)
    turn = -1.0 if sine_modes else 1.0
    for e in range(modes.size):
        for g in range(NODES):
            radius, scale = r[e, g] / np.sin(c[e, g]), c[e, g] / np.sin(c[e, g])
            rim = np.sin(0.5 * c[e, g]) ** 2
            for q in range(count):
                sine, cosine = np.sin(0.5 * c[e, g] * eta[q]), np.cos(0.5 * c[e, g] * eta[q])
                away[g, q] = 2.0 * sine * cosine / np.sin(c[e, g])
                away_e[g, q] = scale * (1.0 - 2.0 * sine**2)
                at_z[g, q] = z[e, g] + 2.0 * radius * (rim - sine**2)
                z_e[g, q] = -r[e, g] * scale * 2.0 * sine * cosine
            for p in range(angles):
                _ring(away[g], fade, a[e, g], wide[e, g, p], cos_psi[p], at_x[g, p * count : (p + 1) * count])
                _ring(away[g], fade, b[e, g], high[e, g, p], sin_psi[p], at_y[g, p * count : (p + 1) * count])
        n = modes[e]
        used = 0
        for i in range(orders):
            held[i] = 0
            for j in range(degrees):
                if place[i, j] < n:
                    held[i], used = j + 1, i + 1
        heard = 2 * used - 1 + parity
        # Per node: p_s q_s, p_s q_across and p_across q_across.
        ss, x, xx = parts[: 3 * NODES * n * n].reshape(3, NODES, n, n)
        mass_e = mass[start[e] // NODES : start[e + 1] // NODES].reshape(NODES, n, n)
        for g in range(NODES):
            x_s, y_s, z_s = NODE_SLOPES[g] @ at_x, NODE_SLOPES[g] @ at_y, NODE_SLOPES[g] @ at_z
            around = NODE_WEIGHTS[g] * weights / eta
            least = np.inf
            for p in range(angles):
                least = min(
                    least,
                    _coefficients(
                        *(a[e, g], wide[e, g, p], wide_psi[e, g, p], b[e, g], high[e, g, p], high_psi[e, g, p]),
                        *(cos_psi[p], sin_psi[p], fade, fade_eta, around, away[g], away_e[g], z_e[g]),
                        *(x_s[p * count : (p + 1) * count], y_s[p * count : (p + 1) * count], z_s),
                        *(even_at[p], odd_at[p]),
                    ),
                )
            if not least > 0.0:
                return e
            # Over psi: of all distances from the axis at once.
            _summed(cosines[:heard], even_at.reshape(angles, 5 * count), even.reshape(harmonics, 5 * count), sizes, one)
            _summed(sines[:heard], odd_at.reshape(angles, 2 * count), odd.reshape(harmonics, 2 * count), sizes, one)
            mass_g = mass_e[np.argmax(g == NODE_ORDER)]
            # Of one order with all others at once: small products cost more to call than to carry out.
            for i in range(used):
                rows, m_i = held[i], 2.0 * i + parity
                for kind in range(5):
                    # 0: p_s (q_eta and q_psi), of every pair of orders. Symmetric: 1 p_s q_s, 2 mass, 3 p_eta (q_eta
                    # and q_psi), to which comes 4: p_psi (q_eta and q_psi).
                    whole, others = 0, 0 if kind == 0 else i
                    for j in range(others, used):
                        m_j = 2.0 * j + parity
                        # Modes of order above 0 carry sqrt(2); half of it all is the mean of a product of cosines.
                        norm = (0.5 if m_i == 0.0 else np.sqrt(0.5)) * (1.0 if m_j == 0.0 else np.sqrt(2.0))
                        both, apart = even[i + j + parity], even[abs(i - j)]
                        odd_both, odd_apart = odd[i + j + parity], odd[abs(i - j)]
                        turned, sign = turn * norm, norm if j >= i else -norm
                        first[j] = whole
                        if kind == 0:
                            _pair(norm, apart[1], turned, both[1], across)
                            _pair(-m_j * sign, odd_apart[0], -m_j * turned, odd_both[0], plain)
                        elif kind == 1:
                            _pair(norm, apart[0], turned, both[0], plain)
                        elif kind == 2:
                            _pair(norm, apart[4], turned, both[4], plain)
                        elif kind == 3:
                            _pair(norm, apart[2], turned, both[2], across)
                            _pair(-m_j * sign, odd_apart[1], -m_j * turned, odd_both[1], plain)
                        else:
                            _pair(m_i * sign, odd_apart[1], -m_i * turned, odd_both[1], across)
                            _pair(m_i * m_j * norm, apart[3], -m_i * m_j * turned, both[3], plain)
                        for k in range(held[j]):
                            if kind == 1 or kind == 2:
                                for q in range(count):
                                    scaled[whole + k, q] = plain[q] * values[j, k, q]
                            else:
                                for q in range(count):
                                    scaled[whole + k, q] = across[q] * slopes[j, k, q] + plain[q] * values[j, k, q]
                        whole += held[j]
                    left = slopes[i] if kind == 3 else values[i]
                    _product(left, scaled, rows, whole, block, sizes, one, kind == 4)
                    if kind == 3:
                        continue
                    into = x[g] if kind == 0 else ss[g] if kind == 1 else mass_g if kind == 2 else xx[g]
                    for j in range(others, used):
                        _placed(block[:, first[j] :], into, place[i], place[j], rows, held[j], kind != 0)
        combined(ss, x, xx, stiffness[start[e] : start[e + 1]].reshape(NODES * n, NODES * n))
    return -1


@njit(cache=True, fastmath=True, nogil=True)
def _ring(away, fade, semi_axis, wall, turned, into):  # type: ignore[no-untyped-def]
    """x or y (Q,) at a sample of psi, `turned` its cosine or sine: the ellipse within, the wall's own section there."""
    for q in range(away.size):
        into[q] = away[q] * (semi_axis + (wall - semi_axis) * fade[q]) * turned


@njit(cache=True, fastmath=True, nogil=True)
def _coefficients(  # type: ignore[no-untyped-def]
    a,
    wide,
    wide_psi,
    b,
    high,
    high_psi,
    cos_psi,
    sin_psi,
    fade,
    fade_eta,
    around,
    away,
    away_e,
    z_e,
    x_s,
    y_s,
    z_s,
    even,
    odd,
):
    """Fills even (5, Q) and odd (2, Q) of a sample of psi; hands back the least det, below 0 of a folded element."""
    least = np.inf
    for q in range(fade.size):
        ring_x, ring_y = a + (wide - a) * fade[q], b + (high - b) * fade[q]
        x_e = (away_e[q] * ring_x + away[q] * (wide - a) * fade_eta[q]) * cos_psi
        y_e = (away_e[q] * ring_y + away[q] * (high - b) * fade_eta[q]) * sin_psi
        x_p = away[q] * (wide_psi * fade[q] * cos_psi - ring_x * sin_psi)
        y_p = away[q] * (high_psi * fade[q] * sin_psi + ring_y * cos_psi)
        # Cross products of the tangents, z_p being 0: det times the gradients of s, eta and psi.
        s_x, s_y, s_z = -z_e[q] * y_p, z_e[q] * x_p, x_e * y_p - y_e * x_p
        e_x, e_y, e_z = y_p * z_s[q], -x_p * z_s[q], x_p * y_s[q] - y_p * x_s[q]
        p_x, p_y = y_s[q] * z_e[q] - z_s[q] * y_e, z_s[q] * x_e - x_s[q] * z_e[q]
        p_z = x_s[q] * y_e - y_s[q] * x_e
        det = x_s[q] * s_x + y_s[q] * s_y + z_s[q] * s_z
        least = min(least, det)
        share = around[q] / det
        even[0, q] = share * (s_x * s_x + s_y * s_y + s_z * s_z)
        even[1, q] = share * (s_x * e_x + s_y * e_y + s_z * e_z)
        even[2, q] = share * (e_x * e_x + e_y * e_y + e_z * e_z)
        even[3, q] = share * (p_x * p_x + p_y * p_y + p_z * p_z)
        even[4, q] = around[q] * det
        odd[0, q] = share * (s_x * p_x + s_y * p_y + s_z * p_z)
        odd[1, q] = share * (e_x * p_x + e_y * p_y + e_z * p_z)
    return least


@njit(cache=True, fastmath=True, nogil=True)
def _pair(one, first, other, second, into):  # type: ignore[no-untyped-def]
    """into = one first + other second, each (Q,)."""
    for q in range(into.size):
        into[q] = one * first[q] + other * second[q]


@njit(cache=True, nogil=True)
def _summed(left, right, into, sizes, one):  # type: ignore[no-untyped-def]
    """The first rows of into = left right."""
    flags = np.array([ord("N"), ord("N")], dtype=np.uint8)
    nothing = np.zeros(1)
    sizes[0], sizes[1], sizes[2] = right.shape[1], left.shape[0], left.shape[1]
    dgemm(
        flags.ctypes, flags[1:].ctypes, sizes.ctypes, sizes[1:].ctypes, sizes[2:].ctypes, one.ctypes,
        right.ctypes, sizes.ctypes, left.ctypes, sizes[2:].ctypes, nothing.ctypes, into.ctypes, sizes.ctypes,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _product(left, right, rows, columns, block, sizes, one, add):  # type: ignore[no-untyped-def]
    """block[:rows, :columns] = left right^T of their first rows, or added to it."""
    flags = np.array([ord("T"), ord("N")], dtype=np.uint8)
    beta = np.array([1.0 if add else 0.0])
    sizes[0], sizes[1], sizes[2], sizes[3] = columns, rows, left.shape[1], block.shape[1]
    dgemm(
        flags.ctypes, flags[1:].ctypes, sizes.ctypes, sizes[1:].ctypes, sizes[2:].ctypes, one.ctypes,
        right.ctypes, sizes[2:].ctypes, left.ctypes, sizes[2:].ctypes, beta.ctypes, block.ctypes, sizes[3:].ctypes,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _placed(block, whole, row_place, column_place, rows, columns, symmetric):  # type: ignore[no-untyped-def]
    """block (rows, columns), of two orders, put where their modes stand in `whole`; and mirrored if symmetric."""
    for j in range(rows):
        for k in range(columns):
            whole[row_place[j], column_place[k]] = block[j, k]
            if symmetric:
                whole[column_place[k], row_place[j]] = block[j, k]
