"""What an oblong waveguide that stands free is to the march: its baffled sound, by what a sphere makes of a source.

The waves that leave the mouth are taken to be those in a baffle, and the baffle's share in what is heard to be replaced
by the body's, as a point source in the mouth's centre feels it: by reciprocity that holds as far as a wave that comes
from outside is shaped alike by both over the whole mouth. The body is taken for a rigid sphere of its volume, with that
point on its surface. Quick, and up to some dB off: candidates are screened by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.polynomial.legendre import leggauss, legvander

from evenflare.closed_forms import cap_pattern
from evenflare.directivity.types import Observation
from evenflare.exterior.waves import associated, radial
from evenflare.radiation.hemisphere import Hemisphere
from evenflare.radiation.termination import Radiation
from evenflare.units import ComplexArray, FloatArray, IntArray

BEYOND = 12
"""Degrees beyond wavenumber times radius that a source on a sphere radiates with, far away: a share of 1e-6 is left."""
NEAREST = 1.1
"""Of the sphere's radius, how near a point may be."""
LEFT_OUT = 1e-5
"""Of the waves about the sphere, at a finite distance."""


@dataclass(frozen=True)
class OnSphere:
    """A cap of the dome `bare` in a baffle, there on a rigid sphere of `sphere`, m, that it touches from inside."""

    bare: Hemisphere
    sphere: float
    half_space: ClassVar[bool] = False

    @property
    def radius(self) -> float:
        """See End."""
        return self.bare.radius

    @property
    def centre_z(self) -> float:
        """See End."""
        return self.bare.centre_z

    def waves(self, count: int) -> tuple[IntArray, IntArray]:
        """See End."""
        return self.bare.waves(count)

    def radiation(self, wavenumber: FloatArray, modes: int) -> Radiation:
        """See End."""
        return self.bare.radiation(wavenumber, modes)

    def share(self, wavenumber: FloatArray, observation: Observation) -> ComplexArray:
        """(F, A) of a source in a baffle, there and in its image behind, in what is heard of one on the sphere.

        ValueError if a point lies inside the sphere.
        """
        cosine = np.cos(observation.off_axis)
        if observation.far_field:
            return _far_share(wavenumber, self.sphere, cosine)
        ahead = observation.distance * cosine - (self.centre_z - self.sphere - observation.reference_z)
        aside = observation.distance * np.sin(observation.off_axis)
        distance = np.hypot(ahead, aside)
        if distance.min() < NEAREST * self.sphere:
            raise ValueError(
                f"distance_m = {observation.distance:g}: must keep every point outside a sphere of radius"
                f" {NEAREST * self.sphere:.3g} m, a little more than what the march takes the body"
                " for. Raise it, or leave it out for the far field"
            )
        apart = np.hypot(ahead - self.sphere, aside)
        return _near_share(wavenumber, self.sphere, ahead / distance, distance, apart)

    def mean_square(self, outgoing: ComplexArray, wavenumber: FloatArray) -> FloatArray:
        """(F,) over the whole sphere, of the far field times k."""
        degree, order = self.waves(outgoing.shape[1])
        x, weight = leggauss(int(degree.max()) + 8 + int(np.ceil(float(wavenumber.max()) * self.sphere)))
        square = np.zeros((wavenumber.size, x.size))
        for m in np.unique(order):
            mine = order == m
            polar = associated(x, int(m), int(degree.max()))[:, degree[mine]]
            square += np.abs((outgoing[:, mine] * 1j ** degree[mine]) @ polar.T) ** 2
        return np.asarray((square * np.abs(_far_share(wavenumber, self.sphere, x)) ** 2) @ (0.5 * weight))


def _far_share(wavenumber: FloatArray, sphere: float, cosine: FloatArray) -> ComplexArray:
    """(F, A): half of a point source's far pressure on a rigid sphere over a free one's at the same place."""
    size = wavenumber * sphere
    return np.asarray(0.5 * cap_pattern(size, np.arccos(cosine), half_angle=0.0) * np.exp(-1j * size[:, None] * cosine))


def _near_share(
    wavenumber: FloatArray, sphere: float, cosine: FloatArray, distance: FloatArray, apart: FloatArray
) -> ComplexArray:
    """(F, A) as `_far_share` at distances (A,), m, from the centre, and `apart` (A,) from the source.

    Source: Morse & Ingard (1968), section 7.2 (from memory).
    """
    size = wavenumber * sphere
    more = np.log(LEFT_OUT) / np.log(sphere / float(distance.min()))
    top = int(np.ceil(max(float(size.max()) + BEYOND, more)))
    n, polar = np.arange(top + 1), legvander(cosine, top)
    result = np.empty((wavenumber.size, cosine.size), dtype=np.complex128)
    for row, k in enumerate(wavenumber):
        h, _ = radial(k * distance, top, outgoing=True)
        _, slope = radial(size[row : row + 1], top, outgoing=True)
        # Degrees too high for their numbers are next to nothing.
        with np.errstate(all="ignore"):
            terms = np.nan_to_num((2 * n + 1) * h / slope * polar, nan=0.0, posinf=0.0, neginf=0.0)
        result[row] = -0.5 / (k * sphere**2) * terms.sum(axis=1) * apart * np.exp(1j * k * apart)
    return result
