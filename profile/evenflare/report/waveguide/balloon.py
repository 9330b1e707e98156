"""The directivity balloon: levels all round, on a grid fine enough to be drawn as a surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.directivity.types import Directivity, Observation
from evenflare.report.kit.smooth import between
from evenflare.results import tables
from evenflare.studies.directions import around, sides
from evenflare.units import BoolArray, FloatArray, IntArray

FLOOR, CEILING = -30.0, 6.0
"""dB re on-axis: what is lower is drawn at the centre, what is higher no farther out."""
RINGS, COLUMNS = 37, 48
"""Of the drawn grid: angles from the axis to the end of the space, and azimuths all round."""
OCTAVES = (1e3, 2e3, 4e3, 8e3, 16e3)
"""Hz."""

_DEEPEST = 2.0 * FLOOR
"""dB; a null is as deep as any below, and would bend its surroundings."""


@dataclass(frozen=True)
class Balloon:
    """Levels all round.

    frequency : (F,) Hz.
    valid     : (F,) whether they can be trusted.
    off_axis  : (R,) rad, from 0 to the end of the space.
    azimuth   : (C,) rad, once around from 0, the first not repeated.
    level     : (F, R, C) dB re on-axis, from FLOOR to CEILING.
    """

    frequency: FloatArray
    valid: BoolArray
    off_axis: FloatArray
    azimuth: FloatArray
    level: FloatArray

    def points(self, row: int) -> FloatArray:
        """(R, C, 3): the surface at a frequency; x, y, z, the radius 1 at the on-axis level and 0 at the floor."""
        radius = 1.0 - self.level[row] / FLOOR
        across = radius * np.sin(self.off_axis)[:, None]
        along = radius * np.cos(self.off_axis)[:, None]
        return np.stack([across * np.cos(self.azimuth), across * np.sin(self.azimuth), along], axis=-1)


def balloon(directivity: Directivity) -> Balloon:
    """The balloon of a directivity that is drawable: smooth between its directions, mirrored by its symmetry."""
    observation = directivity.observation
    level = np.maximum(np.nan_to_num(tables.relative_level(directivity), nan=_DEEPEST), _DEEPEST)
    half = [(np.abs(observation.off_axis[index]), index) for index in sides(directivity).values()]
    off_axis = np.linspace(0.0, min(outward[-1] for outward, _ in half), RINGS)
    rings = [between(outward, level[:, :, index], off_axis, axis=2) for outward, index in half]
    known, level = around(directivity, rings)
    # Once more beyond either end, so that the surface closes smoothly.
    beyond = min(known.size, 2)
    known = np.concatenate([known[-beyond:] - 2.0 * np.pi, known, known[:beyond] + 2.0 * np.pi])
    level = np.concatenate([level[:, -beyond:], level, level[:, :beyond]], axis=1)
    azimuth = 2.0 * np.pi * np.arange(COLUMNS) / COLUMNS
    level = np.moveaxis(between(known, level, _folded(azimuth, observation), axis=1), 1, 2)
    return Balloon(observation.frequency, directivity.valid, off_axis, azimuth, np.clip(level, FLOOR, CEILING))


def _folded(azimuth: FloatArray, observation: Observation) -> FloatArray:
    """Azimuths as the symmetry has them alike, so that what mirrors each other is the same to the last digit."""
    if observation.symmetry == "none":
        return azimuth
    across, up = np.abs(np.round(np.cos(azimuth), 12)), np.round(np.sin(azimuth), 12)
    turn = np.arctan2(up if observation.symmetry == "left_right" else np.abs(up), across)
    return np.asarray(np.mod(turn, 2.0 * np.pi))


def balloon_cells(found: Balloon, row: int) -> FloatArray:
    """((R - 1) C,) dB, the mean level of each cell between four directions, at a frequency."""
    level = found.level[row]
    on = 0.5 * (level + np.roll(level, -1, axis=1))
    return np.asarray(0.5 * (on[:-1] + on[1:])).ravel()


def octaves(frequency: FloatArray) -> IntArray:
    """Rows of the solved frequencies nearest to octave centres from 1 to 16 kHz, those within a sixth of an octave.

    The highest frequency where there is none.
    """
    away = np.abs(np.log2(frequency / np.array(OCTAVES)[:, None]))
    near = away.argmin(axis=1)[away.min(axis=1) <= 1.0 / 6.0]
    return np.unique(near) if near.size else np.array([frequency.size - 1])
