"""What the place allows: time until the ground is heard, lowest frequency that leaves, where the far field begins."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from evenflare.units import FloatArray

GATE_SHARE = 0.9
"""Of the reflection-free time, kept by a gate that the session leaves open: the ground is not a mirror at one point."""


def reflection_free_time(
    distance: float, source_height: float, *, microphone_height: float, speed_of_sound: float
) -> float:
    """Time, s, from the direct sound to the ground's reflection: the longer path from the image source, over c.

    distance                         : m between source and microphone over the ground (horizontally), > 0.
    source_height, microphone_height : m above level ground, > 0. A wall or ceiling is the same with its distances.
    ValueError unless all are above 0. Source: image source in a plane (H. Kuttruff, Room Acoustics, section 4.1).
    """
    if not min(distance, source_height, microphone_height, speed_of_sound) > 0.0:
        raise ValueError("distance, heights and speed of sound must be above 0")
    direct = np.hypot(distance, source_height - microphone_height)
    reflected = np.hypot(distance, source_height + microphone_height)
    return float((reflected - direct) / speed_of_sound)


def lowest_frequency(length: float) -> float:
    """Lowest trustworthy frequency, Hz, of a window of `length` s from the arrival to the end of its taper: 1 / length.

    Near it the level is smeared over one such step; for 1 dB a factor of two more is usual. Source: common practice.
    """
    return 1.0 / length


def height_for(frequency: ArrayLike, distance: float, *, speed_of_sound: float) -> FloatArray:
    """Height, m, of source and microphone alike, from which a window of 1 / frequency is free of the ground.

    frequency : Hz. distance : m between them. Source: `reflection_free_time` solved for equal heights.
    """
    path = distance + speed_of_sound / np.asarray(frequency, dtype=np.float64)
    return np.asarray(0.5 * np.sqrt(path**2 - distance**2))


def far_field_distance(mouth: float, frequency: ArrayLike, *, speed_of_sound: float) -> FloatArray:
    """Distance, m, from which the far field of a mouth begins: 2 D^2 / wavelength, and never below D or a wavelength.

    mouth     : m, its largest width D.
    frequency : Hz. At 2 D^2 / wavelength the rim's wave lags the centre's by 22.5 degrees; at half of it by 45.
    Source: the usual rule of arrays and antennas (from memory).
    """
    wavelength = speed_of_sound / np.asarray(frequency, dtype=np.float64)
    return np.maximum(2.0 * mouth**2 / wavelength, np.maximum(mouth, wavelength))


def far_field_limit(mouth: float, distance: float, *, speed_of_sound: float) -> float:
    """Highest frequency, Hz, at which `distance` is still in the far field of `mouth` by 2 D^2 / wavelength; m."""
    return float(0.5 * speed_of_sound * distance / mouth**2)


def rim_lag(mouth: float, frequency: ArrayLike, *, distance: float, speed_of_sound: float) -> FloatArray:
    """Phase, rad, by which the wave from a flat mouth's rim lags that from its centre at a point on the axis.

    0 in the far field. Source: geometry, k (sqrt(r^2 + D^2 / 4) - r).
    """
    longer = np.hypot(distance, 0.5 * mouth) - distance
    return np.asarray(2.0 * np.pi * np.asarray(frequency, dtype=np.float64) / speed_of_sound * longer)
