"""A wall of any making as points, which a design file can state; and the mean wall of a part that is nearly round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.deviated import Arcs, WallDeviation
from evenflare.waveguide.meridian import Frame, Meridian, Piece, joined
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.points import Points
from evenflare.waveguide.waveguide import Waveguide

SPACING = 0.5e-3
"""m along the wall, at most, between points: evenly, since where their spacing jumps a corner would be seen."""
APART = 1e-7
"""m; points closer than this are one."""
_FINE = 2001


def traced(waveguide: Waveguide) -> Waveguide:
    """The waveguide with its wall as points along its meridian, or along both of an oblong one, whose section stays.

    Errors: ValueError if it has no wall.
    """
    shape = waveguide.shape
    if not isinstance(shape, Oblong):
        return replace(waveguide, shape=_points(waveguide.meridian))
    surface = waveguide.surface
    horizontal, vertical = (_points(each) for each in (surface.horizontal, surface.vertical))
    return replace(waveguide, shape=Oblong(horizontal, vertical, shape.section))


def _points(meridian: Meridian) -> Points:
    wall: Frame = joined([piece.frame_at(_evenly(piece)) for piece in meridian.pieces])
    z, r = wall.z - wall.z[0], wall.r
    kept = np.concatenate([[True], np.hypot(np.diff(z), np.diff(r)) > APART])
    return Points(tuple((float(a), float(b)) for a, b in zip(z[kept], r[kept], strict=True)), corner=8.0 * DEGREE)


def _evenly(piece: Piece) -> FloatArray:
    """Parameters of points at even arcs of a piece, its ends among them."""
    fine = np.linspace(0.0, 1.0, _FINE)
    arc = Arcs(piece).arc_at(fine)
    return np.asarray(np.interp(np.linspace(0.0, arc[-1], max(2, int(np.ceil(arc[-1] / SPACING)) + 1)), arc, fine))


def mean_round(deviation: WallDeviation) -> WallDeviation:
    """The same without what differs around the section: the mean over all azimuths of a wall of revolution."""
    if deviation.is_round:
        return deviation
    waves = tuple((float(row @ around_weights(deviation.azimuths)),) for row in np.array(deviation.waves))
    return replace(deviation, ovality=0.0, azimuths=(0.0,), waves=waves)


def around_weights(azimuths: Sequence[float]) -> FloatArray:
    """(M,) by which values at azimuths from plane to plane count in the mean of their cosine series all round."""
    psi = np.array(azimuths)
    if psi.size == 1:
        return np.ones(1)
    # The series in twice the azimuth through all values: its mean is its first coefficient.
    series = np.cos(2.0 * np.outer(psi, np.arange(psi.size)))
    return np.asarray(np.linalg.inv(series)[0])
