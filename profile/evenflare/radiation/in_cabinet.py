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
from evenflare.radiation.termination import Baffle, Radiation, regular
from evenflare.units import ComplexArray, FloatArray, IntArray, read_only

UNKNOWN = 0.5
"""dB, of the index in a baffle against that in a box above 7 kHz, where nothing better is known (measured on boxes of
ordinary size with mouths of 140 to 200 mm)."""
STRONG = 3.0
"""Degrees beyond the wavenumber times the cap's radius up to which waves that edges send back count: they fall steeply
there (measured: 0.001 dB of the index)."""
ON_AXIS = Observation(np.ones(1), np.zeros(1))
"""Straight ahead, far away; at which frequency does not matter here."""
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
        solved = self._solved(wavenumber)
        if not solved.size:
            return bare
        k = wavenumber[: solved.size]
        places = self._carried(len(bare.table), float(k[-1]) * self.bare.radius + STRONG)
        count = places.size
        n, _ = self.waves(count)
        j = regular(k * self.bare.radius, int(n[-1]) + 1)[0][:, n]
        inverse = bare.factor[: k.size, :count] / (2 * n + 1)  # 1 / h
        # Pressure a h + b j with b = B a: a h = (1 + j B / h)^-1 pressure, and the slope in r, a h' + b j', has
        # j' - j h' / h = i / ((k r)^2 h) times b more than a pressure a h + b j of outgoing waves alone.
        sent_back = self._sent_back(solved, k, places, n)
        sent_back = inverse[:, :, None] * sent_back * inverse[:, None, :]
        matrix = (j / inverse)[:, :, None] * sent_back
        matrix[:, np.arange(count), np.arange(count)] += 1.0
        table = bare.table[:count]
        alone = np.linalg.solve(matrix, np.broadcast_to((2 * n + 1)[:, None] * table, (k.size, *table.shape)))
        change = table.T @ (sent_back @ alone) * (-0.5j / k)[:, None, None]
        admittance = bare.admittance
        admittance[: k.size] += change + np.swapaxes(change, 1, 2)
        return Radiation(admittance, bare.table, bare.factor, None, inverse[:, :, None] * alone)

    def _sent_back(self, solved: IntArray, wavenumber: FloatArray, places: IntArray, degree: IntArray) -> ComplexArray:
        """(S, W, W) by the cabinet's share, of the waves that count at each frequency."""
        strong = degree <= self._degree(wavenumber)[:, None]
        both = strong[:, :, None] & strong[:, None, :]
        return np.asarray(self.operator.back_of(solved, places) * (self.share(wavenumber)[:, None, None] * both))

    def _degree(self, wavenumber: FloatArray) -> FloatArray:
        """(F,) up to which waves count at each frequency: all that are heard. Where the cap reaches beyond the front's
        edges, in a box hardly wider than the mouth, only the strong ones: others, which higher frequencies of the band
        need, grow without bound there (measured on a mouth of 218 x 138 mm in a box 190 mm high: up to 0.1 dB of the
        index, against 1.6 and more).
        """
        size = wavenumber * self.bare.radius
        if self.bare.radius > self.operator.cabinet.nearest_edge:
            return size + STRONG
        return np.array([mouth_degree(ka) for ka in size.tolist()], dtype=np.float64)

    def _solved(self, wavenumber: FloatArray) -> IntArray:
        """See Operator.solved: where the cabinet has a share in what is heard."""
        return self.operator.solved(wavenumber)[: int(np.count_nonzero(self.share(wavenumber)))]

    def _carried(self, most: int, degree: float) -> IntArray:
        """Where the cap's first waves, `most` at most, up to a degree, stand in the operator's list: those it knows."""
        degrees, _ = self.waves(most)
        count = max(1, int(np.searchsorted(degrees, degree, side="right")))
        places = _places(int(degrees[-1]), self._largest)[:count]
        return places[: int(np.searchsorted(places, self.operator.waves))]

    @property
    def _largest(self) -> int:
        """The largest azimuthal order of the cap's waves."""
        return 0 if isinstance(self.bare, Baffle) else int(self.bare.basis.order.max())

    def share(self, wavenumber: FloatArray) -> FloatArray:
        """(F,) of the cabinet in what is heard: 1, falling to 0 at the highest that can be solved."""
        return _share(wavenumber.tobytes(), self.operator.top if self.operator.wavenumber.size else 0.0)

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
        square = outgoing.real**2 + outgoing.imag**2
        solved = self._solved(wavenumber)
        if solved.size:
            k = wavenumber[: solved.size]
            places = self._carried(outgoing.shape[1], float(k[-1]) * self.bare.radius + STRONG)
            a = outgoing[: k.size, : places.size]
            sent_back = (self._sent_back(solved, k, places, degree[: places.size]) @ a[:, :, None])[:, :, 0]
            square[: k.size, : places.size] += np.real(np.conj(a) * sent_back)
        return np.asarray(0.5 * square @ (1.0 / (2 * degree + 1)))

    def pressure(self, outgoing: ComplexArray, wavenumber: FloatArray, observation: Observation) -> ComplexArray:
        """See field.pressure: the cabinet's share of it. Where that is not all, the rest is as in a baffle."""
        ahead = self.bare.centre_z - observation.reference_z
        # In the far field the way from the reference point to the mouth is a phase, and all else of the cabinet alone.
        far = observation.far_field
        found = self._heard(outgoing, wavenumber, observation, 0.0 if far else ahead)
        result = np.zeros((wavenumber.size, observation.plane.size, observation.off_axis.size), dtype=np.complex128)
        result[: len(found)] = found.reshape(-1, *result.shape[1:])
        if far:
            way = (ahead * wavenumber[: len(found)])[:, None] * np.cos(observation.off_axis)
            result[: len(found)] *= (np.cos(way) + 1j * np.sin(way))[:, None, :]
        return result

    def on_axis(self, outgoing: ComplexArray, wavenumber: FloatArray) -> ComplexArray:
        """See field.far_on_axis: the cabinet's share of it."""
        found = self._heard(outgoing, wavenumber, ON_AXIS, 0.0)[:, 0]
        return np.asarray(np.concatenate([found, np.zeros(wavenumber.size - found.size)]) * wavenumber / 1j)

    def _heard(
        self, outgoing: ComplexArray, wavenumber: FloatArray, observation: Observation, mouth: float
    ) -> ComplexArray:
        """(S, P A) see Operator.heard, at the frequencies where the cabinet has a share."""
        solved = self._solved(wavenumber)
        if not solved.size:
            return np.zeros((0, observation.plane.size * observation.off_axis.size), dtype=np.complex128)
        k = wavenumber[: solved.size]
        degree = self._degree(k)
        places = self._carried(outgoing.shape[1], float(degree[-1]))
        n, _ = self.waves(places.size)
        sent = outgoing[: k.size, : places.size] * ((n <= degree[:, None]) * self.share(k)[:, None])
        return self.operator.heard(solved, sent, places, observation, mouth=mouth)


@lru_cache(maxsize=256)
def _share(wavenumber: bytes, top: float) -> FloatArray:
    """See InCabinet.share; kept, as every candidate of a search asks for the same."""
    k = np.frombuffer(wavenumber)
    if top == 0.0:
        return np.zeros(k.size)
    way = np.clip(np.log(k * JOIN / top) / np.log(JOIN), 0.0, 1.0)
    return read_only(np.where(k > top, 0.0, np.cos(0.5 * np.pi * way) ** 2))


@lru_cache(maxsize=64)
def _places(top: int, largest: int) -> IntArray:
    """Where a cap's waves of degrees up to `top`, whose orders end at `largest`, stand among all waves of a mouth: of a
    round one, whose orders are all 0, or of one that is not.
    """
    if largest == 0:
        return np.arange(top // 2 + 1)
    # All of a degree n, m = 0, 2, ... n, follow those of the degrees below it.
    found = [
        (n // 2) * (n // 2 + 1) // 2 + m // 2 for n in range(0, top + 1, 2) for m in range(0, min(n, largest) + 1, 2)
    ]
    return np.array(found, dtype=np.int64)
