"""A cap on a rigid sphere whose axis leans: sound that differs above and below, left and right, in closed form."""

import numpy as np

from evenflare.closed_forms import cap_pattern
from evenflare.directivity.types import Directivity, Observation
from evenflare.units import DEGREE, FloatArray

RADIUS = 0.15
SPEED = 343.2
HALF_ANGLE = 30.0 * DEGREE


def leaning(off_axis: FloatArray, azimuth: FloatArray, *, up: float, right: float) -> FloatArray:
    """rad, from the leaning axis to directions; `up` and `right` rad, by which it leans."""
    axis = np.array([np.sin(right) * np.cos(up), np.sin(up), np.cos(right) * np.cos(up)])
    x, y, z = np.sin(off_axis) * np.cos(azimuth), np.sin(off_axis) * np.sin(azimuth), np.cos(off_axis)
    return np.asarray(np.arccos(np.clip(axis[0] * x + axis[1] * y + axis[2] * z, -1.0, 1.0)))


def tilted_cap(observation: Observation, *, up_deg: float = 0.0, right_deg: float = 0.0) -> Directivity:
    """Beranek and Mellow (2012), section 12.6, turned."""
    away = leaning(
        observation.off_axis[None, :], observation.plane[:, None], up=up_deg * DEGREE, right=right_deg * DEGREE
    )
    size = 2.0 * np.pi * observation.frequency * RADIUS / SPEED
    pressure = cap_pattern(size, away.ravel(), half_angle=HALF_ANGLE).reshape(observation.shape)
    return Directivity(observation, pressure, np.ones(observation.frequency.size, dtype=bool), 1.2041, SPEED)
