"""Grids of directions: from where a waveguide must be seen for its levels all round to be known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.directivity.types import SAME_DIRECTION, Directivity, Observation, both_sides
from evenflare.metrics import half_orbits
from evenflare.radiation.angles import with_angles
from evenflare.units import DEGREE, FloatArray, IntArray

STEP = 15.0 * DEGREE
"""rad between half-orbits, and between angles off the axis at most, that a balloon is drawn from."""
_FINE = 5.0 * DEGREE
_STEPS = {"two_planes": np.arange(7), "left_right": np.arange(7), "none": np.arange(-5, 7)}
"""Of STEP, the planes that a balloon needs, both sides of each where up and down differ; one is enough if round."""


def dense(observation: Observation) -> Observation:
    """The same, seen from as many more directions as a balloon needs: half-orbits every 15 degrees, angles every 5."""
    planes = observation.plane
    angles = np.asarray(_FINE * np.arange(37), dtype=np.float64)
    if observation.symmetry != "round":
        planes = with_angles(planes, STEP * _STEPS[observation.symmetry])
    if observation.off_axis[0] < -SAME_DIRECTION:
        angles = both_sides(angles)
    return replace(observation, plane=planes, off_axis=with_angles(observation.off_axis, angles))


def drawable(directivity: Directivity) -> bool:
    """Whether it was seen closely enough for a balloon: from the axis to the end of the space, all round."""
    observation, half = directivity.observation, sides(directivity)
    end = 0.5 * np.pi if directivity.half_space else np.pi
    for index in half.values():
        gaps = np.diff(np.concatenate([[0.0], np.abs(observation.off_axis[index]), [end]]))
        if index.size < 2 or gaps.max() > STEP + SAME_DIRECTION:
            return False
    if not half or observation.symmetry == "round":
        return bool(half)
    azimuth, *_ = half_orbits(observation, list(half))
    return bool(np.diff(azimuth, append=azimuth[0] + 2.0 * np.pi).max() <= STEP + SAME_DIRECTION)


def differs_round(directivity: Directivity) -> bool:
    """Whether a balloon shows more than a map: drawable, and not the same round the axis."""
    return directivity.observation.symmetry != "round" and drawable(directivity)


def sides(directivity: Directivity) -> dict[int, IntArray]:
    """Of each side of the axis that was observed, by its sign, +1 first: indices of its angles, from the axis outward.

    Those alone that lie in the space radiated into. Straight behind belongs to both.
    """
    angle, front = directivity.observation.off_axis, ~directivity.behind
    found: dict[int, IntArray] = {}
    for sign in (1, -1):
        own = front & (sign * angle > -SAME_DIRECTION)
        if not np.any(own & (np.abs(angle) > SAME_DIRECTION)):
            continue
        pole = front & (np.abs(angle) > np.pi - SAME_DIRECTION)
        index = np.flatnonzero(own if np.any(own & pole) else own | pole)
        found[sign] = index[np.argsort(np.abs(angle[index]))]
    return found


def around(directivity: Directivity, values: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Azimuths (O,) rad, rising from 0 within a turn, of every half-orbit that is known, and its values (F, O, R).

    values : of each of the `sides` (F, P, R), at the same angles off the axis.
    """
    azimuth, owners, inverse, _ = half_orbits(directivity.observation, list(sides(directivity)))
    result = np.empty((values[0].shape[0], azimuth.size, values[0].shape[2]))
    for (plane, side), orbit in reversed(list(zip(owners, inverse.tolist(), strict=True))):
        result[:, orbit] = values[side][:, plane]  # what was observed itself comes last and stays
    return azimuth, result
