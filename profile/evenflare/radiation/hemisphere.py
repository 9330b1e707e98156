"""What the hemisphere sees that ends the sweep of an oblong waveguide in a baffle: as Baffle, per azimuthal order."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from evenflare.radiation.modes import radial_quadrature, zernike
from evenflare.radiation.oblong_elements import OblongBasis
from evenflare.radiation.termination import (
    DEGREES_BAFFLE,
    Radiation,
    associated,
    hankel_ratio,
    radiating_degree,
    weighted,
)
from evenflare.units import FloatArray, IntArray


@dataclass(frozen=True)
class Hemisphere:
    """A hemisphere of `radius` (m) on an infinite rigid baffle at `centre_z` (m), and the modes it can be met with."""

    radius: float
    centre_z: float
    basis: OblongBasis
    half_space: ClassVar[bool] = True

    @cached_property
    def _all_waves(self) -> tuple[IntArray, IntArray]:
        """n = 0, 2, ... and for each m = 0, 2, ... up to n or the largest order: more degrees only append."""
        largest = int(self.basis.order.max())
        found = [(n, m) for n in range(0, 2 * DEGREES_BAFFLE, 2) for m in range(0, min(n, largest) + 1, 2)]
        degree, order = np.array(found, dtype=np.int64).T
        return degree, order

    def waves(self, count: int) -> tuple[IntArray, IntArray]:
        """See End."""
        degree, order = self._all_waves
        return degree[:count], order[:count]

    @cached_property
    def _table(self) -> FloatArray:
        """(waves, modes): integral of a wave's P_nm(cos t) times a mode's radial function over the hemisphere."""
        degree, order = self._all_waves
        table = np.zeros((degree.size, self.basis.order.size))
        count = int(self.basis.degree.max()) + 1
        eta, weights = radial_quadrature(32 * int(np.ceil((40 + count + 0.5 * degree.max() * 0.5 * np.pi) / 32)))
        weight = np.pi * weights * np.sin(0.5 * np.pi * eta)
        for m in np.unique(self.basis.order):
            mine, modes = order == m, self.basis.order == m
            values, _ = zernike(int(m), count, eta**2)
            waves = associated(np.cos(0.5 * np.pi * eta), int(m), int(degree.max()))[:, degree[mine]]
            table[np.ix_(mine, modes)] = waves.T @ (weight[:, None] * values[:, self.basis.degree[modes]])
        return table

    def radiation(self, wavenumber: FloatArray, modes: int) -> Radiation:
        """See End."""
        degree, _ = self._all_waves
        top = radiating_degree(float(wavenumber.max()) * self.radius)
        count = int(np.searchsorted(degree, min(top + 16, degree[-1] + 1)))
        h, ratio = hankel_ratio(wavenumber * self.radius, int(degree[count - 1]) + 1)
        n, tail = degree[:count], degree[count:]
        table = np.ascontiguousarray(self._table[:count, :modes])
        slope = -(2 * n + 1) * ratio[:, n] * (wavenumber * self.radius**2)[:, None]
        rest = self._table[count:, :modes]
        static = self.radius * (rest * ((2 * tail + 1) * (tail + 1))[:, None]).T @ rest
        return Radiation(weighted(table, slope) + static, table, (2 * n + 1) / h[:, n], None)
