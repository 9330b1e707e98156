"""A directivity in any direction, from the planes and angles in which it was observed."""

from __future__ import annotations

import numpy as np

from evenflare.directivity.types import Directivity, Observation
from evenflare.metrics import SAME_ANGLE, half_orbits, sphere_weights
from evenflare.units import ComplexArray, FloatArray

SILENT = 1e-300
"""Pa^2, below which an axis has no phase."""


def direction_weights(observation: Observation, off_axis: FloatArray, azimuth: FloatArray) -> FloatArray:
    """Weights (D, P, A) by which the mean square in each direction follows from those observed; they add up to 1.

    off_axis : (D,) rad, 0 to pi, and
    azimuth  : (D,) rad, of the directions.
    Straight between neighbouring off-axis angles; between neighbouring half-orbits by cos^2 and sin^2 of the azimuth,
    scaled to their spacing, as `metrics.sphere_weights` does, so that the mean over all directions is the same. A
    side or plane not observed is taken from the symmetry, an angle beyond the last one as that.
    ValueError as `sphere_weights`. Source: common practice, as there.
    """
    sphere_weights(observation)  # refuses what does not cover the sphere
    angle = observation.off_axis
    sides = [sign for sign in (1, -1) if np.any(sign * angle > SAME_ANGLE)]
    turning = _turning(observation, sides, azimuth)
    weights = np.zeros((off_axis.size, *observation.shape[1:]))
    for side, sign in enumerate(sides):
        index = np.flatnonzero((sign * angle > -SAME_ANGLE) | (np.abs(angle) > np.pi - SAME_ANGLE))
        index = index[np.argsort(np.abs(angle[index]))]
        outward = np.abs(angle[index])
        between = np.clip(np.searchsorted(outward, off_axis, side="right") - 1, 0, outward.size - 2)
        part = np.clip((off_axis - outward[between]) / (outward[between + 1] - outward[between]), 0.0, 1.0)
        row = np.arange(off_axis.size)
        for each, share in ((between, 1.0 - part), (between + 1, part)):
            weights[row, :, index[each]] += turning[:, :, side] * share[:, None]
    return weights


def _turning(observation: Observation, sides: list[int], azimuth: FloatArray) -> FloatArray:
    """Share (D, P, sides) of each half-orbit in what is sent at an azimuth."""
    start, owners, inverse, count = half_orbits(observation, sides)
    orbits = np.zeros((start.size, observation.plane.size, len(sides)))
    for owner, orbit in zip(owners, inverse, strict=True):
        orbits[orbit][owner] += 1.0 / count[orbit]
    gap = np.diff(start, append=start[0] + 2.0 * np.pi)
    from_first = np.mod(azimuth - start[0], 2.0 * np.pi)
    below = np.clip(np.searchsorted(start - start[0], from_first, side="right") - 1, 0, start.size - 1)
    near = np.cos(0.5 * np.pi * np.clip((from_first - (start - start[0])[below]) / gap[below], 0.0, 1.0)) ** 2
    above = (below + 1) % start.size
    return np.asarray(near[:, None, None] * orbits[below] + (1.0 - near)[:, None, None] * orbits[above])


def relative_to_axis(directivity: Directivity) -> ComplexArray:
    """Pressure (F, P, A) at 1 m of the far field, Pa, its phase re on-axis: what all directions share is taken out."""
    observation, axis = directivity.observation, directivity.on_axis
    distance = 1.0 if observation.far_field else observation.distance
    heard = np.abs(axis) ** 2 > SILENT
    turn = np.where(heard, np.conj(axis) / np.where(heard, np.abs(axis), 1.0), 1.0)
    return np.asarray(directivity.pressure * (distance * turn)[:, None, None])


def over_frequency(directivity: Directivity, frequency: FloatArray) -> FloatArray:
    """Weights (G, F) by which a value at `frequency` (G,) Hz follows from the directivity's valid frequencies.

    Linear in log frequency; the first and last valid one hold beyond them. ValueError if none is valid.
    """
    known = np.flatnonzero(directivity.valid)
    if known.size == 0:
        raise ValueError("the directivity is valid at no frequency")
    x = np.log(directivity.observation.frequency[known])
    weights = np.zeros((frequency.size, directivity.valid.size))
    weights[:, known] = np.transpose([np.interp(np.log(frequency), x, unit) for unit in np.eye(known.size)])
    return weights
