"""What the hemisphere sees that ends the sweep of an oblong waveguide in a baffle: as Baffle, per azimuthal order."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np

from evenflare.exterior.waves import associated
from evenflare.radiation.modes import radial_quadrature, zernike
from evenflare.radiation.oblong_elements import OblongBasis
from evenflare.radiation.termination import (
    DEGREES_BAFFLE,
    Radiation,
    hankel_ratio,
    radiating_degree,
    weighted,
)
from evenflare.units import FloatArray, IntArray, read_only


@dataclass(frozen=True)
class Hemisphere:
    """A hemisphere of `radius` (m) on an infinite rigid baffle at `centre_z` (m), and the modes it can be met with."""

    radius: float
    centre_z: float
    basis: OblongBasis
    half_space: ClassVar[bool] = True

    def waves(self, count: int) -> tuple[IntArray, IntArray]:
        """See End."""
        degree, order = _waves(int(self.basis.order.max()), self.basis.odd)
        return degree[:count], (-order if self.basis.sine else order)[:count]

    def radiation(self, wavenumber: FloatArray, modes: int) -> Radiation:
        """See End."""
        degree, _ = _waves(int(self.basis.order.max()), self.basis.odd)
        top = radiating_degree(float(wavenumber.max()) * self.radius)
        count = int(np.searchsorted(degree, min(top + 16, degree[-1] + 1)))
        h, ratio = hankel_ratio(wavenumber * self.radius, int(degree[count - 1]) + 1)
        n = degree[:count]
        table = np.ascontiguousarray(_projected(self.basis)[:count, :modes])
        slope = -(2 * n + 1) * ratio[:, n] * (wavenumber * self.radius**2)[:, None]
        static = self.radius * _tail(self.basis, count)[:modes, :modes]
        return Radiation(weighted(table, slope) + static, table, (2 * n + 1) / h[:, n], None)


# Neither waves nor what modes share in them depend on the radius, so that a search meets the same few again and again.


@lru_cache(maxsize=16)
def _waves(largest: int, odd: int) -> tuple[IntArray, IntArray]:
    """n = 0, 2, ... and for each m = 0, 2, ... up to n or the largest order, or n = 1, 3, ... and m = 1, 3, ...: more
    degrees only append.
    """
    found = [(n, m) for n in range(odd, 2 * DEGREES_BAFFLE, 2) for m in range(odd, min(n, largest) + 1, 2)]
    degree, order = np.array(found, dtype=np.int64).T
    return read_only(degree, np.int64), read_only(order, np.int64)


@lru_cache(maxsize=16)
def _projected(basis: OblongBasis) -> FloatArray:
    """(waves, modes): integral of a wave's P_nm(cos t) times a mode's radial function over the hemisphere."""
    degree, order = _waves(int(basis.order.max()), basis.odd)
    table = np.zeros((degree.size, basis.order.size))
    count = int(basis.degree.max()) + 1
    eta, weights = radial_quadrature(32 * int(np.ceil((40 + count + 0.5 * degree.max() * 0.5 * np.pi) / 32)))
    weight = np.pi * weights * np.sin(0.5 * np.pi * eta)
    for m in np.unique(basis.order):
        mine, modes = order == m, basis.order == m
        values, _ = zernike(int(m), count, eta**2)
        waves = associated(np.cos(0.5 * np.pi * eta), int(m), int(degree.max()))[:, degree[mine]]
        table[np.ix_(mine, modes)] = waves.T @ (weight[:, None] * values[:, basis.degree[modes]])
    return read_only(table)


@lru_cache(maxsize=64)
def _tail(basis: OblongBasis, first: int) -> FloatArray:
    """Static admittance of the waves from the `first` on, times the radius. See Baffle."""
    return read_only(_static(basis) - _static_of(basis, first))


@lru_cache(maxsize=16)
def _static(basis: OblongBasis) -> FloatArray:
    """Of all waves: what the first few hundred of thousands leave is a difference."""
    return read_only(_static_of(basis, None))


def _static_of(basis: OblongBasis, first: int | None) -> FloatArray:
    n = _waves(int(basis.order.max()), basis.odd)[0][:first]
    root = _projected(basis)[:first] * np.sqrt((2 * n + 1) * (n + 1))[:, None]
    return np.asarray(root.T @ root)
