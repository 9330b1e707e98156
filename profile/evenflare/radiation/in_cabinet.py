"""What the last cap sees in the flat front of a cabinet: the waves that leave it and those that the edges send back.

On the cap the pressure is a h_n(kr) + b j_n(kr) for each wave, b = B a with the cabinet's B; so its slope is linear in
its pressure still, and the cap meets another admittance than in a baffle. What is heard is the cabinet's far field of
the waves a. Waves of parities that the waveguide does not have see its mouth as a rigid front.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np

from evenflare.directivity.types import Observation
from evenflare.exterior.cabinets import Operator
from evenflare.exterior.operator import mouth_degree
from evenflare.radiation.hemisphere import Hemisphere
from evenflare.radiation.termination import Baffle, Radiation, hankel_ratio, regular
from evenflare.units import ComplexArray, FloatArray, IntArray

UNKNOWN = 0.5
"""dB, of the index in a baffle against that in a box above 7 kHz, where nothing better is known (measured on boxes of
ordinary size with mouths of 140 to 200 mm)."""
STRONG = 3.0
"""Degrees beyond the wavenumber times the cap's radius up to which waves that edges send back count: they fall steeply
there (measured: 0.001 dB of the index)."""
DEGREES = 8
JOIN = 2.0 ** (1.0 / 3.0)
"""Of wavenumbers below the highest that can be solved, over which the cabinet gives way to an infinite baffle."""


@dataclass(frozen=True, eq=False)
class InCabinet:
    """A cap of the dome `bare` in a baffle, there in the front of a cabinet whose operator is given."""

    bare: Baffle | Hemisphere
    operator: Operator
    half_space: ClassVar[bool] = False

    @property
    def radius(self) -> float:
        """See End: about the cabinet's middle."""
        return self.operator.cabinet.reach

    @property
    def centre_z(self) -> float:
        """See End: of the mouth, about which the outgoing waves are counted."""
        return self.bare.centre_z

    def waves(self, count: int) -> tuple[IntArray, IntArray]:
        """See End."""
        return self.bare.waves(count)

    def radiation(self, wavenumber: FloatArray, modes: int) -> Radiation:
        """See End."""
        bare = self.bare.radiation(wavenumber, modes)
        ka = wavenumber * self.bare.radius
        count, places = self._carried(len(bare.table), float(ka.max()) + STRONG)
        n, _ = self.waves(count)
        back = self.operator.back_of(wavenumber, places)[:, :count, :count] * self.share(wavenumber)[:, None, None]
        h, ratio = (each[:, n] for each in hankel_ratio(ka, int(n[-1]) + 1))
        j, j_slope = (each[:, n] for each in regular(ka, int(n[-1]) + 1))
        # Pressure a h + b j with b = B a: a h = (1 + j B / h)^-1 pressure, and the slope in r is a h' + b j'.
        returned = back / h[:, None, :]
        alone = np.linalg.inv(np.eye(count) + j[:, :, None] * returned)
        slope = (ratio[:, :, None] * np.eye(count) + j_slope[:, :, None] * returned) @ alone
        slope -= ratio[:, :, None] * np.eye(count)
        table = bare.table[:count]
        change = table.T @ (slope * (2 * n + 1)) @ table * (-wavenumber * self.bare.radius**2)[:, None, None]
        admittance = bare.admittance + 0.5 * (change + np.swapaxes(change, 1, 2))
        coupling = alone * (h[:, None, :] / h[:, :, None])
        return Radiation(admittance, bare.table, bare.factor, None, coupling)

    def _carried(self, most: int, degree: float) -> tuple[int, IntArray]:
        """How many of the cap's first waves, `most` at most, reach up to a degree; where they and some more stand in
        the cabinet's list, in few steps, so that candidates ask alike.
        """
        degrees, _ = self.waves(most)
        count = max(1, int(np.searchsorted(degrees, degree, side="right")))
        top = DEGREES * int(degrees[count - 1] // DEGREES + 1)
        return count, _places(top, self._largest)

    @property
    def _largest(self) -> int:
        """The largest azimuthal order of the cap's waves."""
        return 0 if isinstance(self.bare, Baffle) else int(self.bare.basis.order.max())

    def share(self, wavenumber: FloatArray) -> FloatArray:
        """(F,) of the cabinet in what is heard: 1, falling to 0 at the highest that can be solved."""
        top = self.operator.top
        if not self.operator.wavenumber.size:
            return np.zeros(wavenumber.size)
        way = np.clip(np.log(wavenumber * JOIN / top) / np.log(JOIN), 0.0, 1.0)
        return np.asarray(np.where(wavenumber > top, 0.0, np.cos(0.5 * np.pi * way) ** 2))

    def unsolved(self, wavenumber: FloatArray, apart: FloatArray) -> FloatArray:
        """(F,) dB that the index may be off where the cabinet is taken for a baffle: what both are `apart` (F,), dB, in
        the octave below the highest that is solved, rms, by the baffle's share.
        """
        share, top = self.share(wavenumber), self.operator.top
        near = (wavenumber <= top / JOIN) & (wavenumber > 0.5 * top / JOIN)
        size = float(np.sqrt(np.mean(apart[near] ** 2))) if near.any() else UNKNOWN
        return np.asarray((1.0 - share) * size)

    def mean_square(self, outgoing: ComplexArray, wavenumber: FloatArray) -> FloatArray:
        """(F,) over the whole sphere, of the far field times k: what leaves the mouth, with the waves sent back."""
        degree, _ = self.waves(outgoing.shape[1])
        ka = float(wavenumber.max()) * self.bare.radius
        count, places = self._carried(outgoing.shape[1], ka + STRONG)
        a = outgoing[:, :count]
        sent_back = (self.operator.back_of(wavenumber, places)[:, :count, :count] @ a[:, :, None])[:, :, 0]
        square = np.abs(outgoing) ** 2
        square[:, :count] += self.share(wavenumber)[:, None] * np.real(np.conj(a) * sent_back)
        return np.asarray(0.5 * square @ (1.0 / (2 * degree + 1)))

    def pressure(self, outgoing: ComplexArray, wavenumber: FloatArray, observation: Observation) -> ComplexArray:
        """See field.pressure: the cabinet's share of it. Where that is not all, the rest is as in a baffle."""
        ka = float(wavenumber.max()) * self.bare.radius
        count, places = self._carried(outgoing.shape[1], mouth_degree(ka))
        ahead = self.bare.centre_z - observation.reference_z
        # In the far field the way from the reference point to the mouth is a phase, and all else of the cabinet alone.
        far, moved = observation.far_field, 0.0 if observation.far_field else ahead
        heard = self.operator.heard_at(wavenumber, places, observation, mouth=moved)
        found = (heard[:, :, :count] @ outgoing[:, :count, None])[:, :, 0] * self.share(wavenumber)[:, None]
        result = found.reshape(wavenumber.size, observation.plane.size, observation.off_axis.size)
        if far:
            result = result * np.exp(1j * wavenumber[:, None] * ahead * np.cos(observation.off_axis))[:, None, :]
        return np.asarray(result)


@lru_cache(maxsize=64)
def _places(top: int, largest: int) -> IntArray:
    """Where a cap's waves of degrees below `top`, whose orders end at `largest`, stand among all waves of a mouth: of a
    round one, whose orders are all 0, or of one that is not.
    """
    if largest == 0:
        return np.arange(top // 2)
    # All of a degree n, m = 0, 2, ... n, follow those of the degrees below it.
    found = [(n // 2) * (n // 2 + 1) // 2 + m // 2 for n in range(0, top, 2) for m in range(0, min(n, largest) + 1, 2)]
    return np.array(found, dtype=np.int64)
