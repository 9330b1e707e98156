"""A wall of any making as points, which a design file can state; and the mean wall of a part that is nearly round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.deviated import WallDeviation
from evenflare.waveguide.meridian import Frame, Meridian, Piece, joined
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.points import Points
from evenflare.waveguide.sections import Section
from evenflare.waveguide.waveguide import Waveguide

SPACING = 0.5e-3
"""m along the wall, at most, between points: evenly, since where their spacing jumps a corner would be seen."""
APART = 1e-7
"""m; points closer than this are one."""
BLEND = 1.0 / 7.0
"""Of the depth, over which a throat that is not round is drawn into one."""
_FINE = 2001


def traced(waveguide: Waveguide, *, section: Section | None = None) -> Waveguide:
    """The waveguide with its wall as points along its meridian, or along both of an oblong one.

    section : of an oblong one, between both; None for its own, if a file can state that. Its throat is made round and
              its mouth flat, as a design file has them: in the first seventh of the depth, and by a stretch.
    Errors  : ValueError if it has no wall.
    """
    shape = waveguide.shape
    if not isinstance(shape, Oblong):
        return replace(waveguide, shape=_points(*_line(waveguide.meridian)))
    surface = waveguide.surface
    (z, a), (y, b) = (_line(each) for each in (surface.horizontal, surface.vertical))
    depth, throat = 0.5 * (z[-1] + y[-1]), 0.5 * (a[0] + b[0])
    wide, high = (
        _points(along * (depth / along[-1]), r + (throat - r[0]) * np.maximum(1.0 - along / (BLEND * depth), 0.0) ** 3)
        for along, r in ((z, a), (y, b))
    )
    return replace(waveguide, shape=Oblong(wide, high, shape.section if section is None else section))


def _line(meridian: Meridian) -> tuple[FloatArray, FloatArray]:
    """(N,) depths from the throat plane and radii, m, evenly along the wall."""
    wall: Frame = joined([piece.frame_at(_evenly(piece)) for piece in meridian.pieces])
    z, r = wall.z - wall.z[0], wall.r
    kept = np.concatenate([[True], np.hypot(np.diff(z), np.diff(r)) > APART])
    return z[kept], r[kept]


def _points(z: FloatArray, r: FloatArray) -> Points:
    return Points(tuple((float(a), float(b)) for a, b in zip(z, r, strict=True)))


def _evenly(piece: Piece) -> FloatArray:
    """Parameters of points at even arcs of a piece, its ends among them."""
    fine = np.linspace(0.0, 1.0, _FINE)
    wall = piece.frame_at(fine)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
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
