"""Which levels a calibration fits, and which it keeps to check the fit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.units import BoolArray, FloatArray

LOWEST_LEVEL = -20.0
"""dB re on axis, that a cell must have measured and predicted: below it a level tells of the rig, not of the horn."""
LEAST_ANGLES = 6
"""Beside the axis."""


def thinned(measured: Directivity, count: int, covered: Callable[[FloatArray], bool]) -> Directivity:
    """`measured` at up to `count` of its valid frequencies."""
    frequency = measured.observation.frequency
    usable = [i for i in np.flatnonzero(measured.valid) if covered(frequency[i : i + 1])]
    if not usable:
        raise ValueError("no frequency of the measurement is valid and known of the source")
    wanted = np.geomspace(frequency[usable[0]], frequency[usable[-1]], max(count, 1))
    nearest = np.abs(np.log(frequency[usable])[None] - np.log(wanted)[:, None]).argmin(axis=1)
    kept = np.array(usable)[np.unique(nearest)]
    return Directivity(
        observation=replace(measured.observation, frequency=frequency[kept]),
        pressure=measured.pressure[kept],
        valid=measured.valid[kept],
        density=measured.density,
        speed_of_sound=measured.speed_of_sound,
        half_space=measured.half_space,
        provenance=measured.provenance,
    )


def held_out_angles(off_axis: FloatArray, heard: BoolArray, every: int) -> BoolArray:
    """(A,) every so manieth of the angles that are `heard` (A,), both sides of the axis alike, the last one never."""
    away = np.unique(np.round(np.abs(off_axis[heard]), 9))
    away = away[away > 1e-9]
    if every < 2:
        raise ValueError(f"hold_out = {every}: must be 2 at least. Raise it")
    if away.size < LEAST_ANGLES:
        raise ValueError(
            f"holds {away.size} angles beside the axis above {LOWEST_LEVEL:g} dB: must be {LEAST_ANGLES} at least, some"
            " to fit and some to check. Measure more angles"
        )
    left = away[every - 1 : -1 : every]
    return np.asarray(np.isin(np.round(np.abs(off_axis), 9), left))
