"""What the last cap sees in the flat front of a cabinet: the waves that leave it and those that the edges send back.

On the cap the pressure is a h_n(kr) + b j_n(kr) for each wave, b = B a with the cabinet's B; so its slope is linear in
its pressure still, and the cap meets another admittance than in a baffle. What is heard is the cabinet's far field of
the waves a. Waves of parities that the waveguide does not have see its mouth as a rigid front.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from evenflare.directivity.types import Observation
from evenflare.exterior.cabinets import Operator
from evenflare.exterior.operator import Response
from evenflare.exterior.waves import angular, radial
from evenflare.radiation.hemisphere import Hemisphere
from evenflare.radiation.termination import Baffle, Radiation
from evenflare.units import ComplexArray, FloatArray, IntArray

SAME = 1e-9
"""Ratio less one of two wavenumbers that are one."""


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
        responses = self.responses(wavenumber)
        kept = [self._shared(each, len(bare.table)) for each in responses]
        most = 1 + max((int(mine[-1]) for mine, _ in kept if mine.size), default=0)
        coupling = np.zeros((wavenumber.size, most, most), dtype=np.complex128)
        coupling[:, np.arange(most), np.arange(most)] = 1.0
        admittance = bare.admittance.copy()
        degree, _ = self.waves(most)
        for f, (k, each, (mine, theirs)) in enumerate(zip(wavenumber, responses, kept, strict=True)):
            if each is None:
                continue
            n = degree[mine]
            x = np.array([k * self.bare.radius])
            h, h_slope = (value[0, n] for value in radial(x, int(n.max()), outgoing=True))
            j, j_slope = (value[0, n] for value in radial(x, int(n.max()), outgoing=False))
            back = each.back[np.ix_(theirs, theirs)]
            # a h = (1 + j B / h)^-1 (pressure), a0 h = pressure.
            mixing = np.linalg.inv(np.eye(n.size) + j[:, None] * back / h[None, :])
            coupling[f][np.ix_(mine, mine)] = mixing * (h[None, :] / h[:, None])
            slope = (np.diag(h_slope / h) + j_slope[:, None] * back / h[None, :]) @ mixing - np.diag(h_slope / h)
            table = bare.table[mine]
            change = -(table.T @ (slope * (2 * n + 1)) @ table) * k * self.bare.radius**2
            admittance[f] += 0.5 * (change + change.T)
        return Radiation(admittance, bare.table, bare.factor, None, coupling)

    def responses(self, wavenumber: FloatArray) -> list[Response | None]:
        """The cabinet's at each wavenumber; None above the highest that was solved, where it is as a baffle."""
        known = self.operator.wavenumber
        found: list[Response | None] = []
        for k in wavenumber:
            place = int(np.abs(known - k).argmin()) if known.size else -1
            same = place >= 0 and abs(known[place] / k - 1.0) < SAME
            if not same and known.size and k < known[-1]:
                raise LookupError(f"the cabinet was not solved at {k:g} rad/m")
            found.append(self.operator.responses[place] if same else None)
        return found

    def _shared(self, response: Response | None, count: int) -> tuple[IntArray, IntArray]:
        """Indices of those of the cap's first waves that the cabinet knows, and of the same among its own."""
        if response is None:
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        degree, order = self.waves(count)
        many = 1 + max(int(order.max()), int(response.mouth.order.max()))
        _, mine, theirs = np.intersect1d(
            degree * many + order, response.mouth.degree * many + response.mouth.order, return_indices=True
        )
        return mine, theirs

    def mean_square(self, outgoing: ComplexArray, wavenumber: FloatArray) -> FloatArray:
        """(F,) over the whole sphere, of the far field times k: what leaves the mouth, with the waves sent back."""
        degree, _ = self.waves(outgoing.shape[1])
        result = np.empty(wavenumber.size)
        for f, each in enumerate(self.responses(wavenumber)):
            a = outgoing[f]
            share = np.abs(a) ** 2
            if each is not None:
                mine, theirs = self._shared(each, a.size)
                back = each.back[np.ix_(theirs, theirs)] @ a[mine]
                share[mine] += np.real(np.conj(a[mine]) * back)
            result[f] = 0.5 * np.sum(share / (2 * degree + 1))
        return result

    def around(self, outgoing: ComplexArray, wavenumber: FloatArray) -> list[tuple[Response | None, ComplexArray]]:
        """For each frequency the response, and the waves (L,) about the cabinet's middle; or those of the mouth."""
        found: list[tuple[Response | None, ComplexArray]] = []
        for f, each in enumerate(self.responses(wavenumber)):
            if each is None:
                found.append((None, outgoing[f]))
            else:
                mine, theirs = self._shared(each, outgoing.shape[1])
                found.append((each, each.far[:, theirs] @ outgoing[f, mine]))
        return found

    def pressure(self, outgoing: ComplexArray, wavenumber: FloatArray, observation: Observation) -> ComplexArray:
        """See field.pressure."""
        shape = observation.plane.size, observation.off_axis.size
        result = np.zeros((wavenumber.size, *shape), dtype=np.complex128)
        for f, each in enumerate(self.responses(wavenumber)):
            if each is None:
                continue
            mine, theirs = self._shared(each, outgoing.shape[1])
            heard = _heard(self._key(observation, float(wavenumber[f])), self, each, observation)
            result[f] = (heard[:, theirs] @ outgoing[f, mine]).reshape(shape)
        return result

    def _key(self, observation: Observation, k: float) -> tuple[object, ...]:
        return (
            self.operator.cabinet,
            k,
            self.bare.centre_z,
            observation.plane.tobytes(),
            observation.off_axis.tobytes(),
            observation.distance,
            observation.reference_z,
        )

    @cached_property
    def middle(self) -> FloatArray:
        """(3,) m, the cabinet's, from the throat plane's centre."""
        cabinet = self.operator.cabinet
        return np.array([-cabinet.x, -cabinet.y, self.bare.centre_z - 0.5 * cabinet.depth])


