"""Waveguides that several tests and the benchmark share."""

from __future__ import annotations

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, Exponential, OblateSpheroidal, Points, Tractrix, Waveguide


def through(*points_mm: tuple[float, float]) -> Points:
    """A wall through points (z, r) in mm."""
    return Points(tuple((z * MILLIMETRE, r * MILLIMETRE) for z, r in points_mm))


CONE = Waveguide(Conical(0.1, 45 * DEGREE))
"""Mouth diameter 225.4 mm; smallest concave radius 12.7 mm / cos 45 deg, at the throat."""

BENCHMARK = {
    "cone 45 deg, sharp mouth": CONE,
    "oblate-spheroidal 40 deg, roundover 20 mm": Waveguide(OblateSpheroidal(0.100, 40 * DEGREE, 0.020)),
    "exponential": Waveguide(Exponential(0.150, float(0.150 / np.log(100 / 12.7)))),
    "tractrix": Waveguide(Tractrix(0.100)),
    "waist with two kinks": Waveguide(
        through((0, 12.7), (17.5, 23.85), (35, 35), (47.5, 36.5), (60, 38), (85, 69), (110, 100))
    ),
}
"""The shapes on which speed and error are stated; mouths of 188 to 225 mm."""

FALLING = Waveguide(through((0, 12.7), (40, 50), (100, 80)))
"""A cone that turns inward: caps cannot stay at right angles to the second wall at once."""


def flush_disc(radius: float = 12.7e-3) -> Points:
    """A flat disc flush with its surroundings: a tube of no length that matters."""
    return Points(((0.0, radius), (2e-9, radius)))
