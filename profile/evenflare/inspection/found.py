"""What a scan tells of a part: where its wall is, and by which kinds of error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide.deviated import WallDeviation


@dataclass(frozen=True)
class Estimate:
    """A value and its standard error, in one unit."""

    value: float
    standard_error: float


def length_of(parts: FloatArray, covariance: FloatArray) -> Estimate:
    """The length of a vector (2,) known with an error: without what the error across it adds, which is all that
    lengthens it. That along it as well, of one of two standard errors, would leave nothing too often. The standard
    error holds what is of second order: the length is a + b^2 / (2 a), of which the last has b^4 / (2 a^2).
    Source: Wardle and Kronberg (1974), The Astrophysical Journal 194 (polarisation), from memory.
    """
    square = float(parts @ parts)
    direction = parts / max(square**0.5, 1e-300)
    along = max(float(direction @ covariance @ direction), 0.0)
    across = max(float(np.trace(covariance)) - along, 0.0)
    second = across**2 / (2.0 * max(square, across, 1e-300))
    return Estimate(max(square - across, 0.0) ** 0.5, (along + second) ** 0.5)


@dataclass(frozen=True)
class Inspection:
    """A scan laid on the drawn wall.

    points        : (N, 3) m, in the part's coordinates after registration: x, y, z from the throat plane.
    off           : (N,) m along the drawn wall's normal, positive further from the axis.
    share         : (N,) of the wall's arc, from throat, 0, to mouth, 1.
    azimuth       : (N,) rad.
    used          : (N,) False for outliers and what is not wall.
    registered_to : "datums" or "best_fit".
    rotation      : (3, 3), and
    shift         : (3,) m: part = rotation @ scan + shift.
    pose_error    : (6,) standard errors: m of the shift along x, y, z, and rad of the turns about them.
    scale         : 1 is nominal; about the datum, of a best fit about the throat's centre.
    offset        : m.
    bow           : m, amplitude of a half sine over the depth.
    ovality       : m, amplitude of cos(2 azimuth), in its own direction.
    tilt          : rad, of the wall against the throat plane; 0 where best fit has taken it away, with its error.
    throat_step   : m, by which the wall's radius at the throat is larger than drawn, beside what the other kinds do
                    there, less and less over one radius of the exit; 0 and nan where no points lie at the throat.
    waviness      : m rms of what remains and is no noise.
    waviness_length : m, its correlation length l: exp(-d^2 / (2 l^2)).
    datum         : the flat face that the part lies by, "throat plane" or "mouth face"; "" of a best fit.
    wall          : the part as built, everything in one, to be solved with `deviated`.
    """

    points: FloatArray
    off: FloatArray
    share: FloatArray
    azimuth: FloatArray
    used: BoolArray
    registered_to: str
    rotation: FloatArray
    shift: FloatArray
    pose_error: FloatArray
    scale: Estimate
    offset: Estimate
    bow: Estimate
    ovality: Estimate
    tilt: Estimate
    throat_step: Estimate
    waviness: Estimate
    waviness_length: float
    wall: WallDeviation
    datum: str = ""
