"""A departure of a wall over all of it: evenly along its arc and all round, its scale left out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import WallDeviation

ALONG, AROUND = 201, 36


class Form(NamedTuple):
    """m and m^2, of the departure along the normal over the wall: every share of the arc and azimuth counts alike."""

    mean: float
    square: float


def form_of(waveguide: Waveguide, deviation: WallDeviation) -> Form:
    """Mean and mean square of offset, bow, ovality and waves together."""
    off = departure(waveguide, deviation)
    return Form(float(off.mean()), float(np.mean(off**2)))


def departure(waveguide: Waveguide, deviation: WallDeviation) -> FloatArray:
    """(S, A) m, along the normal at even shares of the arc, throat to mouth, and azimuths from plane to plane."""
    wall = waveguide.meridian.dense if waveguide.is_round else waveguide.surface.horizontal.dense
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    share = np.linspace(0.0, 1.0, ALONG)
    z = np.interp(share, arc / arc[-1], wall.z - wall.z[0])
    psi = np.linspace(0.0, 0.5 * np.pi, AROUND)
    off = deviation.offset + deviation.bow * np.sin(np.pi * z / z[-1])[:, None]
    off = off + deviation.ovality * np.cos(2.0 * psi)
    return np.asarray(off + _waves(deviation, share, psi))


def _waves(deviation: WallDeviation, share: FloatArray, psi: FloatArray) -> FloatArray:
    """(S, A) m, straight between shares, which is near enough for a spread; around by the cosine series."""
    if not deviation.shares:
        return np.zeros((share.size, psi.size))
    at, order = np.array(deviation.azimuths), np.arange(len(deviation.azimuths))
    values = np.array(deviation.waves)
    along = np.stack([np.interp(share, deviation.shares, column) for column in values.T], axis=1)
    around = np.cos(2.0 * np.outer(psi, order)) @ np.linalg.inv(np.cos(2.0 * np.outer(at, order)))
    return np.asarray(along @ around.T)
