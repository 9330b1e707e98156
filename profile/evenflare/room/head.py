"""A listener's head as a rigid sphere with ears at the ends of a diameter: what each ear hears of a distant source."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from evenflare.air import Air
from evenflare.units import DEGREE, ComplexArray, FloatArray, read_only

RADIUS = 0.0875
"""m. Source: R. S. Woodworth, Experimental Psychology (1938), from memory."""
STEP = 2.0 * DEGREE
"""Between the angles of incidence at which an ear is worked out; straight between."""


@dataclass(frozen=True)
class Ear:
    """What one ear hears, by angle between the direction of the ear and that of the sound.

    angle    : (A,) rad, 0 (the ear faces the source) to pi.
    spectra  : (A, F) pressure over that of the free field at the head's centre, the delay taken out.
    delay    : (A,) s, against the head's centre.
    diffuse  : (F,) mean square over all directions.
    coherence: (F,) real part of what both ears have in common in a diffuse field, -1 to 1.
    """

    angle: FloatArray
    spectra: ComplexArray
    delay: FloatArray
    diffuse: FloatArray
    coherence: FloatArray

    def heard(self, cosine: FloatArray) -> tuple[ComplexArray, FloatArray]:
        """Spectra (D, F) and delays (D,) of sounds whose directions have these cosines (D,) with the ear's."""
        place = np.arccos(np.clip(cosine, -1.0, 1.0)) / STEP
        low = np.minimum(place.astype(np.int64), self.angle.size - 2)
        part = (place - low)[:, None]
        spectra = (1.0 - part) * self.spectra[low] + part * self.spectra[low + 1]
        return spectra, np.interp(place, np.arange(self.angle.size), self.delay)


def sphere_pressure(size: FloatArray, cosine: FloatArray) -> ComplexArray:
    """Pressure (A, F) on a rigid sphere over that of the plane wave at its centre, were the sphere not there.

    size   : (F,) k a > 0. cosine : (A,) of the angle between a point of the sphere and the wave's origin.
    Source: R. O. Duda and W. L. Martens, J. Acoust. Soc. Am. 104 (1998) 3048, eq. 3 in the limit of a distant source;
    Morse and Ingard, Theoretical Acoustics (1968), section 8.2, both from memory. Phasors exp(+j w t).
    """
    count = int(np.ceil(size.max() + 4.0 * size.max() ** (1.0 / 3.0))) + 8
    order = np.arange(count)[:, None]
    with np.errstate(over="ignore", invalid="ignore"):
        slope = spherical_jn(order, size, derivative=True) - 1j * spherical_yn(order, size, derivative=True)
        weight = (2 * order + 1) * (1j ** (order - 1)) / (size**2 * slope)
    # Far above k a the functions pass what a number can hold; these orders bring nothing.
    weight = np.where(np.isfinite(weight), weight, 0.0)
    return np.asarray(eval_legendre(order[:, 0], cosine[:, None]) @ weight)


@lru_cache(maxsize=4)
def _ear(frequency: tuple[float, ...], speed: float) -> Ear:
    angle = np.arange(0.0, np.pi + 0.5 * STEP, STEP)
    cosine, f = np.cos(angle), np.array(frequency)
    pressure = sphere_pressure(2.0 * np.pi * f * RADIUS / speed, cosine)
    # To the point nearest the source straight, then round the sphere.
    delay = RADIUS / speed * np.where(angle < 0.5 * np.pi, -cosine, angle - 0.5 * np.pi)
    area = np.sin(angle) / np.sin(angle).sum()
    diffuse = area @ np.abs(pressure) ** 2
    # The other ear lies opposite: its angle is pi less this one's.
    common = np.real(area @ (pressure * np.conj(pressure[::-1]))) / diffuse
    spectra = pressure * np.exp(2j * np.pi * np.outer(delay, f))
    arrays = (read_only(each) for each in (delay, diffuse, common))
    return Ear(read_only(angle), read_only(spectra, np.complex128), *arrays)


def ear(frequency: FloatArray, air: Air) -> Ear:
    """Either ear at `frequency` (F,) Hz."""
    return _ear(tuple(frequency.tolist()), air.speed_of_sound)


def ears_toward(facing: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vectors of the left and the right ear of a head upright in the room that faces along `facing` (3,)."""
    level = np.array([facing[0], facing[1], 0.0])
    size = float(np.linalg.norm(level))
    ahead = level / size if size > 1e-9 else np.array([1.0, 0.0, 0.0])
    left = np.array([-ahead[1], ahead[0], 0.0])
    return left, -left
