"""What an inspection found of a part: its points against the drawn wall, and kinds of deviation told apart."""

from __future__ import annotations

from dataclasses import dataclass

from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide.deviated import WallDeviation


@dataclass(frozen=True)
class Estimate:
    """A value with its standard error, in the same unit."""

    value: float
    standard_error: float


@dataclass(frozen=True)
class Inspection:
    """Points of a part against the drawn wall. Lengths in m, along the wall's normal positive where the wall lies
    further from the axis.

    points         : (N, 3), in the part's coordinates after registration: x, y, z from the throat plane.
    off            : (N,) along the drawn wall's normal.
    share, azimuth : (N,) share of the arc from throat, 0, to mouth, 1; rad.
    used           : (N,) False for outliers and what is not wall.
    registered_to  : "datums" or "best_fit".
    rotation, shift: (3, 3) and (3,), part = rotation @ scan + shift; and
    pose_error     : (6,) standard errors of the shift along x, y, z and of the turn about them, m and rad.
    scale          : 1 is nominal.
    bow            : amplitude of a half sine over the depth.
    tilt           : rad; 0 where a best fit has taken it away, with its error.
    waviness       : rms of what remains and is no noise, and
    waviness_length: its correlation length: places so far apart are correlated by exp(-1/2).
    wall           : the part as built, everything in one.
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
    waviness: Estimate
    waviness_length: float
    wall: WallDeviation
