"""Grids of directions: from where a waveguide must be seen for its levels all round to be known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.directivity.types import SAME_DIRECTION, Directivity, Observation
from evenflare.radiation.angles import with_angles
from evenflare.units import DEGREE, FloatArray

STEP = 15.0 * DEGREE
"""rad between planes, and between angles off the axis at most, that a balloon is drawn from."""
_FINE = 5.0 * DEGREE


def dense(observation: Observation) -> Observation:
    """The same, seen from as many more directions as a balloon needs: planes every 15 degrees, angles every 5."""
    planes = observation.plane
    if observation.symmetry == "two_planes":
        planes = with_angles(planes, STEP * np.arange(7))
    return replace(observation, plane=planes, off_axis=with_angles(observation.off_axis, _FINE * np.arange(37)))


def drawable(directivity: Directivity) -> bool:
    """Whether it was seen closely enough for a balloon: from the axis to the end of the space, all round."""
    observation, angles = directivity.observation, front_angles(directivity)
    end = 0.5 * np.pi if directivity.half_space else np.pi
    gaps = np.diff(np.concatenate([[0.0], angles, [end]]))
    if angles.size < 2 or observation.off_axis[0] < -SAME_DIRECTION or gaps.max() > STEP + SAME_DIRECTION:
        return False
    if observation.symmetry == "round":
        return True
    planes = observation.plane
    whole = np.allclose(planes[[0, -1]], [0.0, 0.5 * np.pi], atol=SAME_DIRECTION)
    return observation.symmetry == "two_planes" and whole and bool(np.diff(planes).max() <= STEP + SAME_DIRECTION)


def front_angles(directivity: Directivity) -> FloatArray:
    """(R,) rad: the observed angles off the axis that lie in the space radiated into."""
    return directivity.observation.off_axis[~directivity.behind]
