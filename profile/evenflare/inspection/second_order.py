"""What is of second order in a departure: how a wall that is moved far lies off the sum of its kinds.

A wall that is moved along its normal is cut off by the planes of throat and mouth, and a circle that is squeezed is an
ellipse: at a departure of half a millimetre that is some hundredths. Whether a part is as `deviated` makes it or just
the sum of its kinds a scan shows, and so it is asked: a shape of unknown amplitude, 1 of the one and 0 of the other.
"""

from __future__ import annotations

import itertools

import numpy as np
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator, RegularGridInterpolator

from evenflare.inspection.cells import KINDS, columns
from evenflare.inspection.feet import DrawnFeet, Feet
from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated

AMPLITUDE = 1.0
"""Standard deviation of the shape's amplitude before anything is seen."""
_ALONG, _AROUND = 81, 17


def beyond_sum(waveguide: Waveguide, drawn: DrawnFeet, kinds: FloatArray, at_feet: Feet) -> FloatArray:
    """(N,) m, at feet: off the drawn wall of the wall moved by kinds, less their sum.

    kinds : (K,) or more, as KINDS has them; pose and scale, which turn and stretch it as it is, are left out.
    Where no wall can be so moved, 0.
    """
    offset, bow, oval, aside, step = (float(kinds[KINDS.index(each)]) for each in KINDS[7:12])
    turn = 0.5 * np.arctan2(aside, oval) if drawn.is_round else 0.0
    deviation = WallDeviation(
        offset=offset, bow=bow, ovality=float(np.hypot(oval, aside)) if drawn.is_round else oval, throat_step=step
    )
    try:
        moved = deviated(Waveguide(waveguide.shape, waveguide.driver), deviation)
        places = _places(moved)
    except ValueError:
        return np.zeros(at_feet.off.size)
    feet = drawn.feet(places)
    feet = feet.of(feet.inside)
    told = np.array([0.0] * 7 + [offset, bow, deviation.ovality, 0.0, step])
    left = feet.off - np.column_stack(columns(feet, drawn)) @ told
    # In steps of the table either way: in radians and shares, triangles skipped places of a parallel at a rolled rim.
    step_along, step_around = 0.5 / _ALONG, 0.5 * np.pi / (_AROUND - 1)
    known = np.column_stack([feet.share / step_along, _folded(feet.azimuth) / step_around])
    rows, around = np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, 2 * _ALONG)) ** 2, np.linspace(0.0, 0.5 * np.pi, _AROUND)
    grid = np.stack(np.meshgrid(rows / step_along, around / step_around, indexing="ij"), axis=-1)
    table = LinearNDInterpolator(known, left)(grid)
    # The very ends are as what lies beside them.
    outside = np.isnan(table)
    table[outside] = NearestNDInterpolator(known, left)(grid[outside])
    asked = np.column_stack([at_feet.share, np.minimum(_folded(at_feet.azimuth - turn), 0.5 * np.pi)])
    return np.asarray(RegularGridInterpolator((rows, around), table)(asked))


def _folded(azimuth: FloatArray) -> FloatArray:
    return np.asarray(np.arctan2(np.abs(np.sin(azimuth)), np.abs(np.cos(azimuth))))


def _places(waveguide: Waveguide) -> FloatArray:
    """(N, 3) m, of the wall between both planes, by rows."""
    azimuth = np.linspace(0.0, 0.5 * np.pi, _AROUND)
    t = np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, _ALONG)) ** 2
    if waveguide.is_round:
        frames = [piece.frame_at(t) for piece in waveguide.meridian.pieces]
        z, r = (np.concatenate([frame[i] for frame in frames]) for i in (0, 1))
        around = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=-1)
        rows = np.concatenate([r[:, None, None] * around, np.broadcast_to(z[:, None, None], (z.size, _AROUND, 1))], -1)
        return np.asarray(rows.reshape(-1, 3))
    surface, found = waveguide.surface, []
    for which, (low, high) in enumerate(itertools.pairwise(surface.cuts)):
        z = low + (high - low) * t
        a, b, _, _ = (each[:, None] for each in surface.axes(z, stretch=which))
        factor = surface.factor(z[:, None], a, b, azimuth)
        place = a * factor * np.cos(azimuth), b * factor * np.sin(azimuth), np.broadcast_to(z[:, None], factor.shape)
        found.append(np.stack(place, axis=-1).reshape(-1, 3))
    return np.concatenate(found)
