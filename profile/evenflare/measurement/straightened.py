"""A plane's readings at their nominal angles, the turntable's offset taken out over the whole band without a step."""

from __future__ import annotations

import numpy as np

from evenflare.measurement.between_angles import corrected
from evenflare.measurement.turntable import Alignment, mirror_pairs
from evenflare.units import BoolArray, ComplexArray, FloatArray

HANDOVER = 2.0**0.5
"""Frequency ratio below the limit of the angles over which the mean of both sides takes over."""


def straightened(
    off_axis: FloatArray,
    pressure: ComplexArray,
    *,
    frequency: FloatArray,
    alignment: Alignment,
    distance: float,
    speed_of_sound: float,
    half_space: bool,
    suspect: BoolArray,
) -> ComplexArray:
    """Pressure (A, F) at the nominal angles, as far as an alignment says what is to be taken out.

    suspect : (A,) readings that are wrong: left as they are, and left out of what is told between angles.
    Up to where the angles tell what lies between them, by `corrected`. Beyond, each side of a mirror-symmetric source
    has the mean power of both, in which an error of the angle cancels to first order, and its own phase. Half an octave
    lies between, level and phase going from one to the other, so that nothing jumps.
    """
    angle, lateral = alignment.corrected
    if angle == 0.0 and lateral == 0.0:
        return np.asarray(pressure)
    good = np.flatnonzero(~suspect)
    found = np.array(pressure)
    moved = corrected(
        off_axis[good],
        pressure[good],
        frequency=frequency,
        angle=angle,
        lateral=lateral,
        distance=distance,
        speed_of_sound=speed_of_sound,
        half_space=half_space,
    )
    beyond = np.array(pressure[good])
    for plus, minus in mirror_pairs(off_axis[good]):
        both = np.sqrt(0.5 * (np.abs(beyond[plus]) ** 2 + np.abs(beyond[minus]) ** 2))
        for side in (plus, minus):
            beyond[side] = both * np.exp(1j * np.angle(beyond[side]))
    away = np.log(np.maximum(alignment.highest, 1e-3) / frequency) / np.log(HANDOVER)
    share = np.sin(0.5 * np.pi * np.clip(away, 0.0, 1.0)) ** 2  # 1 well below the limit, 0 from it on
    tiny = np.finfo(float).tiny
    level = share * np.log(np.maximum(np.abs(moved), tiny)) + (1.0 - share) * np.log(np.maximum(np.abs(beyond), tiny))
    turn = np.angle(moved * np.conj(beyond))
    found[good] = np.exp(level + 1j * (np.angle(beyond) + share * turn))
    return found
