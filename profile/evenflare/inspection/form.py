"""How far a part departs over all of its wall, scale left out: on the mean, in its square, and whether all round."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.inspection.found import Inspection
from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import WallDeviation

ALONG, AROUND = 201, 37


class Form(NamedTuple):
    """m and m^2, of the departure along the normal: every share of the arc and azimuth counts alike; noise left out.

    alike : whether more of it is alike all round than not.
    """

    mean: float
    square: float
    alike: bool


def form_of(waveguide: Waveguide, inspection: Inspection) -> Form:
    """Offset, bow, ovality and waviness together; the waves that are solved say which of these are alike all round."""
    wall = inspection.wall
    smooth = departure(waveguide, WallDeviation(offset=wall.offset, bow=wall.bow))
    waves = departure(waveguide, WallDeviation(shares=wall.shares, azimuths=wall.azimuths, waves=wall.waves))
    waviness, oval = inspection.waviness.value**2, 0.5 * inspection.ovality.value**2
    around = min(float(np.mean(waves.mean(axis=1) ** 2)), waviness)
    form = float(np.mean(smooth**2))
    return Form(float(smooth.mean()), form + waviness + oval, form + around >= waviness - around + oval)


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
