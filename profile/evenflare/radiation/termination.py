"""What the last cap sees, as an admittance on the basis of the cap, and how its pressure radiates.

In a baffle the last cap is a hemisphere: the pressure is expanded in Legendre functions of one azimuthal order m, with
n + m even, which satisfy the rigid baffle, and each degree n moves as h_n(kr). On a sphere the last cap is part of the
sphere and the normal velocity lives on the cap alone. Spherical Hankel functions are of the second kind (phasors
exp(+j w t)).
Source: Morse & Ingard (1968), Theoretical Acoustics, section 7.2 (from memory), and algebra from there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import ClassVar, Protocol

import numpy as np

from evenflare.compiled import njit
from evenflare.exterior.waves import associated
from evenflare.radiation.modes import radial_quadrature, tabulated_modes, zernike
from evenflare.units import ComplexArray, FloatArray, IntArray, read_only

DEGREES_BAFFLE = 240
"""Degrees in the admittance of a hemisphere, every second one; what is left out falls as their number squared."""
DEGREES_SPHERE = 600
"""Degrees in the impedance of a cap on a sphere."""


def radiating_degree(x: float) -> int:
    """The degree beyond which h_n(x) is so large that the static limit -(n + 1)/x of its slope is exact enough."""
    return int(np.ceil(1.15 * x + 20.0))


@njit(cache=True)
def hankel_ratio(x, degrees):  # type: ignore[no-untyped-def]
    """h_n(x) of the second kind and h_n'/h_n, each (F, degrees).

    Upward recurrence, stable for the dominant imaginary part; the imaginary part of the ratio, which a lost real
    part would spoil, comes from the Wronskian: -1 / (x^2 |h|^2).
    """
    h = np.empty((x.size, degrees), dtype=np.complex128)
    ratio = np.empty((x.size, degrees), dtype=np.complex128)
    for f in range(x.size):
        before = np.exp(-1j * x[f]) / x[f]  # of degree -1
        h[f, 0] = 1j * before
        for n in range(1, degrees):
            lower = h[f, n - 2] if n > 1 else before
            h[f, n] = (2 * n - 1) / x[f] * h[f, n - 1] - lower
        for n in range(degrees):
            lower = h[f, n - 1] if n > 0 else before
            slope = lower / h[f, n] - (n + 1) / x[f]
            ratio[f, n] = slope.real - 1j / (x[f] * abs(h[f, n])) ** 2
    return h, ratio


@njit(cache=True)
def regular(x, degrees):  # type: ignore[no-untyped-def]
    """j_n(x) and its derivative, each (F, degrees): downward recurrence from far above, scaled by j_0 or j_1.

    Source: Miller's algorithm, Abramowitz & Stegun (1964), 10.5.
    """
    j = np.empty((x.size, degrees))
    slope = np.empty((x.size, degrees))
    for f in range(x.size):
        start = max(degrees, int(x[f])) + 20 + int(2.0 * np.sqrt(max(degrees, x[f])))
        above, here = 0.0, 1e-290
        row = np.zeros(degrees + 1)
        for n in range(start, 0, -1):
            below = (2 * n + 1) / x[f] * here - above
            above, here = here, below
            if abs(here) > 1e250:
                above, here = above * 1e-250, here * 1e-250
                row *= 1e-250
            if n - 1 <= degrees:
                row[n - 1] = here
        first = np.sin(x[f]) / x[f]
        second = first / x[f] - np.cos(x[f]) / x[f]
        scale = first / row[0] if abs(first) > abs(second) else second / row[1]
        for n in range(degrees):
            j[f, n] = scale * row[n]
            slope[f, n] = n / x[f] * scale * row[n] - scale * row[n + 1]
    return j, slope


@dataclass(frozen=True)
class Radiation:
    """The last cap at some frequencies.

    admittance : (F, modes, modes), complex symmetric: the flux int q dp/dn dS that leaves through it is -admittance p.
    table      : (D, modes), of each outgoing wave's share in the modes, and
    factor     : (F, D): p(r, t) = sum_n factor_n (table x)_n h_n(kr) P_n(cos t), where x is the cap's pressure
    slope      : or, on a sphere, slope (F, modes, modes) times it: its slope dp/dr. None in a baffle.
    returned   : in a cabinet, (S, W, modes): the first W waves at the first S frequencies, with those that the edges
                 send back, are that times x. None elsewhere.
    """

    admittance: ComplexArray
    table: FloatArray
    factor: ComplexArray
    slope: ComplexArray | None
    returned: ComplexArray | None = None

    def outgoing(self, pressure: ComplexArray) -> ComplexArray:
        """(F, D) coefficients of the outgoing waves from the pressure (F, modes) on the cap. See End."""
        moved = pressure if self.slope is None else np.einsum("fij,fj->fi", self.slope, pressure)
        found = np.asarray(self.factor * (moved @ self.table.T))
        if self.returned is not None:
            solved, count, _ = self.returned.shape
            found[:solved, :count] = (self.returned @ pressure[:solved, :, None])[:, :, 0]
        return found


class End(Protocol):
    """What surrounds the last cap of one waveguide, at any frequencies.

    Outgoing waves are h_n(kr) P_n(cos t), or h_n(kr) P_nm(cos t) sqrt(2) cos(m azimuth), sin(|m| azimuth) below 0, with
    the associated function scaled to the mean square of P_n; all are orthogonal over the sphere, and in a baffle over
    its half.

    radius     : m, of the smallest sphere outside which the expansion holds, and
    centre_z   : m, its centre on the axis.
    half_space : in a baffle, which only waves with n + m even satisfy.
    """

    @property
    def radius(self) -> float: ...  # noqa: D102
    @property
    def centre_z(self) -> float: ...  # noqa: D102
    @property
    def half_space(self) -> bool: ...  # noqa: D102

    def waves(self, count: int) -> tuple[IntArray, IntArray]:
        """n and m of the first `count` outgoing waves."""
        ...

    def radiation(self, wavenumber: FloatArray, modes: int) -> Radiation:
        """The last cap at wavenumbers (F,) in rad/m with that many modes."""
        ...


@dataclass(frozen=True)
class Baffle:
    """A hemisphere of `radius` (m) on an infinite rigid baffle at `centre_z` (m), for waves of one azimuthal order."""

    radius: float
    centre_z: float
    order: int = 0
    half_space: ClassVar[bool] = True

    def waves(self, count: int) -> tuple[IntArray, IntArray]:
        """See End."""
        return self.order + 2 * np.arange(count), np.full(count, self.order, dtype=np.int64)

    def radiation(self, wavenumber: FloatArray, modes: int) -> Radiation:
        """See End."""
        # Rounded up, so that few different tails are asked for.
        top = radiating_degree(float(wavenumber.max()) * self.radius)
        count = min(DEGREES_BAFFLE, 8 * int(np.ceil((top / 2 + 1) / 8)))
        h, ratio = hankel_ratio(wavenumber * self.radius, self.order + 2 * count - 1)
        h, ratio = h[:, self.order :: 2], ratio[:, self.order :: 2]
        n = self.order + 2.0 * np.arange(count)
        tabulated = 32 * int(np.ceil(modes / 32))
        table = np.ascontiguousarray(_hemisphere(tabulated, self.order)[:count, :modes])
        slope = -(2 * n + 1) * ratio * (wavenumber * self.radius**2)[:, None]
        tail = self.radius * _hemisphere_tail(tabulated, count, self.order)[:modes, :modes]
        return Radiation(weighted(table, slope) + tail, table, (2 * n + 1) / h, None)


@dataclass(frozen=True)
class Sphere:
    """A cap of `half_angle` (rad) on a rigid sphere of `radius` (m) about `centre_z` (m); `most` modes at most, of
    one azimuthal order.
    """

    radius: float
    half_angle: float
    centre_z: float
    most: int
    order: int = 0
    half_space: ClassVar[bool] = False

    def waves(self, count: int) -> tuple[IntArray, IntArray]:
        """See End."""
        return self.order + np.arange(count), np.full(count, self.order, dtype=np.int64)

    @cached_property
    def _table(self) -> FloatArray:
        n = self.order + np.arange(DEGREES_SPHERE)
        shares = _projected(self.most, self.half_angle, self.order + DEGREES_SPHERE, self.order)[self.order :]
        return 0.5 * (2 * n + 1)[:, None] * shares

    @cached_property
    def _gram(self) -> FloatArray:
        u, weights = radial_quadrature(self.most + 20)
        values, _ = tabulated_modes(self.most, self.most + 20, self.order)
        eta = np.sqrt(u)
        return (values * (weights * self.half_angle * np.sin(self.half_angle * eta) / eta)[:, None]).T @ values

    def radiation(self, wavenumber: FloatArray, modes: int) -> Radiation:
        """See End."""
        count = min(DEGREES_SPHERE, radiating_degree(float(wavenumber.max()) * self.radius))
        h, ratio = hankel_ratio(wavenumber * self.radius, self.order + count)
        h, ratio = h[:, self.order :], ratio[:, self.order :]
        n = self.order + np.arange(DEGREES_SPHERE, dtype=np.float64)
        table = self._table[:, :modes]
        # p_n = v_n / (k ratio_n), and -R v_n / (n + 1) in the static limit.
        tail = (-2 * self.radius / ((n + 1) * (2 * n + 1)))[count:, None]
        impedance = (table[count:] * tail).T @ table[count:]
        table = np.ascontiguousarray(table[:count])
        moving = weighted(table, 2 / ((2 * n[:count] + 1) * wavenumber[:, None] * ratio)) + impedance
        gram = self._gram[:modes, :modes]
        slope: ComplexArray = np.linalg.solve(moving, np.broadcast_to(gram, moving.shape)).astype(np.complex128)
        factor = 1.0 / (wavenumber[:, None] * ratio * h)
        return Radiation(-(self.radius**2) * gram @ slope, table, factor, slope)


@lru_cache(maxsize=4)
def _hemisphere(modes: int, order: int) -> FloatArray:
    """(DEGREES_BAFFLE, modes): integral of P_nm(cos t), n = m + 2i, times a mode over the hemisphere, sin t dt."""
    return _projected(modes, 0.5 * np.pi, order + 2 * DEGREES_BAFFLE, order)[order::2]


@lru_cache(maxsize=16)
def _hemisphere_tail(modes: int, first: int, order: int) -> FloatArray:
    """Static admittance of the waves from the `first` on, times the radius: sum (2n+1)(n+1) T_n T_n^T."""
    table = _hemisphere(modes, order)[first:]
    n = order + 2.0 * np.arange(first, DEGREES_BAFFLE)
    return read_only((table * ((2 * n + 1) * (n + 1))[:, None]).T @ table)


def _projected(modes: int, half_angle: float, degrees: int, order: int) -> FloatArray:
    """(degrees, modes): integral of P_nm(cos t) times a mode over the cap of that half-angle, sin t dt."""
    # The same Gauss nodes serve for eta itself, whose weights d(eta) are twice those of du/2.
    points = 32 * int(np.ceil((40 + modes + 0.5 * degrees * half_angle) / 32))
    eta, weights = radial_quadrature(points)
    weight = 2.0 * weights * half_angle * np.sin(half_angle * eta)
    values = _modes_along(modes, points, order)
    return read_only(associated(np.cos(half_angle * eta), order, degrees - 1).T @ (weight[:, None] * values))


@lru_cache(maxsize=16)
def _modes_along(count: int, points: int, order: int) -> FloatArray:
    """(points, count) modes at the nodes of `radial_quadrature` for eta itself: the same for caps of any half-angle."""
    return read_only(zernike(order, count, radial_quadrature(points)[0] ** 2)[0])


def weighted(table: FloatArray, weight: ComplexArray) -> ComplexArray:
    """Sum over degrees of weight (F, D) times the table's rows (D, modes) with themselves: (F, modes, modes)."""
    frequencies, modes = weight.shape[0], table.shape[1]
    parts = np.concatenate([weight.real, weight.imag])[:, None, :] * table.T
    both = (parts.reshape(-1, table.shape[0]) @ table).reshape(2, frequencies, modes, modes)
    return np.asarray(both[0] + 1j * both[1])
