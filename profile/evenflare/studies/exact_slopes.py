"""Slopes of the index held against those of another method: Hadamard's formula on boundary elements."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.radiation.wall_slopes import wall_slopes
from evenflare.studies.sensitivity import Sensitivity, WallBench
from evenflare.units import FloatArray
from evenflare.waveguide.departure import risen

CLEAR = 2.0 / 3.0
"""Of the arc, from the throat, where bumps are compared: a rim that is rolled over moves with those beyond, and waves
are level before it."""


def slopes_apart(bench: WallBench, found: Sensitivity) -> float | None:
    """By how much slopes of the march's differences and the exact ones differ most, of the greatest slope of all.

    Of bumps clear of throat and rim. None where exact ones are not to be had: of oblong waveguides, at a
    finite distance, in a cabinet.
    """
    if not bench.waveguide.is_round or not bench.observation.far_field or bench.waveguide.mounting.cabinet is not None:
        return None
    places = np.arange(1, int(CLEAR * found.share.size))
    spacing = float(found.share[1] - found.share[0])

    def bumps(share: FloatArray) -> FloatArray:
        away = np.abs(share[:, None] - found.share[places]) / spacing
        return risen(1.0 - away)[0]

    heard = replace(bench.observation, frequency=found.frequency)
    exact = wall_slopes(bench.waveguide, heard, bench.air, shapes=bumps).index
    ours = found.index[places, 0]
    return float(np.abs(exact - ours).max() / np.abs(ours).max())