_KEPT: dict[tuple[object, ...], ComplexArray] = {}
"""What candidates of one search ask for again: the observation of each wave of the mouth."""
MOST_KEPT = 512


def _heard(key: tuple[object, ...], end: InCabinet, response: Response, observation: Observation) -> ComplexArray:
    """(P A, W) the pressure at every direction for each wave of the mouth."""
    if key not in _KEPT:
        while len(_KEPT) >= MOST_KEPT:
            _KEPT.pop(next(iter(_KEPT)))
        _KEPT[key] = observed(end.middle, response, observation)
    return _KEPT[key]


def observed(middle: FloatArray, response: Response, observation: Observation) -> ComplexArray:
    """(P A, W) of a cabinet whose middle lies at `middle` (3,), m, from the throat plane's centre.

    Errors: ValueError if a point lies inside the ball about the cabinet.
    """
    k, degree = response.wavenumber, response.around.degree
    off_axis, plane = observation.off_axis[None, :], observation.plane[:, None]
    direction = np.stack(
        [np.sin(off_axis) * np.cos(plane), np.sin(off_axis) * np.sin(plane), np.cos(off_axis) + 0.0 * plane], axis=-1
    ).reshape(-1, 3)
    offset = middle - np.array([0.0, 0.0, observation.reference_z])
    if observation.far_field:
        waves = angular(direction, response.around) * (1j ** (degree + 1)) / k
        phase = np.exp(1j * k * direction @ offset)
        return np.asarray((waves @ response.far) * phase[:, None])
    place = observation.distance * direction - offset
    distance = np.linalg.norm(place, axis=1)
    h, _ = radial(k * distance, int(degree.max()), outgoing=True)
    return np.asarray((angular(place / distance[:, None], response.around) * h[:, degree]) @ response.far)
